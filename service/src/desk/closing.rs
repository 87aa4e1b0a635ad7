//! A group closed with the log's signature, by whichever key is in force; and when none may be made.

use rinsebook_proto::note::Checkpoint;
use rinsebook_proto::succession::Before;

use super::{Desk, Staged};
use crate::admission::{Candidate, Found};
use crate::error::ServiceError;
use crate::signing::Signing;

impl Desk {
    /// Takes what the last fact said of the log's own key.
    pub(super) fn follow_log_keys(&mut self, known: usize, index: u64) {
        let new = self.enrolments.roster().successions().get(known..).unwrap_or_default();
        for succession in new {
            let root = self.tree.read().expect("readers of the tree do not panic").root(index);
            let changed = self.signing.follow(succession, Before { size: index, root: Some(root) });
            self.epoch_opened |= changed && succession.restored().is_some();
        }
    }

    /// Whether it is the fact that lets recording go on; whose word it is, the roster decides when it is staged.
    pub(super) fn ends_standstill(&self, candidate: &Candidate) -> bool {
        let Found::Good(fact) = &candidate.found else { return self.epoch_opened };
        let (size, root) = self.size_and_root();
        self.epoch_opened || self.signing.opens_next_epoch(fact.signed(), size, root)
    }

    /// Closes the group with its checkpoint: first index, the leaf hash before it, the entries, the signed note.
    ///
    /// # Errors
    /// The key that must sign is not here: then nothing of the group may be written.
    pub fn close_group(&mut self) -> Result<(Vec<Staged>, String), ServiceError> {
        let (size, root) = self.size_and_root();
        self.checkpoint = Checkpoint { origin: self.signing.origin(), size, root };
        self.note = self.signing.sign(&self.checkpoint)?;
        Ok((std::mem::take(&mut self.group), self.note.clone()))
    }

    /// The group is on disk.
    pub fn written(&mut self) {
        if std::mem::take(&mut self.epoch_opened) {
            self.standstill.end();
        }
    }

    /// Why nothing is recorded, if nothing is.
    pub fn not_recording(&self) -> Option<&str> {
        self.standstill.why()
    }

    /// From here on nothing is recorded, until an epoch opens.
    pub fn stand_still(&mut self, why: &str) {
        self.standstill.begin(why);
    }

    /// The log's signature, for those who ask beside it.
    pub fn signing(&self) -> Signing {
        self.signing.clone()
    }
}
