//! Controls: a disk, or rot, that leaves out what the checks of the other files rest on. The same checks have to fail.

use crate::recorder::{Recorder, ReopenError, dir, open, scan_all};
use rinsebook_tests::world::disk::{Call, Fate, Ignore};
use std::path::PathBuf;

const SWALLOWS: Ignore = Ignore { syncs: false, dir_syncs: false, errors: true };
/// Of a segment's header, and of a frame before its body: u32 length, u32 checksum, u8 type.
const HEADER_BYTES: usize = 60;
const FRAME_HEAD_BYTES: usize = 9;

/// A story in which one call fails and nobody is told; then the power fails.
fn story_with_a_swallowed_failure(call: Option<Call>, skipped: u64) -> Option<Result<(), ReopenError>> {
    let mut recorder = Recorder::new(11);
    recorder.reopen().unwrap();
    recorder.disk.ignore(SWALLOWS);
    recorder.disk.fail(call, skipped, Fate::Lost);
    for _ in 0..14 {
        recorder.record().ok()?;
        recorder.mark().ok()?;
    }
    if recorder.disk.failure_is_pending() {
        return None;
    }
    recorder.disk.power_cut();
    Some(recorder.reopen().map(drop))
}

#[test]
fn a_disk_that_calls_done_what_failed_is_found_out_by_the_check_of_each_call_that_fails() {
    for call in [Some(Call::Write), Some(Call::Sync), Some(Call::Rename), None] {
        let told: Vec<_> = (0..).map_while(|skipped| story_with_a_swallowed_failure(call, skipped)).collect();
        let found = told.iter().filter(|told| told.is_err()).count();
        println!("{call:?}: {} failures swallowed, found {found}", told.len());
        assert!(found > 0, "{call:?}: {} stories", told.len());
    }
}

#[test]
fn a_full_disk_that_calls_its_writes_done_is_found_out_by_the_check_of_full_disks() {
    let mut found = 0;
    for free_bytes in (0..600).step_by(60) {
        let mut recorder = Recorder::new(free_bytes);
        recorder.reopen().unwrap();
        recorder.disk.ignore(SWALLOWS);
        recorder.disk.set_free_bytes(Some(free_bytes));
        (0..40).for_each(|_| recorder.record().unwrap());
        recorder.disk.set_free_bytes(None);
        recorder.disk.kill();
        found += u32::from(recorder.reopen().is_err());
    }
    assert!(found > 0);
}

/// CRC-32/IEEE, bit by bit, so that the test does not lean on the library that it checks.
fn crc32(bytes: &[u8]) -> u32 {
    !bytes.iter().fold(u32::MAX, |crc, byte| {
        (0..8).fold(crc ^ u32::from(*byte), |crc, _| if crc & 1 == 1 { (crc >> 1) ^ 0xEDB8_8320 } else { crc >> 1 })
    })
}

/// The frame that a byte stands in: where it begins, and where it ends.
fn frame_around(bytes: &[u8], offset: usize) -> (usize, usize) {
    let mut at = HEADER_BYTES;
    loop {
        let length = u32::from_be_bytes(bytes[at..at + 4].try_into().unwrap()) as usize;
        let end = at + FRAME_HEAD_BYTES + length;
        if offset < end {
            return (at, end);
        }
        at = end;
    }
}

#[test]
fn rot_whose_checksum_fits_is_not_seen_by_the_journal_so_that_it_is_the_checksum_that_finds_rot() {
    let mut recorder = Recorder::new(3);
    recorder.reopen().unwrap();
    for _ in 0..3 {
        recorder.record_these(vec![vec![1; 60]]).unwrap();
    }
    recorder.mark().unwrap();
    recorder.journal = None;
    let path: PathBuf = dir().join("00000000000000000000.seg");
    let mut bytes = recorder.disk.contents(dir())[&path].clone();
    let inside = bytes.windows(30).position(|part| part == [1; 30]).unwrap();
    bytes[inside] = 2;
    recorder.disk.replace(&path, bytes.clone());
    assert!(scan_all(&recorder.disk).is_err());

    let (at, end) = frame_around(&bytes, inside);
    let covered = [&(at as u64).to_be_bytes()[..], &bytes[16..24], &bytes[at + 8..end]].concat();
    bytes[at + 4..at + 8].copy_from_slice(&crc32(&covered).to_be_bytes());
    recorder.disk.replace(&path, bytes);
    scan_all(&recorder.disk).unwrap();
    let (.., records) = open(&recorder.disk, recorder.options).unwrap();
    assert_ne!(records, recorder.acknowledged, "the record is another, and only its hash can tell");
}
