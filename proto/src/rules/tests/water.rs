use crate::fact::Kind;
use crate::rules::testing::*;
use crate::rules::{Blocks, ItemKind, Question};
use crate::v1::{self, CheckResult};

const SECOND: u64 = 1000;

/// The window of an injection begun at 09:00 ends at 21:00, the latest start is 20:00.
const WINDOW_END: (u64, u64) = (21, 0);

fn washed() -> World {
    let mut w = World::washing();
    w.washed_and_dried(1);
    w
}

/// What is open and no finding: a window that ended is one for ever.
fn things(w: &World, time_ms: u64) -> Vec<String> {
    w.metal(time_ms).into_iter().filter(|name| !name.starts_with("finding-open 1 run-up-missed")).collect()
}

fn blocks(w: &World, kind: ItemKind, time_ms: u64) -> Option<Blocks> {
    w.state_at(time_ms).items.iter().find(|i| i.kind == kind).map(|i| i.blocks)
}

#[test]
fn an_injection_opens_soak_drying_and_run_up_whoever_signed_it() {
    for who in ["tech", "stranger"] {
        let mut w = World::washing();
        w.act(who, at(9, 2), cycle(1, at(9, 0)));
        let open = w.metal(at(9, 5));
        for item in ["soaking 1", "drying-due 1", "run-up-due 1"] {
            assert!(open.contains(&item.to_owned()), "{item} by {who}: {open:?}");
        }
    }
}

#[test]
fn a_cycle_without_injection_opens_nothing() {
    let mut w = World::washing();
    let Kind::CycleRun(mut body) = cycle(1, at(9, 0)) else { unreachable!() };
    (body.injection_started_ms, body.injection_ended_ms) = (None, None);
    w.act("tech", at(9, 2), Kind::CycleRun(body));
    assert!(w.metal(at(9, 5)).is_empty());
}

#[test]
fn water_from_aborted_motoring_counts_as_water() {
    let mut w = World::washing();
    let aborted = v1::MotoringAborted {
        engine: engine(1),
        motoring_started_ms: Some(at(9, 0) - 10 * SECOND),
        injection_started_ms: Some(at(9, 0)),
        injection_ended_ms: Some(at(9, 0) + 3 * SECOND),
        ..Default::default()
    };
    w.act("tech", at(9, 1), Kind::MotoringAborted(aborted));
    assert_eq!(w.metal(at(9, 2)), ["soaking 1", "drying-due 1", "run-up-due 1"]);
}

#[test]
fn a_soak_is_over_at_its_end_instant() {
    let mut w = World::washing();
    w.act("tech", at(9, 2), cycle(1, at(9, 0)));
    assert!(w.metal(at(9, 7) - 1).contains(&"soaking 1".to_owned()));
    assert!(!w.metal(at(9, 7)).contains(&"soaking 1".to_owned()));
}

#[test]
fn a_dry_crank_dries_when_it_starts_at_the_soak_s_end_and_not_a_second_before() {
    for (started, dry) in [(at(9, 7) - SECOND, false), (at(9, 7), true)] {
        let mut w = World::washing();
        w.act("tech", at(9, 2), cycle(1, at(9, 0)));
        w.act("tech", at(9, 10), dry_crank(1, started));
        assert_eq!(!w.metal(at(9, 30)).contains(&"drying-due 1".to_owned()), dry);
    }
}

#[test]
fn a_dry_crank_too_short_too_slow_or_by_somebody_without_authority_dries_nothing() {
    type Change = fn(&mut v1::DryCrankRun);
    let changes: [(&str, Change); 5] = [
        ("tech", |b| b.motoring_ended_ms = Some(b.motoring_started_ms.unwrap() + 119 * SECOND)),
        ("tech", |b| b.speed_tenths_percent = Some(199)),
        ("tech", |b| b.speed_tenths_percent = None),
        ("tech", |b| b.motoring_started_ms = None),
        ("stranger", |_| ()),
    ];
    for (who, change) in changes {
        let mut w = World::washing();
        w.act("tech", at(9, 2), cycle(1, at(9, 0)));
        let Kind::DryCrankRun(mut body) = dry_crank(1, at(9, 10)) else { unreachable!() };
        change(&mut body);
        w.act(who, at(9, 12), Kind::DryCrankRun(body));
        assert!(w.metal(at(9, 30)).contains(&"drying-due 1".to_owned()));
    }
}

#[test]
fn a_later_injection_asks_for_drying_again() {
    let mut w = washed();
    w.act("tech", at(10, 2), cycle(1, at(10, 0)));
    assert!(w.metal(at(10, 30)).contains(&"drying-due 1".to_owned()));
}

#[test]
fn the_window_runs_from_the_first_injection_since_the_engine_last_ran() {
    let mut w = washed();
    w.act("tech", at(10, 2), cycle(1, at(10, 0)));
    let due = |w: &World, ms| w.state_at(ms).items.iter().find(|i| i.kind == ItemKind::RunUpDue).unwrap().due_ms;
    assert_eq!(due(&w, at(11, 0)), Some(at(21, 0)));
    w.act("runner", at(11, 6), run_up(1, at(11, 0)));
    assert!(w.metal(at(11, 30)).is_empty());
    w.act("tech", at(12, 2), cycle(1, at(12, 0)));
    assert_eq!(due(&w, at(12, 30)), Some(at(24, 0)));
}

#[test]
fn a_run_up_begun_at_the_window_s_end_is_in_time_and_a_start_too() {
    let end = at(WINDOW_END.0, WINDOW_END.1);
    let mut w = washed();
    w.act("runner", end + 400 * SECOND, run_up(1, end));
    assert!(w.metal(end + 500 * SECOND).is_empty());
    let mut w = washed();
    w.act("planner", end, started(1, 300));
    assert!(w.metal(end).is_empty());
}

#[test]
fn a_start_after_the_window_s_end_never_closes_what_is_overdue() {
    let end = at(WINDOW_END.0, WINDOW_END.1);
    let mut w = washed();
    w.act("planner", end + SECOND, started(1, 300));
    assert_eq!(things(&w, end + SECOND), ["run-up-overdue 1"]);
}

#[test]
fn a_run_up_is_overdue_from_the_window_s_end() {
    let end = at(WINDOW_END.0, WINDOW_END.1);
    let w = washed();
    assert_eq!(w.metal(end - SECOND), ["run-up-due 1"]);
    assert_eq!(things(&w, end), ["run-up-overdue 1"]);
}

#[test]
fn an_overdue_run_up_closes_by_each_way_that_the_procedure_allows() {
    let late = at(22, 0);
    let dried = v1::DriedOtherwise { engine: engine(1), data_reference: "invented data 2".into() };
    let decided = v1::OverdueDecided { engine: engine(1), ..Default::default() };
    let ways = [
        ("runner", run_up(1, late - 400 * SECOND)),
        ("certifier", Kind::DriedOtherwise(dried)),
        ("certifier", Kind::OverdueDecided(decided)),
    ];
    for (who, kind) in ways {
        let mut w = washed();
        w.act("stranger", late, kind.clone());
        assert!(w.metal(late).contains(&"run-up-overdue 1".to_owned()));
        w.act(who, late, kind);
        assert!(!w.metal(late).contains(&"run-up-overdue 1".to_owned()), "by {who}");
    }
}

#[test]
fn new_valid_cycles_open_the_window_anew_from_their_first_injection() {
    let mut w = washed();
    w.act("tech", at(22, 2), cycle(1, at(22, 0)));
    assert!(w.metal(at(23, 0)).contains(&"run-up-overdue 1".to_owned()), "one of two is not enough");
    w.act("tech", at(22, 22), cycle(1, at(22, 20)));
    let state = w.state_at(at(23, 0));
    let due = state.items.iter().find(|i| i.kind == ItemKind::RunUpDue).unwrap();
    assert_eq!(due.due_ms, Some(at(34, 0)));
}

#[test]
fn a_run_dries_only_if_long_enough_satisfactory_and_with_its_lines_connected_from_its_start() {
    let mut w = washed();
    let Kind::RunUpDone(mut short) = run_up(1, at(10, 0)) else { unreachable!() };
    short.idle_or_above_seconds = Some(299);
    w.act("runner", at(10, 6), Kind::RunUpDone(short));
    let Kind::RunUpDone(mut bad) = run_up(1, at(10, 10)) else { unreachable!() };
    bad.result = CheckResult::NotSatisfactory as i32;
    w.act("runner", at(10, 16), Kind::RunUpDone(bad));
    assert_eq!(w.metal(at(10, 20)), ["run-up-due 1"]);
    // Open when the run began, closed when it ended.
    w.act("tech", at(10, 30), disconnected(1, "MV-2"));
    let mut joint = reconnection(1, "MV-2");
    (joint.torque_millinewton_metres, joint.locking) = (Some(26_000), Some(v1::Locking::SelfLocking as i32));
    w.act("tech", at(10, 42), Kind::LineReconnected(joint));
    w.act("runner", at(10, 46), run_up(1, at(10, 40)));
    assert!(w.metal(at(11, 0)).contains(&"run-up-due 1".to_owned()));
    w.act("runner", at(11, 6), run_up(1, at(11, 0)));
    let open = w.metal(at(11, 30));
    assert_eq!(open[0], "inspection-due 1 MV-2");
    assert!(open[1..].iter().all(|name| name.starts_with("finding-open 1 run-while-open")), "{open:?}");
}

#[test]
fn a_waiver_with_a_start_in_time_turns_the_run_up_into_a_condition() {
    let mut w = washed();
    w.waive(1, at(10, 0), at(20, 0));
    assert_eq!(w.metal(at(10, 30)), ["start-awaited 1"]);
    assert_eq!(blocks(&w, ItemKind::StartAwaited, at(10, 30)), Some(Blocks::Condition));
    let state = w.state_at(at(10, 30));
    assert_eq!(state.conditions, ["start engine 1 by 21:00Z (plan no later than 20:00Z), air from ground air"]);
}

#[test]
fn a_start_awaited_blocks_from_the_second_after_the_latest_start() {
    let mut w = washed();
    w.waive(1, at(10, 0), at(19, 0));
    assert_eq!(blocks(&w, ItemKind::StartAwaited, at(20, 0)), Some(Blocks::Condition));
    assert_eq!(blocks(&w, ItemKind::StartAwaited, at(20, 0) + SECOND), Some(Blocks::Yes));
    assert_eq!(things(&w, at(21, 0)), ["run-up-overdue 1"]);
}

#[test]
fn a_waiver_for_a_start_past_the_latest_one_has_no_effect() {
    let mut w = washed();
    w.waive(1, at(10, 0), at(20, 0) + SECOND);
    assert_eq!(w.metal(at(10, 30)), ["run-up-due 1"]);
}

#[test]
fn a_waiver_before_drying_or_before_inspection_has_no_effect() {
    let mut w = World::washing();
    w.act("tech", at(9, 2), cycle(1, at(9, 0)));
    w.waive(1, at(9, 5), at(19, 0));
    w.act("tech", at(9, 12), dry_crank(1, at(9, 10)));
    assert_eq!(w.metal(at(10, 0)), ["run-up-due 1"], "given before the dry crank");
    w.act("tech", at(9, 20), disconnected(1, "PS-1"));
    w.act("tech", at(9, 30), reconnected(1, "PS-1"));
    w.waive(1, at(9, 40), at(19, 0));
    assert!(w.metal(at(10, 0)).contains(&"run-up-due 1".to_owned()), "given before the inspection");
}

#[test]
fn each_change_of_what_a_waiver_rests_on_voids_it() {
    let late_plan = v1::StartPlanned {
        engines: engine(1).into_iter().collect(),
        planned_start_ms: Some(at(20, 1)),
        air_source: String::new(),
    };
    let changes =
        [cycle(1, at(10, 57)), disconnected(1, "PS-1"), reconnected(1, "PS-1"), Kind::StartPlanned(late_plan)];
    for change in changes {
        let mut w = washed();
        w.waive(1, at(10, 0), at(19, 0));
        w.act("stranger", at(11, 0), change);
        assert!(w.metal(at(11, 30)).contains(&"run-up-due 1".to_owned()));
    }
}

#[test]
fn cancelling_the_plan_ends_the_waiver_for_good() {
    let mut w = washed();
    let plan = w.plan(1, at(9, 50), at(19, 0));
    w.waive(1, at(10, 0), at(19, 0));
    assert_eq!(blocks(&w, ItemKind::StartAwaited, at(10, 30)), Some(Blocks::Condition));
    w.naming("planner", at(11, 0), &[plan], Kind::StartCancelled(v1::StartCancelled { reason: String::new() }));
    w.plan(1, at(11, 10), at(18, 0));
    assert_eq!(w.metal(at(11, 30)), ["run-up-due 1"]);
}

#[test]
fn a_late_plan_that_was_there_before_the_waiver_makes_it_block() {
    let mut w = washed();
    w.plan(1, at(9, 50), at(20, 1));
    w.waive(1, at(10, 0), at(19, 0));
    assert_eq!(blocks(&w, ItemKind::StartAwaited, at(10, 30)), Some(Blocks::Yes));
}

#[test]
fn only_a_planner_s_start_dries_and_only_after_the_procedure_s_minutes() {
    let mut w = washed();
    w.act("stranger", at(11, 0), started(1, 300));
    w.act("planner", at(11, 10), started(1, 299));
    assert!(w.metal(at(11, 30)).contains(&"run-up-due 1".to_owned()));
    w.act("planner", at(11, 20), started(1, 300));
    assert!(!w.metal(at(11, 30)).contains(&"run-up-due 1".to_owned()));
}

#[test]
fn of_two_injections_the_one_that_began_first_sets_the_window() {
    let mut w = World::washing();
    w.act("tech", at(9, 20), cycle(1, at(9, 10)));
    let Kind::CycleRun(mut long) = cycle(1, at(9, 0)) else { unreachable!() };
    long.injection_ended_ms = Some(at(9, 29));
    w.act("tech", at(9, 30), Kind::CycleRun(long));
    let state = w.state_at(at(10, 0));
    assert_eq!(state.items.iter().find(|i| i.kind == ItemKind::RunUpDue).unwrap().due_ms, Some(at(21, 0)));
}

#[test]
fn instants_at_the_end_of_all_numbers_are_answered_and_crash_nothing() {
    let extremes = [0, 1, u64::MAX / 1000, u64::MAX - 999, u64::MAX];
    for extreme in extremes {
        let mut w = World::washing();
        let Kind::CycleRun(body) = cycle(1, at(9, 0)) else { unreachable!("a cycle is a cycle") };
        let changes: [fn(&mut v1::CycleRun, u64); 4] = [
            |b, ms| b.injection_started_ms = Some(ms),
            |b, ms| b.injection_ended_ms = Some(ms),
            |b, ms| b.motoring_started_ms = Some(ms),
            |b, ms| b.motoring_ended_ms = Some(ms),
        ];
        for change in changes {
            let mut body = body.clone();
            change(&mut body, extreme);
            w.act("tech", at(9, 10), Kind::CycleRun(body));
        }
        w.waive(1, at(9, 20), extreme);
        for time_ms in [at(10, 0), extreme] {
            w.state_at(time_ms);
            let (aircraft, size) = (aircraft(), w.history.size());
            for planned_start_ms in [None, Some(extreme)] {
                let question = Question { aircraft, planned_start_ms, assume_closed: vec![], epoch: 1, size, time_ms };
                w.history.assess(&question);
            }
        }
    }
}

#[test]
fn a_plan_stands_until_somebody_who_may_plan_cancels_it_though_the_waiver_lapses_at_any_word() {
    for (who, removed) in [("stranger", false), ("planner", true)] {
        let mut w = washed();
        w.plan(1, at(9, 50), at(12, 0));
        let late = w.plan(1, at(9, 55), at(20, 1));
        let cancelled = Kind::StartCancelled(v1::StartCancelled { reason: String::new() });
        w.naming(who, at(10, 0), &[late], cancelled);
        w.waive(1, at(10, 10), at(19, 0));
        let expected = if removed { Blocks::Condition } else { Blocks::Yes };
        assert_eq!(blocks(&w, ItemKind::StartAwaited, at(10, 30)), Some(expected), "{who}");
    }
    let mut w = washed();
    let plan = w.plan(1, at(9, 50), at(19, 0));
    w.waive(1, at(10, 0), at(19, 0));
    w.naming("stranger", at(10, 10), &[plan], Kind::StartCancelled(v1::StartCancelled { reason: String::new() }));
    assert!(w.metal(at(10, 30)).contains(&"run-up-due 1".to_owned()), "what opens, opens");
}

fn decided() -> Kind {
    Kind::OverdueDecided(v1::OverdueDecided { engine: engine(1), ..Default::default() })
}

/// What is open, findings apart, which somebody has to settle whatever comes.
fn waits(w: &World, time_ms: u64) -> Vec<String> {
    w.metal(time_ms).into_iter().filter(|name| !name.starts_with("finding-open")).collect()
}

#[test]
fn a_run_up_after_an_overdue_decision_still_dries_the_water_and_a_decision_alone_does_not() {
    let mut w = World::washing();
    w.act("tech", at(9, 2), cycle(1, at(9, 0)));
    w.act("certifier", at(21, 30), decided());
    assert_eq!(waits(&w, at(22, 0)), ["drying-due 1"]);
    w.act("runner", at(22, 16), run_up(1, at(22, 10)));
    assert!(waits(&w, at(23, 0)).is_empty(), "{:?}", waits(&w, at(23, 0)));
    assert_eq!(w.rules_broken(at(23, 0)).iter().filter(|rule| **rule == "run-up-missed").count(), 1);
}

#[test]
fn an_injection_after_an_overdue_decision_waits_for_drying_and_for_a_run_of_its_own() {
    let mut w = washed();
    w.act("certifier", at(21, 30), decided());
    w.act("tech", at(22, 2), cycle(1, at(22, 0)));
    assert_eq!(waits(&w, at(22, 30)), ["drying-due 1", "run-up-due 1"]);
    // Judged as a run-up before that water it dries nothing.
    w.act("runner", at(22, 40), run_up(1, at(21, 50)));
    assert_eq!(waits(&w, at(22, 45)), ["drying-due 1", "run-up-due 1"]);
}

#[test]
fn an_overdue_decision_let_count_decides_nothing_on_water_that_came_after_it() {
    for water_after in [false, true] {
        let mut w = washed();
        let seen = w.history.size();
        w.grant("stranger", v1::Authority::Certify, |_| ());
        let kind = decided();
        let fact = w.sign("stranger", at(21, 30), World::subjects(&kind), vec![], kind, Some(seen));
        let act = w.put(fact, at(21, 30));
        if water_after {
            w.act("tech", at(22, 2), cycle(1, at(22, 0)));
        }
        let counts = v1::FindingSettled { act_counts: Some(true), ..settlement("in-doubt") };
        w.naming("certifier", at(23, 0), &[act], Kind::FindingSettled(counts));
        let waits = w.metal(at(23, 30)).iter().any(|name| name.starts_with("run-up"));
        assert_eq!(waits, water_after, "{:?}", w.metal(at(23, 30)));
    }
}

#[test]
fn a_cycle_that_helped_to_open_a_window_anew_counts_for_the_next_one_if_it_began_after_its_end() {
    let mut w = washed();
    let day = at(24, 0);
    w.act("tech", at(22, 2), cycle(1, at(22, 0)));
    // The window opened by that cycle ended twelve hours later: both of these began after it.
    w.act("tech", day + at(20, 2), cycle(1, day + at(20, 0)));
    assert!(w.metal(day + at(20, 10)).contains(&"run-up-overdue 1".to_owned()), "it ran out with the first of two");
    w.act("tech", day + at(20, 22), cycle(1, day + at(20, 20)));
    let state = w.state_at(day + at(21, 0));
    let due = state.items.iter().find(|i| i.kind == ItemKind::RunUpDue).unwrap();
    assert_eq!(due.due_ms, Some(day + at(32, 0)));
    assert_eq!(state.findings.iter().filter(|f| f.rule.name() == "run-up-missed").count(), 2);
}
