use crate::bytes::Hash;
use crate::fact::Kind;
use crate::rules::testing::*;
use crate::rules::{Blocks, ItemKind, Rule, Severity};
use crate::v1::{self, CountersignPurpose};

const SECOND: u64 = 1000;

fn hand_over(w: &mut World, who: &str, when_ms: u64) -> Hash {
    w.act(who, when_ms, Kind::HandedOver(v1::HandedOver { open_items: vec!["all".into()], remark: String::new() }))
}

fn interrupt(w: &mut World, who: &str, when_ms: u64) -> Hash {
    w.act(who, when_ms, Kind::WashInterrupted(v1::WashInterrupted { reason: "lightning".into() }))
}

fn resume(w: &mut World, who: &str, when_ms: u64) {
    w.act(who, when_ms, Kind::WashResumed(v1::WashResumed::default()));
}

fn accept(w: &mut World, who: &str, when_ms: u64, named: Hash) {
    let purpose = CountersignPurpose::HandoverAccepted as i32;
    w.naming(who, when_ms, &[named], Kind::Countersigned(v1::Countersigned { purpose, remark: String::new() }));
}

fn is_due(w: &World, time_ms: u64) -> bool {
    !w.of_kind(ItemKind::HandoverDue, time_ms).is_empty()
}

#[test]
fn a_handover_is_due_until_another_person_accepts_it_by_name() {
    let mut w = World::washing();
    let handed = hand_over(&mut w, "stranger", at(9, 0));
    let item = &w.of_kind(ItemKind::HandoverDue, at(9, 30))[0];
    assert_eq!((item.blocks, item.wash, item.opened_by.hash), (Blocks::SignOff, Some(wash()), handed));
    let handed = hand_over(&mut w, "tech", at(9, 1));
    accept(&mut w, "tech", at(9, 10), handed);
    accept(&mut w, "stranger", at(9, 10), handed);
    accept(&mut w, "planner", at(9, 10), handed);
    let other = v1::Countersigned { purpose: CountersignPurpose::Other as i32, remark: String::new() };
    w.naming("mate", at(9, 10), &[handed], Kind::Countersigned(other));
    assert!(is_due(&w, at(9, 30)), "not by the giver, not without authority, not for another purpose");
    accept(&mut w, "mate", at(9, 20), handed);
    assert!(!is_due(&w, at(9, 30)));
}

#[test]
fn whoever_takes_over_the_newest_list_takes_over_all_that_was_left_before_and_nothing_left_since() {
    let mut w = World::washing();
    interrupt(&mut w, "tech", at(9, 0));
    let handed = hand_over(&mut w, "tech", at(9, 5));
    accept(&mut w, "mate", at(9, 10), handed);
    assert!(!is_due(&w, at(9, 10)));
    let first = hand_over(&mut w, "mate", at(9, 20));
    interrupt(&mut w, "mate", at(9, 25));
    accept(&mut w, "tech", at(9, 30), first);
    assert!(is_due(&w, at(9, 30)));
}

#[test]
fn an_interruption_is_over_when_the_one_who_interrupted_resumes() {
    let mut w = World::washing();
    interrupt(&mut w, "tech", at(9, 0));
    resume(&mut w, "mate", at(9, 10));
    assert!(is_due(&w, at(9, 10)), "somebody else goes on without having taken it over");
    resume(&mut w, "tech", at(9, 20));
    assert!(!is_due(&w, at(9, 20)));
    let mut w = World::washing();
    let named = interrupt(&mut w, "tech", at(9, 5));
    accept(&mut w, "mate", at(9, 20), named);
    assert!(!is_due(&w, at(9, 20)));
}

#[test]
fn resuming_does_not_take_back_a_handover() {
    let mut w = World::washing();
    hand_over(&mut w, "tech", at(9, 0));
    resume(&mut w, "tech", at(9, 10));
    assert!(is_due(&w, at(9, 10)));
}

#[test]
fn an_interruption_by_somebody_without_authority_is_not_resumed_by_them() {
    let mut w = World::washing();
    let left = interrupt(&mut w, "stranger", at(9, 0));
    resume(&mut w, "stranger", at(9, 10));
    assert!(is_due(&w, at(9, 10)));
    accept(&mut w, "mate", at(9, 20), left);
    assert!(!is_due(&w, at(9, 20)));
}

#[test]
fn a_resumption_let_count_ends_no_interruption_that_came_after_it() {
    for again in [false, true] {
        let mut w = World::washing();
        interrupt(&mut w, "stranger", at(8, 10));
        let seen = w.history.size();
        w.grant("stranger", v1::Authority::Perform, |_| ());
        let kind = Kind::WashResumed(v1::WashResumed::default());
        let fact = w.sign("stranger", at(8, 20), World::subjects(&kind), vec![], kind, Some(seen));
        let resumed = w.put(fact, at(8, 20));
        if again {
            interrupt(&mut w, "stranger", at(8, 30));
        }
        assert!(is_due(&w, at(8, 40)));
        let counts = v1::FindingSettled { act_counts: Some(true), ..settlement("in-doubt") };
        w.naming("certifier", at(9, 0), &[resumed], Kind::FindingSettled(counts));
        assert_eq!(is_due(&w, at(9, 0)), again);
    }
}

#[test]
fn a_handover_that_nobody_accepted_keeps_the_sign_off_back_and_not_the_aircraft() {
    let mut w = World::washing();
    let handed = hand_over(&mut w, "tech", at(9, 0));
    w.act("certifier", at(9, 10), Kind::SignedOff(signed_off()));
    assert_eq!(w.rules_broken(at(9, 10)), ["signed-off-early"]);
    assert!(w.broken(Rule::SignedOffEarly, at(9, 10))[0].text.contains("work not taken over stood open"));
    accept(&mut w, "mate", at(9, 20), handed);
    w.act("certifier", at(9, 30), Kind::SignedOff(signed_off()));
    assert!(w.of_kind(ItemKind::SignOffDue, at(9, 30)).is_empty());
}

#[test]
fn motoring_between_a_handover_and_its_acceptance_is_a_major_finding() {
    // Handed over at 09:00, accepted at 09:20; at the instant of either it is judged by what follows.
    let cases = [(at(9, 0) - SECOND, false), (at(9, 0), true), (at(9, 20) - SECOND, true), (at(9, 20), false)];
    for (start_ms, barred) in cases {
        let mut w = World::washing();
        let handed = hand_over(&mut w, "tech", at(9, 0));
        accept(&mut w, "mate", at(9, 20), handed);
        w.act("tech", start_ms + 130 * SECOND, dry_crank(1, start_ms));
        let found = w.broken(Rule::MotoredWhileBarred, at(10, 0));
        assert_eq!(found.len(), usize::from(barred), "{start_ms}");
        assert!(found.iter().all(|f| f.severity == Severity::Major && f.text.contains("nobody had taken it over")));
    }
}
