use crate::bytes::Hash;
use crate::fact::Kind;
use crate::rules::testing::*;
use crate::v1::{self, Authority, CheckResult};

fn not_inspected() -> String {
    lines_only().replace("inspection = true", "inspection = false")
}

fn without_inspector() -> String {
    lines_only().replace("inspector_required = true", "inspector_required = false")
}

fn joint(w: &mut World, who: &str, position: u32, minute: u64) -> Hash {
    w.act("tech", at(8, minute), disconnected(position, "PS-1"));
    w.act(who, at(8, minute + 1), reconnected(position, "PS-1"))
}

#[test]
fn one_person_who_closes_the_same_line_on_two_engines_is_found_once_both_are_closed() {
    let mut w = World::washing_by(&not_inspected());
    joint(&mut w, "tech", 1, 10);
    assert!(w.rules_broken(at(8, 15)).is_empty());
    joint(&mut w, "tech", 2, 20);
    assert!(w.rules_broken(at(8, 20)).is_empty(), "the second is still open");
    assert_eq!(w.rules_broken(at(8, 21)), ["same-hands"]);
    let finding = &w.state_at(at(9, 0)).findings[0];
    assert_eq!((finding.subject.as_str(), finding.rests_on.len()), ("PS-1", 2));
}

#[test]
fn two_persons_or_two_lines_are_not_the_same_hands() {
    let mut w = World::washing_by(&not_inspected());
    joint(&mut w, "tech", 1, 10);
    joint(&mut w, "mate", 2, 20);
    let mut other = reconnection(2, "MV-2");
    (other.torque_millinewton_metres, other.locking) = (Some(26_000), Some(v1::Locking::SelfLocking as i32));
    w.act("tech", at(8, 30), disconnected(2, "MV-2"));
    w.act("tech", at(8, 31), Kind::LineReconnected(other));
    assert!(w.rules_broken(at(9, 0)).is_empty());
}

#[test]
fn the_same_hands_are_none_where_each_was_inspected_by_somebody_else() {
    let mut w = World::washing();
    let joints = [joint(&mut w, "tech", 1, 10), joint(&mut w, "tech", 2, 20)];
    assert!(w.rules_broken(at(8, 30)).is_empty(), "both inspections are due");
    for (position, named) in (1..).zip(joints) {
        w.naming("inspector", at(8, 30 + u64::from(position)), &[named], inspected(position, "PS-1"));
    }
    assert!(w.rules_broken(at(9, 0)).is_empty());
}

#[test]
fn an_inspection_of_one_of_two_engines_is_not_enough() {
    let mut w = World::washing_by(&not_inspected());
    let first = joint(&mut w, "tech", 1, 10);
    let second = joint(&mut w, "tech", 2, 20);
    w.naming("inspector", at(8, 30), &[first], inspected(1, "PS-1"));
    assert_eq!(w.rules_broken(at(9, 0)), ["same-hands"]);
    w.naming("inspector", at(8, 40), &[second], inspected(2, "PS-1"));
    assert!(w.rules_broken(at(9, 0)).is_empty());
}

fn alone(result: CheckResult) -> Kind {
    Kind::ReinspectedAlone(v1::ReinspectedAlone {
        engine: engine(1),
        line: "PS-1".into(),
        access: String::new(),
        result: result as i32,
        reason: "nobody else at the station".into(),
        gap_seconds: Some(3_600),
        roster_statement: "one on shift".into(),
    })
}

/// Worked and looked at again by the certifying person alone; the joint and the look.
fn looked_at_alone(text: &str, result: CheckResult) -> (World, Hash, Hash) {
    let mut w = World::with(text);
    w.grant("certifier", Authority::Perform, |_| ());
    w.enrol("chief");
    w.grant("chief", Authority::Certify, |_| ());
    w.open_wash("tech", at(8, 0));
    let work = joint(&mut w, "certifier", 1, 10);
    let look = w.naming("certifier", at(9, 20), &[work], alone(result));
    (w, work, look)
}

fn settled(act_counts: Option<bool>) -> Kind {
    Kind::FindingSettled(v1::FindingSettled { act_counts, ..settlement("re-inspected-alone") })
}

#[test]
fn one_person_s_second_look_counts_from_its_settlement_on() {
    let (mut w, work, look) = looked_at_alone(&without_inspector(), CheckResult::Satisfactory);
    assert_eq!(w.rules_broken(at(9, 30)), ["re-inspected-alone"]);
    assert!(w.metal(at(9, 30)).contains(&"inspection-due 1 PS-1".to_owned()));
    w.naming("chief", at(9, 40), &[work, look], settled(Some(true)));
    assert!(w.metal(at(9, 39)).contains(&"inspection-due 1 PS-1".to_owned()));
    assert!(w.metal(at(9, 40)).is_empty(), "{:?}", w.metal(at(9, 40)));
}

#[test]
fn one_person_s_second_look_counts_not_where_its_settlement_does_not_say_so() {
    for act_counts in [None, Some(false)] {
        let (mut w, work, look) = looked_at_alone(&without_inspector(), CheckResult::Satisfactory);
        w.naming("chief", at(9, 40), &[work, look], settled(act_counts));
        assert_eq!(w.metal(at(10, 0)), ["inspection-due 1 PS-1"]);
    }
}

#[test]
fn nobody_lets_their_own_second_look_count() {
    let (mut w, work, look) = looked_at_alone(&without_inspector(), CheckResult::Satisfactory);
    w.naming("certifier", at(9, 40), &[work, look], settled(Some(true)));
    assert!(w.metal(at(10, 0)).contains(&"inspection-due 1 PS-1".to_owned()));
}

#[test]
fn where_the_procedure_requires_an_inspector_one_person_s_second_look_never_counts() {
    let (mut w, work, look) = looked_at_alone(&lines_only(), CheckResult::Satisfactory);
    w.naming("chief", at(9, 40), &[work, look], settled(Some(true)));
    assert_eq!(w.metal(at(10, 0)), ["inspection-due 1 PS-1"]);
}

#[test]
fn one_person_s_second_look_that_finds_something_asks_for_rework_at_once() {
    let (w, ..) = looked_at_alone(&without_inspector(), CheckResult::NotSatisfactory);
    assert!(w.metal(at(9, 20)).contains(&"rework-due 1 PS-1".to_owned()));
}
