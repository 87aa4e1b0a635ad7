//! The strict walk over a whole journal: nothing is changed, nothing is forgiven. Opening ends with the same walk, over
//! what it has mended.

use super::{
    Damage, Fault, Group, JournalError, Kind,
    bytes::HEADER_PREVIOUS_AT,
    disk::Disk,
    error::BoxError,
    folder::{Folder, check_sequence, segment_name, whole_file},
    read::{SegmentReader, Step},
};
use std::path::Path;

/// What a walk found.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub struct Scan {
    /// Files.
    pub segments: u64,
    /// Groups.
    pub groups: u64,
    /// Records; the next one would have this index.
    pub records: u64,
    /// All records below this index are vouched for as synced, by a mark, a later group or a later file.
    pub synced_before: u64,
}

/// Reads a whole journal and checks every byte of it, unused space included; shows each group, in order, to `visit`, which
/// answers with the hash of the group's last record. The header of the next file must name that hash. Nothing is ever
/// changed: what a crash left (a torn group, an unfinished file) is damage here, until the journal has been opened.
/// A journal that is being written meanwhile may look torn.
///
/// # Errors
/// [`JournalError::Damaged`] with the file, offset and index of the first thing that is bad; [`JournalError::Io`] when it
/// could not be read; [`JournalError::Visit`] with the visitor's own error.
pub fn scan<E: Into<BoxError>>(
    disk: &dyn Disk,
    dir: &Path,
    kind: Kind,
    mut visit: impl FnMut(&Group) -> Result<[u8; 32], E>,
) -> Result<Scan, JournalError> {
    scan_giving(disk, dir, kind, |group| visit(&group))
}

/// As [`scan()`], but that each group is given away.
///
/// # Errors
/// As there.
pub fn scan_giving<E: Into<BoxError>>(
    disk: &dyn Disk,
    dir: &Path,
    kind: Kind,
    mut visit: impl FnMut(Group) -> Result<[u8; 32], E>,
) -> Result<Scan, JournalError> {
    walk(disk, dir, kind, &mut |group| visit(group).map(Some).map_err(Into::into))
}

/// A visitor that does not know hashes leaves the check of the headers' previous hashes to its own chain.
pub(super) type Visit<'a> = dyn FnMut(Group) -> Result<Option<[u8; 32]>, BoxError> + 'a;

fn walk(disk: &dyn Disk, dir: &Path, kind: Kind, visit: &mut Visit<'_>) -> Result<Scan, JournalError> {
    let mut folder = Folder::read(disk, dir)?;
    if let Some(name) = folder.unfinished.pop() {
        return Err(JournalError::Damaged(whole_file(name, Fault::UnfinishedSegment)));
    }
    if folder.segments.is_empty() {
        return Err(JournalError::Damaged(whole_file(dir.display().to_string(), Fault::NoSegment)));
    }
    walk_to_end(disk, dir, kind, 0, &folder.segments, visit)
}

/// Walks over these files, which are the last ones of the journal; the first of them begins at `from`.
pub(super) fn walk_to_end(
    disk: &dyn Disk,
    dir: &Path,
    kind: Kind,
    from: u64,
    segments: &[u64],
    visit: &mut Visit<'_>,
) -> Result<Scan, JournalError> {
    let mut found = Scan { records: from, ..Scan::default() };
    let mut previous = (from == 0).then_some([0; 32]);
    for (number, first) in segments.iter().enumerate() {
        check_sequence(*first, found.records)?;
        let mut reader = SegmentReader::open(disk, dir, *first, kind)?;
        if previous.is_some_and(|hash| hash != reader.header.previous) {
            let damage = whole_file(reader.name, Fault::PreviousHash);
            return Err(JournalError::Damaged(Damage { offset: HEADER_PREVIOUS_AT, index: Some(*first), ..damage }));
        }
        found.segments += 1;
        found.synced_before = found.synced_before.max(*first);
        walk_segment(&mut reader, number + 1 == segments.len(), &mut found, &mut previous, visit)?;
    }
    Ok(found)
}

/// Walks over these files, the first of which begins at `from`; others follow them, so that they were sealed and synced, and
/// whatever is bad in them is rot.
pub(super) fn walk_settled(
    disk: &dyn Disk,
    dir: &Path,
    kind: Kind,
    from: u64,
    segments: &[u64],
    visit: &mut Visit<'_>,
) -> Result<Scan, JournalError> {
    let mut found = Scan { records: from, ..Scan::default() };
    for first in segments {
        check_sequence(*first, found.records)?;
        let mut reader = SegmentReader::open_synced(disk, dir, *first, kind)?;
        found.segments += 1;
        let rot = |error| match error {
            JournalError::Damaged(damage) => JournalError::Rot(damage),
            other => other,
        };
        walk_segment(&mut reader, false, &mut found, &mut None, visit).map_err(rot)?;
    }
    Ok(found)
}

fn walk_segment(
    reader: &mut SegmentReader,
    is_last: bool,
    found: &mut Scan,
    previous: &mut Option<[u8; 32]>,
    visit: &mut Visit<'_>,
) -> Result<(), JournalError> {
    loop {
        let offset = reader.at;
        let fault = match reader.step()? {
            Step::Group(group) => {
                let (synced_before, first) = (group.synced_before, group.first);
                *previous = visit(group).map_err(|source| {
                    let file = reader.name.clone();
                    JournalError::Visit { file, offset, first, source }
                })?;
                found.groups += 1;
                found.records = reader.next_index;
                found.synced_before = found.synced_before.max(synced_before);
                continue;
            }
            Step::Mark { synced, .. } => {
                found.synced_before = found.synced_before.max(synced);
                continue;
            }
            Step::Bad(bad) => return Err(JournalError::Damaged(bad.damage)),
            Step::Sealed if is_last => Fault::MissingSegment(segment_name(reader.next_index)),
            Step::End if !is_last => Fault::NotSealed,
            Step::Sealed | Step::End => return Ok(()),
        };
        let file = reader.name.clone();
        return Err(JournalError::Damaged(Damage { file, offset, index: Some(reader.next_index), fault }));
    }
}
