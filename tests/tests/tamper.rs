//! No altered byte of a log passes the verifier: as it is, and with checksums made to fit.

#![allow(clippy::print_stdout)] // Tests print their seed and what they found.

use std::collections::BTreeMap;
use std::os::unix::fs::FileExt;
use std::path::{Path, PathBuf};
use std::process::ExitCode;
use std::sync::Arc;

use rinsebook_client::sync::sync;
use rinsebook_client::verify::{Args, Fault, log_dir, run};
use rinsebook_proto::entry::Entry;
use rinsebook_proto::journal::{self, Group, Journal, Kind, Options, RealDisk};
use rinsebook_proto::key;
use rinsebook_proto::note::{Checkpoint, VerifierKey};
use rinsebook_proto::tree::{Edge, leaf_hash};
use rinsebook_tests::shop::{MORNING_MS, Shop, Wash, all_well, disconnected, reconnected};
use rinsebook_tests::world::Dice;

const HEADER_BYTES: usize = 60;
const FRAME_HEAD_BYTES: usize = 9;
/// What an altered byte breaks, where no checksum of a frame tells of it.
const FOUR: [&str; 4] = ["signature", "chain", "link", "root"];

/// What the command for verifying tells of a bad log.
fn told(log: &Path, key: &VerifierKey, json: bool) -> String {
    let args = Args { log: log.display().to_string(), log_key: Some(key.to_string()), json, ..Args::default() };
    let mut out = Vec::new();
    let code = run(&args, &mut out).unwrap();
    let out = String::from_utf8(out).unwrap();
    assert_eq!(code, ExitCode::from(3), "{out}");
    out
}

/// A log has at least so many entries.
const ENTRIES: u64 = 300;

/// A log with a wash in it, and its verifier key; the folder goes with the shop.
async fn small_log() -> (Shop, PathBuf, VerifierKey) {
    let mut shop = Shop::open().await.unwrap();
    let mut station = shop.station("ramp-1").await.unwrap();
    let wash = Wash::of(shop.aircraft);
    station.sign_card(&shop.technician.key, vec![wash.opened(&shop, MORNING_MS)]).unwrap();
    let mut at_ms = MORNING_MS;
    while shop.service.as_ref().unwrap().entries() < ENTRIES {
        at_ms += 60_000;
        let opened = (0..8).map(|_| wash.on(2, disconnected("PS-1"), at_ms)).collect();
        station.sign_card(&shop.technician.key, opened).unwrap();
        let closed = (0..8).map(|_| wash.on(2, reconnected("PS-1"), at_ms)).collect();
        station.sign_card(&shop.technician.key, closed).unwrap();
        shop.clock.set(at_ms);
        all_well(&sync(&mut station, 3).await.unwrap()).unwrap();
    }
    let running = shop.service.take().unwrap();
    let key = VerifierKey::parse(&running.verifier_key).unwrap();
    running.stop().await.unwrap();
    let log = shop.data().join("log");
    (shop, log, key)
}

fn seed() -> u64 {
    let seed = std::env::var("RINSEBOOK_SEED").ok().and_then(|s| s.parse().ok());
    let seed = seed.unwrap_or_else(|| std::time::UNIX_EPOCH.elapsed().unwrap().as_nanos() as u64);
    println!("RINSEBOOK_SEED={seed}");
    seed
}

/// The only segment file of a small log.
fn segment(log: &Path) -> PathBuf {
    std::fs::read_dir(log).unwrap().next().unwrap().unwrap().path()
}

/// Where each frame begins, and the length of its body.
fn frames(bytes: &[u8]) -> Vec<(usize, usize)> {
    let mut frames = Vec::new();
    let mut at = HEADER_BYTES;
    while at + FRAME_HEAD_BYTES <= bytes.len() && bytes[at..at + FRAME_HEAD_BYTES] != [0; FRAME_HEAD_BYTES] {
        let length = u32::from_be_bytes(bytes[at..at + 4].try_into().unwrap()) as usize;
        frames.push((at, length));
        at += FRAME_HEAD_BYTES + length;
    }
    frames
}

/// Where the envelope begins in the frame of an entry.
fn envelope(bytes: &[u8], (at, length): (usize, usize)) -> usize {
    let end = at + FRAME_HEAD_BYTES + length;
    end - Entry::decode(&bytes[at + FRAME_HEAD_BYTES..end]).unwrap().envelope.len()
}

/// CRC-32/IEEE, bit by bit, so that the test does not lean on the library that it checks.
fn crc32(bytes: &[u8]) -> u32 {
    let mut crc = u32::MAX;
    for byte in bytes {
        crc ^= u32::from(*byte);
        for _ in 0..8 {
            crc = if crc & 1 == 1 { (crc >> 1) ^ 0xEDB8_8320 } else { crc >> 1 };
        }
    }
    !crc
}

/// Makes the frame's checksum fit: over the offset, the segment's first index, the type and the body.
fn fit(bytes: &mut [u8], (at, length): (usize, usize)) {
    let covered =
        [&(at as u64).to_be_bytes()[..], &bytes[16..24], &bytes[at + 8..at + FRAME_HEAD_BYTES + length]].concat();
    bytes[at + 4..at + 8].copy_from_slice(&crc32(&covered).to_be_bytes());
}

#[test]
fn the_checksum_of_this_test_is_crc_32() {
    // The check value of CRC-32/IEEE (ISO-HDLC) over "123456789", from memory.
    assert_eq!(crc32(b"123456789"), 0xCBF4_3926);
}

#[tokio::test(flavor = "multi_thread")]
async fn a_good_log_passes_and_five_hundred_altered_bytes_do_not() {
    let (_shop, log, key) = small_log().await;
    let good = log_dir(&log, Some(&key)).unwrap();
    assert!(good.entries >= ENTRIES && good.unread == 0 && good.origin_proved, "{good}");
    assert!(!log_dir(&log, None).unwrap().origin_proved);

    let file = segment(&log);
    let whole = std::fs::read(&file).unwrap();
    let mut dice = Dice::new(seed());
    let used = frames(&whole).last().map(|(at, length)| at + FRAME_HEAD_BYTES + length).unwrap();
    // Three of four among the bytes that say something, the rest anywhere in the file.
    for i in 0..500 {
        let at = dice.below(if i % 4 == 0 { whole.len() } else { used } as u64) as usize;
        let mut bytes = whole.clone();
        bytes[at] ^= 1 << dice.below(8);
        std::fs::write(&file, &bytes).unwrap();
        let found = log_dir(&log, Some(&key)).unwrap_err();
        let Fault::Bad { file, offset, .. } = &found else { panic!("byte {at}: {found}") };
        assert!(file.is_some() && offset.is_some(), "byte {at}: {found}");
    }
}

/// The verifier reads a log by [`journal::scan`], and what that refuses it refuses, whatever else it finds. So every byte is
/// tried with the reading alone, which asks no signature and takes a thirtieth of the time; the test before tries the
/// whole verifier. Plainly, one byte of a hundred.
#[tokio::test(flavor = "multi_thread")]
async fn every_altered_byte_is_refused_by_the_reading_of_the_files_alone() {
    let (_shop, log, _) = small_log().await;
    let (seed, begun) = (seed(), std::time::Instant::now());
    let nightly = std::env::var_os("RINSEBOOK_NIGHTLY").is_some();
    let whole = std::fs::read(segment(&log)).unwrap();
    read_alone(&log).unwrap();
    let workers = std::thread::available_parallelism().map_or(1, usize::from);
    let tried: usize = std::thread::scope(|scope| {
        let work = |worker| {
            let (log, whole) = (&log, &whole);
            move || altered_in_a_copy(log, whole, seed, worker, workers, if nightly { 1 } else { 100 })
        };
        let threads: Vec<_> = (0..workers).map(|worker| scope.spawn(work(worker))).collect();
        threads.into_iter().map(|thread| thread.join().unwrap()).sum()
    });
    println!("{tried} of {} bytes altered, each refused, in {:?}", whole.len(), begun.elapsed());
    assert!(tried >= whole.len() / 100);
}

fn read_alone(log: &Path) -> Result<journal::Scan, journal::JournalError> {
    let last = |group: &Group| Ok::<_, std::convert::Infallible>(leaf_hash(group.records.last().unwrap()).0);
    journal::scan(&RealDisk, log, Kind::Log, last)
}

/// One worker's share of the bytes, each altered and put back in a copy of its own; how many.
fn altered_in_a_copy(log: &Path, whole: &[u8], seed: u64, worker: usize, workers: usize, step: usize) -> usize {
    let copy = tempfile::tempdir().unwrap();
    let file = copy.path().join(segment(log).file_name().unwrap());
    std::fs::write(&file, whole).unwrap();
    let open = std::fs::OpenOptions::new().write(true).open(&file).unwrap();
    let mut dice = Dice::new(seed + worker as u64);
    let places = (worker * step..whole.len()).step_by(workers * step);
    let count = places.clone().count();
    for at in places {
        open.write_all_at(&[whole[at] ^ (1 << dice.below(8))], at as u64).unwrap();
        let found = read_alone(copy.path()).expect_err("an altered byte was read");
        let damage = found.damage().unwrap_or_else(|| panic!("byte {at}: {found}"));
        assert!(!damage.file.is_empty(), "byte {at}: {found}");
        open.write_all_at(&whole[at..=at], at as u64).unwrap();
    }
    read_alone(copy.path()).unwrap();
    count
}

#[tokio::test(flavor = "multi_thread")]
async fn altered_bytes_with_checksums_that_fit_are_named_by_what_they_break() {
    let (_shop, log, key) = small_log().await;
    let file = segment(&log);
    let whole = std::fs::read(&file).unwrap();
    let frames = frames(&whole);
    let mut dice = Dice::new(seed());
    let mut named = BTreeMap::<(String, String), u32>::new();
    for _ in 0..500 {
        let frame = loop {
            let frame = frames[dice.below(frames.len() as u64) as usize];
            if frame.1 > 0 {
                break frame;
            }
        };
        let at = frame.0 + FRAME_HEAD_BYTES + dice.below(frame.1 as u64) as usize;
        let mut bytes = whole.clone();
        bytes[at] ^= 1 << dice.below(8);
        fit(&mut bytes, frame);
        std::fs::write(&file, &bytes).unwrap();
        let (text, json) = (told(&log, &key, false), told(&log, &key, true));
        let json: serde_json::Value = serde_json::from_str(&json).unwrap();
        let (word, part) = (json["check"].as_str().unwrap(), json["part"].as_str().unwrap());
        assert!(FOUR.contains(&word) && text.starts_with(&format!("bad: {word} ")), "byte {at}: {text}");
        assert!(json["index"].is_u64() && json["offset"].is_u64(), "byte {at}: {json}");
        match bytes[frame.0 + 8] {
            // An entry: where the envelope was altered, nobody is sent to look for a link, whatever else it breaks.
            2 => assert!(at < envelope(&whole, frame) || word != "link", "byte {at}: {text}"),
            // A group's checkpoint.
            3 => assert_eq!(word, "root", "byte {at}: {text}"),
            _ => {}
        }
        *named.entry((word.to_owned(), part.to_owned())).or_default() += 1;
    }
    println!("{named:?}");
    for word in FOUR {
        assert!(named.keys().any(|(named, _)| named == word), "500 alterations broke no {word}: {named:?}");
    }
}

/// The log written anew with its last entry altered, hashed again, and signed again with the log's own key.
fn resigned(shop: &Shop, log: &Path, alter: impl FnOnce(&mut Entry, &[Vec<u8>])) -> PathBuf {
    let keys = shop.data().join("keys");
    let read = |name: &str| std::fs::read_to_string(keys.join(name)).unwrap();
    let signer = key::from_pem(&read("log.pem"), read("passphrase").trim_end().as_bytes()).unwrap();
    let mut groups: Vec<Group> = Vec::new();
    let visit = |group: &Group| {
        groups.push(group.clone());
        Ok::<_, std::convert::Infallible>(leaf_hash(group.records.last().unwrap()).0)
    };
    journal::scan(&RealDisk, log, Kind::Log, visit).unwrap();
    let mut all: Vec<Vec<u8>> = groups.iter().flat_map(|group| group.records.clone()).collect();
    let mut last = Entry::decode(&all.pop().unwrap()).unwrap();
    alter(&mut last, &all);
    all.push(last.encode().unwrap());

    let copy = shop.dir.join("resigned");
    let (mut out, _) =
        Journal::create_or_open(Arc::new(RealDisk), &copy, Options::small(Kind::Log), |_| Ok::<_, String>(())).unwrap();
    let mut edge = Edge::default();
    let mut previous = [0; 32];
    for group in &groups {
        let first = group.first as usize;
        let records = &all[first..first + group.records.len()];
        records.iter().for_each(|record| edge.push(leaf_hash(record)));
        let old = Checkpoint::read_unverified(std::str::from_utf8(&group.end).unwrap()).unwrap();
        let note = Checkpoint { root: edge.root(), ..old }.sign(&signer);
        out.append(group.first, previous, records, note.as_bytes()).unwrap();
        previous = leaf_hash(records.last().unwrap()).0;
    }
    copy
}

#[tokio::test(flavor = "multi_thread")]
async fn a_link_skipped_hashed_and_signed_again_with_the_log_s_own_key_is_found() {
    let (shop, log, key) = small_log().await;
    let copy = resigned(&shop, &log, |last, before| {
        // It names its subject's entry before the last one, as if that had never been.
        let skipped = Entry::decode(&before[last.links[0].previous_index as usize]).unwrap();
        assert!(skipped.links[0].ordinal > 0);
        last.links[0] = skipped.links[0].clone();
    });
    let found = log_dir(&copy, Some(&key)).unwrap_err();
    assert!(matches!(found, Fault::Bad { check: "link", .. }), "{found}");
}

#[tokio::test(flavor = "multi_thread")]
async fn a_log_signed_again_without_a_change_is_still_good() {
    // The control of the test before: what it finds is the link, not the writing anew.
    let (shop, log, key) = small_log().await;
    let copy = resigned(&shop, &log, |_, _| {});
    log_dir(&copy, Some(&key)).unwrap();
}
