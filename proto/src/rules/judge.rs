//! Does its signer count? What opens, opens, whoever signed; what closes asks a trusted key and the authority, both by
//! what the signer had seen and by the entry's own place, validity by the time it happened.

use super::Recorded;
use super::kinds::{self, Asked};
use super::roster::Roster;
use crate::bytes::Id;
use crate::fact::{Subject, engines_named};
use crate::v1;

/// What a fact's signature is worth for closing.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Standing {
    /// It may close.
    Counts,
    /// Good at one of the two points only: its closing waits.
    InDoubt,
    /// The signer had not the authority.
    BeyondAuthority,
    /// The key was revoked from that index, or one before it.
    KeyNotTrusted,
    /// Nobody knows the key yet, or the signature was not found good under it: the fact is unread.
    KeyUnknown,
}

/// For which engine types an authority is asked.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) enum Types {
    /// It does not matter.
    Any,
    /// All of them: the fact names these engines.
    EachOf(Vec<String>),
    /// One of them: it names none, and these hang on the aircraft.
    OneOf(Vec<String>),
}

pub(super) fn custody() -> Asked {
    Asked::Custody
}

/// Judges a recorded fact by the roster as known at `size`; with it the person who signed, where the key is known.
pub(super) fn standing(
    roster: &Roster,
    size: u64,
    recorded: &Recorded,
    asked: Asked,
    types: &Types,
) -> (Standing, Option<Id>) {
    let header = recorded.fact.header();
    if roster.service_key() == Some(header.author_key) {
        let own = matches!(asked, Asked::Service | Asked::Anyone);
        return (if own { Standing::Counts } else { Standing::BeyondAuthority }, None);
    }
    let Some(key) = roster.key(&header.author_key, size) else { return (Standing::KeyUnknown, None) };
    let person = Some(key.person);
    if roster.untrusted_from(&header.author_key, size).is_some_and(|from| from <= recorded.index) {
        return (Standing::KeyNotTrusted, person);
    }
    if asked == Asked::Service {
        return (Standing::BeyondAuthority, person);
    }
    let (seen, placed) = if key.index > recorded.index {
        let after = roster.after_card(key, size);
        (after, after)
    } else {
        (roster.seen_point(recorded), recorded.index)
    };
    let (happened_s, one_of) = (header.happened_ms / 1000, asked.one_of());
    let may = |point| {
        let held = |authority: &v1::Authority| roster.holds(&key.person, *authority, types, happened_s, point);
        key.index < point && (one_of.is_empty() || one_of.iter().any(held))
    };
    let standing = match (may(seen), may(placed)) {
        (true, true) => Standing::Counts,
        (false, false) => Standing::BeyondAuthority,
        _ => Standing::InDoubt,
    };
    (standing, person)
}

/// The engine types for which an act asks its authority.
pub(super) fn types_asked(recorded: &Recorded, roster: &Roster, size: u64) -> Types {
    let Some(kind) = recorded.fact.kind() else { return Types::Any };
    if kinds::asked(kind) == Asked::Custody {
        return Types::Any;
    }
    let mut serials: Vec<&str> = engines_named(kind).into_iter().map(|e| e.serial.as_str()).collect();
    serials.dedup();
    if !serials.is_empty() {
        return Types::EachOf(serials.into_iter().map(|s| roster.engine_type(s, size).to_owned()).collect());
    }
    let aircraft = recorded.fact.header().subjects.iter().find_map(|s| match s {
        Subject::Aircraft(id) => Some(id),
        _ => None,
    });
    let happened_s = recorded.happened_s();
    Types::OneOf(aircraft.map(|a| roster.types_on(a, happened_s, size)).unwrap_or_default())
}
