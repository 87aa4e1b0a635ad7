//! What the signers of facts had seen of the log: their word, which one enrolled device cannot spoil a verdict with.

use rinsebook_proto::bytes::Hash;
use rinsebook_proto::fact::{Kind, Seen};
use rinsebook_proto::key;
use rinsebook_proto::v1;

use super::testlog::{By, SERVICE, TABLET, TestLog, key_of};
use super::tests::{OTHER, STRANGER, check, named, person, report, small};
use super::{Asked, SeenOtherwise};

/// A fact by the custodian that says to have seen this; its hash.
fn add_seeing(log: &mut TestLog, seen: Seen) -> Hash {
    let custodian = log.custodian_key.clone();
    log.pretend_seen(seen);
    log.add(&By(TABLET, &custodian), person(STRANGER), vec![])
}

/// The log is good, and that one device says otherwise is told beside it.
fn told(log: &TestLog) -> SeenOtherwise {
    let mut good = check(log).unwrap();
    assert_eq!(good.seen_otherwise.len(), 1, "{good}");
    let found = good.seen_otherwise.remove(0);
    assert_eq!(found.device, TABLET);
    found
}

#[test]
fn every_checkpoint_that_a_signer_could_have_seen_is_good() {
    // Checkpoints of sizes 1, 3 and 4.
    for groups in 0..=3 {
        let mut log = small();
        let seen = log.seen_after(groups);
        add_seeing(&mut log, seen);
        assert_eq!(check(&log).unwrap().seen_otherwise, []);
    }
}

#[test]
fn a_device_that_says_to_have_seen_another_log_is_named_with_its_fact_beside_a_good_verdict() {
    // The keys of each log are its own, so no two logs are alike.
    let alter: [fn(Seen) -> Seen; 5] = [
        |_| small().seen_of(4),
        |seen| Seen { root: Hash::ZERO, ..seen },
        |seen| Seen { size: 3, ..seen },
        |seen| Seen { size: 0, ..seen },
        |seen| Seen { epoch: 2, ..seen },
    ];
    for (case, alter) in alter.iter().enumerate() {
        let mut log = small();
        let seen = alter(log.seen_of(4));
        let fact = add_seeing(&mut log, seen);
        let found = told(&log);
        assert_eq!((found.facts, found.index, found.fact), (1, 4, fact), "case {case}");
        let text = check(&log).unwrap().to_string();
        let of = format!("finding: a fact of device {TABLET}, first entry 4");
        assert!(text.contains(&of) && text.contains("; 1 device says"), "case {case}: {text}");
    }
}

#[test]
fn many_such_facts_of_a_device_are_one_finding_with_the_first_and_their_number() {
    let mut log = small();
    let otherwise = Seen { root: Hash::ZERO, ..log.seen_of(4) };
    let first = add_seeing(&mut log, otherwise);
    add_seeing(&mut log, otherwise);
    let truth = log.seen_of(1);
    add_seeing(&mut log, truth);
    add_seeing(&mut log, otherwise);
    let found = told(&log);
    assert_eq!((found.facts, found.index, found.fact), (3, 4, first));
}

#[test]
fn an_audit_that_goes_on_tells_what_the_one_before_it_found() {
    let (dir, state) = (tempfile::tempdir().unwrap(), tempfile::tempdir().unwrap());
    let state = state.path().join("audit.json");
    let mut log = small();
    let otherwise = Seen { root: Hash::ZERO, ..log.seen_of(4) };
    let audited = |log: &TestLog| {
        let (part, key) = (dir.path().join("log"), log.verifier_key());
        let _ = std::fs::remove_dir_all(&part);
        log.write(&part, 1 << 16, |_| {}, |_| {});
        let asked = Asked { log_key: Some(&key), state: Some(&state), ..Asked::default() };
        super::check(&part, &asked, &mut |_| {}).unwrap()
    };
    let first = add_seeing(&mut log, otherwise);
    assert_eq!(audited(&log).seen_otherwise.len(), 1);
    add_seeing(&mut log, otherwise);
    let good = audited(&log);
    assert_eq!(good.resumed, 5);
    assert_eq!((good.seen_otherwise[0].facts, good.seen_otherwise[0].fact), (2, first));
}

#[test]
fn the_service_answers_for_what_its_own_facts_say_to_have_seen() {
    let mut log = small();
    let service = log.service_key.clone();
    log.pretend_seen(Seen { root: Hash::ZERO, ..log.seen_of(4) });
    let report = report(TABLET, &log.report_key);
    log.add(&By(SERVICE, &service), Kind::DeviceReported(v1::DeviceReported { report }), vec![]);
    assert_eq!(named(check(&log)), ("root", "seen", Some(4)));
}

#[test]
fn nobody_has_seen_what_was_not_there_yet_or_had_no_checkpoint() {
    let mut log = small();
    // Between the two entries of a group nothing was signed.
    let between = log.seen_of(2);
    add_seeing(&mut log, between);
    assert_eq!(told(&log).index, 4);

    // Nor can an early fact have seen what came after it: its signer is known only at the second reading, when that is there.
    for size in [5, 6, u64::MAX] {
        let mut log = small();
        let (custodian, later) = (log.custodian_key.clone(), key::generate());
        log.pretend_seen(Seen { size, ..log.seen_of(4) });
        log.add(&By(TABLET, &later), person(STRANGER), vec![]);
        log.add(&By(TABLET, &custodian), Kind::KeyEnrolled(key_of(OTHER, &later)), vec![]);
        assert_eq!(told(&log).index, 4, "size {size}");
    }
}

#[test]
fn a_key_enrolled_later_makes_its_early_facts_answer_for_what_they_saw() {
    for (pretends, enrolled) in [(false, true), (true, false), (true, true)] {
        let mut log = small();
        let (custodian, later) = (log.custodian_key.clone(), key::generate());
        if pretends {
            log.pretend_seen(Seen { root: Hash::ZERO, ..log.seen_of(4) });
        }
        log.add(&By(TABLET, &later), person(STRANGER), vec![]);
        if enrolled {
            log.add(&By(TABLET, &custodian), Kind::KeyEnrolled(key_of(OTHER, &later)), vec![]);
        }
        if pretends && enrolled {
            assert_eq!(told(&log).index, 4);
        } else {
            // What nobody is known to have signed says nothing.
            assert_eq!(check(&log).unwrap().seen_otherwise, []);
        }
    }
}
