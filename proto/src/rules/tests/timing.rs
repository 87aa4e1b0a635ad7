use crate::fact::Kind;
use crate::rules::Severity;
use crate::rules::testing::*;
use crate::v1;

const SECOND: u64 = 1000;

fn severity_of(w: &World, rule: &str) -> Option<Severity> {
    w.state_at(at(12, 0)).findings.iter().find(|f| f.rule.name() == rule).map(|f| f.severity)
}

#[test]
fn an_act_that_happened_before_what_it_names_is_out_of_order_and_one_at_that_second_is_not() {
    for (inspected_ms, found) in [(at(8, 20) - SECOND, true), (at(8, 20), false), (at(8, 20) + SECOND, false)] {
        let mut w = World::washing();
        w.act("tech", at(8, 10), disconnected(1, "PS-1"));
        let joint = w.act("tech", at(8, 20), reconnected(1, "PS-1"));
        w.naming("inspector", inspected_ms, &[joint], inspected(1, "PS-1"));
        assert_eq!(severity_of(&w, "time-disorder"), found.then_some(Severity::Major));
    }
}

#[test]
fn what_changes_no_item_is_out_of_order_as_a_note() {
    let mut w = World::washing();
    let opened = w.act("tech", at(8, 10), access(1, true));
    w.naming("tech", at(8, 9), &[opened], Kind::Remark(v1::Remark { text: None }));
    assert_eq!(severity_of(&w, "time-disorder"), Some(Severity::Note));
}

#[test]
fn an_act_received_before_it_happened_is_found_once_whatever_it_names() {
    let mut w = World::washing();
    let first = access(1, true);
    let fact = w.sign("tech", at(8, 30), World::subjects(&first), vec![], first, None);
    let opened = w.put(fact, at(8, 30));
    let second = access(1, false);
    let fact = w.sign("tech", at(8, 29), World::subjects(&second), vec![opened], second, None);
    w.put(fact, at(8, 0));
    assert_eq!(w.rules_broken(at(9, 0)), ["time-disorder"]);
}

#[test]
fn a_correction_moves_a_fact_past_itself_without_being_out_of_order() {
    let mut w = World::washing();
    let opened = w.act("tech", at(8, 10), access(1, true));
    w.correct_to("tech", at(8, 11), opened, Some(access(1, true)), Some(at(8, 12)));
    assert_eq!(w.rules_broken(at(9, 0)), Vec::<&str>::new());
}

#[test]
fn an_entry_is_late_from_the_second_after_the_hour() {
    // An hour: invented.
    for (late_ms, found) in [(3_600_000, false), (3_601_000, true)] {
        let mut w = World::washing();
        w.recorded_ms = Some(at(8, 10) + late_ms);
        w.act("tech", at(8, 10), access(1, true));
        assert_eq!(severity_of(&w, "late-entry"), found.then_some(Severity::Note));
    }
}

#[test]
fn the_same_step_within_a_minute_is_doubled_and_a_second_later_it_is_not() {
    for (apart_ms, found) in [(60_000, true), (61_000, false)] {
        let mut w = World::washing();
        w.act("tech", at(8, 10), access(1, true));
        w.act("tech", at(8, 10) + apart_ms, access(1, true));
        assert_eq!(severity_of(&w, "doubled"), found.then_some(Severity::Note));
    }
}

#[test]
fn steps_that_differ_in_a_word_are_not_doubled() {
    let mut w = World::washing();
    w.act("tech", at(8, 10), access(1, true));
    w.act("tech", at(8, 10), access(2, true));
    w.act("tech", at(8, 10), disconnected(1, "PS-1"));
    w.act("tech", at(8, 10), disconnected(1, "MV-2"));
    assert_eq!(severity_of(&w, "doubled"), None);
}

#[test]
fn a_signer_enrolled_after_the_fact_came_in_is_a_minor_matter_that_somebody_else_settles() {
    let mut w = World::washing();
    let kind = access(1, true);
    let fact = w.sign("newcomer", at(8, 20), World::subjects(&kind), vec![], kind, None);
    let opened = w.put(fact, at(8, 20));
    w.enrol_on_card("newcomer", v1::Authority::Perform);
    w.act("newcomer", at(8, 40), access(1, false));
    assert_eq!(severity_of(&w, "enrolled-late"), Some(Severity::Minor));
    assert_eq!(w.rules_broken(at(9, 0)), ["enrolled-late"], "only the fact that came before");
    w.naming("certifier", at(8, 50), &[opened], Kind::FindingSettled(settlement("enrolled-late")));
    assert!(w.metal(at(9, 0)).is_empty(), "{:?}", w.metal(at(9, 0)));
}

#[test]
fn a_run_up_that_changes_items_is_out_of_order_gravely() {
    let mut w = World::washing();
    let water = w.act("tech", at(9, 2), cycle(1, at(9, 0)));
    w.naming("runner", at(9, 1), &[water], run_up(1, at(8, 50)));
    assert_eq!(severity_of(&w, "time-disorder"), Some(Severity::Major));
}
