//! The second reading, for facts that came before their key did; it also makes sure that it is still the same log.

use std::collections::HashMap;

use rinsebook_proto::bytes::Hash;
use rinsebook_proto::succession::LogKeys;
use rinsebook_proto::tree::{Edge, leaf_hash};

use super::keys::Keys;
use super::opened::open;
use super::otherwise::Otherwise;
use super::seen::Checkpoints;
use super::{Failed, Wrong};

/// See the module.
pub(super) struct SecondReading<'a> {
    keys: &'a Keys,
    checkpoints: &'a Checkpoints,
    log_keys: Option<&'a LogKeys>,
    /// Keys that were enrolled after facts of theirs had come, with the entry that did it.
    late: &'a HashMap<Hash, u64>,
    edge: Edge,
    hold: u64,
    otherwise: Otherwise,
}

/// What it found.
pub(super) struct Late {
    /// How many of these facts' signatures hold.
    pub(super) hold: u64,
    /// The root over all entries.
    pub(super) root: Hash,
    /// Devices that say to have seen another log.
    pub(super) otherwise: Otherwise,
}

impl SecondReading<'_> {
    pub(super) fn new<'a>(
        keys: &'a Keys,
        checkpoints: &'a Checkpoints,
        log_keys: Option<&'a LogKeys>,
        late: &'a HashMap<Hash, u64>,
    ) -> SecondReading<'a> {
        SecondReading {
            keys,
            checkpoints,
            log_keys,
            late,
            edge: Edge::default(),
            hold: 0,
            otherwise: Otherwise::default(),
        }
    }

    pub(super) fn entries_from(&mut self, first: u64, records: &[Vec<u8>]) -> Result<Hash, Failed> {
        let mut last = Hash::ZERO;
        for (at, data) in records.iter().enumerate() {
            last = leaf_hash(data);
            self.edge.push(last);
            let index = first + at as u64;
            self.entry(index, data).map_err(|wrong| Failed { wrong, at: Some(at), index })?;
        }
        Ok(last)
    }

    fn entry(&mut self, index: u64, data: &[u8]) -> Result<(), Wrong> {
        let opened = open(data, |fact| self.keys.get(&fact.header().author_key).map(|key| fact.signed_by(&key)))?;
        let header = opened.fact.header();
        let came_before = self.late.get(&header.author_key).is_some_and(|enrolled| index < *enrolled);
        // What holds under a recovery key was counted when it was met.
        if came_before && opened.holds == Some(true) && !self.keys.by_recovery_key(&opened.fact) {
            // An epoch that its signer could not have seen yet is later than any checkpoint that was there.
            let kept = self.log_keys.map(|keys| (keys.epoch(), keys.kept_of(header.seen.epoch)));
            let differ = self.checkpoints.differ(&header.seen, index, kept.unwrap_or((1, None)));
            if let Some(why) = differ.map_err(Wrong::of("root", "seen"))? {
                self.otherwise.tell(index, &opened.fact, why);
            }
            self.hold += 1;
        }
        Ok(())
    }

    pub(super) fn entries(&self) -> u64 {
        self.edge.size()
    }

    pub(super) fn finish(self) -> Late {
        Late { hold: self.hold, root: self.edge.root(), otherwise: self.otherwise }
    }
}
