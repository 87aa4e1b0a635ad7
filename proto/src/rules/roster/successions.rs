//! The log's own keys, as custodians change them. Whether the notes fit is for those who hold the log to say.

use crate::bytes::Hash;
use crate::v1;

/// A custodian's word on the key that signs checkpoints.
#[derive(Debug, Clone, PartialEq)]
pub struct Succession {
    /// The entry that holds it.
    pub index: u64,
    /// What it says.
    pub to: NextKey,
}

/// What a custodian said of it.
#[derive(Debug, Clone, PartialEq)]
pub enum NextKey {
    /// Another key signs from here on, in the same epoch.
    Changed(v1::LogKeyChanged),
    /// An older state was put back: another epoch, with another key.
    Epoch(v1::EpochOpened),
}

/// All of them, as they came.
#[derive(Debug, Clone, Default)]
pub(super) struct Successions(Vec<Succession>);

impl Successions {
    pub(super) fn push(&mut self, index: u64, to: NextKey) {
        self.0.push(Succession { index, to });
    }

    /// Of what a signer of that epoch had seen, what is in the log still: less where a later epoch goes on from less.
    pub(super) fn kept(&self, seen_epoch: u32, seen_size: u64) -> u64 {
        let lost = self.0.iter().filter_map(|s| match &s.to {
            NextKey::Epoch(b) if b.epoch > seen_epoch => Some(b.restored_size),
            _ => None,
        });
        lost.fold(seen_size, u64::min)
    }
}

impl super::Roster {
    /// What custodians said of the log's own keys, as they came.
    pub fn successions(&self) -> &[Succession] {
        &self.successions.0
    }
}

impl Succession {
    /// The root put back, where it opens an epoch.
    pub fn restored(&self) -> Option<(u64, Hash)> {
        match &self.to {
            NextKey::Epoch(b) => Some((b.restored_size, Hash::from_slice(&b.restored_root)?)),
            NextKey::Changed(_) => None,
        }
    }
}
