//! A copy of a journal, made while it is written to: every whole group that was there, and nothing of the one that is being
//! written. What is copied is made durable where it came from first, so that no copy ever holds more than its original.

use super::{
    Damage, Fault, JournalError, Kind, Scan,
    bytes::HEADER_BYTES,
    disk::{Disk, DiskFile},
    error::BoxError,
    folder::{Folder, check_sequence, segment_name, whole_file},
    read::{SegmentReader, Step},
    scan,
};
use crate::journal::Group;
use std::{io, path::Path, time::Duration};

/// Bytes copied at once.
const PIECE_BYTES: u64 = 1 << 20;
/// The copy of an open file ends in zeros, at a multiple of this, as the file itself does.
const GROW_BYTES: u64 = 64 << 10;
/// A group that is being written looks torn. The next look finds it whole, or another; damage stays where it is.
const LOOKS: u32 = 5;
/// Between two looks.
const LOOK_AGAIN_AFTER: Duration = Duration::from_millis(20);

/// Copies the journal in `from` to the folder `to`, which is made and has to be empty; then reads the copy as [`scan()`]
/// does, showing each group to `visit`, and says what it holds. The journal may be written to meanwhile.
///
/// # Errors
/// [`JournalError::Damaged`] when the journal, or in the end the copy, is bad; [`JournalError::Io`] when something could not
/// be read or written; [`JournalError::Visit`] with the visitor's own error. What was copied by then is left.
pub fn copy<E: Into<BoxError>>(
    disk: &dyn Disk,
    from: &Path,
    to: &Path,
    kind: Kind,
    visit: impl FnMut(&Group) -> Result<[u8; 32], E>,
) -> Result<Scan, JournalError> {
    let at = |dir: &Path, doing| {
        let dir = dir.display().to_string();
        move |source| JournalError::io(doing, &dir, source)
    };
    disk.create_dir(to).map_err(at(to, "create the folder"))?;
    if !disk.list(to).map_err(at(to, "list the folder"))?.is_empty() {
        return Err(at(to, "copy to it")(io::ErrorKind::DirectoryNotEmpty.into()));
    }
    let segments = Folder::read(disk, from)?.segments;
    let Some(last) = segments.last().copied() else {
        return Err(JournalError::Damaged(whole_file(from.display().to_string(), Fault::NoSegment)));
    };
    let mut next_index = 0;
    for first in segments {
        check_sequence(first, next_index)?;
        let end = if first == last { open_end(disk, from, first, kind)? } else { sealed(disk, from, first, kind)? };
        next_index = end.next_index;
        copy_segment(disk, from, to, first, &end)?;
    }
    disk.sync_dir(to).map_err(at(to, "sync the folder"))?;
    scan(disk, to, kind, visit)
}

/// What is whole of a segment.
struct End {
    /// Bytes from the beginning.
    bytes: u64,
    /// Of the record that comes next.
    next_index: u64,
    /// A seal follows.
    is_closed: bool,
}

/// A file behind which another follows: all of it. It is sealed once the next one is there, which may be this moment.
fn sealed(disk: &dyn Disk, dir: &Path, first: u64, kind: Kind) -> Result<End, JournalError> {
    for _ in 0..LOOKS {
        match look(disk, dir, first, kind)? {
            (end, None) if end.is_closed => return Ok(end),
            (_, Some(damage)) => return Err(JournalError::Damaged(damage)),
            (_, None) => std::thread::sleep(LOOK_AGAIN_AFTER),
        }
    }
    Err(JournalError::Damaged(whole_file(segment_name(first), Fault::NotSealed)))
}

/// The file that is written to: what is whole of it.
fn open_end(disk: &dyn Disk, dir: &Path, first: u64, kind: Kind) -> Result<End, JournalError> {
    let mut before = None;
    for _ in 0..LOOKS {
        let (end, damage) = look(disk, dir, first, kind)?;
        match damage {
            None => return Ok(End { is_closed: false, ..end }),
            Some(damage) if before == Some(end.bytes) => return Err(JournalError::Damaged(damage)),
            Some(_) => before = Some(end.bytes),
        }
        std::thread::sleep(LOOK_AGAIN_AFTER);
    }
    // It stopped somewhere else each time: somebody writes.
    look(disk, dir, first, kind).map(|(end, _)| End { is_closed: false, ..end })
}

/// Reads a file up to its seal, its end, or what does not check there; what is told as damage may be a group that is
/// being written, with the next behind it by the time it is looked for.
fn look(disk: &dyn Disk, dir: &Path, first: u64, kind: Kind) -> Result<(End, Option<Damage>), JournalError> {
    let mut reader = SegmentReader::open(disk, dir, first, kind)?;
    let mut end = End { bytes: HEADER_BYTES as u64, next_index: first, is_closed: false };
    loop {
        match reader.step()? {
            Step::Group(_) | Step::Mark { .. } => {
                end = End { bytes: reader.at, next_index: reader.next_index, is_closed: false };
            }
            Step::Sealed => return Ok((End { is_closed: true, ..end }, None)),
            Step::End => return Ok((end, None)),
            Step::Bad(bad) => {
                let torn = bad.damage.fault.could_be_torn() && reader.proof_of_sync(&bad)?.is_none();
                return Ok((end, (!torn).then_some(bad.damage)));
            }
        }
    }
}

fn copy_segment(disk: &dyn Disk, from: &Path, to: &Path, first: u64, end: &End) -> Result<(), JournalError> {
    let name = segment_name(first);
    let io = |doing: &'static str| {
        let name = name.clone();
        move |source| JournalError::io(doing, &name, source)
    };
    let original = disk.open_read(&from.join(&name)).map_err(io("open it"))?;
    // What was read may be in memory only, if the journal's writer was killed before its sync.
    original.fdatasync().map_err(io("sync it"))?;
    let copy = disk.create(&to.join(&name)).map_err(io("create its copy"))?;
    let to_bytes = if end.is_closed { original.size().map_err(io("measure it"))? } else { end.bytes };
    let mut at = 0;
    while at < to_bytes {
        let mut piece = vec![0; (to_bytes - at).min(PIECE_BYTES) as usize];
        original.read_at(&mut piece, at).map_err(io("read it"))?;
        copy.write_at(&piece, at).map_err(io("write its copy"))?;
        at += piece.len() as u64;
    }
    if !end.is_closed {
        pad(&*copy, end.bytes).map_err(io("write its copy"))?;
    }
    copy.fdatasync().map_err(io("sync its copy"))
}

fn pad(copy: &dyn DiskFile, from: u64) -> io::Result<()> {
    let to = (from + 1).next_multiple_of(GROW_BYTES);
    copy.write_at(&vec![0; (to - from) as usize], from)
}

#[cfg(test)]
mod tests {
    use super::super::{Journal, Options, RealDisk};
    use super::*;
    use std::{path::PathBuf, sync::Arc};

    fn options() -> Options {
        Options { grow_bytes: 4096, segment_bytes: 8192, ..Options::small(Kind::Outbox) }
    }

    fn open(dir: &Path) -> Journal {
        Journal::create_or_open(Arc::new(RealDisk), dir, options(), |_| Ok::<_, String>(())).unwrap().0
    }

    fn append(journal: &mut Journal, count: u64) {
        for _ in 0..count {
            let index = journal.next_index();
            let record = vec![index as u8; 700];
            journal.make_room([index as u8; 32], 1000).unwrap();
            journal.append(index, [index as u8; 32], &[&record], b"").unwrap();
        }
    }

    fn copied(from: &Path, to: &Path) -> Result<u64, JournalError> {
        let hash = |group: &Group| Ok::<_, String>([(group.first + group.records.len() as u64) as u8; 32]);
        copy(&RealDisk, from, to, Kind::Outbox, hash).map(|scan| scan.records)
    }

    fn home() -> (tempfile::TempDir, PathBuf, PathBuf) {
        let home = tempfile::tempdir().unwrap();
        let (from, to) = (home.path().join("journal"), home.path().join("copy"));
        (home, from, to)
    }

    #[test]
    fn a_copy_over_several_files_holds_every_group_opens_and_goes_on() {
        let (_home, from, to) = home();
        let mut journal = open(&from);
        append(&mut journal, 40);
        assert_eq!(copied(&from, &to).unwrap(), 40);
        assert!(std::fs::read_dir(&to).unwrap().count() > 2, "several files");
        let mut again = open(&to);
        assert_eq!(again.next_index(), 40);
        append(&mut again, 1);
        assert!(copied(&from, &to).is_err(), "never over something");
    }

    #[test]
    fn a_group_that_is_being_written_is_left_out_and_damage_before_a_proof_of_its_sync_is_not() {
        let (_home, from, to) = home();
        let mut journal = open(&from);
        append(&mut journal, 3);
        let file = from.join(segment_name(0));
        let bytes = std::fs::read(&file).unwrap();
        let used = bytes.iter().rposition(|byte| *byte != 0).unwrap();
        let mut torn = bytes.clone();
        torn[used - 100..=used].fill(0);
        std::fs::write(&file, &torn).unwrap();
        assert_eq!(copied(&from, &to).unwrap(), 2);
        let mut rotten = bytes;
        rotten[200] ^= 1;
        std::fs::write(&file, &rotten).unwrap();
        let again = to.with_file_name("again");
        assert!(matches!(copied(&from, &again), Err(JournalError::Damaged(_))));
    }

    #[test]
    fn copies_made_while_another_thread_writes_are_all_whole() {
        let (home, from, _) = home();
        let mut journal = open(&from);
        append(&mut journal, 1);
        let writing = std::thread::spawn(move || append(&mut journal, 300));
        let (mut most, mut number) = (0, 0);
        while !writing.is_finished() || number < 3 {
            let to = home.path().join(format!("copy-{number}"));
            let records = copied(&from, &to).unwrap();
            assert!(records >= most, "what was copied once is there");
            (most, number) = (records, number + 1);
        }
        writing.join().unwrap();
        assert_eq!(copied(&from, &home.path().join("last")).unwrap(), 301);
    }
}
