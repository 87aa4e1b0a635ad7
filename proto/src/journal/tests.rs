//! The journal on the real disk: the way it is used. Faults are in the tests crate, on a simulated disk.

use super::*;
use std::fs;

type Opened = Result<(Journal, Recovered, Vec<Group>), JournalError>;

fn open_with(dir: &Path, options: Options) -> Opened {
    let mut groups = Vec::new();
    let (journal, recovered) = Journal::create_or_open(Arc::new(RealDisk), dir, options, |group| {
        groups.push(group.clone());
        Ok::<_, BoxError>(())
    })?;
    Ok((journal, recovered, groups))
}

/// Stands in for the caller's leaf hash.
fn hash_of(record: &[u8]) -> [u8; 32] {
    let mut hash = [7; 32];
    hash[..4].copy_from_slice(&crc32fast::hash(record).to_be_bytes());
    hash
}

fn scan_with(dir: &Path, kind: Kind) -> Result<Scan, JournalError> {
    scan(&RealDisk, dir, kind, |group| Ok::<_, BoxError>(hash_of(group.records.last().unwrap())))
}

const TINY: Options = Options { kind: Kind::Log, grow_bytes: 256, segment_bytes: 300 };

/// Six groups of one record in three files or so, the last one marked.
fn filled(dir: &Path) -> Vec<String> {
    let (mut journal, _, _) = open_with(dir, TINY).unwrap();
    let mut previous = [0; 32];
    for index in 0..6 {
        let record = vec![index as u8; 100];
        journal.append(index, previous, &[&record], b"note").unwrap();
        previous = hash_of(&record);
    }
    journal.mark().unwrap();
    let mut names = RealDisk.list(dir).unwrap();
    names.sort();
    names
}

#[test]
fn the_worked_example_is_what_a_journal_writes() {
    let example: String = include_str!("../journal.rs")
        .lines()
        .filter_map(|line| line.strip_prefix("//! hex: "))
        .flat_map(|line| line.split_whitespace())
        .collect();
    let home = tempfile::tempdir().unwrap();
    let dir = home.path().join("outbox");
    let (mut journal, _, _) = open_with(&dir, Options::small(Kind::Outbox)).unwrap();
    journal.append(0, [0; 32], &[b"wash"], b"").unwrap();
    journal.mark().unwrap();
    let written = fs::read(dir.join("00000000000000000000.seg")).unwrap();
    let (used, unused) = written.split_at(example.len() / 2);
    assert_eq!(hex::encode(used), example);
    assert_eq!(written.len(), 64 << 10);
    assert!(unused.iter().all(|byte| *byte == 0));
}

#[test]
fn what_was_appended_is_shown_in_order_when_opened_again() {
    let home = tempfile::tempdir().unwrap();
    let dir = home.path().join("log");
    let (mut journal, recovered, groups) = open_with(&dir, Options::small(Kind::Log)).unwrap();
    assert!(groups.is_empty());
    assert_eq!(recovered, Recovered { segments: 1, ..Recovered::default() });
    journal.append(0, [0; 32], &[&b"a"[..], b"", b"ccc"], b"note 3").unwrap();
    journal.append(3, [1; 32], &[b"d"], b"note 4").unwrap();
    assert_eq!(journal.next_index(), 4);
    drop(journal);
    let (journal, recovered, groups) = open_with(&dir, Options::small(Kind::Log)).unwrap();
    assert_eq!(groups.len(), 2);
    assert_eq!(groups[0].records, [&b"a"[..], b"", b"ccc"]);
    assert_eq!((groups[1].first, groups[1].synced_before, &groups[1].end[..]), (3, 3, &b"note 4"[..]));
    assert_eq!((recovered.groups, recovered.records, recovered.records_rewritten), (2, 4, 1));
    assert_eq!(recovered.torn_bytes_cut, 0);
    assert!(journal.needs_mark());
}

#[test]
fn a_mark_is_written_once_and_then_nothing_is_left_to_write_again() {
    let home = tempfile::tempdir().unwrap();
    let dir = home.path().join("log");
    let (mut journal, _, _) = open_with(&dir, Options::small(Kind::Log)).unwrap();
    assert!(!journal.needs_mark());
    journal.append(0, [0; 32], &[b"a"], b"").unwrap();
    let before = journal.syncs();
    journal.mark().unwrap();
    journal.mark().unwrap();
    assert_eq!(journal.syncs(), before + 1);
    drop(journal);
    let (journal, recovered, _) = open_with(&dir, Options::small(Kind::Log)).unwrap();
    assert_eq!(recovered.records_rewritten, 0);
    assert!(!journal.needs_mark());
}

#[test]
fn a_full_segment_is_sealed_and_the_next_names_the_hash_before_it() {
    let home = tempfile::tempdir().unwrap();
    let dir = home.path().join("log");
    let names = filled(&dir);
    assert!(names.len() >= 3, "{names:?}");
    let found = scan_with(&dir, Kind::Log).unwrap();
    assert_eq!(found, Scan { segments: names.len() as u64, groups: 6, records: 6, synced_before: 6 });
    let (_, _, groups) = open_with(&dir, TINY).unwrap();
    let second = groups.iter().find(|group| group.segment_first > 0).unwrap();
    assert_eq!(second.first, second.segment_first);
    assert_eq!(second.segment_previous, hash_of(&[second.first as u8 - 1; 100]));
}

#[test]
fn a_scan_finds_a_header_whose_previous_hash_is_not_that_of_the_record_before() {
    let home = tempfile::tempdir().unwrap();
    let dir = home.path().join("log");
    filled(&dir);
    let wrong = scan(&RealDisk, &dir, Kind::Log, |_| Ok::<_, BoxError>([0; 32])).unwrap_err();
    assert_eq!(wrong.damage().unwrap().fault, Fault::PreviousHash);
}

#[test]
fn a_first_header_that_names_a_record_before_is_refused_and_a_torn_group_behind_it_left_as_it_is() {
    let home = tempfile::tempdir().unwrap();
    let dir = home.path().join("log");
    let (mut journal, _, _) = open_with(&dir, TINY).unwrap();
    journal.append(0, [0; 32], &[b"torn"], b"note").unwrap();
    drop(journal);
    let path = dir.join("00000000000000000000.seg");
    let mut bytes = fs::read(&path).unwrap();
    let header = Header { kind: Kind::Log, first: 0, previous: [6; 32] }.encode();
    bytes[..header.len()].copy_from_slice(&header);
    let last = bytes.iter().rposition(|byte| *byte != 0).unwrap();
    bytes[last] ^= 1;
    fs::write(&path, &bytes).unwrap();
    for found in [scan_with(&dir, Kind::Log).unwrap_err(), open_with(&dir, TINY).unwrap_err()] {
        let damage = found.damage().unwrap();
        assert_eq!((damage.offset, &damage.fault), (24, &Fault::PreviousHash));
    }
    assert_eq!(fs::read(&path).unwrap(), bytes);
}

#[test]
fn a_missing_file_is_found_wherever_it_was() {
    let home = tempfile::tempdir().unwrap();
    let dir = home.path().join("log");
    for gone in filled(&dir) {
        let kept = fs::read(dir.join(&gone)).unwrap();
        fs::remove_file(dir.join(&gone)).unwrap();
        for found in [scan_with(&dir, Kind::Log).unwrap_err(), open_with(&dir, TINY).unwrap_err()] {
            assert_eq!(found.damage().unwrap().fault, Fault::MissingSegment(gone.clone()));
        }
        fs::write(dir.join(&gone), kept).unwrap();
    }
    scan_with(&dir, Kind::Log).unwrap();
}

#[test]
fn a_file_that_is_no_segment_and_a_folder_without_any_are_refused() {
    let home = tempfile::tempdir().unwrap();
    let dir = home.path().join("log");
    filled(&dir);
    fs::write(dir.join("notes.txt"), b"hello").unwrap();
    for found in [scan_with(&dir, Kind::Log).unwrap_err(), open_with(&dir, TINY).unwrap_err()] {
        let damage = found.damage().unwrap();
        assert_eq!((damage.file.as_str(), &damage.fault), ("notes.txt", &Fault::ForeignFile));
    }
    let empty = home.path().join("empty");
    fs::create_dir(&empty).unwrap();
    assert_eq!(scan_with(&empty, Kind::Log).unwrap_err().damage().unwrap().fault, Fault::NoSegment);
    assert!(matches!(scan_with(&home.path().join("nowhere"), Kind::Log), Err(JournalError::Io { .. })));
}

#[test]
fn a_log_is_not_opened_as_an_outbox() {
    let home = tempfile::tempdir().unwrap();
    let dir = home.path().join("log");
    filled(&dir);
    let wrong = open_with(&dir, Options { kind: Kind::Outbox, ..TINY }).unwrap_err();
    let expected = Fault::WrongKind { expected: Kind::Outbox, found: Kind::Log };
    assert_eq!(wrong.damage().unwrap().fault, expected);
}

#[test]
fn a_group_that_cannot_be_written_is_refused_and_the_journal_goes_on() {
    let home = tempfile::tempdir().unwrap();
    let (mut journal, _, _) = open_with(&home.path().join("outbox"), Options::small(Kind::Outbox)).unwrap();
    let long = vec![0; MAX_BODY_BYTES + 1];
    let many = vec![b""; MAX_GROUP_RECORDS + 1];
    let none: [&[u8]; 0] = [];
    let refusals = [
        (journal.append(1, [0; 32], &[b"a"], b""), Refusal::NotNext { expected: 0, given: 1 }),
        (journal.append(0, [0; 32], &none, b""), Refusal::Empty),
        (journal.append(0, [0; 32], &many, b""), Refusal::TooMany(65_537)),
        (journal.append(0, [0; 32], &[&long], b""), Refusal::TooLong(66_001)),
        (journal.append(0, [0; 32], &[b"a"], b"note"), Refusal::EndNotEmpty),
    ];
    for (answer, expected) in refusals {
        assert!(matches!(answer, Err(AppendError::Refused(found)) if found == expected), "{expected}");
    }
    journal.append(0, [0; 32], &[&long[1..]], b"").unwrap();
}

#[test]
fn a_visitors_error_stops_the_opening_and_says_at_which_group() {
    let home = tempfile::tempdir().unwrap();
    let dir = home.path().join("log");
    filled(&dir);
    let stopped = Journal::create_or_open(Arc::new(RealDisk), &dir, TINY, |group| {
        if group.first == 1 { Err("not mine") } else { Ok(()) }
    });
    assert!(matches!(stopped, Err(JournalError::Visit { first: 1, .. })), "{stopped:?}");
}

#[test]
fn a_frame_whose_checksum_fits_but_which_does_not_belong_there_is_rot_and_never_cut() {
    let begin = |first, count, synced_before| Begin { first, count, synced_before }.encode().to_vec();
    let wrong: [(FrameType, Vec<u8>, Fault); 10] = [
        (FrameType::Record, b"stray".to_vec(), Fault::OutOfPlace(2)),
        (FrameType::GroupEnds, vec![], Fault::OutOfPlace(3)),
        (FrameType::GroupBegins, begin(7, 1, 7), Fault::GroupFirst { expected: 1, found: 7 }),
        (FrameType::GroupBegins, begin(1, 0, 1), Fault::BadBody(1)),
        (FrameType::GroupBegins, begin(1, 1, 2), Fault::BadBody(1)),
        (FrameType::DurableMark, 2u64.to_be_bytes().to_vec(), Fault::MarkAmiss(2)),
        (FrameType::DurableMark, 0u64.to_be_bytes().to_vec(), Fault::MarkAmiss(0)),
        (FrameType::GroupBegins, begin(1, 1, 0), Fault::BadBody(1)),
        (FrameType::DurableMark, vec![0; 7], Fault::BadBody(4)),
        (FrameType::Sealed, vec![0], Fault::BadBody(5)),
    ];
    for (frame, body, fault) in wrong {
        let home = tempfile::tempdir().unwrap();
        let dir = home.path().join("log");
        let (mut journal, _, _) = open_with(&dir, TINY).unwrap();
        journal.append(0, [0; 32], &[b"a"], b"").unwrap();
        let mut bytes = Vec::new();
        push_frame(&mut bytes, journal.segment.place(), frame, &body);
        journal.segment.put(&bytes).unwrap();
        drop(journal);
        let path = dir.join("00000000000000000000.seg");
        let before = fs::read(&path).unwrap();
        assert_eq!(scan_with(&dir, Kind::Log).unwrap_err().damage().unwrap().fault, fault);
        let opened = open_with(&dir, TINY);
        assert!(matches!(&opened, Err(JournalError::Rot(damage)) if damage.fault == fault), "{fault}");
        assert_eq!(fs::read(&path).unwrap(), before);
    }
}
