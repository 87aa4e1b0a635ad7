//! The second reading, for facts that came before their key did; it also makes sure that it is still the same log.

use std::collections::HashMap;

use rinsebook_proto::bytes::Hash;
use rinsebook_proto::journal::Group;
use rinsebook_proto::tree::{Edge, leaf_hash};

use super::checker::{failed, open};
use super::keys::Keys;
use super::seen::Checkpoints;
use super::{Failed, Wrong};

/// See the module.
pub(super) struct SecondReading<'a> {
    keys: &'a Keys,
    checkpoints: &'a Checkpoints,
    /// Keys that were enrolled after facts of theirs had come, with the entry that did it.
    late: &'a HashMap<Hash, u64>,
    edge: Edge,
    hold: u64,
}

impl SecondReading<'_> {
    pub(super) fn new<'a>(
        keys: &'a Keys,
        checkpoints: &'a Checkpoints,
        late: &'a HashMap<Hash, u64>,
    ) -> SecondReading<'a> {
        SecondReading { keys, checkpoints, late, edge: Edge::default(), hold: 0 }
    }

    pub(super) fn group(&mut self, group: &Group) -> Result<[u8; 32], Failed> {
        let mut last = Hash::ZERO;
        for (at, data) in group.records.iter().enumerate() {
            last = leaf_hash(data);
            self.edge.push(last);
            self.entry(group.first + at as u64, data).map_err(|wrong| failed(group, at, wrong))?;
        }
        Ok(last.0)
    }

    fn entry(&mut self, index: u64, data: &[u8]) -> Result<(), Wrong> {
        let opened = open(data, self.keys)?;
        let header = opened.fact.header();
        let came_before = self.late.get(&header.author_key).is_some_and(|enrolled| index < *enrolled);
        // What holds under a recovery key was counted when it was met.
        if came_before && opened.holds == Some(true) && !self.keys.by_recovery_key(&opened.fact) {
            self.checkpoints.agree(&header.seen, index).map_err(Wrong::of("root", "seen"))?;
            self.hold += 1;
        }
        Ok(())
    }

    pub(super) fn entries(&self) -> u64 {
        self.edge.size()
    }

    /// How many of these facts' signatures hold, and the root over all entries.
    pub(super) fn finish(self) -> (u64, Hash) {
        (self.hold, self.edge.root())
    }
}
