#![allow(clippy::print_stderr)] // A test with random bytes prints its seed.

use std::path::Path;

use prost::Message;
use rinsebook_proto::bytes::{Hash, Id};
use rinsebook_proto::entry::Entry;
use rinsebook_proto::fact::{Envelope, Kind, REPORT_TYPE};
use rinsebook_proto::key::{self, SigningKey};
use rinsebook_proto::note::Checkpoint;
use rinsebook_proto::v1::{self, Authority};

use super::testlog::{By, RUN, SERVICE, TABLET, TestLog, key_of};
use super::{Fault, Good, log_dir};

pub(super) const OTHER: Id = Id([5; 16]);
pub(super) const STRANGER: Id = Id([6; 16]);
/// Room for everything in one file.
const ONE_FILE: u64 = 1 << 16;

pub(super) fn check(log: &TestLog) -> Result<Good, Fault> {
    check_altered(log, |_| {})
}

fn check_altered(log: &TestLog, alter: impl FnOnce(&mut Entry)) -> Result<Good, Fault> {
    let dir = tempfile::tempdir().unwrap();
    log.write(dir.path(), ONE_FILE, alter, |_| {});
    log_dir(dir.path(), Some(&log.verifier_key()))
}

/// The word that it is found bad under, the finer one, the entry.
pub(super) fn named(result: Result<Good, Fault>) -> (&'static str, &'static str, Option<u64>) {
    match result {
        Err(Fault::Bad { check, part, index, .. }) => (check, part, index),
        other => panic!("not found bad: {other:?}"),
    }
}

/// Founded; another key enrolled; a fact by it; a report recorded by the service.
pub(super) fn small() -> TestLog {
    let mut log = TestLog::founded(|_| {});
    let (custodian, service, other) = (log.custodian_key.clone(), log.service_key.clone(), key::generate());
    log.add(&By(TABLET, &custodian), Kind::KeyEnrolled(key_of(OTHER, &other)), vec![]);
    log.join(&By(TABLET, &other), person(STRANGER), vec![]);
    let report = report(TABLET, &log.report_key);
    log.add(&By(SERVICE, &service), Kind::DeviceReported(v1::DeviceReported { report }), vec![]);
    log
}

pub(super) fn person(id: Id) -> Kind {
    Kind::PersonEnrolled(v1::PersonEnrolled { person: id.to_vec(), ..v1::PersonEnrolled::default() })
}

pub(super) fn report(device: Id, signer: &SigningKey) -> Vec<u8> {
    let report = v1::Report { device: device.to_vec(), ..v1::Report::default() };
    Envelope::sign(report.encode_to_vec(), REPORT_TYPE, signer).bytes().to_vec()
}

fn lost(device: Id, places: std::ops::RangeInclusive<u64>, report: Vec<u8>) -> Kind {
    Kind::PlacesLost(v1::PlacesLost {
        device: device.to_vec(),
        run: vec![8; 16],
        first_counter: *places.start(),
        last_counter: *places.end(),
        report,
    })
}

fn log_run() -> Vec<u8> {
    RUN.to_vec()
}

#[test]
fn a_good_log_in_several_files_is_good_and_says_whose_word_its_origin_is() {
    let (log, dir) = (small(), tempfile::tempdir().unwrap());
    log.write(dir.path(), 1, |_| {}, |_| {});
    assert!(std::fs::read_dir(dir.path()).unwrap().count() > 1);
    let good = log_dir(dir.path(), Some(&log.verifier_key())).unwrap();
    assert_eq!((good.entries, good.groups, good.signatures, good.reports, good.unread), (4, 3, 4, 1, 0));
    assert!(good.origin_proved && good.to_string().lines().last().unwrap().starts_with("good: 4 entries"));
    let own = log_dir(dir.path(), None).unwrap();
    assert!(!own.origin_proved && own.to_string().contains("origin unproved"));
    assert_eq!(own.to_json()["origin_proved"], false);
    assert_eq!(own.to_json()["entries"], 4);
}

#[test]
fn every_byte_altered_is_found_with_its_file_and_offset() {
    let (log, dir) = (small(), tempfile::tempdir().unwrap());
    log.write(dir.path(), ONE_FILE, |_| {}, |_| {});
    let seed = std::env::var("RINSEBOOK_SEED").ok().and_then(|s| s.parse().ok());
    let seed: u64 = seed.unwrap_or_else(|| std::time::UNIX_EPOCH.elapsed().unwrap().as_nanos() as u64);
    eprintln!("RINSEBOOK_SEED={seed}");
    let file = std::fs::read_dir(dir.path()).unwrap().next().unwrap().unwrap().path();
    let whole = std::fs::read(&file).unwrap();
    let used = whole.iter().rposition(|byte| *byte != 0).unwrap() + 1;
    // Unused space is checked some way beyond what is used.
    for at in 0..used + 100 {
        let mut bytes = whole.clone();
        bytes[at] ^= 1 << (seed.wrapping_add(at as u64) % 8);
        std::fs::write(&file, bytes).unwrap();
        let found = log_dir(dir.path(), Some(&log.verifier_key()));
        assert!(
            matches!(found, Err(Fault::Bad { file: Some(_), offset: Some(_), .. })),
            "RINSEBOOK_SEED={seed} byte {at}: {found:?}"
        );
    }
}

#[test]
fn a_file_cut_short_is_found_by_the_journal() {
    let (log, dir) = (small(), tempfile::tempdir().unwrap());
    log.write(dir.path(), ONE_FILE, |_| {}, |_| {});
    let file = std::fs::read_dir(dir.path()).unwrap().next().unwrap().unwrap().path();
    let whole = std::fs::read(&file).unwrap();
    let used = whole.iter().rposition(|byte| *byte != 0).unwrap() + 1;
    std::fs::write(&file, &whole[..used - 10]).unwrap();
    assert_eq!(named(log_dir(dir.path(), Some(&log.verifier_key()))).0, "journal");
}

#[test]
fn a_folder_that_is_not_there_is_not_checked_rather_than_bad() {
    assert!(matches!(log_dir(Path::new("no-such-folder"), None), Err(Fault::CouldNot(_))));
}

#[test]
fn an_entry_altered_hashed_and_signed_again_is_named_by_what_it_breaks() {
    let log = small();
    assert_eq!(named(check_altered(&log, |e| e.links[0].ordinal -= 1)), ("link", "subjects", Some(3)));
    assert_eq!(named(check_altered(&log, |e| e.links[0].previous_hash = Hash::ZERO)), ("link", "subjects", Some(3)));
    assert_eq!(named(check_altered(&log, |e| e.previous = Hash::ZERO)), ("chain", "previous entry", Some(3)));
    assert_eq!(named(check_altered(&log, |e| e.received_ms = 0)), ("chain", "time received", Some(3)));
    assert_eq!(
        named(check_altered(&log, |e| *e.envelope.last_mut().unwrap() ^= 1)),
        ("signature", "signature", Some(3))
    );
    check_altered(&log, |_| {}).unwrap();
}

#[test]
fn a_checkpoint_signed_over_a_wrong_root_or_size_is_found() {
    let wrongs: [fn(&mut Checkpoint); 2] = [|c| c.root = Hash::ZERO, |c| c.size += 1];
    for wrong in wrongs {
        let (log, dir) = (small(), tempfile::tempdir().unwrap());
        log.write(dir.path(), ONE_FILE, |_| {}, wrong);
        assert_eq!(named(log_dir(dir.path(), Some(&log.verifier_key()))).0, "root");
    }
}

#[test]
fn a_log_under_another_key_than_the_one_given_is_found() {
    let (log, dir) = (small(), tempfile::tempdir().unwrap());
    log.write(dir.path(), ONE_FILE, |_| {}, |_| {});
    assert_eq!(named(log_dir(dir.path(), Some(&small().verifier_key()))), ("root", "log key", Some(0)));
}

#[test]
fn a_founding_fact_that_its_own_custodian_key_did_not_sign_is_bad_not_unread() {
    let stranger = key::generate();
    let log = TestLog::founded(|f| f.custodian_key = Some(key_of(OTHER, &stranger)));
    assert_eq!(named(check(&log)), ("signature", "founding", Some(0)));
    let log = TestLog::founded(|f| f.custodian_key.as_mut().unwrap().possession[0] ^= 1);
    assert_eq!(named(check(&log)), ("signature", "founding", Some(0)));
}

#[test]
fn nobody_but_the_service_signs_for_the_services_device_and_it_signs_for_no_other() {
    for stranger in [false, true] {
        let mut log = small();
        let signer = if stranger { key::generate() } else { log.custodian_key.clone() };
        log.add(&By(SERVICE, &signer), person(STRANGER), vec![]);
        assert_eq!(named(check(&log)), ("signature", "service", Some(4)));
    }
    let mut log = small();
    let service = log.service_key.clone();
    log.add(&By(TABLET, &service), person(STRANGER), vec![]);
    assert_eq!(named(check(&log)), ("signature", "service", Some(4)));
}

#[test]
fn a_fact_by_a_key_enrolled_later_is_read_then_and_one_by_a_key_never_enrolled_stays_unread() {
    let mut log = small();
    let (custodian, later) = (log.custodian_key.clone(), key::generate());
    log.add(&By(TABLET, &later), person(STRANGER), vec![]);
    assert_eq!(check(&log).unwrap().unread, 1);
    log.add(&By(TABLET, &custodian), Kind::KeyEnrolled(key_of(STRANGER, &later)), vec![]);
    log.add(&By(TABLET, &later), person(STRANGER), vec![]);
    let good = check(&log).unwrap();
    assert_eq!((good.unread, good.signatures, good.read_later), (0, 7, 1), "what comes after the key is no late fact");
}

#[test]
fn a_fact_whose_signature_does_not_hold_under_a_key_enrolled_later_stays_unread() {
    let mut log = small();
    let (custodian, later) = (log.custodian_key.clone(), key::generate());
    log.add(&By(TABLET, &later), person(STRANGER), vec![]);
    log.spoil_last_signature();
    log.add(&By(TABLET, &later), person(STRANGER), vec![]);
    log.add(&By(TABLET, &custodian), Kind::KeyEnrolled(key_of(STRANGER, &later)), vec![]);
    let good = check(&log).unwrap();
    assert_eq!((good.unread, good.read_later), (1, 1));
}

#[test]
fn what_a_recovery_key_signs_is_read_and_gives_nobody_custody() {
    let (recovery, third) = (key::generate(), key::generate());
    let listed = recovery.verifying_key().as_bytes().to_vec();
    let mut log = TestLog::founded(|f| f.recovery_keys = vec![listed]);
    log.add(&By(TABLET, &recovery), Kind::KeyEnrolled(key_of(STRANGER, &third)), vec![]);
    let good = check(&log).unwrap();
    assert_eq!((good.signatures, good.unread), (2, 0));
    log.add(&By(TABLET, &third), person(OTHER), vec![]);
    assert_eq!(check(&log).unwrap().unread, 1, "its key was enrolled by nobody with custody");

    // Enrolled as a person's key later: what was read by then is not counted twice.
    let custodian = log.custodian_key.clone();
    log.add(&By(TABLET, &recovery), person(OTHER), vec![]);
    log.spoil_last_signature();
    log.add(&By(TABLET, &custodian), Kind::KeyEnrolled(key_of(OTHER, &recovery)), vec![]);
    let good = check(&log).unwrap();
    assert_eq!((good.signatures, good.read_later, good.unread), (3, 0, 2));
}

#[test]
fn a_place_left_out_or_a_previous_fact_not_named_is_found_by_the_device_chain() {
    let mut log = small();
    let custodian = log.custodian_key.clone();
    log.skip_place(TABLET);
    log.add(&By(TABLET, &custodian), person(STRANGER), vec![]);
    assert_eq!(named(check(&log)), ("link", "device chain", Some(4)));
    let mut log = small();
    log.forget_previous(TABLET);
    log.add(&By(TABLET, &custodian), person(STRANGER), vec![]);
    assert_eq!(named(check(&log)).1, "device chain");
}

#[test]
fn after_places_that_were_lost_or_refused_the_chain_goes_on() {
    let mut log = small();
    let (custodian, service) = (log.custodian_key.clone(), log.service_key.clone());
    let at = log.next_counter(TABLET);
    let refused = |counter| {
        Kind::FactRefused(v1::FactRefused {
            device: TABLET.to_vec(),
            run: log_run(),
            counter,
            received_digest: vec![0xAB; 32],
            reason: v1::RefusalReason::Malformed as i32,
            ..v1::FactRefused::default()
        })
    };
    log.add(&By(SERVICE, &service), refused(at), vec![]);
    log.go_on(TABLET, at + 1, Hash([0xAB; 32]));
    log.add(&By(TABLET, &custodian), person(STRANGER), vec![]);
    let Kind::PlacesLost(mut places) = lost(TABLET, at + 2..=at + 3, report(TABLET, &log.report_key)) else {
        unreachable!("it makes nothing else")
    };
    places.run = log_run();
    log.add(&By(SERVICE, &service), Kind::PlacesLost(places), vec![]);
    log.go_on(TABLET, at + 4, Hash([0x77; 32]));
    log.add(&By(TABLET, &custodian), person(STRANGER), vec![]);
    let good = check(&log).unwrap();
    assert_eq!((good.refused_places, good.lost_places, good.runs), (1, 2, 2));

    // A service's fact takes the next place, no earlier and no later one.
    for (place, good) in [(at, true), (at + 1, false), (at - 1, false)] {
        let mut log = small();
        let service = log.service_key.clone();
        log.add(&By(SERVICE, &service), refused(place), vec![]);
        assert_eq!(check(&log).is_ok(), good, "place {place} where {at} is the next");
    }

    // The place after a refusal names the bytes that were refused.
    let mut log = small();
    let (custodian, service) = (log.custodian_key.clone(), log.service_key.clone());
    log.add(&By(SERVICE, &service), refused(at), vec![]);
    log.go_on(TABLET, at + 1, Hash([0xAC; 32]));
    log.add(&By(TABLET, &custodian), person(STRANGER), vec![]);
    assert_eq!(named(check(&log)), ("link", "device chain", Some(5)));
}

#[test]
fn a_fault_in_a_group_of_many_is_placed_at_its_own_entry() {
    let mut log = small();
    let custodian = log.custodian_key.clone();
    for number in 0..40 {
        log.join(&By(TABLET, &custodian), person(STRANGER), vec![]);
        if number == 20 {
            log.spoil_last_signature();
        }
    }
    let Err(Fault::Bad { check: "signature", index: Some(24), offset: Some(offset), .. }) = check(&log) else {
        panic!("{:?}", check(&log))
    };
    let mut shorter = small();
    let custodian = shorter.custodian_key.clone();
    shorter.join(&By(TABLET, &custodian), person(STRANGER), vec![]);
    shorter.spoil_last_signature();
    let Err(Fault::Bad { offset: Some(earlier), .. }) = check(&shorter) else { panic!("{:?}", check(&shorter)) };
    assert!(offset > earlier, "{offset} {earlier}: not where the group begins");
}

#[test]
fn a_key_enrolled_by_someone_without_custody_does_not_count() {
    let mut log = TestLog::founded(|_| {});
    let (custodian, other, third) = (log.custodian_key.clone(), key::generate(), key::generate());
    log.add(&By(TABLET, &custodian), Kind::KeyEnrolled(key_of(OTHER, &other)), vec![]);
    log.add(&By(TABLET, &other), Kind::KeyEnrolled(key_of(STRANGER, &third)), vec![]);
    log.add(&By(TABLET, &third), person(STRANGER), vec![]);
    assert_eq!(check(&log).unwrap().unread, 1);
}

#[test]
fn a_key_enrolled_after_its_enroller_lost_custody_does_not_count() {
    for withdrawn in [false, true] {
        let mut log = TestLog::founded(|_| {});
        let (custodian, other, third) = (log.custodian_key.clone(), key::generate(), key::generate());
        log.add(&By(TABLET, &custodian), Kind::KeyEnrolled(key_of(OTHER, &other)), vec![]);
        let custody = Authority::Custody as i32;
        let granted = v1::AuthorityGranted { person: OTHER.to_vec(), authority: custody, ..Default::default() };
        let grant = log.add(&By(TABLET, &custodian), Kind::AuthorityGranted(granted), vec![]);
        if withdrawn {
            let taken = Kind::AuthorityWithdrawn(v1::AuthorityWithdrawn::default());
            log.add(&By(TABLET, &custodian), taken, vec![grant]);
        }
        log.add(&By(TABLET, &other), Kind::KeyEnrolled(key_of(STRANGER, &third)), vec![]);
        log.add(&By(TABLET, &third), person(STRANGER), vec![]);
        assert_eq!(check(&log).unwrap().unread, u64::from(withdrawn));
    }
}

#[test]
fn a_report_that_its_device_did_not_sign_is_found() {
    let mut log = small();
    let (service, forger) = (log.service_key.clone(), key::generate());
    let report = report(TABLET, &forger);
    log.add(&By(SERVICE, &service), Kind::DeviceReported(v1::DeviceReported { report }), vec![]);
    assert_eq!(named(check(&log)), ("signature", "report", Some(4)));
}

#[test]
fn places_lost_rest_on_a_report_by_that_very_device() {
    for (device, good) in [(TABLET, true), (OTHER, false)] {
        let mut log = small();
        let service = log.service_key.clone();
        let kind = lost(device, 0..=2, report(TABLET, &log.report_key));
        log.add(&By(SERVICE, &service), kind, vec![]);
        if good {
            check(&log).unwrap();
        } else {
            assert_eq!(named(check(&log)), ("signature", "report", Some(4)));
        }
    }
}

#[test]
fn a_lost_range_of_every_place_there_is_is_bad_and_not_a_crash() {
    let mut log = small();
    let service = log.service_key.clone();
    let kind = lost(TABLET, 0..=u64::MAX, report(TABLET, &log.report_key));
    log.add(&By(SERVICE, &service), kind, vec![]);
    assert_eq!(named(check(&log)), ("link", "device chain", Some(4)));
}
