use crate::fact::{Kind, Subject};
use crate::rules::testing::*;
use crate::rules::{Rule, Severity};
use crate::v1;

const SECOND: u64 = 1000;

/// A wash without readings but those told, then a cycle that injects from 09:00 on engine 1 without a reading of its own.
fn injected(before: impl Fn(&mut World)) -> World {
    let mut w = World::new();
    w.open_wash("tech", at(8, 0));
    before(&mut w);
    let Kind::CycleRun(mut body) = cycle(1, at(9, 0)) else { unreachable!("a cycle is a cycle") };
    body.water_tenths_celsius = None;
    w.act("tech", at(9, 10), Kind::CycleRun(body));
    w
}

/// The same with good readings before.
fn ready(more: impl Fn(&mut World)) -> World {
    injected(|w| {
        w.act("tech", at(8, 10), water_ready(700, 300_000));
        w.act("tech", at(8, 10), outside(150));
        more(w);
    })
}

fn rules_of(w: &World) -> Vec<&'static str> {
    w.rules_broken(at(9, 30))
}

#[test]
fn water_inside_its_window_is_good_at_both_ends_and_outside_it_is_not() {
    for (tenths, rules) in [(600, &[][..]), (750, &[]), (599, &["water-cold"]), (751, &["water-hot"])] {
        let w = ready(|w| {
            w.act("tech", at(8, 30), water_ready(tenths, 300_000));
        });
        assert_eq!(rules_of(&w), rules);
    }
    let hot = ready(|w| {
        w.act("tech", at(8, 30), water_ready(751, 300_000));
    });
    let cold = ready(|w| {
        w.act("tech", at(8, 30), water_ready(599, 300_000));
    });
    assert_eq!(hot.broken(Rule::WaterHot, at(9, 30))[0].severity, Severity::Major);
    assert_eq!(cold.broken(Rule::WaterCold, at(9, 30))[0].severity, Severity::Minor);
    assert_eq!(hot.broken(Rule::WaterHot, at(9, 30))[0].rests_on.len(), 2);
}

#[test]
fn the_cycle_s_own_reading_of_the_water_goes_before_the_rig_s() {
    let mut w = World::washing();
    w.act("tech", at(8, 30), water_ready(800, 300_000));
    w.act("tech", at(9, 10), cycle(1, at(9, 0)));
    assert!(rules_of(&w).is_empty());
    let Kind::CycleRun(mut body) = cycle(2, at(9, 0)) else { unreachable!("a cycle is a cycle") };
    body.water_tenths_celsius = Some(755);
    let cycle = w.act("tech", at(9, 10), Kind::CycleRun(body));
    assert_eq!(w.broken(Rule::WaterHot, at(9, 30))[0].rests_on.iter().map(|on| on.hash).collect::<Vec<_>>(), [cycle]);
}

#[test]
fn the_volume_is_looked_at_each_time_the_water_is_ready() {
    // 300 L: common practice, no source.
    assert!(
        rules_of(&ready(|w| {
            w.act("tech", at(8, 30), water_ready(700, 300_000));
        }))
        .is_empty()
    );
    let short = |w: &mut World| {
        w.act("tech", at(8, 30), water_ready(700, 299_999));
        w.act("tech", at(8, 40), water_ready(700, 300_000));
    };
    assert_eq!(rules_of(&ready(short)), ["volume-short"]);
}

#[test]
fn each_reading_that_is_missing_before_an_injection_is_named() {
    let nothing = injected(|_| ());
    let found = nothing.broken(Rule::ReadingMissing, at(9, 30));
    assert_eq!(found[0].severity, Severity::Minor);
    assert!(found[0].text.ends_with("no reading before it: water, outside air."), "{}", found[0].text);
    assert!(rules_of(&ready(|_| ())).is_empty());
    let late = injected(|w| {
        w.act("tech", at(9, 0), water_ready(700, 300_000));
        w.act("tech", at(9, 0) + SECOND, outside(150));
    });
    let text = &late.broken(Rule::ReadingMissing, at(9, 30))[0].text;
    assert!(text.ends_with("no reading before it: outside air."), "{text}");
}

/// Wash one opened on engine 1 alone, with or without the time of its last shutdown.
fn opened(last_shutdown_ms: Option<u64>) -> Kind {
    let scope = v1::EngineInScope { engine: engine(1), last_shutdown_ms, as_found: String::new() };
    Kind::WashOpened(v1::WashOpened {
        work_order: "WO-1".into(),
        procedure: Some(v1::ProcedureRef { digest: text_digest().to_vec() }),
        engines: vec![scope],
        ..Default::default()
    })
}

#[test]
fn without_its_last_shutdown_a_reading_is_missing_and_only_this_wash_s_by_somebody_who_may_is_one() {
    let washed = |more: &dyn Fn(&mut World)| {
        let mut w = World::new();
        w.act("tech", at(8, 0), opened(None));
        w.act("tech", at(8, 1), water_ready(700, 300_000));
        w.act("tech", at(8, 1), outside(150));
        more(&mut w);
        w.act("tech", at(9, 10), cycle(1, at(9, 0)));
        w.broken(Rule::ReadingMissing, at(9, 30)).into_iter().map(|found| found.text).collect::<Vec<_>>()
    };
    let missing = washed(&|_| ());
    assert!(missing[0].ends_with(": last shutdown."), "{missing:?}");
    let of_another_wash = |w: &mut World| {
        let subjects = [Subject::Wash(id("wash two")), Subject::Engine("OT-1".into()), Subject::Aircraft(aircraft())];
        let run = w.sign("runner", at(7, 0), subjects.to_vec(), vec![], run_up(1, at(6, 50)), None);
        w.put(run, at(7, 0));
    };
    assert_eq!(washed(&of_another_wash), missing);
    assert_eq!(
        washed(&|w| {
            w.act("stranger", at(8, 2), opened(Some(at(6, 0))));
        }),
        missing
    );
    assert_eq!(
        washed(&|w| {
            w.act("runner", at(9, 0), run_up(1, at(9, 1)));
        }),
        missing,
        "it ran after the injection"
    );
    assert!(
        washed(&|w| {
            w.act("tech", at(8, 2), opened(Some(at(6, 0))));
        })
        .is_empty()
    );
}

#[test]
fn a_reading_by_somebody_without_authority_hides_no_breach_and_shows_one() {
    let hidden = ready(|w| {
        w.act("tech", at(8, 20), outside(49));
        w.act("stranger", at(8, 30), outside(150));
    });
    assert_eq!(hidden.broken(Rule::TooColdOutside, at(9, 30)).len(), 1);
    let shown = ready(|w| {
        w.act("stranger", at(8, 30), outside(49));
    });
    assert_eq!(shown.broken(Rule::TooColdOutside, at(9, 30)).len(), 1);
    let missing = injected(|w| {
        w.act("stranger", at(8, 20), water_ready(700, 300_000));
        w.act("stranger", at(8, 20), outside(150));
    });
    assert_eq!(missing.broken(Rule::ReadingMissing, at(9, 30)).len(), 1);
}

#[test]
fn air_and_metal_are_good_at_their_limits_and_not_beyond() {
    let cases = [
        (outside(50), None),
        (outside(49), Some(Rule::TooColdOutside)),
        (metal_at(1, 50), None),
        (metal_at(1, 49), Some(Rule::EngineTooCold)),
        (metal_at(1, 650), None),
        (metal_at(1, 651), Some(Rule::EngineTooHot)),
        (metal_at(2, 651), None),
    ];
    for (reading, rule) in cases {
        let w = ready(|w| {
            w.act("tech", at(8, 59), reading.clone());
        });
        assert_eq!(rules_of(&w), rule.iter().map(|r| r.name()).collect::<Vec<_>>(), "{reading:?}");
        assert!(rule.is_none_or(|rule| w.broken(rule, at(9, 30))[0].severity == Severity::Major));
    }
}

#[test]
fn only_the_newest_reading_before_the_injection_is_looked_at() {
    let newest = ready(|w| {
        w.act("tech", at(8, 20), outside(-35));
        w.act("tech", at(8, 30), outside(60));
        w.act("tech", at(9, 0) + SECOND, outside(-35));
    });
    assert!(rules_of(&newest).is_empty());
    let cold = ready(|w| {
        w.act("tech", at(9, 0), outside(-35));
    });
    let text = &cold.broken(Rule::TooColdOutside, at(9, 30))[0].text;
    assert_eq!(
        text,
        "Water was injected on engine 1 in air too cold for it: outside air −3.5 °C, at least 5.0 °C asked."
    );
}

#[test]
fn an_engine_cools_down_for_an_hour_before_water_goes_in() {
    for (ran_until_ms, hot) in [(at(8, 0), false), (at(8, 0) + SECOND, true)] {
        let w = ready(|w| {
            let Kind::RunUpDone(mut run) = run_up(1, at(7, 50)) else { unreachable!("a run-up is one") };
            run.ended_ms = Some(ran_until_ms);
            w.act("runner", at(8, 5), Kind::RunUpDone(run));
        });
        assert_eq!(!w.broken(Rule::EngineTooHot, at(9, 30)).is_empty(), hot);
    }
    let mut w = World::new();
    w.open_wash("tech", at(6, 10));
    w.act("tech", at(6, 12), water_ready(700, 300_000));
    w.act("tech", at(6, 12), outside(150));
    w.act("tech", at(6, 40), cycle(1, at(6, 30)));
    let found = w.broken(Rule::EngineTooHot, at(9, 30));
    assert!(found[0].text.ends_with("shut down 30 min before, 60 min asked."), "{}", found[0].text);
}
