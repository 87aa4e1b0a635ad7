//! The facts in scope as the rules see them: judged once for a size, whatever the time.

use std::sync::Arc;

use super::Recorded;
use super::held;
use super::held::Held;
use super::judge::types_asked;
use super::judge::{self, Standing};
use super::kinds::{self, Asked};
use super::order::Key;
use super::roster::Roster;
use crate::bytes::{Hash, Id};
use crate::fact::{Header, Kind};
use crate::v1;

/// One fact in scope, judged once: its standing depends on the size, not on the time.
#[derive(Debug)]
pub(super) struct Fact<'h> {
    pub(super) held: Bytes<'h>,
    pub(super) key: Key,
    pub(super) counts_from_s: u64,
    /// Entries below it were seen by its signer.
    pub(super) seen_point: u64,
    pub(super) standing: Standing,
    pub(super) person: Option<Id>,
    /// The service signed it: that is known too, and is no person.
    pub(super) by_service: bool,
    pub(super) unread: Option<String>,
    /// Where it stands in the log: a correction's version at that correction.
    pub(super) shown_index: u64,
    /// The log holds it, itself or the fact that it is a version of; else it came second and lies inside another.
    pub(super) on_log: bool,
    /// Older versions: who named one of them named this one.
    pub(super) elders: Vec<Hash>,
}

/// A fact of the log, or a version of one that a correction makes: at the original's index, under the correction's hash.
#[derive(Debug)]
pub(super) enum Bytes<'h> {
    Logged(&'h Held),
    Version(Box<Held>),
}

impl std::ops::Deref for Bytes<'_> {
    type Target = Held;
    fn deref(&self) -> &Held {
        match self {
            Bytes::Logged(held) => held,
            Bytes::Version(held) => held,
        }
    }
}

impl Fact<'_> {
    pub(super) fn header(&self) -> &Header {
        self.held.recorded.fact.header()
    }

    pub(super) fn kind(&self) -> Option<&Kind> {
        self.held.recorded.fact.kind()
    }
}

pub(super) fn judged<'h>(held: &'h Held, roster: &Roster, size: u64) -> Fact<'h> {
    fact(Bytes::Logged(held), held.hash, held.recorded.index, roster, size)
}

/// The fact that came second to its place, judged at the entry that holds it.
pub(super) fn second<'h>(held: &'h Held, roster: &Roster, size: u64) -> Fact<'h> {
    Fact { on_log: false, ..judged(held, roster, size) }
}

/// What a correction puts in an original's place: signed by the original's author, at the original's index.
pub(super) fn version<'h>(
    original: &Fact<'h>,
    by: &Fact<'h>,
    body: &v1::Corrected,
    elders: Vec<Hash>,
    roster: &Roster,
    size: u64,
) -> Option<Fact<'h>> {
    let signed = Arc::new(original.held.recorded.fact.corrected(&body.kind_field, body.happened_ms)?);
    let recorded = Recorded { fact: signed, ..original.held.recorded.clone() };
    let held = Held { recorded, hash: by.held.hash, good: original.held.good };
    let made = fact(Bytes::Version(Box::new(held)), original.key.3, by.held.recorded.index, roster, size);
    Some(Fact { elders, ..made })
}

fn fact<'h>(held: Bytes<'h>, original: Hash, shown_index: u64, roster: &Roster, size: u64) -> Fact<'h> {
    let recorded = &held.recorded;
    let types = types_asked(&held.recorded, roster, size);
    let asked = recorded.fact.kind().map_or(Asked::Anyone, kinds::asked);
    let (standing, person) = judge::standing(roster, size, recorded, asked, &types);
    let (standing, person) = match (recorded.index, held.good) {
        // A name without a good signature is nobody's: anyone could have written it there.
        (_, None | Some(false)) => (Standing::KeyUnknown, None),
        // The founding fact is the custodian's own beginning.
        (0, _) => (Standing::Counts, person),
        _ => (standing, person),
    };
    let header = recorded.fact.header();
    Fact {
        key: (recorded.happened_s(), header.run, header.counter, original),
        counts_from_s: recorded.counts_from_s(),
        seen_point: roster.seen_point(recorded),
        standing,
        person,
        by_service: held.good == Some(true) && roster.service_key() == Some(header.author_key),
        unread: held::unread_because(&held, roster, size),
        shown_index,
        on_log: true,
        elders: Vec::new(),
        held,
    }
}
