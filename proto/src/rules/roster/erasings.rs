//! What people with custody want erased. What comes of it is judged in [`erasures`](crate::rules::erasures).

use super::Roster;
use crate::bytes::{Hash, Id};
use crate::rules::Recorded;
use crate::v1;

/// A fact that says so.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Erasing {
    /// Its envelope.
    pub fact: Hash,
    /// Who signed it.
    pub by: Id,
    /// What is to go.
    pub digests: Vec<Hash>,
    /// Why.
    pub reason: String,
}

impl Roster {
    /// Facts by which somebody with custody wants annexes erased, as they came to count.
    pub fn erasings(&self) -> &[Erasing] {
        &self.erasings
    }

    pub(super) fn erase(&mut self, recorded: &Recorded, b: &v1::AnnexErased) {
        let by = self.key(&recorded.fact.header().author_key, u64::MAX).map(|key| key.person);
        self.erasings.extend(by.map(|by| Erasing {
            fact: recorded.fact.hash(),
            by,
            digests: b.digests.iter().filter_map(|digest| Hash::from_slice(digest)).collect(),
            reason: b.reason.clone(),
        }));
    }
}
