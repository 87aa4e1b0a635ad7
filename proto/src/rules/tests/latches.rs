use crate::bytes::Hash;
use crate::fact::Kind;
use crate::rules::testing::*;
use crate::v1;

fn latches(all_latched: Option<bool>) -> Kind {
    Kind::LatchesSeen(v1::LatchesSeen { engine: engine(1), access: "fan cowl".into(), all_latched })
}

/// Opened by the technician, closed by the mate; the closing.
fn shut() -> (World, Hash) {
    let mut w = World::washing_by(WHOLE);
    w.act("tech", at(8, 10), access(1, true));
    let closed = w.act("mate", at(8, 20), access(1, false));
    (w, closed)
}

const DUE: &str = "latch-check-due 1 fan cowl";

#[test]
fn latches_are_to_be_seen_from_the_close_until_another_person_sees_them_all_naming_it() {
    let (mut w, closed) = shut();
    assert_eq!(w.metal(at(8, 19)), ["access-open 1 fan cowl"]);
    assert_eq!(w.metal(at(8, 20)), [DUE]);
    w.act("inspector", at(8, 30), latches(Some(true)));
    w.naming("inspector", at(8, 31), &[closed], latches(None));
    w.naming("stranger", at(8, 32), &[closed], latches(Some(true)));
    assert!(w.metal(at(8, 35)).contains(&DUE.to_owned()), "unnamed, not said, without authority");
    w.naming("inspector", at(8, 40), &[closed], latches(Some(true)));
    assert!(!w.metal(at(9, 0)).contains(&DUE.to_owned()));
}

#[test]
fn who_opened_or_closed_an_access_does_not_see_its_latches() {
    for who in ["tech", "mate"] {
        let (mut w, closed) = shut();
        w.grant(who, v1::Authority::Inspect, |_| ());
        w.naming(who, at(8, 30), &[closed], latches(Some(true)));
        assert!(w.metal(at(9, 0)).contains(&DUE.to_owned()), "by {who}");
        assert_eq!(w.rules_broken(at(9, 0)), ["self-inspected"], "by {who}");
    }
}

#[test]
fn a_close_after_the_latches_were_seen_asks_for_them_again() {
    let (mut w, first) = shut();
    w.naming("inspector", at(8, 30), &[first], latches(Some(true)));
    w.act("tech", at(8, 40), access(1, true));
    assert_eq!(w.metal(at(8, 45)), ["access-open 1 fan cowl"], "latches are seen once it is closed");
    w.act("tech", at(8, 50), access(1, false));
    w.naming("inspector", at(8, 55), &[first], latches(Some(true)));
    assert_eq!(w.metal(at(9, 0)), [DUE], "that named the earlier close");
}

#[test]
fn a_latch_found_open_by_anybody_is_looked_at_again() {
    let (mut w, closed) = shut();
    w.naming("inspector", at(8, 30), &[closed], latches(Some(true)));
    w.act("stranger", at(8, 40), latches(Some(false)));
    assert!(w.metal(at(8, 45)).contains(&DUE.to_owned()));
    w.naming("inspector", at(8, 50), &[closed], latches(Some(true)));
    assert!(!w.metal(at(9, 0)).contains(&DUE.to_owned()));
}

#[test]
fn an_access_that_the_procedure_does_not_latch_has_no_latches_to_see() {
    let mut w = World::washing_by(&WHOLE.replace("latched = true", "latched = false"));
    w.act("tech", at(8, 10), access(1, true));
    w.act("mate", at(8, 20), access(1, false));
    assert!(w.metal(at(9, 0)).is_empty());
}

#[test]
fn a_close_that_does_not_count_leaves_the_access_open() {
    let mut w = World::washing_by(WHOLE);
    w.act("tech", at(8, 10), access(1, true));
    let closed = w.act("stranger", at(8, 20), access(1, false));
    w.naming("inspector", at(8, 30), &[closed], latches(Some(true)));
    assert!(w.metal(at(9, 0)).contains(&"access-open 1 fan cowl".to_owned()));
}

#[test]
fn latches_seen_by_one_person_alone_count_once_that_is_settled() {
    let text = WHOLE.replace("inspector_required = true", "inspector_required = false");
    for (procedure, closes) in [(text.as_str(), true), (WHOLE, false)] {
        let mut w = World::washing_by(procedure);
        w.act("tech", at(8, 10), access(1, true));
        let closed = w.act("tech", at(8, 20), access(1, false));
        let look = v1::ReinspectedAlone {
            engine: engine(1),
            access: "fan cowl".into(),
            result: v1::CheckResult::Satisfactory as i32,
            ..Default::default()
        };
        let look = w.naming("certifier", at(9, 0), &[closed], Kind::ReinspectedAlone(look));
        w.enrol("chief");
        w.grant("chief", v1::Authority::Certify, |_| ());
        let counts = v1::FindingSettled { act_counts: Some(true), ..settlement("re-inspected-alone") };
        w.naming("chief", at(9, 10), &[closed, look], Kind::FindingSettled(counts));
        assert_eq!(!w.metal(at(9, 20)).contains(&DUE.to_owned()), closes);
    }
}

#[test]
fn a_latch_that_one_person_alone_finds_open_is_looked_at_again_at_once() {
    let (mut w, closed) = shut();
    w.naming("inspector", at(8, 30), &[closed], latches(Some(true)));
    let look = v1::ReinspectedAlone {
        engine: engine(1),
        access: "fan cowl".into(),
        result: v1::CheckResult::NotSatisfactory as i32,
        ..Default::default()
    };
    w.naming("certifier", at(8, 40), &[closed], Kind::ReinspectedAlone(look));
    assert!(w.metal(at(9, 0)).contains(&DUE.to_owned()));
    assert!(!w.metal(at(9, 0)).iter().any(|name| name.starts_with("rework-due")));
}

#[test]
fn supposing_a_latched_access_closed_leaves_its_latches_to_be_seen() {
    let mut w = World::washing_by(WHOLE);
    w.act("tech", at(8, 10), access(1, true));
    let mut question = w.question(at(8, 15));
    question.assume_closed = vec!["access-open".into()];
    let kinds: Vec<_> = w.history.assess(&question).items.iter().map(|i| i.kind.name()).collect();
    assert!(kinds.contains(&"latch-check-due") && !kinds.contains(&"access-open"));
}

fn isolated() -> Kind {
    Kind::Isolated(v1::Isolated { engine: engine(1), isolation: "ignition".into(), tag: "4".into() })
}

fn restored(tested: Option<bool>) -> Kind {
    let (engine, isolation, tag) = (engine(1), "ignition".into(), "4".into());
    Kind::IsolationRestored(v1::IsolationRestored { engine, isolation, tag, tested })
}

#[test]
fn an_isolation_is_open_until_it_is_restored_and_tested_where_the_procedure_asks() {
    for (tested, closes) in [(None, false), (Some(false), false), (Some(true), true)] {
        let mut w = World::washing_by(WHOLE);
        w.act("stranger", at(8, 10), isolated());
        assert!(w.metal(at(8, 15)).contains(&"isolation-open 1 ignition".to_owned()), "whoever isolated it");
        w.act("stranger", at(8, 15), restored(Some(true)));
        w.act("tech", at(8, 20), restored(tested));
        let state = w.state_at(at(9, 0));
        let item = state.items.iter().find(|i| i.kind == crate::rules::ItemKind::IsolationOpen);
        assert_eq!(item.is_none(), closes, "{tested:?}");
        assert!(item.is_none_or(|i| i.text == "Engine 1 ignition isolated: restored, and not tested."));
    }
}

#[test]
fn an_isolation_that_the_procedure_does_not_test_is_restored_without() {
    let mut w = World::washing_by(&WHOLE.replace("tested = true", "tested = false"));
    w.act("tech", at(8, 10), isolated());
    w.act("mate", at(8, 20), restored(None));
    assert!(w.metal(at(9, 0)).is_empty());
}

#[test]
fn isolated_again_it_is_open_again() {
    let mut w = World::washing_by(WHOLE);
    w.act("tech", at(8, 10), isolated());
    w.act("tech", at(8, 20), restored(Some(true)));
    assert!(w.metal(at(8, 25)).is_empty());
    w.act("tech", at(8, 30), isolated());
    assert_eq!(w.metal(at(9, 0)), ["isolation-open 1 ignition"]);
}

#[test]
fn what_was_found_deferred_already_is_no_isolation_of_this_wash() {
    let mut w = World::washing_by(WHOLE);
    let (isolation, reference) = ("reverser".into(), "DEF-7".into());
    w.act("tech", at(8, 10), Kind::FoundDeferred(v1::FoundDeferred { engine: engine(1), isolation, reference }));
    assert!(w.metal(at(9, 0)).is_empty());
}

#[test]
fn nobody_sees_the_latches_of_a_close_by_nobody_known() {
    let mut w = World::washing_by(WHOLE);
    w.act("tech", at(8, 10), access(1, true));
    w.act("mate", at(8, 20), access(1, false));
    let closed = w.act("nobody", at(8, 25), access(1, false));
    w.naming("inspector", at(8, 30), &[closed], latches(Some(true)));
    assert!(w.metal(at(9, 0)).contains(&DUE.to_owned()));
}

#[test]
fn a_close_by_somebody_who_may_not_takes_no_look_away() {
    let (mut w, closed) = shut();
    w.naming("mate", at(8, 25), &[closed], latches(Some(false)));
    let again = w.act("stranger", at(8, 30), access(1, false));
    assert!(w.metal(at(8, 35)).contains(&DUE.to_owned()));
    w.grant("mate", v1::Authority::Inspect, |_| ());
    w.naming("mate", at(8, 40), &[again], latches(Some(true)));
    assert!(w.metal(at(8, 45)).contains(&DUE.to_owned()), "the mate closed it before");
    w.naming("inspector", at(8, 50), &[again], latches(Some(true)));
    assert!(!w.metal(at(9, 0)).contains(&DUE.to_owned()));
}

#[test]
fn a_latch_found_open_is_to_be_seen_again_though_nobody_recorded_the_close() {
    let mut w = World::washing_by(WHOLE);
    let unknown = Hash::of(b"a close that its station still holds");
    let look = w.naming("stranger", at(8, 30), &[unknown], latches(Some(false)));
    assert_eq!(w.metal(at(8, 35))[0], DUE);
    w.naming("inspector", at(8, 40), &[look], latches(Some(true)));
    assert!(!w.metal(at(9, 0)).contains(&DUE.to_owned()));
}

#[test]
fn an_access_opened_for_the_engine_that_hangs_there_is_not_that_of_an_engine_named_there_before() {
    let mut w = World::washing_by(WHOLE);
    w.list_aircraft("ZZ-OTHER", &["OT-9"]);
    let of_another = |open| {
        let mut kind = access(1, open);
        if let Kind::AccessClosed(b) = &mut kind {
            b.engine = Some(v1::EngineAt { position: 1, serial: "OT-9".into() });
        }
        kind
    };
    w.act("tech", at(8, 10), of_another(false));
    w.act("tech", at(8, 20), access(1, true));
    let there = w.history.state(&crate::rules::testing::id("ZZ-OTHER"), w.history.size(), at(9, 0));
    assert!(!names(&there).iter().any(|name| name.starts_with("access-open")), "{:?}", names(&there));
    assert!(w.metal(at(9, 0)).contains(&"access-open 1 fan cowl".to_owned()));
}

#[test]
fn a_latch_found_open_on_the_aircraft_that_an_engine_went_to_is_looked_at_there() {
    let mut w = World::washing_by(WHOLE);
    w.act("tech", at(8, 10), access(1, true));
    let closed = w.act("mate", at(8, 20), access(1, false));
    w.list_aircraft("ZZ-OTHER", &["OT-9"]);
    let look = latches(Some(false));
    let subjects = vec![
        crate::fact::Subject::Aircraft(crate::rules::testing::id("ZZ-OTHER")),
        crate::fact::Subject::Engine("OT-1".into()),
    ];
    let fact = w.sign("stranger", at(8, 40), subjects, vec![closed], look, None);
    w.put(fact, at(8, 40));
    let there = w.history.state(&crate::rules::testing::id("ZZ-OTHER"), w.history.size(), at(9, 0));
    assert!(names(&there).contains(&DUE.to_owned()), "{:?}", names(&there));
}
