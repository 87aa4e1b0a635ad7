use crate::fact::Kind;
use crate::rules::testing::*;
use crate::rules::{Blocks, ItemKind, Rule, Severity};
use crate::v1;

fn short(w: &World, time_ms: u64) -> Vec<u32> {
    let items = w.of_kind(ItemKind::CyclesShort, time_ms);
    items.iter().map(|item| item.engine.as_ref().expect("of an engine").position).collect()
}

fn dropped(position: u32) -> Kind {
    Kind::EngineDropped(v1::EngineDropped { engine: engine(position), reason: "no time".into() })
}

fn abandoned() -> Kind {
    Kind::WashAbandoned(v1::WashAbandoned { reason: "rain".into() })
}

#[test]
fn each_engine_in_scope_is_short_of_cycles_until_it_had_as_many_valid_ones_as_asked() {
    // Two cycles: common practice, no source.
    let mut w = World::washing();
    assert_eq!(short(&w, at(8, 30)), [1, 2]);
    assert!(w.of_kind(ItemKind::CyclesShort, at(8, 30)).iter().all(|item| item.blocks == Blocks::No));
    w.act("tech", at(9, 3), cycle(1, at(9, 0)));
    w.act("stranger", at(9, 13), cycle(1, at(9, 10)));
    assert_eq!(short(&w, at(9, 30)), [1, 2], "a cycle by somebody without authority does not count");
    w.act("tech", at(9, 23), cycle(1, at(9, 20)));
    assert_eq!(short(&w, at(9, 30)), [2]);
}

#[test]
fn an_engine_that_is_dropped_or_a_wash_that_is_abandoned_is_short_of_no_cycles() {
    let mut w = World::washing();
    w.act("stranger", at(8, 10), dropped(1));
    w.act("stranger", at(8, 10), abandoned());
    assert_eq!(short(&w, at(8, 30)), [1, 2]);
    w.act("tech", at(8, 20), dropped(1));
    assert_eq!(short(&w, at(8, 30)), [2]);
    w.act("tech", at(8, 20), abandoned());
    assert!(short(&w, at(8, 30)).is_empty());
}

#[test]
fn what_is_open_in_an_abandoned_wash_still_blocks() {
    let mut w = World::washing();
    w.act("tech", at(8, 10), disconnected(1, "PS-1"));
    w.act("tech", at(8, 20), abandoned());
    assert_eq!(w.metal(at(9, 0)), ["line-disconnected 1 PS-1"]);
    w.act("certifier", at(8, 30), Kind::SignedOff(signed_off()));
    assert!(w.open(at(9, 0)).contains(&"sign-off-due WO-1".to_owned()));
}

#[test]
fn a_sign_off_that_states_an_engine_s_cycles_closes_their_count_only_where_it_has_effect() {
    let mut w = World::washing();
    w.act("tech", at(8, 10), access(1, true));
    w.act("certifier", at(8, 20), Kind::SignedOff(signed_off()));
    assert_eq!(short(&w, at(8, 30)), [1, 2]);
    w.act("tech", at(8, 30), access(1, false));
    let mut one = signed_off();
    one.cycles_stated.truncate(1);
    w.act("certifier", at(8, 40), Kind::SignedOff(one));
    assert_eq!(short(&w, at(9, 0)), [2]);
}

#[test]
fn opening_work_or_water_on_an_engine_out_of_scope_is_a_major_finding() {
    let works = [disconnected(2, "PS-1"), access(2, true), fixture(2, "7", true), cycle(2, at(8, 40))];
    for work in works {
        let mut w = World::washing();
        w.act("tech", at(8, 30), dropped(2));
        w.act("tech", at(8, 50), work.clone());
        let found = w.broken(Rule::WrongEngine, at(9, 0));
        assert_eq!(found.len(), 1, "{work:?}");
        assert_eq!(found[0].severity, Severity::Major);
        assert_eq!(found[0].engine.as_ref().map(|e| e.position), Some(2));
    }
}

#[test]
fn closing_work_and_work_before_it_was_dropped_are_no_wrong_engine() {
    let mut w = World::washing();
    w.act("tech", at(8, 10), access(2, true));
    w.act("tech", at(8, 30), dropped(2));
    w.act("tech", at(8, 50), access(2, false));
    w.act("tech", at(8, 55), dry_crank(2, at(8, 51)));
    assert!(w.broken(Rule::WrongEngine, at(9, 0)).is_empty());
}

#[test]
fn an_engine_that_the_opening_does_not_name_is_wrong_and_takes_the_wash_s_values() {
    let mut w = World::new();
    let scope = v1::EngineInScope { engine: engine(1), last_shutdown_ms: Some(at(6, 0)), as_found: String::new() };
    let opened = v1::WashOpened {
        work_order: "WO-1".into(),
        procedure: Some(v1::ProcedureRef { digest: text_digest().to_vec() }),
        engines: vec![scope],
        ..Default::default()
    };
    w.act("tech", at(8, 0), Kind::WashOpened(opened));
    w.act("tech", at(9, 3), cycle(2, at(9, 0)));
    assert_eq!(w.broken(Rule::WrongEngine, at(9, 5)).len(), 1);
    let soak = w.of_kind(ItemKind::Soaking, at(9, 5));
    assert_eq!(soak[0].due_ms, Some(at(9, 7)));
}
