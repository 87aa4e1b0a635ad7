//! From facts to open items: a pure function of what is recorded, of the size it is known at, of the time it is
//! judged at. No clock is read and nothing is kept that cannot be derived again.
//!
//! ```text
//! History ─► Case ─────────► ordered acts ─► families ─► open items, findings ─► State ─► Assessment
//! recorded   what concerns   each with its   lines, water,   with whom they        of one   verdict, conditions,
//! so far     one aircraft    standing        access, …       belong to             aircraft first line, horizon
//! ```
//!
//! Three principles outrank every rule below. *What opens, opens*: a fact that opens an item counts whoever signed it;
//! only closing asks authority, independence and a trusted key. *Paper never closes metal*: settling a finding closes
//! no physical item. *Silence is not completeness*: a device that may hold facts unsent is itself an open item.
//!
//! A fact counts from the lesser of the times it happened and was received; every time is cut to whole seconds first.
//! A period is over at its end instant; a fact at that instant is in time.

mod access;
mod act;
mod ahead;
mod alone;
pub mod answer;
mod area;
mod aside;
mod ask;
mod assess;
mod breaches;
mod case;
mod checks;
mod corrections;
mod deeds;
mod defects;
mod devices;
mod elements;
mod enrolments;
pub mod erasures;
mod fact_text;
mod facts;
mod finding;
mod fixtures;
mod fleet;
mod folded;
mod forks;
mod held;
mod history;
mod instants;
mod isolations;
mod item;
mod judge;
mod kinds;
mod lines;
pub mod lists;
mod metal;
mod metal_words;
mod motoring;
mod order;
mod outcome;
mod people;
pub mod procedure;
mod reach;
mod readings;
mod recalls;
mod release;
mod revisions;
pub mod roster;
mod scope;
mod sentence;
mod shift;
mod state;
mod telephone;
mod timing;
mod tools;
mod turns;
mod unread;
mod unsure;
mod versions;
mod water;
mod wording;

use std::sync::Arc;

use crate::bytes::{Hash, Id};
use crate::fact::Signed;

pub use act::FactRef;
pub use ahead::Look;
pub use assess::{Assessment, Question};
pub use deeds::Deed;
pub use enrolments::{Enrolments, Texts};
pub use finding::{Finding, Outcome, Rule, Severity};
pub use history::{Heard, History, OfSubject, ReadBack, Stretch};
pub use item::{Blocks, Item, ItemKind};
pub use judge::Standing;
pub use kinds::kind_name;
pub use reach::RestsOn;
pub use roster::{NextKey, Roster, Succession};
pub use state::{LatestStart, NOTHING_OPEN_NOTICE, NOTICE, State, Verdict, Wash};

/// What is known of a fact's signature when it is recorded.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum SignatureState {
    /// It was checked under a key that was known.
    Good,
    /// The key was not known: it is checked once the roster knows it; a bad one leaves the fact unread.
    Unchecked,
}

/// A fact and how the log holds it.
#[derive(Debug, Clone)]
pub struct Recorded {
    /// Place in the log.
    pub index: u64,
    /// When it was received, Unix milliseconds.
    pub received_ms: u64,
    /// The service's clock was in doubt.
    pub clock_unsure: bool,
    /// The fact.
    pub fact: Arc<Signed>,
    /// Its signature.
    pub signature: SignatureState,
}

impl Recorded {
    /// When it happened, in whole seconds.
    pub fn happened_s(&self) -> u64 {
        self.fact.header().happened_ms / 1000
    }

    /// From when it counts: the lesser of happened and received, in whole seconds.
    pub fn counts_from_s(&self) -> u64 {
        self.happened_s().min(self.received_ms / 1000)
    }

    fn order(&self) -> (u64, Id, u64, Hash) {
        let header = self.fact.header();
        (self.happened_s(), header.run, header.counter, self.fact.hash())
    }
}

#[cfg(test)]
mod testing;
#[cfg(test)]
mod tests;
