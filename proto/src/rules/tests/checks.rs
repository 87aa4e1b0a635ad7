use crate::fact::Kind;
use crate::rules::testing::*;
use crate::rules::{Blocks, ItemKind};
use crate::v1::{self, ElementKind};

fn is_due(w: &World, time_ms: u64) -> bool {
    w.open(time_ms).contains(&"final-check-due".to_owned())
}

fn check(clear: Option<bool>, panels_refitted: Option<bool>) -> Kind {
    Kind::FinalCheckDone(v1::FinalCheckDone { clear, panels_refitted })
}

#[test]
fn a_final_check_is_due_once_an_access_was_opened_a_fixture_fitted_or_tools_went_out() {
    let tools = Kind::ToolsOut(v1::ToolsOut { tools: vec!["TW-1".into()], none_used: false });
    for opening in [access(1, true), fixture(1, "7", true), tools] {
        let mut w = World::washing();
        assert!(!is_due(&w, at(8, 5)));
        w.act("stranger", at(8, 10), opening);
        assert!(is_due(&w, at(8, 10)));
    }
    let mut w = World::washing();
    w.act("tech", at(8, 10), disconnected(1, "PS-1"));
    w.act("tech", at(8, 11), Kind::ToolsOut(v1::ToolsOut { tools: vec![], none_used: true }));
    assert!(!is_due(&w, at(9, 0)), "a line is inspected by itself");
}

#[test]
fn a_final_check_is_good_when_clear_with_panels_refitted_and_by_somebody_who_may() {
    for (who, body, good) in [
        ("tech", check(None, Some(true)), false),
        ("tech", check(Some(true), Some(false)), false),
        ("stranger", final_check(), false),
        ("mate", final_check(), true),
    ] {
        let mut w = World::washing();
        w.act("tech", at(8, 10), access(1, true));
        w.act("tech", at(8, 20), access(1, false));
        w.act(who, at(8, 30), body);
        assert_eq!(!is_due(&w, at(9, 0)), good, "by {who}");
    }
}

#[test]
fn a_final_check_before_the_last_close_is_none() {
    let mut w = World::washing();
    w.act("tech", at(8, 10), access(1, true));
    w.act("tech", at(8, 15), final_check());
    assert!(is_due(&w, at(8, 16)), "a cowl stands open");
    w.act("tech", at(8, 20), access(1, false));
    assert!(is_due(&w, at(8, 25)));
    w.act("tech", at(8, 30), final_check());
    assert!(!is_due(&w, at(8, 35)));
    w.act("tech", at(8, 40), fixture(1, "7", true));
    w.act("tech", at(8, 50), fixture(1, "7", false));
    assert!(is_due(&w, at(9, 0)));
}

fn unaccounted(w: &World, time_ms: u64) -> Vec<String> {
    w.open(time_ms).into_iter().filter_map(|name| name.strip_prefix("unaccounted ").map(str::to_owned)).collect()
}

#[test]
fn every_element_of_the_procedure_is_unaccounted_for_each_engine_in_scope_and_bars_the_sign_off_only() {
    let w = World::washing_by(WHOLE);
    let expected = |position| {
        ["access fan cowl", "fixture effluent collector", "fixture spray adapter", "fixture supply hose"]
            .into_iter()
            .chain(["isolation ignition", "isolation reverser", "line MV-2", "line PS-1"])
            .map(move |name| format!("{position} {name}"))
    };
    assert_eq!(unaccounted(&w, at(8, 0)), expected(1).chain(expected(2)).collect::<Vec<String>>());
    let state = w.state_at(at(8, 0));
    let items = state.items.iter().filter(|i| i.kind == ItemKind::Unaccounted);
    assert!(items.clone().count() > 0 && items.clone().all(|i| i.blocks == Blocks::SignOff));
}

fn gone(w: &World, element: &str) -> bool {
    !unaccounted(w, at(12, 0)).contains(&element.to_owned())
}

#[test]
fn an_element_is_accounted_for_once_it_was_opened_and_closed() {
    let mut w = World::washing_by(WHOLE);
    w.act("tech", at(8, 10), disconnected(1, "PS-1"));
    assert!(!gone(&w, "1 line PS-1"), "it is still open");
    w.act("stranger", at(8, 15), reconnected(1, "PS-1"));
    assert!(!gone(&w, "1 line PS-1"), "that closed nothing");
    w.act("tech", at(8, 20), reconnected(1, "PS-1"));
    assert!(gone(&w, "1 line PS-1") && !gone(&w, "2 line PS-1"));
    w.act("tech", at(8, 30), access(1, true));
    w.act("tech", at(8, 31), access(1, false));
    w.act("tech", at(8, 32), fixture(1, "7", true));
    w.act("tech", at(8, 33), fixture(1, "7", false));
    assert!(gone(&w, "1 access fan cowl") && gone(&w, "1 fixture spray adapter"));
    let (isolation, tag) = ("ignition".to_owned(), String::new());
    w.act("tech", at(8, 40), Kind::Isolated(v1::Isolated { engine: engine(1), isolation, tag }));
    assert!(!gone(&w, "1 isolation ignition"));
    let (isolation, tag) = ("ignition".to_owned(), String::new());
    let restored = v1::IsolationRestored { engine: engine(1), isolation, tag, tested: Some(true) };
    w.act("tech", at(8, 41), Kind::IsolationRestored(restored));
    assert!(gone(&w, "1 isolation ignition"));
    w.act("tech", at(8, 50), disconnected(1, "PS-1"));
    assert!(gone(&w, "1 line PS-1"), "opened again it is an open line, and no more unaccounted");
}

fn not_used(reason: &str) -> Kind {
    let (element_kind, element) = (ElementKind::Line as i32, "PS-1".into());
    Kind::ElementNotUsed(v1::ElementNotUsed { engine: engine(1), element_kind, element, reason: reason.into() })
}

#[test]
fn an_element_not_used_is_accounted_for_with_its_reason() {
    for (who, reason, done) in [("tech", " ", false), ("stranger", "capped", false), ("tech", "capped", true)] {
        let mut w = World::washing_by(WHOLE);
        w.act(who, at(8, 10), not_used(reason));
        assert_eq!(gone(&w, "1 line PS-1"), done, "{who} {reason:?}");
        assert!(!gone(&w, "1 line MV-2"));
    }
}

#[test]
fn an_isolation_found_deferred_is_accounted_for() {
    let mut w = World::washing_by(WHOLE);
    let (isolation, reference) = ("reverser".into(), "DEF-7".into());
    w.act("tech", at(8, 10), Kind::FoundDeferred(v1::FoundDeferred { engine: engine(1), isolation, reference }));
    assert!(gone(&w, "1 isolation reverser") && !gone(&w, "2 isolation reverser"));
}

#[test]
fn what_was_never_opened_goes_with_its_engine_s_leaving_the_scope_and_what_was_opened_stays() {
    for abandoned in [false, true] {
        let mut w = World::washing();
        w.act("stranger", at(8, 10), disconnected(1, "PS-1"));
        if abandoned {
            w.act("tech", at(8, 20), Kind::WashAbandoned(v1::WashAbandoned { reason: "rig failed".into() }));
        } else {
            let dropped = v1::EngineDropped { engine: engine(1), reason: "no time".into() };
            w.act("tech", at(8, 20), Kind::EngineDropped(dropped));
        }
        let other: &[&str] = if abandoned { &[] } else { &["2 line MV-2", "2 line PS-1"] };
        let open = |w: &World| unaccounted(w, at(9, 0));
        assert_eq!(open(&w), [&["1 line PS-1"], other].concat());
        w.act("tech", at(8, 30), reconnected(1, "PS-1"));
        assert_eq!(open(&w), other);
    }
}

#[test]
fn a_move_to_a_newer_revision_adds_what_is_new_in_it_and_nothing_that_was_there() {
    let newer = WHOLE.replace("revision = 1", "revision = 2");
    let mut w = World::with(&lines_only());
    let digest = w.publish(&newer, 2);
    w.open_wash("tech", at(8, 0));
    w.act("tech", at(8, 10), disconnected(1, "PS-1"));
    w.act("tech", at(8, 20), reconnected(1, "PS-1"));
    let decided = |outcome: v1::RevisionOutcome| {
        let procedure = Some(v1::ProcedureRef { digest: digest.to_vec() });
        Kind::RevisionDecided(v1::RevisionDecided { outcome: outcome as i32, procedure, reason: "safer".into() })
    };
    let before = unaccounted(&w, at(9, 0));
    w.act("certifier", at(8, 30), decided(v1::RevisionOutcome::GoOn));
    w.act("stranger", at(8, 31), decided(v1::RevisionOutcome::Move));
    assert_eq!(unaccounted(&w, at(9, 0)), before, "going on adds nothing, nor does who may not decide");
    w.act("certifier", at(8, 40), decided(v1::RevisionOutcome::Move));
    let after = unaccounted(&w, at(9, 0));
    assert!(after.contains(&"1 access fan cowl".to_owned()) && !after.contains(&"1 line PS-1".to_owned()));
    assert_eq!(after.len(), before.len() + 12);
}
