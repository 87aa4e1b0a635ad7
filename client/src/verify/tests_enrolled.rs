//! Devices, and the reports that they sign: enrolled, retired, and with an enrolment that was undone.

use rinsebook_proto::bytes::{Hash, Id};
use rinsebook_proto::fact::Kind;
use rinsebook_proto::key::{self, SigningKey};
use rinsebook_proto::v1::{self, Authority};

use super::testlog::{By, SERVICE, TABLET, TestLog, device_of, key_of};
use super::tests::{OTHER, STRANGER, check, named, person, report, small};

const SECOND: Id = Id([12; 16]);

fn enrol_device(log: &mut TestLog, by: &SigningKey, device: Id, report_key: &SigningKey) -> Hash {
    log.add(&By(TABLET, by), Kind::DeviceEnrolled(device_of(device, report_key)), vec![])
}

fn retired(device: Id) -> Kind {
    Kind::DeviceRetired(v1::DeviceRetired { device: device.to_vec(), ..v1::DeviceRetired::default() })
}

fn reported(log: &mut TestLog, device: Id, report_key: &SigningKey) {
    let service = log.service_key.clone();
    let report = report(device, report_key);
    log.add(&By(SERVICE, &service), Kind::DeviceReported(v1::DeviceReported { report }), vec![]);
}

/// A log in which another person has custody too; their key and the fact that grants it.
fn with_second_custodian() -> (TestLog, SigningKey, Hash) {
    let mut log = TestLog::founded(|_| {});
    let (custodian, other) = (log.custodian_key.clone(), key::generate());
    log.add(&By(TABLET, &custodian), Kind::KeyEnrolled(key_of(OTHER, &other)), vec![]);
    let custody = Authority::Custody as i32;
    let granted = v1::AuthorityGranted { person: OTHER.to_vec(), authority: custody, ..Default::default() };
    let grant = log.add(&By(TABLET, &custodian), Kind::AuthorityGranted(granted), vec![]);
    (log, other, grant)
}

#[test]
fn a_fact_from_a_device_that_was_not_enrolled_when_it_came_is_found() {
    for enrolled in [false, true] {
        let (mut log, device_key) = (small(), key::generate());
        let custodian = log.custodian_key.clone();
        if enrolled {
            enrol_device(&mut log, &custodian, SECOND, &device_key);
            log.join(&By(SECOND, &custodian), person(STRANGER), vec![]);
            assert_eq!(check(&log).unwrap().runs, 3);
        } else {
            log.add(&By(SECOND, &custodian), person(STRANGER), vec![]);
            // To be enrolled afterwards does not help.
            enrol_device(&mut log, &custodian, SECOND, &device_key);
            assert_eq!(named(check(&log)), ("signature", "device", Some(4)));
        }
    }
}

#[test]
fn a_fact_by_nobody_known_comes_from_an_enrolled_device_all_the_same() {
    let (mut log, unknown) = (small(), key::generate());
    log.add(&By(TABLET, &unknown), person(STRANGER), vec![]);
    assert_eq!(check(&log).unwrap().unread, 1);
    log.add(&By(SECOND, &unknown), person(STRANGER), vec![]);
    assert_eq!(named(check(&log)), ("signature", "device", Some(5)));
}

#[test]
fn a_device_whose_report_key_is_not_proved_is_not_enrolled() {
    let mut log = small();
    let custodian = log.custodian_key.clone();
    let mut device = device_of(SECOND, &key::generate());
    device.possession[0] ^= 1;
    log.add(&By(TABLET, &custodian), Kind::DeviceEnrolled(device), vec![]);
    log.add(&By(SECOND, &custodian), person(STRANGER), vec![]);
    assert_eq!(named(check(&log)), ("signature", "device", Some(5)));
}

#[test]
fn a_device_may_retire_itself_sends_nothing_more_and_is_enrolled_anew() {
    let mut log = small();
    let (custodian, device_key) = (log.custodian_key.clone(), key::generate());
    enrol_device(&mut log, &custodian, SECOND, &device_key);
    log.add(&By(SECOND, &custodian), retired(SECOND), vec![]);
    check(&log).unwrap();
    log.join(&By(SECOND, &custodian), person(STRANGER), vec![]);
    assert_eq!(named(check(&log)), ("signature", "device", Some(6)));

    let mut log = small();
    let custodian = log.custodian_key.clone();
    enrol_device(&mut log, &custodian, SECOND, &device_key);
    log.add(&By(TABLET, &custodian), retired(SECOND), vec![]);
    enrol_device(&mut log, &custodian, SECOND, &device_key);
    log.add(&By(SECOND, &custodian), person(STRANGER), vec![]);
    check(&log).unwrap();
}

#[test]
fn the_founding_fact_comes_from_the_device_that_it_enrols() {
    let report_key = key::generate();
    let log = TestLog::founded(|f| f.custodian_device = Some(device_of(SECOND, &report_key)));
    assert_eq!(named(check(&log)), ("signature", "device", Some(0)));
}

#[test]
fn a_former_custodian_enrols_no_device() {
    for former in [false, true] {
        let (mut log, other, grant) = with_second_custodian();
        let (custodian, device_key) = (log.custodian_key.clone(), key::generate());
        if former {
            let taken = Kind::AuthorityWithdrawn(v1::AuthorityWithdrawn::default());
            log.add(&By(TABLET, &custodian), taken, vec![grant]);
        }
        enrol_device(&mut log, &other, SECOND, &device_key);
        reported(&mut log, SECOND, &device_key);
        if former {
            assert_eq!(named(check(&log)), ("signature", "report", Some(5)));
        } else {
            assert_eq!(check(&log).unwrap().reports, 1);
        }
    }
}

#[test]
fn a_report_that_was_taken_before_its_device_fell_away_raises_no_false_alarm() {
    // It is checked when it arrives and recorded a little later: in between the device may be retired, enrolled anew with
    // another report key, or its enrolment undone by a revocation that reaches back.
    for (forged, way) in [(false, 0), (false, 1), (false, 2), (true, 0), (true, 1), (true, 2)] {
        let (mut log, other, _) = with_second_custodian();
        let (custodian, device_key) = (log.custodian_key.clone(), key::generate());
        enrol_device(&mut log, &other, SECOND, &device_key);
        match way {
            0 => drop(log.add(&By(TABLET, &custodian), retired(SECOND), vec![])),
            1 => drop(enrol_device(&mut log, &custodian, SECOND, &key::generate())),
            _ => {
                let key_id = key::key_id(&other.verifying_key()).to_vec();
                let revoked = v1::KeyRevoked { key_id, untrusted_from_index: Some(2), ..v1::KeyRevoked::default() };
                log.add(&By(TABLET, &custodian), Kind::KeyRevoked(revoked), vec![]);
            }
        }
        reported(&mut log, SECOND, if forged { &other } else { &device_key });
        if forged {
            assert_eq!(named(check(&log)), ("signature", "report", Some(5)), "way {way}");
        } else {
            assert_eq!(check(&log).unwrap().reports, 1, "way {way}");
        }
    }
}

#[test]
fn a_key_whose_enrolment_was_undone_is_not_known_any_more_even_within_the_group() {
    let (mut log, other, _) = with_second_custodian();
    let (custodian, third) = (log.custodian_key.clone(), key::generate());
    log.add(&By(TABLET, &other), Kind::KeyEnrolled(key_of(STRANGER, &third)), vec![]);
    log.add(&By(TABLET, &third), person(STRANGER), vec![]);
    assert_eq!(check(&log).unwrap().unread, 0);
    let key_id = key::key_id(&other.verifying_key()).to_vec();
    let revoked = v1::KeyRevoked { key_id, untrusted_from_index: Some(2), ..v1::KeyRevoked::default() };
    log.add(&By(TABLET, &custodian), Kind::KeyRevoked(revoked), vec![]);
    log.join(&By(TABLET, &third), person(STRANGER), vec![]);
    // Admission takes it as by an unknown key, and so a signature that does not hold is not seen either.
    log.spoil_last_signature();
    let good = check(&log).unwrap();
    assert_eq!((good.unread, good.read_later), (1, 0));
}

#[test]
fn a_log_key_named_by_a_custodian_whose_key_is_revoked_from_before_does_not_bring_the_audit_down() {
    let (mut log, other, _) = with_second_custodian();
    let custodian = log.custodian_key.clone();
    let changed = v1::LogKeyChanged {
        old_public_key: log.log_key.verifying_key().as_bytes().to_vec(),
        new_public_key: key::generate().verifying_key().as_bytes().to_vec(),
        checkpoint_note: String::new(),
    };
    log.add(&By(TABLET, &other), Kind::LogKeyChanged(changed), vec![]);
    let key_id = key::key_id(&other.verifying_key()).to_vec();
    let revoked = v1::KeyRevoked { key_id, untrusted_from_index: Some(3), ..v1::KeyRevoked::default() };
    log.add(&By(TABLET, &custodian), Kind::KeyRevoked(revoked), vec![]);
    assert_eq!(check(&log).unwrap().entries, 5);
}

#[test]
fn notes_opened_ahead_count_under_the_key_that_is_in_force_at_their_turn() {
    // Which group the old key signs that must not any more; 9: none does.
    for wrong in 4..=9 {
        let mut log = TestLog::founded(|_| {});
        let custodian = log.custodian_key.clone();
        let add = |log: &mut TestLog, count| {
            for _ in 0..count {
                log.add(&By(TABLET, &custodian), person(STRANGER), vec![]);
            }
        };
        add(&mut log, 3);
        let next = log.change_log_key();
        add(&mut log, 4);
        (4..9).filter(|group| *group != wrong).for_each(|group| log.sign_group(group, &next));
        let checked = check(&log);
        match wrong {
            9 => assert_eq!(checked.unwrap().entries, 9),
            wrong => assert_eq!(named(checked), ("root", "checkpoint", Some(wrong as u64))),
        }
    }
}
