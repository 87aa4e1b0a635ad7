//! A custodian's facts that came before their signer's key was known.

use super::Roster;
use crate::rules::enrolments::Texts;
use crate::rules::judge::{self, Standing, Types};
use crate::rules::{Recorded, SignatureState};

impl Roster {
    pub(super) fn signed_well(&self, recorded: &Recorded) -> bool {
        let key = self.key(&recorded.fact.header().author_key, u64::MAX);
        recorded.signature == SignatureState::Good || key.is_some_and(|k| recorded.fact.signed_by(&k.public_key))
    }

    pub(super) fn counts(&self, recorded: &Recorded, size: u64) -> bool {
        judge::standing(self, size, recorded, judge::custody(), &Types::Any).0 == Standing::Counts
    }

    /// Facts that came before their signer's key, and count by what the entry at `index` said: they take effect there.
    pub(super) fn take_early(&mut self, index: u64, texts: &Texts) {
        let mut early = std::mem::take(&mut self.early);
        early.retain_mut(|e| {
            let known = self.key(&e.fact.header().author_key, u64::MAX).is_some();
            if known && self.signed_well(e) {
                e.signature = SignatureState::Good;
            }
            !known || e.signature == SignatureState::Good
        });
        // One may enrol the signer of another that came before it.
        while let Some(at) = early.iter().position(|e| self.counts(e, index + 1) && self.signed_well(e)) {
            let taken = Recorded { index, ..early.remove(at) };
            if let Some(kind) = taken.fact.kind() {
                self.take(&taken, kind, texts);
            }
        }
        self.early = early;
    }
}
