//! What an engine waits for after its water: freezing, a planned start that nobody confirmed, a window that ended.

use crate::bytes::Hash;
use crate::fact::{Kind, Subject};
use crate::rules::testing::*;
use crate::rules::{Blocks, ItemKind, Rule, Severity};
use crate::v1;

const SECOND: u64 = 1000;

/// The window of an injection begun at 09:00: 12 h, common practice, no source.
fn window_end() -> u64 {
    at(21, 0)
}

fn washed() -> World {
    let mut w = World::washing();
    w.washed_and_dried(1);
    w
}

fn is_open(w: &World, kind: ItemKind, time_ms: u64) -> bool {
    !w.of_kind(kind, time_ms).is_empty()
}

fn dried_otherwise() -> Kind {
    Kind::DriedOtherwise(v1::DriedOtherwise { engine: engine(1), data_reference: "invented data 2".into() })
}

fn decided() -> Kind {
    Kind::OverdueDecided(v1::OverdueDecided { engine: engine(1), ..Default::default() })
}

#[test]
fn water_in_air_or_metal_under_the_limit_is_watched_for_freezing() {
    let cases = [
        (outside(50), false),
        (outside(49), true),
        (metal_at(1, 50), false),
        (metal_at(1, 49), true),
        (metal_at(2, 49), false),
    ];
    for (reading, watched) in cases {
        let mut w = World::washing();
        w.act("tech", at(8, 50), reading.clone());
        w.act("tech", at(9, 10), cycle(1, at(9, 0)));
        assert_eq!(is_open(&w, ItemKind::FreezeWatch, at(9, 30)), watched, "{reading:?} before");
        let mut w = World::washing();
        w.act("tech", at(8, 50), outside(50));
        w.act("tech", at(9, 10), cycle(1, at(9, 0)));
        w.act("stranger", at(9, 20), reading.clone());
        assert_eq!(is_open(&w, ItemKind::FreezeWatch, at(9, 30)), watched, "{reading:?} after");
    }
}

#[test]
fn only_the_newest_reading_at_the_injection_counts_and_a_warmer_one_after_it_ends_nothing() {
    let mut w = World::washing();
    w.act("tech", at(8, 40), outside(49));
    w.act("tech", at(8, 50), outside(60));
    w.act("tech", at(9, 10), cycle(1, at(9, 0)));
    assert!(!is_open(&w, ItemKind::FreezeWatch, at(9, 30)));
    w.act("tech", at(9, 40), outside(49));
    w.act("tech", at(9, 50), outside(150));
    let item = &w.of_kind(ItemKind::FreezeWatch, at(10, 0))[0];
    assert_eq!(item.blocks, Blocks::No);
    assert_eq!(item.text, "Engine 1 may freeze: outside air 4.9 °C, under 5.0 °C.");
}

#[test]
fn a_cold_reading_while_no_engine_waits_is_not_watched() {
    let mut w = World::washing();
    w.act("tech", at(8, 50), outside(-100));
    assert!(!is_open(&w, ItemKind::FreezeWatch, at(9, 0)));
}

#[test]
fn a_freeze_watch_ends_with_a_run_up_a_start_that_dries_or_drying_otherwise() {
    let ends = [("runner", run_up(1, at(10, 0))), ("planner", started(1, 300)), ("certifier", dried_otherwise())];
    for (who, end) in ends {
        let mut w = washed();
        w.act("tech", at(9, 45), outside(-20));
        w.act("stranger", at(10, 5), end.clone());
        assert!(is_open(&w, ItemKind::FreezeWatch, at(10, 10)));
        w.act(who, at(10, 10), end);
        assert!(!is_open(&w, ItemKind::FreezeWatch, at(10, 10)), "by {who}");
    }
}

#[test]
fn a_freeze_watch_bars_a_waiver_and_voids_the_one_before() {
    let mut w = washed();
    w.waive(1, at(10, 0), at(19, 0));
    assert!(is_open(&w, ItemKind::StartAwaited, at(10, 10)));
    w.act("stranger", at(10, 20), outside(49));
    assert!(is_open(&w, ItemKind::RunUpDue, at(10, 30)));
    w.waive(1, at(10, 40), at(19, 0));
    assert!(is_open(&w, ItemKind::RunUpDue, at(10, 50)), "it stands");
}

#[test]
fn air_measured_for_another_aircraft_is_not_this_engine_s() {
    let mut w = washed();
    w.list_aircraft("aircraft two", &["OT-8", "OT-9"]);
    let subjects = vec![crate::fact::Subject::Aircraft(id("aircraft two")), crate::fact::Subject::Wash(id("wash two"))];
    let cold = w.sign("tech", at(10, 0), subjects, vec![], outside(-100), None);
    w.put(cold, at(10, 0));
    assert!(!is_open(&w, ItemKind::FreezeWatch, at(10, 10)));
}

fn cancel(w: &mut World, who: &str, plan: Hash) {
    w.naming(who, at(19, 40), &[plan], Kind::StartCancelled(v1::StartCancelled { reason: String::new() }));
}

/// A start planned for 19:00, waived or not.
fn planned(waived: bool) -> (World, Hash) {
    let mut w = washed();
    let plan = w.plan(1, at(9, 50), at(19, 0));
    if waived {
        w.waive(1, at(10, 0), at(19, 0));
    }
    (w, plan)
}

fn unconfirmed(w: &World, time_ms: u64) -> bool {
    is_open(w, ItemKind::StartUnconfirmed, time_ms)
}

#[test]
fn a_planned_start_is_asked_for_half_an_hour_later_and_until_the_window_ends() {
    for waived in [false, true] {
        let (w, _) = planned(waived);
        assert!(!unconfirmed(&w, at(19, 30) - SECOND));
        let item = &w.of_kind(ItemKind::StartUnconfirmed, at(19, 30))[0];
        assert_eq!((item.blocks, item.wash), (Blocks::No, Some(wash())));
        assert!(item.text.ends_with("planned for 19:00Z."), "{}", item.text);
        assert!(unconfirmed(&w, window_end() - SECOND));
        assert!(!unconfirmed(&w, window_end()), "then it is overdue");
    }
}

#[test]
fn the_instant_from_which_a_start_is_asked_for_is_a_horizon() {
    let (w, _) = planned(true);
    let mut question = w.question(at(19, 10));
    assert_eq!(w.history.assess(&question).horizon_ms, Some(at(19, 30)));
    question.time_ms = at(19, 30);
    assert_eq!(w.history.assess(&question).horizon_ms, Some(at(20, 0) + SECOND));
}

#[test]
fn a_start_since_the_plan_was_recorded_a_new_plan_or_a_cancelling_ends_the_question_with_authority_only() {
    type End = fn(&mut World, &str, Hash);
    let ends: [End; 3] = [
        // Too short to dry: the engine still waits, but it ran.
        |w, who, _| {
            w.act(who, at(19, 40), started(1, 10));
        },
        |w, who, _| {
            let start = Kind::StartPlanned(v1::StartPlanned {
                engines: engine(1).into_iter().collect(),
                planned_start_ms: Some(at(19, 50)),
                air_source: String::new(),
            });
            w.act(who, at(19, 40), start);
        },
        cancel,
    ];
    for end in ends {
        let (mut w, plan) = planned(false);
        end(&mut w, "stranger", plan);
        assert!(unconfirmed(&w, at(19, 45)));
        end(&mut w, "planner", plan);
        assert!(!unconfirmed(&w, at(19, 45)));
    }
}

#[test]
fn a_start_before_the_plan_was_recorded_confirms_nothing() {
    let mut w = washed();
    w.act("planner", at(9, 45), started(1, 10));
    w.plan(1, at(9, 50), at(19, 0));
    assert!(unconfirmed(&w, at(19, 30)));
}

#[test]
fn a_plan_for_an_engine_that_does_not_wait_is_not_asked_for() {
    let mut w = washed();
    w.plan(2, at(9, 50), at(19, 0));
    assert!(!unconfirmed(&w, at(19, 40)));
    w.plan(1, at(9, 50), at(19, 0));
    w.act("runner", at(12, 6), run_up(1, at(12, 0)));
    assert!(!unconfirmed(&w, at(19, 40)));
}

fn missed(w: &World, time_ms: u64) -> usize {
    w.broken(Rule::RunUpMissed, time_ms).len()
}

#[test]
fn a_window_that_ends_with_no_run_recorded_is_a_major_finding_that_stays() {
    let w = washed();
    assert_eq!(missed(&w, window_end() - SECOND), 0);
    assert_eq!(w.broken(Rule::RunUpMissed, window_end())[0].severity, Severity::Major);
    let closings = [("runner", run_up(1, at(22, 0))), ("certifier", dried_otherwise()), ("certifier", decided())];
    for (who, closing) in closings {
        let mut w = washed();
        w.act(who, at(22, 10), closing);
        assert!(!is_open(&w, ItemKind::RunUpOverdue, at(23, 0)), "by {who}");
        assert_eq!(missed(&w, at(23, 0)), 1, "by {who}");
    }
    let mut w = washed();
    w.act("tech", at(22, 10), cycle(1, at(22, 0)));
    w.act("tech", at(22, 20), cycle(1, at(22, 10)));
    assert!(is_open(&w, ItemKind::RunUpDue, at(23, 0)));
    assert_eq!(missed(&w, at(23, 0)), 1, "with new valid cycles");
}

#[test]
fn a_run_begun_in_time_and_recorded_late_takes_the_finding_away() {
    let mut w = washed();
    let kind = run_up(1, window_end());
    let fact = w.sign("runner", at(21, 6), World::subjects(&kind), vec![], kind, None);
    w.put(fact, at(22, 0));
    assert_eq!(missed(&w, window_end()), 1);
    assert_eq!(missed(&w, at(22, 0)), 0);
    assert!(!is_open(&w, ItemKind::RunUpOverdue, at(22, 0)));
}

#[test]
fn drying_otherwise_and_a_decision_close_what_is_overdue_by_the_instant_they_happened() {
    let mut w = washed();
    w.act("certifier", window_end() - SECOND, decided());
    assert!(is_open(&w, ItemKind::RunUpOverdue, window_end()), "nothing was overdue yet");
    w.act("certifier", window_end(), decided());
    assert!(!is_open(&w, ItemKind::RunUpOverdue, window_end()));
    let mut w = washed();
    w.act("certifier", window_end(), dried_otherwise());
    assert_eq!(missed(&w, at(22, 0)), 0, "at the window's end it is in time");
}

#[test]
fn new_cycles_begin_after_the_window_s_end() {
    // Ten seconds of motoring come before the injection.
    for (first_ms, anew) in [(window_end() + 10 * SECOND, false), (window_end() + 11 * SECOND, true)] {
        let mut w = washed();
        w.act("tech", at(21, 5), cycle(1, first_ms));
        w.act("tech", at(21, 20), cycle(1, at(21, 10)));
        assert_eq!(is_open(&w, ItemKind::RunUpDue, at(22, 0)), anew);
        assert_eq!(is_open(&w, ItemKind::RunUpOverdue, at(22, 0)), !anew);
    }
}

#[test]
fn a_waiver_given_at_the_window_s_end_or_later_changes_nothing() {
    let mut w = washed();
    w.waive(1, window_end() + SECOND, at(19, 0));
    assert!(is_open(&w, ItemKind::RunUpOverdue, at(21, 30)));
}

#[test]
fn air_measured_in_the_wash_is_also_that_of_an_engine_which_nobody_listed() {
    let mut w = World::washing();
    let Kind::CycleRun(mut body) = cycle(1, at(9, 0)) else { unreachable!("a cycle is a cycle") };
    body.engine = Some(v1::EngineAt { position: 1, serial: "OT-7".into() });
    w.grant("tech", v1::Authority::Perform, |granted| granted.engine_type.clear());
    w.act("tech", at(9, 10), Kind::CycleRun(body));
    w.act("tech", at(9, 20), outside(-20));
    assert!(is_open(&w, ItemKind::FreezeWatch, at(9, 30)));
}

#[test]
fn a_dry_crank_dries_no_water_whose_soak_nobody_can_tell() {
    let mut w = World::washing();
    let of_another = Subject::Wash(id("a wash that was not opened"));
    let subjects = vec![Subject::Aircraft(aircraft()), of_another, Subject::Engine("OT-1".into())];
    let fact = w.sign("tech", at(9, 2), subjects, vec![], cycle(1, at(9, 0)), None);
    w.put(fact, at(9, 2));
    w.act("tech", at(9, 22), dry_crank(1, at(9, 20)));
    assert!(is_open(&w, ItemKind::DryingDue, at(9, 30)));
}
