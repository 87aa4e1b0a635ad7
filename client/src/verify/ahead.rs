//! Reading ahead: what needs nothing but an entry's own bytes is done for many entries at once, on all cores, while those
//! before them are checked in order.
//!
//! ```text
//! journal ─► batches ─► opened: form, hash, signature ─► checker: chain, places, roster, tree
//! ```

use std::sync::Arc;

use super::checker::Checker;
use super::opened::{Opened, OpenedNote, open_all};
use super::{InGroup, Prefix, Wrong, placed};
use rayon::prelude::*;
use rinsebook_proto::journal::Group;

/// Entries that are opened at once, at the least: enough to keep all cores busy. Five batches are in memory at the most: one
/// that is gathered, one that waits, one taken, one opened, one checked. Tests have each group be one, so that even short
/// logs go through all of that.
const BATCH: usize = if cfg!(test) { 1 } else { 1024 };

/// Gathers groups, as they are read, to be audited together.
#[derive(Default)]
pub(super) struct Batch {
    groups: Vec<Group>,
    entries: usize,
}

impl Batch {
    /// Adds the next group; gives the batch when it is large enough.
    pub(super) fn add(&mut self, group: Group) -> Option<Batch> {
        self.entries += group.records.len();
        self.groups.push(group);
        (self.entries >= BATCH).then(|| std::mem::take(self))
    }
}

/// See the module.
pub(super) struct Audit {
    pub(super) checker: Checker,
    pub(super) prefix: Prefix,
    opened: Vec<OpenedGroup>,
}

/// A group; its entries that were not audited before, opened, and its note, where the log's keys were known.
struct OpenedGroup {
    group: Group,
    entries: Vec<Result<Opened, Wrong>>,
    note: Option<OpenedNote>,
}

impl Audit {
    pub(super) fn begin(checker: Checker) -> Audit {
        Audit { prefix: Prefix::of(&checker), checker, opened: Vec::new() }
    }

    /// Checks what is left.
    pub(super) fn finish(&mut self) -> Result<(), Box<InGroup>> {
        self.take(Batch::default())
    }

    /// Takes the next groups; what is found may be about some before them.
    pub(super) fn take(&mut self, batch: Batch) -> Result<(), Box<InGroup>> {
        let opened = std::mem::take(&mut self.opened);
        let (keys, prefix_size) = (self.checker.keys.all(), self.prefix.size);
        let log_keys = self.checker.log_keys.clone().map(Arc::new);
        let open = |group: Group| {
            let known = prefix_size.saturating_sub(group.first).min(group.records.len() as u64) as usize;
            let entries = open_all(&group.records[known..], &keys);
            let log_keys = log_keys.clone().filter(|_| !entries.is_empty());
            OpenedGroup { entries, note: log_keys.map(|keys| OpenedNote::with(keys, &group.end)), group }
        };
        let (next, checked) = rayon::join(
            || batch.groups.into_par_iter().map(open).collect(),
            || opened.into_iter().try_for_each(|opened| self.check(opened)),
        );
        self.opened = next;
        checked
    }

    fn check(&mut self, OpenedGroup { group, entries, note }: OpenedGroup) -> Result<(), Box<InGroup>> {
        let known = group.records.len() - entries.len();
        self.prefix.take(&group, known).map_err(|failed| placed(&group, 0, failed))?;
        if entries.is_empty() {
            return Ok(());
        }
        let first = group.first + known as u64;
        self.checker.group(first, entries, &group.end, note).map_err(|failed| placed(&group, known, failed))
    }
}
