//! Segment files of a journal, read strictly and opened forgivingly.
//!
//! An input is a byte of flags, the length of the first segment (u16, only where there are two), and the segments. Since
//! hardly a random change would come past the checksums, most inputs have theirs put right first.

use std::convert::Infallible;
use std::path::Path;
use std::sync::Arc;

use rinsebook_proto::journal::{Group, Journal, JournalError, Kind, Options, RecordFile, Scan, scan};

use crate::Input;
use crate::disk::MemoryDisk;

/// The journal is an outbox, not a log.
pub(crate) const OUTBOX: u8 = 1;
/// Checksums stay as they are.
pub(crate) const AS_IT_IS: u8 = 2;
/// There are two segments.
pub(crate) const TWO_SEGMENTS: u8 = 4;

const DIR: &str = "journal";
const HEADER_BYTES: usize = 60;
const FRAME_HEAD_BYTES: usize = 9;

/// A strict walk and an opening of the same files: neither changes what it refuses, an opening accepts what the walk
/// does, and what it has mended passes the walk and takes the next group.
pub fn journal(data: &[u8]) -> bool {
    let mut input = Input(data);
    let flags = input.u8();
    let kind = if flags & OUTBOX == 0 { Kind::Log } else { Kind::Outbox };
    let disk = MemoryDisk::default();
    if flags & TWO_SEGMENTS != 0 {
        let length = input.u16();
        put_segment(&disk, 0, input.take(length.into()), flags);
        let second = input.0;
        let first_index = second.get(16..24).map_or(1, |b| u64::from_be_bytes(b.try_into().expect("eight bytes")));
        put_segment(&disk, first_index, second, flags);
    } else {
        put_segment(&disk, 0, input.0, flags);
    }
    let before = disk.files();
    let walked = walk(&disk, kind);
    assert_eq!(disk.files(), before, "a walk changes nothing");
    open(&disk, kind, &walked);
    walked.is_ok()
}

fn put_segment(disk: &MemoryDisk, first: u64, bytes: &[u8], flags: u8) {
    let mut bytes = bytes.to_vec();
    if flags & AS_IT_IS == 0 {
        put_checksums_right(&mut bytes);
    }
    disk.put(&format!("{first:020}.seg"), bytes);
}

/// As the journal's documentation lays them out: the header's over the 56 bytes before it, a frame's over its offset, the
/// segment's first index, its type and its body.
fn put_checksums_right(bytes: &mut [u8]) {
    if bytes.len() < HEADER_BYTES {
        return;
    }
    let crc = crc32fast::hash(&bytes[..56]);
    bytes[56..60].copy_from_slice(&crc.to_be_bytes());
    let first: [u8; 8] = bytes[16..24].try_into().expect("eight bytes");
    let mut at = HEADER_BYTES;
    while bytes.len() - at >= FRAME_HEAD_BYTES && bytes[at..at + FRAME_HEAD_BYTES] != [0; FRAME_HEAD_BYTES] {
        let length = u32::from_be_bytes(bytes[at..at + 4].try_into().expect("four bytes")) as usize;
        let Some(end) = (at + FRAME_HEAD_BYTES).checked_add(length).filter(|end| *end <= bytes.len()) else { return };
        let mut crc = crc32fast::Hasher::new();
        crc.update(&(at as u64).to_be_bytes());
        crc.update(&first);
        crc.update(&bytes[at + 8..end]);
        bytes[at + 4..at + 8].copy_from_slice(&crc.finalize().to_be_bytes());
        at = end;
    }
}

fn walk(disk: &MemoryDisk, kind: Kind) -> Result<Scan, JournalError> {
    let walked = scan(disk, Path::new(DIR), kind, |group| {
        reads_back(disk, group);
        Ok::<_, Infallible>([0; 32])
    });
    assert!(!matches!(walked, Err(JournalError::Io { .. })), "a read went past the end of a file: {walked:?}");
    walked
}

fn reads_back(disk: &MemoryDisk, group: &Group) {
    assert_eq!(group.records.len(), group.record_offsets.len());
    let file = RecordFile::open(disk, Path::new(DIR), group.segment_first).expect("a file that a walk has read");
    for (record, offset) in group.records.iter().zip(&group.record_offsets) {
        let read = file.read(*offset);
        assert_eq!(read.expect("a record that a walk has shown"), *record);
    }
}

fn open(disk: &MemoryDisk, kind: Kind, walked: &Result<Scan, JournalError>) {
    let before = disk.files();
    let options = Options { kind, grow_bytes: 256, segment_bytes: 1 << 20 };
    let opened = Journal::create_or_open(Arc::new(disk.clone()), Path::new(DIR), options, |_| Ok::<_, Infallible>(()));
    let (mut journal, recovered) = match opened {
        Ok(opened) => opened,
        Err(error) => {
            assert!(walked.is_err(), "a whole journal does not open: {error}");
            assert!(matches!(error, JournalError::Rot(_) | JournalError::Damaged(_)), "{error}");
            assert_eq!(disk.files(), before, "what is refused is left as it is");
            return;
        }
    };
    if let Ok(scan) = walked {
        assert_eq!((recovered.records, recovered.torn_bytes_cut), (scan.records, 0), "nothing of a whole one is cut");
    }
    let end: &[u8] = if kind == Kind::Log { b"note" } else { b"" };
    journal.append(recovered.records, [0; 32], &[b"next"], end).expect("there is space");
    match walk(disk, kind) {
        Ok(scan) => assert_eq!(scan.records, recovered.records + 1),
        // The hash in a second header is judged by whoever knows the records' hashes, which an opening does not.
        Err(JournalError::Damaged(damage)) => assert!(damage.offset == 24, "{damage:?}"),
        Err(error) => panic!("an opened journal does not pass: {error}"),
    }
}
