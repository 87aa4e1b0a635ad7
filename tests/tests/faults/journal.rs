//! Torn tails, rot, full disks, unreadable disks, and the order of calls.

use crate::recorder::{OPTIONS, Recorder, dir, leaf_hash, open, scan_all};
use rinsebook_proto::journal::{AppendError, Fault, JournalError, Options};
use rinsebook_tests::world::disk::{Call, Fate};
use std::path::PathBuf;

/// Three groups in one file; the last one of three records, and no mark behind it. Also the offset of the last group.
fn three_groups() -> (Recorder, PathBuf, usize) {
    let mut recorder = Recorder::new(3);
    recorder.reopen().unwrap();
    recorder.record_these(vec![b"one".to_vec()]).unwrap();
    recorder.record_these(vec![b"two".to_vec(), vec![0; 40]]).unwrap();
    let path = dir().join("00000000000000000000.seg");
    let start = used(&recorder.disk.contents(dir())[&path]);
    recorder.record_these(vec![vec![1; 30], b"".to_vec(), b"five".to_vec()]).unwrap();
    (recorder, path, start)
}

fn used(bytes: &[u8]) -> usize {
    bytes.iter().rposition(|byte| *byte != 0).map_or(0, |last| last + 1)
}

#[test]
fn a_last_group_torn_at_any_byte_is_cut_and_what_came_before_is_kept() {
    let (mut recorder, path, start) = three_groups();
    let whole = recorder.disk.contents(dir())[&path].clone();
    let kept = recorder.acknowledged[..3].to_vec();
    for at in start..used(&whole) {
        let mut zeroed = whole.clone();
        zeroed[at..].fill(0);
        for torn in [zeroed, whole[..at].to_vec()] {
            recorder.disk.replace(&path, torn.clone());
            let is_torn = used(&torn) > start;
            assert_eq!(scan_all(&recorder.disk).is_err(), is_torn, "a scan takes no torn group, byte {at}");
            recorder.acknowledged.clone_from(&kept);
            let recovered = recorder.reopen().unwrap();
            assert_eq!((recovered.groups, recovered.records), (2, 3), "byte {at}");
            assert_eq!(recovered.torn_bytes_cut as usize, used(&torn).saturating_sub(start), "byte {at}");
            recorder.record_these(vec![b"anew".to_vec()]).unwrap();
            assert_eq!(scan_all(&recorder.disk).unwrap().records, 4);
        }
    }
}

/// Two files or more, all of it vouched for by a last mark. Small files, so that every byte can be tried.
fn marked_log() -> (Recorder, Vec<(PathBuf, Vec<u8>)>) {
    let mut recorder = Recorder::new(5);
    recorder.options = Options { grow_bytes: 512, segment_bytes: 400, ..OPTIONS };
    recorder.reopen().unwrap();
    for size in [200, 150, 60, 90] {
        recorder.record_these(vec![vec![size; usize::from(size)], b"x".to_vec()]).unwrap();
    }
    recorder.mark().unwrap();
    recorder.journal = None;
    let files: Vec<_> = recorder.disk.contents(dir()).into_iter().collect();
    assert_eq!(files.len(), 2);
    (recorder, files)
}

#[test]
fn every_flipped_byte_of_a_synced_log_is_found_and_none_below_the_mark_is_ever_cut() {
    let (mut recorder, files) = marked_log();
    let (last, content) = files.last().unwrap();
    let mark_at = used(content) - 17;
    let before = recorder.disk.contents(dir());
    for (path, bytes) in &files {
        for offset in 0..bytes.len() {
            let what = format!("{} offset {offset}", path.display());
            let mask = recorder.dice.below(255) as u8 + 1;
            recorder.disk.flip(path, offset, mask);
            let flipped = recorder.disk.contents(dir());
            let found = scan_all(&recorder.disk).expect_err(&what);
            let damage = found.damage().expect(&what);
            assert!(path.ends_with(&damage.file) && damage.offset <= offset as u64, "{what}: {damage}");
            match open(&recorder.disk, recorder.options) {
                // The mark itself and the space behind it hold no record: nothing can be lost there.
                Ok((_, _, records)) => {
                    assert!(path == last && offset >= mark_at, "{what}: opened");
                    assert_eq!(records, recorder.acknowledged, "{what}");
                    recorder.disk.replace(path, bytes.clone());
                }
                Err(JournalError::Rot(damage)) => {
                    assert!(path != last || offset < mark_at, "{what}: {damage}");
                    assert!(path.ends_with(&damage.file) && damage.index.is_some(), "{what}: {damage}");
                    assert_eq!(recorder.disk.contents(dir()), flipped, "{what}: changed");
                    recorder.disk.flip(path, offset, mask);
                }
                Err(other) => panic!("{what}: {other}"),
            }
        }
    }
    assert_eq!(recorder.disk.contents(dir()), before);
}

#[test]
fn a_sector_of_zeros_in_the_midst_of_the_log_is_rot_and_not_its_end() {
    let (mut recorder, path, _) = three_groups();
    recorder.mark().unwrap();
    recorder.journal = None;
    let whole = recorder.disk.contents(dir())[&path].clone();
    for from in 60..used(&whole) - 60 {
        let mut holed = whole.clone();
        holed[from..from + 40].fill(0);
        if holed == whole {
            continue;
        }
        recorder.disk.replace(&path, holed);
        assert!(matches!(open(&recorder.disk, OPTIONS), Err(JournalError::Rot(_))), "hole at {from}");
    }
}

#[test]
fn a_full_disk_records_nothing_of_the_group_and_recording_goes_on_with_space() {
    for free_bytes in (0..1200).step_by(60) {
        let mut recorder = Recorder::new(free_bytes);
        recorder.reopen().unwrap();
        let mut full = 0;
        for _ in 0..40 {
            recorder.disk.set_free_bytes(Some(free_bytes));
            let before = recorder.acknowledged.len();
            if let Err(error) = recorder.record() {
                assert!(matches!(error, AppendError::Full { .. }), "{free_bytes}: {error}");
                full += 1;
                assert_eq!(scan_all(&recorder.disk).unwrap().records as usize, before, "{free_bytes}");
                recorder.mark().unwrap();
                recorder.disk.set_free_bytes(None);
                recorder.record().unwrap();
            }
        }
        assert!(full >= 3 || free_bytes > 1023, "{free_bytes} bytes free: full {full} times");
        recorder.disk.set_free_bytes(None);
        recorder.disk.power_cut();
        recorder.reopen().unwrap();
        assert!(recorder.disk.contents(dir()).len() > 2);
    }
}

#[test]
fn an_error_of_the_sync_breaks_the_journal_for_ever_although_the_disk_works_again() {
    let mut recorder = Recorder::new(1);
    recorder.reopen().unwrap();
    recorder.record_these(vec![b"one".to_vec()]).unwrap();
    recorder.disk.fail(Some(Call::Sync), 0, Fate::Saved);
    recorder.record_these(vec![b"two".to_vec()]).unwrap_err();
    recorder.disk.take_trace();
    for _ in 0..3 {
        assert!(matches!(recorder.record(), Err(AppendError::Broken { .. })));
        assert!(matches!(recorder.mark(), Err(AppendError::Broken { .. })));
    }
    assert!(recorder.disk.take_trace().is_empty(), "a broken journal touches the disk no more");
}

#[test]
fn an_error_of_a_read_at_the_start_is_never_taken_for_an_empty_log() {
    let (mut recorder, files) = marked_log();
    let before = recorder.disk.contents(dir());
    let mut refused = 0;
    for skipped in 0.. {
        recorder.disk.take_trace();
        recorder.disk.fail(Some(Call::Read), skipped, Fate::Lost);
        match open(&recorder.disk, recorder.options) {
            Err(JournalError::Io { file, .. }) => {
                assert!(files.iter().any(|(path, _)| path.ends_with(&file)), "{file}")
            }
            Err(other) => panic!("read {skipped}: {other}"),
            Ok(_) => break,
        }
        assert!(!recorder.disk.take_trace().iter().any(|(call, _)| *call == Call::Create), "read {skipped}");
        assert_eq!(recorder.disk.contents(dir()), before, "read {skipped}");
        refused += 1;
    }
    assert!(refused >= 4, "{refused}");
    recorder.disk.kill();
    recorder.reopen().unwrap();
}

#[test]
fn a_new_file_is_durable_under_its_name_before_the_old_one_is_sealed_and_a_group_comes_last() {
    let mut recorder = Recorder::new(2);
    recorder.options.segment_bytes = 100;
    recorder.reopen().unwrap();
    recorder.record_these(vec![vec![1; 50]]).unwrap();
    recorder.disk.take_trace();
    recorder.record_these(vec![b"two".to_vec()]).unwrap();
    let (old, new, next) = ("00000000000000000000.seg", "00000000000000000001.new", "00000000000000000001.seg");
    let expected = [
        (Call::Create, new),
        (Call::Write, new),
        (Call::Write, new),
        (Call::Sync, new),
        (Call::Rename, next),
        (Call::SyncDir, "log"),
        (Call::Write, old),
        (Call::Sync, old),
        (Call::Write, next),
        (Call::Sync, next),
    ];
    let trace = recorder.disk.take_trace();
    let seen: Vec<_> = trace.iter().map(|(call, name)| (*call, name.as_str())).collect();
    assert_eq!(seen, expected);
}

#[test]
fn an_ordinary_group_costs_one_write_and_one_sync() {
    let mut recorder = Recorder::new(2);
    recorder.reopen().unwrap();
    recorder.disk.take_trace();
    recorder.record_these(vec![b"a".to_vec(), b"b".to_vec()]).unwrap();
    let calls: Vec<_> = recorder.disk.take_trace().into_iter().map(|(call, _)| call).collect();
    assert_eq!(calls, [Call::Write, Call::Sync]);
}

#[test]
fn a_scan_changes_nothing_and_calls_an_interrupted_roll_by_its_name() {
    let mut recorder = Recorder::new(2);
    recorder.options.segment_bytes = 100;
    recorder.reopen().unwrap();
    recorder.record_these(vec![vec![1; 50]]).unwrap();
    for (stopped_after, fault) in [(4, Fault::UnfinishedSegment), (6, Fault::NotSealed)] {
        recorder.disk.stop_after(stopped_after);
        recorder.record_these(vec![b"two".to_vec()]).unwrap_err();
        recorder.disk.kill();
        recorder.disk.take_trace();
        assert_eq!(scan_all(&recorder.disk).unwrap_err().damage().unwrap().fault, fault);
        assert!(recorder.disk.take_trace().is_empty());
        assert!(recorder.reopen().unwrap().roll_interrupted);
        assert_eq!(recorder.acknowledged, [vec![1; 50]]);
        scan_all(&recorder.disk).unwrap();
    }
    assert_eq!(leaf_hash(b"")[..2], [0x6e, 0x34], "RFC 6962: the leaf hash of nothing, 6e340b9c…");
}
