//! The facts in force, one by one, as the rules take them: corrections in place, with what was struck out beside them.
//! For showing what was done; what follows from it stands in the items and findings.

use super::act::{Act, FactRef};
use super::case::Case;
use super::fact_text::fact_text;
use crate::bytes::Id;
use crate::fact::Kind;

/// One fact in force, or struck out.
#[derive(Debug, Clone, PartialEq)]
pub struct Deed {
    /// The version in force: its hash, the entry where it stands, when it happened by it.
    pub reference: FactRef,
    /// The entry of the fact as it was first signed.
    pub original_index: u64,
    /// What it says; none where it cannot be read.
    pub kind: Option<Kind>,
    /// In a sentence.
    pub text: String,
    /// The washes that it is about.
    pub washes: Vec<Id>,
    /// Who signed it; none while the key is unknown, or where the service did.
    pub person: Option<Id>,
    /// The device that it came from.
    pub device: Id,
    /// It can close what it is about: authority, key and order are in no doubt.
    pub counts: bool,
    /// It was struck out: it says nothing any more.
    pub struck_out: bool,
}

impl Deed {
    /// Whether another version stands in the place of the one first signed.
    pub fn is_corrected(&self) -> bool {
        self.reference.index != self.original_index
    }
}

/// In the rules' order; what was struck out stands at its place by time.
pub(super) fn deeds(case: &Case<'_>, time_s: u64) -> Vec<Deed> {
    let folded = case.fold(time_s, None, &|_| true);
    let deed = |act: &Act<'_>, struck_out: bool| Deed {
        reference: act.reference(),
        original_index: act.fact.held.recorded.index,
        kind: act.kind().cloned(),
        text: fact_text(&act.fact.held.recorded, &case.roster),
        washes: act.washes().collect(),
        person: act.fact.person,
        device: act.header().device,
        counts: act.counts() && !struck_out,
        struck_out,
    };
    // An act that its settlement lets count stands there twice; the first time is when it was done.
    let mut deeds: Vec<Deed> = folded.acts.iter().filter(|act| !act.revived).map(|act| deed(act, false)).collect();
    for struck in &folded.context.struck {
        let after = deeds.iter().position(|other| other.reference.happened_ms > struck.header().happened_ms);
        deeds.insert(after.unwrap_or(deeds.len()), deed(struck, true));
    }
    deeds
}
