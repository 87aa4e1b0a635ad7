use crate::fact::Kind;
use crate::rules::Severity;
use crate::rules::testing::*;
use crate::v1;

const SECOND: u64 = 1000;

fn open_before_injection() -> String {
    lines_only().replace("open_before_injection = false", "open_before_injection = true")
}

#[test]
fn a_line_that_the_procedure_does_not_list_is_found_when_it_is_disconnected() {
    let mut w = World::washing();
    w.act("tech", at(8, 10), disconnected(1, "PS-1"));
    assert!(w.rules_broken(at(8, 15)).is_empty());
    w.act("tech", at(8, 20), disconnected(1, "XX-9"));
    assert_eq!(w.rules_broken(at(9, 0)), ["line-outside-procedure"]);
}

#[test]
fn water_goes_in_with_every_line_open_that_the_procedure_wants_open_at_that_instant() {
    for (opened, found) in [(at(9, 0), false), (at(9, 0) + SECOND, true)] {
        let mut w = World::washing_by(&open_before_injection());
        w.act("tech", at(8, 10), disconnected(1, "PS-1"));
        w.act("tech", opened, disconnected(1, "MV-2"));
        w.act("tech", at(9, 3), cycle(1, at(9, 0)));
        assert_eq!(w.rules_broken(at(9, 10)).contains(&"line-not-opened"), found);
    }
}

#[test]
fn a_line_closed_at_the_instant_of_the_injection_was_not_open_and_its_name_is_told() {
    let mut w = World::washing_by(&open_before_injection());
    w.act("tech", at(8, 10), disconnected(1, "PS-1"));
    w.act("tech", at(8, 11), disconnected(1, "MV-2"));
    w.act("tech", at(9, 0), reconnected(1, "PS-1"));
    w.act("tech", at(9, 3), cycle(1, at(9, 0)));
    let state = w.state_at(at(9, 10));
    let finding = state.findings.iter().find(|f| f.rule.name() == "line-not-opened").unwrap();
    assert_eq!(finding.text, "Water went in on engine 1 with line PS-1 not recorded open.");
}

#[test]
fn motoring_without_water_asks_for_no_open_line() {
    let mut w = World::washing_by(&open_before_injection());
    w.act("tech", at(9, 3), dry_crank(1, at(9, 0)));
    assert!(w.rules_broken(at(9, 10)).is_empty());
}

#[test]
fn a_line_reconnected_while_the_engine_is_wet_is_found_where_the_procedure_asks_otherwise() {
    let before_dry = "reconnect_before_dry_allowed = true";
    for (text, dried, found) in [
        (lines_only().replace(before_dry, "reconnect_before_dry_allowed = false"), false, true),
        (lines_only().replace(before_dry, "reconnect_before_dry_allowed = false"), true, false),
        (lines_only(), false, false),
    ] {
        let mut w = World::washing_by(&text);
        w.act("tech", at(8, 10), disconnected(1, "PS-1"));
        w.act("tech", at(9, 3), cycle(1, at(9, 0)));
        if dried {
            w.act("tech", at(9, 20), dry_crank(1, at(9, 10)));
        }
        w.act("tech", at(9, 30), reconnected(1, "PS-1"));
        assert_eq!(w.rules_broken(at(9, 40)).contains(&"reconnected-wet"), found, "dried: {dried}");
    }
}

#[test]
fn torque_outside_the_window_is_found_and_at_its_ends_not() {
    for (torque, found) in [(14_999, true), (15_000, false), (20_000, false), (20_001, true)] {
        let mut w = World::washing();
        let mut body = reconnection(1, "PS-1");
        body.torque_millinewton_metres = Some(torque);
        w.act("tech", at(8, 10), disconnected(1, "PS-1"));
        w.act("tech", at(8, 20), Kind::LineReconnected(body));
        assert_eq!(w.rules_broken(at(9, 0)).contains(&"torque-out"), found, "{torque}");
    }
}

#[test]
fn a_torque_that_was_not_recorded_is_not_outside_the_window() {
    let mut w = World::washing();
    let mut body = reconnection(1, "PS-1");
    body.torque_millinewton_metres = None;
    w.act("tech", at(8, 10), disconnected(1, "PS-1"));
    w.act("tech", at(8, 20), Kind::LineReconnected(body));
    assert!(w.rules_broken(at(9, 0)).is_empty());
    assert_eq!(w.metal(at(9, 0)), ["line-unsecured 1 PS-1"]);
}

#[test]
fn a_tool_is_uncalibrated_from_the_day_after_its_last_one() {
    // 2027-01-15 is day 20,833.
    for (due_day, found) in [(20_832, true), (20_833, false)] {
        let mut w = World::washing();
        let mut body = reconnection(1, "PS-1");
        body.tool.as_mut().unwrap().calibration_due_unix_day = Some(due_day);
        w.act("tech", at(8, 10), disconnected(1, "PS-1"));
        w.act("tech", at(8, 20), Kind::LineReconnected(body));
        assert_eq!(w.rules_broken(at(9, 0)).contains(&"tool-uncalibrated"), found, "{due_day}");
    }
}

#[test]
fn a_second_disconnection_and_a_reconnection_of_what_was_never_opened_are_impossible() {
    let mut w = World::washing();
    let first = w.act("tech", at(8, 10), disconnected(1, "PS-1"));
    let second = w.act("mate", at(8, 20), disconnected(1, "PS-1"));
    let state = w.state_at(at(8, 30));
    let hashes: Vec<_> = state.findings[0].rests_on.iter().map(|r| r.hash).collect();
    assert_eq!((state.findings[0].rule.name(), hashes), ("impossible-step", vec![first, second]));
    assert_eq!(state.findings[0].text, "Disconnecting line PS-1 on engine 1 cannot be: it stood open already.");
    let mut w = World::washing();
    w.act("tech", at(8, 10), reconnected(1, "PS-1"));
    assert_eq!(w.rules_broken(at(8, 20)), ["impossible-step"]);
    assert_eq!(w.state_at(at(8, 20)).findings[0].severity, Severity::Major);
}

#[test]
fn the_disconnection_that_comes_late_makes_the_reconnection_possible() {
    let mut w = World::washing();
    w.act("tech", at(8, 20), reconnected(1, "PS-1"));
    assert_eq!(w.rules_broken(at(9, 0)), ["impossible-step"]);
    w.act("mate", at(8, 10), disconnected(1, "PS-1"));
    assert!(w.rules_broken(at(9, 0)).is_empty());
}

#[test]
fn an_engine_that_nobody_listed_is_impossible_and_major_only_where_it_touches_an_item() {
    let unknown = || Some(v1::EngineAt { position: 1, serial: "OT-l".into() });
    let touching = v1::AccessOpened { engine: unknown(), access: "fan cowl".into() };
    let other = v1::MetalTemperature { engine: unknown(), metal_tenths_celsius: Some(200) };
    let kinds = [(Kind::AccessOpened(touching), Severity::Major), (Kind::MetalTemperature(other), Severity::Note)];
    for (kind, severity) in kinds {
        let mut w = World::new();
        w.grant("tech", crate::v1::Authority::Perform, |g| g.engine_type = String::new());
        w.open_wash("tech", at(8, 0));
        w.act("tech", at(8, 10), kind);
        let state = w.state_at(at(9, 0));
        let found = state.findings.iter().find(|f| f.rule.name() == "impossible-step").unwrap();
        assert_eq!(found.severity, severity);
        assert!(found.text.contains("nobody listed that engine"), "{}", found.text);
    }
}

#[test]
fn what_opens_on_no_engine_is_impossible_and_blocks() {
    let mut w = World::washing();
    let nowhere = v1::LineDisconnected { engine: None, line: "PS-1".into(), tag: String::new() };
    w.act("tech", at(8, 10), Kind::LineDisconnected(nowhere));
    let state = w.state_at(at(9, 0));
    assert_eq!((state.findings[0].rule.name(), state.findings[0].severity), ("impossible-step", Severity::Major));
    assert_eq!(state.findings[0].text, "Disconnecting line PS-1 cannot be: it names no engine.");
}

/// What ran with something open: its subject.
fn ran_open(w: &World) -> Option<String> {
    let state = w.state_at(at(12, 0));
    state.findings.iter().find(|f| f.rule.name() == "run-while-open").map(|f| f.subject.clone())
}

#[test]
fn a_run_or_start_with_something_of_that_engine_open_is_found() {
    let isolated = |position| {
        let isolation = "ignition".into();
        Kind::Isolated(v1::Isolated { engine: engine(position), isolation, tag: String::new() })
    };
    type Opening = fn(u32) -> Kind;
    let openings: [(Opening, &str); 3] = [
        (|position| disconnected(position, "PS-1"), "line PS-1"),
        (|position| fixture(position, "7", true), "spray adapter (tag 7)"),
        (isolated, "ignition"),
    ];
    for (opening, told) in openings {
        for (who, run) in [("runner", run_up(1, at(10, 0))), ("planner", started(1, 300)), ("stranger", started(1, 0))]
        {
            let mut w = World::washing();
            w.act("tech", at(9, 0), opening(2));
            w.act(who, at(10, 6), run.clone());
            assert_eq!(ran_open(&w), None, "the other engine's");
            w.act("tech", at(9, 0), opening(1));
            assert_eq!(ran_open(&w).as_deref(), Some(told), "by {who}");
        }
    }
}

#[test]
fn what_was_closed_at_the_run_s_start_was_closed_and_a_second_later_it_was_not() {
    for (closed, found) in [(at(10, 0), false), (at(10, 0) + SECOND, true)] {
        let mut w = World::washing();
        w.act("tech", at(9, 0), fixture(1, "7", true));
        w.act("tech", closed, fixture(1, "7", false));
        w.act("runner", at(10, 6), run_up(1, at(10, 0)));
        assert_eq!(ran_open(&w).is_some(), found);
    }
}

#[test]
fn an_access_that_the_procedure_leaves_open_for_a_leak_run_may_be_open_at_a_run_up_and_not_at_a_start() {
    for (text, run_found) in
        [(WHOLE.to_owned(), false), (WHOLE.replace("open_for_leak_run = true", "open_for_leak_run = false"), true)]
    {
        let mut w = World::washing_by(&text);
        w.act("tech", at(9, 0), access(1, true));
        w.act("runner", at(10, 6), run_up(1, at(10, 0)));
        assert_eq!(ran_open(&w).is_some(), run_found);
        let mut w = World::washing_by(&text);
        w.act("tech", at(9, 0), access(1, true));
        w.act("planner", at(10, 6), started(1, 300));
        assert_eq!(ran_open(&w).as_deref(), Some("fan cowl"));
    }
}

#[test]
fn a_run_with_a_tool_missing_is_found() {
    let mut w = World::washing();
    w.act("tech", at(8, 10), Kind::ToolsOut(v1::ToolsOut { tools: vec!["TW-1".into()], none_used: false }));
    w.act("tech", at(8, 20), Kind::ToolsIn(v1::ToolsIn { tools: vec![], complete: true }));
    w.act("runner", at(10, 6), run_up(2, at(10, 0)));
    assert_eq!(ran_open(&w).as_deref(), Some("tool TW-1"));
}
