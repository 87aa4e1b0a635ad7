use crate::fact::Kind;
use crate::rules::testing::*;
use crate::rules::{Blocks, ItemKind, Rule, Severity};
use crate::v1;

const SECOND: u64 = 1000;

/// A cycle that injects from 09:00 on engine 1, changed.
fn changed(change: impl Fn(&mut v1::CycleRun)) -> World {
    let mut w = World::washing();
    let Kind::CycleRun(mut body) = cycle(1, at(9, 0)) else { unreachable!("a cycle is a cycle") };
    change(&mut body);
    w.act("tech", at(9, 10), Kind::CycleRun(body));
    w
}

fn rules_of(w: &World) -> Vec<&'static str> {
    w.rules_broken(at(9, 30))
}

#[test]
fn a_cycle_as_the_procedure_asks_breaks_no_rule() {
    assert!(rules_of(&changed(|_| ())).is_empty());
}

#[test]
fn injection_waits_ten_seconds_from_motoring_start() {
    // 10 s: common practice, no source.
    let from = |seconds: u64| changed(move |b| b.motoring_started_ms = Some(at(9, 0) - seconds * SECOND));
    assert!(rules_of(&from(10)).is_empty());
    let early = from(9);
    let found = early.broken(Rule::InjectedEarly, at(9, 30));
    assert_eq!(found[0].severity, Severity::Minor);
    assert!(found[0].text.ends_with("after 9 s, not 10 s."), "{}", found[0].text);
}

#[test]
fn rotation_is_confirmed_at_the_start_of_injection_at_the_latest() {
    let seen = |ms: Option<u64>| changed(move |b| b.rotation_confirmed_ms = ms);
    assert!(rules_of(&seen(Some(at(9, 0)))).is_empty());
    assert_eq!(rules_of(&seen(Some(at(9, 0) + SECOND))), ["rotation-unconfirmed"]);
    let started_when = changed(|b| b.injection_started_ms = None);
    assert!(rules_of(&started_when).is_empty(), "nobody recorded when injection began");
    let never = seen(None);
    assert_eq!(never.broken(Rule::RotationUnconfirmed, at(9, 30))[0].severity, Severity::Major);
}

#[test]
fn motoring_without_water_asks_for_no_rotation_wait_or_reading() {
    let dry = changed(|b| {
        (b.injection_started_ms, b.injection_ended_ms, b.rotation_confirmed_ms) = (None, None, None);
        b.speed_tenths_percent = Some(10);
    });
    assert!(rules_of(&dry).is_empty());
}

#[test]
fn a_cycle_under_the_least_speed_or_length_is_a_finding_and_does_not_count_but_its_water_does() {
    // 120 s: common practice, no source.
    type Change = fn(&mut v1::CycleRun);
    let changes: [(Change, &[&str]); 4] = [
        (|b| b.speed_tenths_percent = Some(200), &[]),
        (|b| b.speed_tenths_percent = Some(199), &["speed-low"]),
        (|b| b.injection_ended_ms = Some(at(9, 2)), &[]),
        (|b| b.injection_ended_ms = Some(at(9, 2) - SECOND), &["injection-short"]),
    ];
    for (change, rules) in changes {
        let w = changed(change);
        assert_eq!(rules_of(&w), rules);
        let counted = w.of_kind(ItemKind::CyclesShort, at(9, 30))[0].text.clone();
        assert!(counted.contains(if rules.is_empty() { "1 of 2" } else { "0 of 2" }), "{counted}");
        assert!(w.metal(at(9, 30)).contains(&"drying-due 1".to_owned()));
    }
}

#[test]
fn the_next_cycle_or_dry_crank_starts_at_the_soak_s_end_at_the_earliest() {
    // The soak of 300 s is common practice, no source. It ends at 09:07.
    for (start_ms, broken) in [(at(9, 7), false), (at(9, 7) - SECOND, true)] {
        for next in [cycle(1, start_ms + 10 * SECOND), dry_crank(1, start_ms)] {
            let mut w = World::washing();
            let wet = w.act("stranger", at(9, 3), cycle(1, at(9, 0)));
            let cut = w.act("tech", at(9, 20), next);
            let found = w.broken(Rule::SoakShort, at(9, 30));
            assert_eq!(found.len(), usize::from(broken));
            if let Some(found) = found.first() {
                assert_eq!(found.severity, Severity::Minor);
                assert_eq!(found.rests_on.iter().map(|on| on.hash).collect::<Vec<_>>(), [wet, cut]);
            }
        }
    }
}

#[test]
fn the_other_engine_soaks_for_itself() {
    let mut w = World::washing();
    w.act("tech", at(9, 3), cycle(1, at(9, 0)));
    w.act("tech", at(9, 6), cycle(2, at(9, 3)));
    assert!(rules_of(&w).is_empty());
}

/// Two motorings without water: one of that length ending at 09:00, the next starting so long after.
fn motored(on_s: u64, rest_s: u64) -> World {
    let mut w = World::washing();
    let motoring = |started_ms: u64, ended_ms: u64| {
        Kind::MotoringAborted(v1::MotoringAborted {
            engine: engine(1),
            motoring_started_ms: Some(started_ms),
            motoring_ended_ms: Some(ended_ms),
            ..Default::default()
        })
    };
    w.act("tech", at(9, 0), motoring(at(9, 0) - on_s * SECOND, at(9, 0)));
    let start = at(9, 0) + rest_s * SECOND;
    w.act("tech", start + 10 * SECOND, motoring(start, start + 10 * SECOND));
    w
}

#[test]
fn the_starter_turns_and_rests_by_its_duty_table_with_its_tolerance() {
    // 180 s on, 300 s of rest, 5 s of tolerance.
    for (on_s, rest_s, overruns) in [(180, 300, 0), (185, 295, 0), (186, 295, 1), (10, 294, 1), (186, 294, 2)] {
        let w = motored(on_s, rest_s);
        let found = w.broken(Rule::StarterOverrun, at(10, 0));
        assert_eq!(found.len(), overruns, "{on_s} s on, {rest_s} s of rest");
        assert!(found.iter().all(|f| f.severity == Severity::Major));
    }
}

#[test]
fn one_motoring_that_is_too_long_and_too_soon_is_one_finding_on_both() {
    let mut w = motored(100, 600);
    let Kind::DryCrankRun(mut long) = dry_crank(1, at(9, 11)) else { unreachable!("a dry crank is one") };
    long.motoring_ended_ms = Some(at(9, 20));
    w.act("tech", at(9, 20), Kind::DryCrankRun(long));
    let found = w.broken(Rule::StarterOverrun, at(10, 0));
    assert_eq!(found.len(), 1);
    assert_eq!(found[0].rests_on.len(), 2);
    assert!(
        found[0].text.contains("turned for 540 s, 180 s allowed, 250 s before its rest was over"),
        "{}",
        found[0].text
    );
}

#[test]
fn the_starter_rests_until_the_end_of_its_rest_and_blocks_nothing() {
    let w = changed(|_| ());
    let end = at(9, 7) + SECOND;
    let resting = w.of_kind(ItemKind::MotoringRest, at(9, 10) - SECOND);
    assert!(resting.is_empty(), "{resting:?}");
    let mut w = World::washing();
    w.act("tech", at(9, 3), cycle(1, at(9, 0)));
    let resting = w.of_kind(ItemKind::MotoringRest, end - SECOND);
    assert_eq!((resting[0].due_ms, resting[0].blocks), (Some(end), Blocks::No));
    assert_eq!(resting[0].text, "Engine 1 starter resting until 09:08Z.");
    assert!(w.of_kind(ItemKind::MotoringRest, end).is_empty());
}

#[test]
fn a_motoring_whose_start_nobody_recorded_rests_longest_and_overruns_nothing() {
    let w = changed(|b| b.motoring_started_ms = None);
    assert_eq!(rules_of(&w), ["area-not-cleared"], "nobody could clear it for an instant that is not known");
    let mut w = World::washing();
    let aborted = v1::MotoringAborted { engine: engine(1), motoring_ended_ms: Some(at(9, 0)), ..Default::default() };
    w.act("tech", at(9, 0), Kind::MotoringAborted(aborted));
    assert_eq!(w.of_kind(ItemKind::MotoringRest, at(9, 1))[0].due_ms, Some(at(9, 5)));
}

#[test]
fn what_a_late_cycle_breaks_is_the_same_whenever_it_came() {
    let mut w = World::washing();
    w.act("tech", at(9, 20), dry_crank(1, at(9, 6)));
    assert!(rules_of(&w).is_empty());
    let kind = cycle(1, at(9, 0));
    w.act("tech", at(8, 59), area_cleared(1));
    let fact = w.sign("tech", at(9, 3), World::subjects(&kind), vec![], kind, None);
    w.put(fact, at(9, 25));
    assert_eq!(w.rules_broken(at(9, 30)), ["soak-short", "starter-overrun"]);
}

#[test]
fn the_starter_s_rest_goes_with_the_engine_to_another_aircraft() {
    let mut w = World::washing();
    w.list_aircraft("aircraft two", &["OT-8", "OT-9"]);
    w.act("tech", at(9, 3), cycle(1, at(9, 0)));
    let changed = v1::EngineChanged {
        aircraft: id("aircraft two").to_vec(),
        removed: Some(v1::EngineAt { position: 2, serial: "OT-9".into() }),
        installed: Some(v1::InstalledEngine {
            engine: Some(v1::EngineAt { position: 2, serial: "OT-1".into() }),
            engine_type: TYPE.into(),
        }),
    };
    w.custody(Kind::EngineChanged(changed));
    let state = w.history.state(&id("aircraft two"), w.history.size(), at(9, 4));
    let resting = state.items.iter().find(|item| item.kind == ItemKind::MotoringRest).expect("it rests there too");
    assert_eq!(resting.engine.as_ref().map(|engine| engine.position), Some(2));
    assert!(!state.items.iter().any(|item| item.kind == ItemKind::CyclesShort), "that stays with the wash's aircraft");
}
