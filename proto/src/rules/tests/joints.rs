use crate::bytes::Hash;
use crate::fact::{Kind, Subject};
use crate::rules::testing::*;
use crate::v1::{self, CheckResult};

#[test]
fn a_disconnected_line_is_open_until_the_same_line_of_the_same_engine_is_reconnected() {
    let mut w = World::washing();
    w.act("tech", at(8, 10), disconnected(1, "PS-1"));
    assert_eq!(w.metal(at(9, 0)), ["line-disconnected 1 PS-1"]);
    w.act("tech", at(8, 20), reconnected(2, "PS-1"));
    assert!(w.metal(at(9, 0)).contains(&"line-disconnected 1 PS-1".to_owned()));
    w.act("tech", at(8, 21), reconnected(1, "PS-1"));
    assert!(!w.metal(at(9, 0)).contains(&"line-disconnected 1 PS-1".to_owned()));
}

#[test]
fn a_line_opens_whoever_disconnected_it_listed_or_not() {
    let mut w = World::washing();
    w.act("stranger", at(8, 10), disconnected(1, "XX-9"));
    assert!(w.metal(at(9, 0)).contains(&"line-disconnected 1 XX-9".to_owned()));
}

#[test]
fn a_reconnection_closes_only_by_somebody_who_may_perform() {
    let mut w = World::washing();
    w.act("tech", at(8, 10), disconnected(1, "PS-1"));
    w.act("stranger", at(8, 20), reconnected(1, "PS-1"));
    assert!(w.metal(at(9, 0)).contains(&"line-disconnected 1 PS-1".to_owned()));
    assert_eq!(w.rules_broken(at(9, 0)), ["beyond-authority"]);
}

/// What is open at nine, findings apart.
fn lines(w: &World) -> Vec<String> {
    w.metal(at(9, 0)).into_iter().filter(|name| !name.starts_with("finding-open")).collect()
}

#[test]
fn torque_locking_and_tool_each_leave_a_line_unsecured_until_it_is_reconnected_with_them() {
    type Change = fn(&mut v1::LineReconnected);
    let changes: [Change; 6] = [
        |b| b.torque_millinewton_metres = None,
        |b| b.torque_millinewton_metres = Some(14_999),
        |b| b.torque_millinewton_metres = Some(20_001),
        |b| b.locking = None,
        |b| b.locking = Some(v1::Locking::Clip as i32),
        |b| b.tool.as_mut().unwrap().calibration_due_unix_day = Some(20_832),
    ];
    for change in changes {
        let mut w = World::washing();
        w.act("tech", at(8, 10), disconnected(1, "PS-1"));
        let mut body = reconnection(1, "PS-1");
        change(&mut body);
        let bad = w.act("tech", at(8, 20), Kind::LineReconnected(body));
        assert_eq!(lines(&w), ["line-unsecured 1 PS-1"]);
        w.naming("inspector", at(8, 25), &[bad], inspected(1, "PS-1"));
        assert_eq!(lines(&w), ["line-unsecured 1 PS-1"], "an inspection secures nothing");
        w.act("tech", at(8, 30), reconnected(1, "PS-1"));
        assert_eq!(lines(&w), ["inspection-due 1 PS-1"]);
    }
}

#[test]
fn torque_at_the_window_s_ends_and_a_tool_on_its_last_day_are_good() {
    for torque in [15_000, 20_000] {
        let mut w = World::washing();
        let mut body = reconnection(1, "PS-1");
        body.torque_millinewton_metres = Some(torque);
        // 2027-01-15 is day 20,833.
        body.tool.as_mut().unwrap().calibration_due_unix_day = Some(20_833);
        w.act("tech", at(8, 10), disconnected(1, "PS-1"));
        w.act("tech", at(8, 20), Kind::LineReconnected(body));
        assert_eq!(w.metal(at(9, 0)), ["inspection-due 1 PS-1"]);
    }
}

#[test]
fn an_inspection_closes_only_when_it_names_the_newest_reconnection() {
    let mut w = World::washing();
    w.act("tech", at(8, 10), disconnected(1, "PS-1"));
    let first = w.act("tech", at(8, 20), reconnected(1, "PS-1"));
    w.act("inspector", at(8, 25), inspected(1, "PS-1"));
    assert_eq!(w.metal(at(9, 0)), ["inspection-due 1 PS-1"], "it names none");
    w.act("tech", at(8, 30), disconnected(1, "PS-1"));
    let second = w.act("tech", at(8, 40), reconnected(1, "PS-1"));
    w.naming("inspector", at(8, 45), &[first], inspected(1, "PS-1"));
    assert_eq!(w.metal(at(9, 0)), ["inspection-due 1 PS-1"], "it names the older one");
    w.naming("inspector", at(8, 50), &[second], inspected(1, "PS-1"));
    assert!(w.metal(at(9, 0)).is_empty());
}

#[test]
fn an_inspection_about_less_than_what_it_names_closes_nothing() {
    let mut w = World::washing();
    w.act("tech", at(8, 10), disconnected(1, "PS-1"));
    let joint = w.act("tech", at(8, 20), reconnected(1, "PS-1"));
    let subjects = vec![Subject::Aircraft(aircraft()), Subject::Engine("OT-1".into())];
    let fact = w.sign("inspector", at(8, 30), subjects, vec![joint], inspected(1, "PS-1"), None);
    w.put(fact, at(8, 30));
    assert!(w.metal(at(9, 0)).contains(&"inspection-due 1 PS-1".to_owned()));
    assert_eq!(w.rules_broken(at(9, 0)), ["impossible-step"]);
}

#[test]
fn nobody_inspects_a_joint_that_they_reconnected_or_helped_at() {
    for helped in [false, true] {
        let mut w = World::washing();
        w.act("tech", at(8, 10), disconnected(1, "PS-1"));
        let mut body = reconnection(1, "PS-1");
        let worker = if helped { "tech" } else { "inspector" };
        if helped {
            body.helpers = vec![id("inspector").to_vec()];
        }
        let joint = w.act(worker, at(8, 20), Kind::LineReconnected(body));
        let seen = w.naming("inspector", at(8, 30), &[joint], inspected(1, "PS-1"));
        assert_eq!(w.rules_broken(at(9, 0)), ["self-inspected"]);
        assert!(w.metal(at(9, 0)).contains(&"inspection-due 1 PS-1".to_owned()));
        assert!(w.metal(at(9, 0)).iter().any(|name| name.starts_with("finding-open 1 self-inspected")));
        w.naming("certifier", at(8, 40), &[joint, seen], Kind::FindingSettled(settlement("self-inspected")));
        assert_eq!(w.metal(at(9, 0)), ["inspection-due 1 PS-1"], "settled, and still not inspected");
    }
}

#[test]
fn what_was_found_not_satisfactory_is_worked_again_before_any_inspection_closes_it() {
    let mut w = World::washing();
    w.act("tech", at(8, 10), disconnected(1, "PS-1"));
    let joint = w.act("tech", at(8, 20), reconnected(1, "PS-1"));
    w.naming("stranger", at(8, 25), &[joint], inspection(1, "PS-1", CheckResult::NotSatisfactory));
    assert!(w.metal(at(9, 0)).contains(&"rework-due 1 PS-1".to_owned()));
    w.naming("inspector", at(8, 30), &[joint], inspected(1, "PS-1"));
    assert!(w.metal(at(9, 0)).contains(&"rework-due 1 PS-1".to_owned()));
    let again = w.act("tech", at(8, 40), reconnected(1, "PS-1"));
    w.naming("inspector", at(8, 50), &[again], inspected(1, "PS-1"));
    assert!(!w.metal(at(9, 0)).iter().any(|name| name.contains("PS-1")), "{:?}", w.metal(at(9, 0)));
}

#[test]
fn a_joint_touched_by_somebody_without_authority_is_inspected_again() {
    let mut w = World::washing();
    w.washed_and_dried(1);
    let touched = w.act("stranger", at(9, 50), reconnected(1, "PS-1"));
    assert!(w.metal(at(10, 0)).contains(&"inspection-due 1 PS-1".to_owned()));
    w.naming("inspector", at(9, 55), &[touched], inspected(1, "PS-1"));
    assert!(!w.metal(at(10, 0)).contains(&"inspection-due 1 PS-1".to_owned()));
}

#[test]
fn a_fixture_is_fitted_until_the_same_tag_is_removed() {
    let mut w = World::washing();
    w.act("tech", at(8, 10), fixture(1, "7", true));
    w.act("tech", at(8, 20), fixture(1, "8", false));
    assert_eq!(w.metal(at(9, 0)), ["fixture-fitted 1 spray adapter (tag 7)"]);
    w.act("stranger", at(8, 25), fixture(1, "7", false));
    assert!(w.metal(at(9, 0)).contains(&"fixture-fitted 1 spray adapter (tag 7)".to_owned()));
    w.act("mate", at(8, 30), fixture(1, "7", false));
    assert!(!w.metal(at(9, 0)).iter().any(|name| name.starts_with("fixture-fitted")));
}

#[test]
fn an_access_is_open_until_it_is_closed() {
    let mut w = World::washing();
    w.act("tech", at(8, 10), access(1, true));
    assert_eq!(w.metal(at(9, 0)), ["access-open 1 fan cowl"]);
    w.act("tech", at(8, 20), access(1, false));
    assert!(w.metal(at(9, 0)).is_empty());
}

#[test]
fn latches_seen_by_who_closed_the_access_are_self_inspected() {
    let mut w = World::washing();
    w.act("tech", at(8, 10), access(1, true));
    let closed = w.act("inspector", at(8, 20), access(1, false));
    let latches = v1::LatchesSeen { engine: engine(1), access: "fan cowl".into(), all_latched: Some(true) };
    w.naming("inspector", at(8, 30), &[closed], Kind::LatchesSeen(latches));
    assert_eq!(w.rules_broken(at(9, 0)), ["self-inspected"]);
}

#[test]
fn lines_and_fixtures_go_with_the_engine_and_an_access_stays() {
    let mut w = World::washing();
    w.act("tech", at(8, 10), disconnected(1, "PS-1"));
    w.act("tech", at(8, 11), fixture(1, "7", true));
    w.act("tech", at(8, 12), access(1, true));
    change_engine(&mut w, at(12, 0));
    let two = |ms| names(&w.history.state(&id("aircraft two"), w.history.size(), ms));
    assert!(two(at(11, 59)).is_empty());
    assert_eq!(two(at(12, 0)), ["line-disconnected 2 PS-1", "fixture-fitted 2 spray adapter (tag 7)"]);
    assert_eq!(w.metal(at(12, 0)), ["access-open 1 fan cowl"]);
}

#[test]
fn a_serial_number_not_listed_there_blocks_the_aircraft_that_was_named() {
    let mut w = World::washing();
    let unlisted = Some(v1::EngineAt { position: 2, serial: "ZZ-9".into() });
    let kind =
        Kind::LineDisconnected(v1::LineDisconnected { engine: unlisted, line: "PS-1".into(), tag: String::new() });
    w.act("tech", at(8, 10), kind);
    assert!(w.metal(at(9, 0)).contains(&"line-disconnected 2 PS-1".to_owned()));
}

#[test]
fn an_aircraft_that_nobody_listed_still_shows_its_items() {
    let mut w = World::new();
    let ghost = id("ghost");
    let subjects = vec![Subject::Aircraft(ghost), Subject::Engine("OT-9".into()), Subject::Wash(id("wash two"))];
    let at_nine = Some(v1::EngineAt { position: 1, serial: "OT-9".into() });
    let kind =
        Kind::LineDisconnected(v1::LineDisconnected { engine: at_nine, line: "PS-1".into(), tag: String::new() });
    let fact = w.sign("tech", at(8, 0), subjects, vec![], kind, None);
    w.put(fact, at(8, 0));
    assert!(w.history.aircraft().any(|a| a == ghost));
    let state = w.history.state(&ghost, w.history.size(), at(9, 0));
    assert!(names(&state).contains(&"line-disconnected 1 PS-1".to_owned()));
}

#[test]
fn a_closing_that_names_an_absent_fact_waits() {
    let mut w = World::washing();
    w.act("tech", at(8, 10), access(1, true));
    w.naming("tech", at(8, 20), &[Hash::of(b"absent")], access(1, false));
    assert_eq!(w.metal(at(9, 0)), ["access-open 1 fan cowl"]);
}

#[test]
fn an_opening_by_somebody_without_authority_does_not_change_the_procedure_that_a_wash_follows() {
    let mut w = World::new();
    w.open_wash_by("stranger", at(7, 0), Hash::of(b"another text"));
    w.open_wash("tech", at(8, 0));
    w.act("tech", at(8, 10), disconnected(1, "PS-1"));
    let mut loose = reconnection(1, "PS-1");
    loose.locking = None;
    w.act("tech", at(8, 20), Kind::LineReconnected(loose));
    assert!(w.metal(at(9, 0)).contains(&"line-unsecured 1 PS-1".to_owned()));
}

#[test]
fn a_line_found_bad_is_to_be_worked_again_whatever_the_finder_named() {
    let bad = || inspection(1, "PS-1", CheckResult::NotSatisfactory);
    for touched in [true, false] {
        let mut w = World::washing();
        if touched {
            w.act("tech", at(8, 10), disconnected(1, "PS-1"));
            w.act("tech", at(8, 20), reconnected(1, "PS-1"));
        }
        w.naming("inspector", at(8, 30), &[Hash::of(b"absent")], bad());
        assert_eq!(w.metal(at(9, 0)), ["rework-due 1 PS-1"], "touched: {touched}");
        w.act("stranger", at(8, 35), reconnected(1, "PS-1"));
        assert!(w.metal(at(9, 0)).contains(&"rework-due 1 PS-1".to_owned()), "a stranger's work ends nothing");
        let again = w.act("tech", at(8, 40), reconnected(1, "PS-1"));
        w.naming("inspector", at(8, 50), &[again], inspected(1, "PS-1"));
        assert!(!w.metal(at(9, 0)).iter().any(|name| name.contains("PS-1")), "{:?}", w.metal(at(9, 0)));
    }
}

#[test]
fn a_line_found_bad_that_nobody_touched_keeps_a_waiver_from_being_valid() {
    let mut w = World::washing();
    w.washed_and_dried(1);
    w.act("inspector", at(9, 50), inspection(1, "MV-2", CheckResult::NotSatisfactory));
    w.waive(1, at(10, 0), at(19, 0));
    assert!(w.metal(at(10, 30)).contains(&"run-up-due 1".to_owned()), "{:?}", w.metal(at(10, 30)));
}

#[test]
fn a_finding_of_a_joint_that_was_in_doubt_does_not_come_back_on_the_next_joint() {
    let mut w = World::washing();
    w.act("tech", at(8, 10), disconnected(1, "PS-1"));
    let joint = w.act("tech", at(8, 20), reconnected(1, "PS-1"));
    let seen = w.history.size();
    w.grant("stranger", v1::Authority::Inspect, |_| ());
    let kind = inspection(1, "PS-1", CheckResult::NotSatisfactory);
    let fact = w.sign("stranger", at(8, 30), World::subjects(&kind), vec![joint], kind, Some(seen));
    let found = w.put(fact, at(8, 30));
    let again = w.act("tech", at(8, 40), reconnected(1, "PS-1"));
    let counts = v1::FindingSettled { act_counts: Some(true), ..settlement("in-doubt") };
    w.naming("certifier", at(8, 50), &[found], Kind::FindingSettled(counts));
    w.naming("inspector", at(8, 55), &[again], inspected(1, "PS-1"));
    assert!(w.metal(at(9, 0)).is_empty(), "{:?}", w.metal(at(9, 0)));
}

#[test]
fn an_access_of_an_engine_not_listed_there_blocks_the_aircraft_named_and_the_one_that_carries_it() {
    let mut w = World::washing();
    w.list_aircraft("aircraft two", &["OT-9"]);
    let wrong = || Some(v1::EngineAt { position: 2, serial: "OT-9".into() });
    w.act("tech", at(8, 10), Kind::AccessOpened(v1::AccessOpened { engine: wrong(), access: "fan cowl".into() }));
    let two = |w: &World| names(&w.history.state(&id("aircraft two"), w.history.size(), at(9, 0)));
    assert!(w.metal(at(9, 0)).contains(&"access-open 2 fan cowl".to_owned()));
    assert!(two(&w).contains(&"access-open 1 fan cowl".to_owned()), "{:?}", two(&w));
    w.act("tech", at(8, 20), Kind::AccessClosed(v1::AccessClosed { engine: wrong(), access: "fan cowl".into() }));
    assert!(!two(&w).iter().chain(&w.metal(at(9, 0))).any(|name| name.starts_with("access-open")));
}

#[test]
fn a_look_at_what_a_stranger_touched_is_no_look_at_the_joint_that_counts() {
    let mut w = World::washing();
    w.act("tech", at(8, 10), disconnected(1, "PS-1"));
    let made = w.act("tech", at(8, 20), reconnected(1, "PS-1"));
    let touched = w.act("stranger", at(8, 30), reconnected(1, "PS-1"));
    let due = |w: &World, when| w.open(when).contains(&"inspection-due 1 PS-1".to_owned());
    w.naming("inspector", at(8, 40), &[touched], inspected(1, "PS-1"));
    assert!(due(&w, at(8, 45)), "nobody looked at the joint that counts");
    w.naming("inspector", at(8, 50), &[made], inspected(1, "PS-1"));
    assert!(!due(&w, at(9, 0)), "{:?}", w.open(at(9, 0)));
}

#[test]
fn a_joint_that_counts_and_was_found_bad_is_worked_again_whoever_touched_it_after() {
    let mut w = World::washing();
    w.act("tech", at(8, 10), disconnected(1, "PS-1"));
    let made = w.act("tech", at(8, 20), reconnected(1, "PS-1"));
    let touched = w.act("stranger", at(8, 30), reconnected(1, "PS-1"));
    w.naming("inspector", at(8, 40), &[made], inspection(1, "PS-1", CheckResult::NotSatisfactory));
    w.naming("inspector", at(8, 50), &[touched], inspected(1, "PS-1"));
    assert!(w.open(at(9, 0)).contains(&"rework-due 1 PS-1".to_owned()), "{:?}", w.open(at(9, 0)));
}
