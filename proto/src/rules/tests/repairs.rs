use crate::fact::Kind;
use crate::rules::testing::*;
use crate::v1::{self, CheckResult, LeakCheckMethod};

/// PS-1 asks for a leak check, MV-2 does not.
fn leak_checked() -> String {
    lines_only().replacen("leak_check = false", "leak_check = true", 1)
}

fn leak(line: &str, result: CheckResult) -> Kind {
    let method = LeakCheckMethod::Function as i32;
    Kind::LeakChecked(v1::LeakChecked { engine: engine(1), line: line.into(), method, result: result as i32 })
}

fn damage(line: &str) -> Kind {
    Kind::DefectRaised(v1::DefectRaised { engine: engine(1), line: line.into(), text: None })
}

fn repaired(data_reference: &str) -> Kind {
    let (line, data_reference) = ("PS-1".into(), data_reference.into());
    Kind::LineRepaired(v1::LineRepaired { engine: engine(1), line, data_reference })
}

fn replaced() -> Kind {
    Kind::PartReplaced(v1::PartReplaced { engine: engine(1), line: "PS-1".into(), ..Default::default() })
}

fn line_items(w: &World, time_ms: u64) -> Vec<String> {
    let apart = ["finding-open", "defect-open"];
    w.metal(time_ms).into_iter().filter(|name| !apart.iter().any(|kind| name.starts_with(kind))).collect()
}

/// Disconnected, reconnected and inspected: all but the leak check.
fn joined() -> World {
    let mut w = World::washing_by(&leak_checked());
    w.act("tech", at(8, 10), disconnected(1, "PS-1"));
    let joint = w.act("tech", at(8, 20), reconnected(1, "PS-1"));
    w.naming("inspector", at(8, 30), &[joint], inspected(1, "PS-1"));
    w
}

#[test]
fn a_leak_check_is_due_from_the_reconnection_until_a_satisfactory_one_after_it() {
    let mut w = World::washing_by(&leak_checked());
    w.act("tech", at(8, 10), disconnected(1, "PS-1"));
    assert_eq!(line_items(&w, at(8, 15)), ["line-disconnected 1 PS-1"]);
    w.act("tech", at(8, 15), leak("PS-1", CheckResult::Satisfactory));
    w.act("tech", at(8, 20), reconnected(1, "PS-1"));
    assert_eq!(
        line_items(&w, at(9, 0)),
        ["inspection-due 1 PS-1", "leak-check-due 1 PS-1"],
        "the check came before it"
    );
    w.act("tech", at(8, 40), leak("MV-2", CheckResult::Satisfactory));
    assert!(line_items(&w, at(9, 0)).contains(&"leak-check-due 1 PS-1".to_owned()), "of another line");
    w.act("stranger", at(8, 41), leak("PS-1", CheckResult::Satisfactory));
    assert!(line_items(&w, at(9, 0)).contains(&"leak-check-due 1 PS-1".to_owned()), "by somebody without authority");
    w.act("tech", at(8, 42), leak("PS-1", CheckResult::Satisfactory));
    assert_eq!(line_items(&w, at(9, 0)), ["inspection-due 1 PS-1"]);
}

#[test]
fn a_line_whose_procedure_asks_for_no_leak_check_has_none_due() {
    let mut w = World::washing_by(&leak_checked());
    w.act("tech", at(8, 10), disconnected(1, "MV-2"));
    w.act("tech", at(8, 20), reconnected(1, "MV-2"));
    assert!(!line_items(&w, at(9, 0)).contains(&"leak-check-due 1 MV-2".to_owned()));
}

#[test]
fn a_run_up_never_stands_for_a_leak_check_nor_does_a_waiver() {
    let mut w = joined();
    w.act("runner", at(9, 6), run_up(1, at(9, 0)));
    w.waive(1, at(9, 10), at(12, 0));
    assert_eq!(line_items(&w, at(9, 30)), ["leak-check-due 1 PS-1"]);
}

#[test]
fn a_leak_found_by_anybody_asks_for_rework_and_then_for_all_checks_again() {
    let mut w = joined();
    w.act("tech", at(8, 40), leak("PS-1", CheckResult::Satisfactory));
    assert!(line_items(&w, at(8, 45)).is_empty());
    w.act("stranger", at(8, 50), leak("PS-1", CheckResult::NotSatisfactory));
    assert_eq!(line_items(&w, at(9, 0)), ["rework-due 1 PS-1", "leak-check-due 1 PS-1"]);
    w.act("tech", at(8, 55), leak("PS-1", CheckResult::Satisfactory));
    assert_eq!(line_items(&w, at(9, 0)), ["rework-due 1 PS-1"], "only a new reconnection ends rework");
    let again = w.act("tech", at(9, 10), reconnected(1, "PS-1"));
    assert!(!w.rules_broken(at(9, 20)).contains(&"impossible-step"), "working it again is no breach");
    assert_eq!(line_items(&w, at(9, 20)), ["inspection-due 1 PS-1", "leak-check-due 1 PS-1"]);
    w.naming("inspector", at(9, 30), &[again], inspected(1, "PS-1"));
    w.act("tech", at(9, 40), leak("PS-1", CheckResult::Satisfactory));
    assert!(line_items(&w, at(9, 50)).is_empty());
}

#[test]
fn work_done_again_is_inspected_even_where_the_procedure_asks_for_no_inspection() {
    let text = leak_checked().replace("inspection = true", "inspection = false");
    let mut w = World::washing_by(&text);
    w.act("tech", at(8, 10), disconnected(1, "PS-1"));
    w.act("tech", at(8, 20), reconnected(1, "PS-1"));
    assert_eq!(line_items(&w, at(8, 25)), ["leak-check-due 1 PS-1"]);
    w.act("tech", at(8, 30), leak("PS-1", CheckResult::NotSatisfactory));
    w.act("tech", at(8, 40), reconnected(1, "PS-1"));
    assert_eq!(line_items(&w, at(9, 0)), ["inspection-due 1 PS-1", "leak-check-due 1 PS-1"]);
}

#[test]
fn a_disconnection_ends_what_the_reconnection_before_it_left() {
    let mut w = joined();
    w.act("tech", at(8, 40), disconnected(1, "PS-1"));
    assert_eq!(line_items(&w, at(9, 0)), ["line-disconnected 1 PS-1"]);
}

#[test]
fn an_inspection_of_an_older_joint_found_wanting_says_nothing_of_the_newer_one() {
    let mut w = World::washing();
    w.act("tech", at(8, 10), disconnected(1, "PS-1"));
    let first = w.act("tech", at(8, 20), reconnected(1, "PS-1"));
    w.act("tech", at(8, 30), disconnected(1, "PS-1"));
    w.act("tech", at(8, 40), reconnected(1, "PS-1"));
    w.naming("inspector", at(8, 50), &[first], inspection(1, "PS-1", CheckResult::NotSatisfactory));
    assert_eq!(line_items(&w, at(9, 0)), ["inspection-due 1 PS-1"]);
    w.act("inspector", at(8, 51), inspection(1, "PS-1", CheckResult::NotSatisfactory));
    assert_eq!(line_items(&w, at(9, 0)), ["rework-due 1 PS-1"], "one that names none speaks of the line as it is");
}

#[test]
fn a_damaged_line_is_repaired_to_data_or_replaced_and_then_inspected_naming_that() {
    for (mending, mends) in [(repaired(""), false), (repaired("invented data 3"), true), (replaced(), true)] {
        let mut w = World::washing();
        w.act("stranger", at(8, 10), damage("PS-1"));
        assert_eq!(line_items(&w, at(8, 15)), ["line-damaged 1 PS-1"], "whoever saw it");
        let repair = w.act("tech", at(8, 20), mending);
        assert_eq!(line_items(&w, at(8, 25)), ["line-damaged 1 PS-1"], "it is not inspected yet");
        w.act("inspector", at(8, 26), inspected(1, "PS-1"));
        assert_eq!(line_items(&w, at(8, 27)), ["line-damaged 1 PS-1"], "the inspection names no repair");
        w.naming("inspector", at(8, 30), &[repair], inspected(1, "PS-1"));
        assert_eq!(line_items(&w, at(9, 0)).is_empty(), mends);
    }
}

#[test]
fn nobody_inspects_their_own_repair() {
    let mut w = World::washing();
    w.act("tech", at(8, 10), damage("PS-1"));
    let repair = w.act("inspector", at(8, 20), replaced());
    w.naming("inspector", at(8, 30), &[repair], inspected(1, "PS-1"));
    assert_eq!(line_items(&w, at(9, 0)), ["line-damaged 1 PS-1"]);
    assert_eq!(w.rules_broken(at(9, 0)), ["self-inspected"]);
}

#[test]
fn a_repair_found_wanting_is_no_repair() {
    let mut w = World::washing();
    w.act("tech", at(8, 10), damage("PS-1"));
    let repair = w.act("tech", at(8, 20), replaced());
    w.naming("inspector", at(8, 30), &[repair], inspection(1, "PS-1", CheckResult::NotSatisfactory));
    w.naming("inspector", at(8, 40), &[repair], inspected(1, "PS-1"));
    assert_eq!(line_items(&w, at(9, 0)), ["line-damaged 1 PS-1"]);
    let better = w.act("tech", at(8, 50), replaced());
    w.naming("inspector", at(8, 55), &[better], inspected(1, "PS-1"));
    assert!(line_items(&w, at(9, 0)).is_empty());
    w.naming("inspector", at(8, 58), &[better], inspection(1, "PS-1", CheckResult::NotSatisfactory));
    assert_eq!(line_items(&w, at(9, 0)), ["rework-due 1 PS-1"], "of a repair that was taken over before");
}

#[test]
fn a_repair_mends_no_damage_that_was_raised_after_it() {
    let mut w = World::washing();
    w.act("tech", at(8, 10), damage("PS-1"));
    let repair = w.act("tech", at(8, 20), replaced());
    w.act("mate", at(8, 25), damage("PS-1"));
    w.naming("inspector", at(8, 30), &[repair], inspected(1, "PS-1"));
    assert_eq!(line_items(&w, at(9, 0)), ["line-damaged 1 PS-1"]);
}

#[test]
fn settling_the_defect_on_paper_mends_no_line() {
    let mut w = World::washing();
    let raised = w.act("tech", at(8, 10), damage("PS-1"));
    let rectified = v1::DefectSettled { outcome: v1::DefectOutcome::Rectified as i32, ..Default::default() };
    w.naming("certifier", at(8, 20), &[raised], Kind::DefectSettled(rectified));
    assert_eq!(w.metal(at(9, 0)), ["line-damaged 1 PS-1"]);
}

#[test]
fn a_repair_by_nobody_known_is_not_the_inspector_s_own_and_is_inspected_by_nobody() {
    let mut w = World::washing();
    w.act("tech", at(8, 10), damage("PS-1"));
    let repair = w.act("nobody", at(8, 20), replaced());
    w.naming("inspector", at(8, 30), &[repair], inspected(1, "PS-1"));
    assert!(line_items(&w, at(9, 0)).contains(&"line-damaged 1 PS-1".to_owned()));
    assert!(!w.rules_broken(at(9, 0)).contains(&"self-inspected"));
}

#[test]
fn a_joint_short_of_its_torque_that_was_found_wanting_is_both() {
    let mut w = World::washing();
    w.act("tech", at(8, 10), disconnected(1, "PS-1"));
    let mut joint = reconnection(1, "PS-1");
    joint.torque_millinewton_metres = None;
    let joint = w.act("tech", at(8, 20), Kind::LineReconnected(joint));
    w.naming("inspector", at(8, 30), &[joint], inspection(1, "PS-1", CheckResult::NotSatisfactory));
    assert_eq!(line_items(&w, at(9, 0)), ["line-unsecured 1 PS-1", "rework-due 1 PS-1"]);
    w.act("tech", at(8, 40), reconnected(1, "PS-1"));
    assert_eq!(line_items(&w, at(9, 0)), ["inspection-due 1 PS-1"]);
}

#[test]
fn each_damage_of_a_line_stands_until_its_own_repair_was_inspected() {
    let mut w = World::washing();
    w.act("tech", at(8, 10), damage("PS-1"));
    let repair = w.act("tech", at(8, 20), replaced());
    let again = w.act("mate", at(8, 25), damage("PS-1"));
    w.naming("inspector", at(8, 30), &[repair], inspected(1, "PS-1"));
    let open = w.of_kind(crate::rules::ItemKind::LineDamaged, at(9, 0));
    assert_eq!(open.iter().map(|item| item.opened_by.hash).collect::<Vec<_>>(), [again]);
}
