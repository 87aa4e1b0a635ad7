//! What the signers of facts had seen of the log.

use rinsebook_proto::bytes::Hash;
use rinsebook_proto::fact::{Kind, Seen};
use rinsebook_proto::key;

use super::testlog::{By, TABLET, TestLog, key_of};
use super::tests::{OTHER, STRANGER, check, named, person, small};

/// A fact by the custodian that says to have seen this.
fn add_seeing(log: &mut TestLog, seen: Seen) {
    let custodian = log.custodian_key.clone();
    log.pretend_seen(seen);
    log.add(&By(TABLET, &custodian), person(STRANGER), vec![]);
}

#[test]
fn every_checkpoint_that_a_signer_could_have_seen_is_good() {
    // Checkpoints of sizes 1, 3 and 4.
    for groups in 0..=3 {
        let mut log = small();
        let seen = log.seen_after(groups);
        add_seeing(&mut log, seen);
        check(&log).unwrap();
    }
}

#[test]
fn a_signer_who_saw_another_log_is_found() {
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
        add_seeing(&mut log, seen);
        assert_eq!(named(check(&log)), ("root", "seen", Some(4)), "case {case}");
    }
}

#[test]
fn nobody_has_seen_what_was_not_there_yet_or_had_no_checkpoint() {
    let mut log = small();
    // Between the two entries of a group nothing was signed.
    let between = log.seen_of(2);
    add_seeing(&mut log, between);
    assert_eq!(named(check(&log)), ("root", "seen", Some(4)));

    // Nor can an early fact have seen what came after it: its signer is known only at the second reading, when that is there.
    for size in [5, 6, u64::MAX] {
        let mut log = small();
        let (custodian, later) = (log.custodian_key.clone(), key::generate());
        log.pretend_seen(Seen { size, ..log.seen_of(4) });
        log.add(&By(TABLET, &later), person(STRANGER), vec![]);
        log.add(&By(TABLET, &custodian), Kind::KeyEnrolled(key_of(OTHER, &later)), vec![]);
        assert_eq!(named(check(&log)), ("root", "seen", Some(4)), "size {size}");
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
            assert_eq!(named(check(&log)), ("root", "seen", Some(4)));
        } else {
            // What nobody is known to have signed says nothing.
            check(&log).unwrap();
        }
    }
}
