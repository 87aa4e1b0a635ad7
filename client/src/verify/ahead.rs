//! Reading ahead: what needs nothing but an entry's own bytes is done for many entries at once, on all cores, while those
//! before them are checked in order.
//!
//! ```text
//! journal ─► gathered ─► opened: form, hash, signature ─► checker: chain, places, roster, tree
//! ```

use super::checker::Checker;
use super::opened::{Opened, open_all};
use super::{InGroup, Prefix, Wrong, placed};
use rayon::prelude::*;
use rinsebook_proto::journal::Group;

/// Entries that are opened at once: enough to keep all cores busy, and nothing that memory would show.
const GATHERED: usize = 512;

/// See the module.
pub(super) struct Audit {
    pub(super) checker: Checker,
    pub(super) prefix: Prefix,
    gathered: Vec<Group>,
    opened: Vec<OpenedGroup>,
}

/// A group; its entries that were not audited before, opened.
struct OpenedGroup {
    group: Group,
    entries: Vec<Result<Opened, Wrong>>,
}

impl Audit {
    pub(super) fn begin(checker: Checker) -> Audit {
        Audit { prefix: Prefix::of(&checker), checker, gathered: Vec::new(), opened: Vec::new() }
    }

    /// Takes the next group; what is found may be about one before it.
    pub(super) fn gather(&mut self, group: Group) -> Result<(), Box<InGroup>> {
        self.gathered.push(group);
        let entries: usize = self.gathered.iter().map(|group| group.records.len()).sum();
        if entries >= GATHERED { self.go_on() } else { Ok(()) }
    }

    /// Checks what is left.
    pub(super) fn finish(&mut self) -> Result<(), Box<InGroup>> {
        self.go_on()?;
        self.go_on()
    }

    fn go_on(&mut self) -> Result<(), Box<InGroup>> {
        let (gathered, opened) = (std::mem::take(&mut self.gathered), std::mem::take(&mut self.opened));
        let (keys, prefix_size) = (self.checker.keys.all(), self.prefix.size);
        let open = |group: Group| {
            let known = prefix_size.saturating_sub(group.first).min(group.records.len() as u64) as usize;
            OpenedGroup { entries: open_all(&group.records[known..], &keys), group }
        };
        let (next, checked) = rayon::join(
            || gathered.into_par_iter().map(open).collect(),
            || opened.into_iter().try_for_each(|opened| self.check(opened)),
        );
        self.opened = next;
        checked
    }

    fn check(&mut self, OpenedGroup { group, entries }: OpenedGroup) -> Result<(), Box<InGroup>> {
        let known = group.records.len() - entries.len();
        self.prefix.take(&group, known).map_err(|failed| placed(&group, 0, failed))?;
        if entries.is_empty() {
            return Ok(());
        }
        let first = group.first + known as u64;
        self.checker.group(first, entries, &group.end).map_err(|failed| placed(&group, known, failed))
    }
}
