use crate::fact::Kind;
use crate::rules::testing::*;
use crate::v1;

fn list(tools: &[&str]) -> Vec<String> {
    tools.iter().map(|tool| (*tool).to_owned()).collect()
}

fn out(tools: &[&str]) -> Kind {
    Kind::ToolsOut(v1::ToolsOut { tools: list(tools), none_used: false })
}

fn none_used() -> Kind {
    Kind::ToolsOut(v1::ToolsOut { tools: vec![], none_used: true })
}

fn back(tools: &[&str], complete: bool) -> Kind {
    Kind::ToolsIn(v1::ToolsIn { tools: list(tools), complete })
}

fn tool_items(w: &World, time_ms: u64) -> Vec<String> {
    w.open(time_ms).into_iter().filter(|name| name.starts_with("tool-")).collect()
}

#[test]
fn tools_are_to_be_counted_from_the_opening_of_the_wash_until_none_is_out() {
    let mut w = World::washing();
    assert_eq!(tool_items(&w, at(8, 0)), ["tool-check-due"]);
    w.act("tech", at(8, 5), out(&["TW-1", "PL-2"]));
    w.act("tech", at(9, 0), back(&["TW-1"], false));
    assert_eq!(tool_items(&w, at(9, 0)), ["tool-check-due"]);
    w.act("stranger", at(9, 5), back(&["PL-2"], false));
    assert_eq!(tool_items(&w, at(9, 5)), ["tool-check-due"], "by somebody without authority");
    w.act("mate", at(9, 10), back(&["PL-2"], true));
    assert!(tool_items(&w, at(9, 10)).is_empty());
}

#[test]
fn silence_is_no_count_and_none_used_is_one() {
    let mut w = World::washing();
    w.act("tech", at(8, 5), back(&[], true));
    assert_eq!(tool_items(&w, at(9, 0)), ["tool-check-due"]);
    w.act("stranger", at(8, 10), none_used());
    assert_eq!(tool_items(&w, at(9, 0)), ["tool-check-due"]);
    w.act("tech", at(8, 15), none_used());
    assert!(tool_items(&w, at(9, 0)).is_empty());
}

#[test]
fn tools_out_again_ask_for_a_count_again() {
    let mut w = World::washing();
    w.act("tech", at(8, 5), out(&["TW-1"]));
    w.act("tech", at(8, 10), back(&["TW-1"], true));
    let again = w.act("stranger", at(8, 20), out(&["TW-1"]));
    assert_eq!(tool_items(&w, at(9, 0)), ["tool-check-due"]);
    let state = w.state_at(at(9, 0));
    let item = state.items.iter().find(|i| i.kind.name() == "tool-check-due").unwrap();
    assert_eq!(item.opened_by.hash, again);
    assert_eq!(item.text, "Tools not counted in: out: TW-1.");
}

#[test]
fn a_tool_in_that_was_never_out_leaves_the_count_open() {
    let mut w = World::washing();
    w.act("tech", at(8, 5), out(&["TW-1"]));
    w.act("tech", at(8, 10), back(&["TW-1", "PL-9"], true));
    assert_eq!(tool_items(&w, at(9, 0)), ["tool-check-due"]);
    // The fact that it went out came late.
    w.act("mate", at(8, 6), out(&["PL-9"]));
    assert!(tool_items(&w, at(9, 0)).is_empty());
}

#[test]
fn a_tool_not_in_when_the_count_is_declared_complete_is_missing_whoever_declared_it() {
    for who in ["tech", "stranger"] {
        let mut w = World::washing();
        w.act("tech", at(8, 5), out(&["TW-1", "PL-2"]));
        w.act("tech", at(8, 10), back(&["TW-1"], false));
        assert_eq!(tool_items(&w, at(8, 10)), ["tool-check-due"]);
        w.act(who, at(8, 20), back(&["TW-1"], true));
        assert_eq!(tool_items(&w, at(8, 20)), ["tool-check-due", "tool-missing PL-2"]);
        w.act("tech", at(8, 30), back(&["PL-2"], false));
        assert!(tool_items(&w, at(9, 0)).is_empty());
    }
}

#[test]
fn a_missing_tool_is_done_with_when_its_search_is_accepted_by_another_person_with_certify() {
    let search = || Kind::ToolSearched(v1::ToolSearched { tool: "PL-2".into(), places: "intake, cowls".into() });
    let accepted = |tool: &str| Kind::ToolSearchAccepted(v1::ToolSearchAccepted { tool: tool.into() });
    let mut w = World::washing();
    w.grant("certifier", v1::Authority::Perform, |_| ());
    w.act("tech", at(8, 5), out(&["PL-2"]));
    w.act("tech", at(8, 10), back(&[], true));
    let own = w.act("certifier", at(8, 20), search());
    w.naming("certifier", at(8, 25), &[own], accepted("PL-2"));
    assert!(tool_items(&w, at(8, 30)).contains(&"tool-missing PL-2".to_owned()), "the searcher's own word");
    let searched = w.act("tech", at(8, 30), search());
    w.act("certifier", at(8, 35), accepted("PL-2"));
    w.naming("certifier", at(8, 36), &[searched], accepted("TW-1"));
    w.naming("stranger", at(8, 37), &[searched], accepted("PL-2"));
    assert!(
        tool_items(&w, at(8, 40)).contains(&"tool-missing PL-2".to_owned()),
        "no search named, no such tool, nobody"
    );
    w.naming("certifier", at(8, 45), &[searched], accepted("PL-2"));
    assert!(tool_items(&w, at(9, 0)).is_empty());
}

#[test]
fn a_search_before_the_tool_went_out_finds_nothing() {
    let mut w = World::washing();
    let search = Kind::ToolSearched(v1::ToolSearched { tool: "PL-2".into(), places: String::new() });
    let searched = w.act("tech", at(8, 2), search);
    w.act("tech", at(8, 5), out(&["PL-2"]));
    let accepted = Kind::ToolSearchAccepted(v1::ToolSearchAccepted { tool: "PL-2".into() });
    w.naming("certifier", at(8, 10), &[searched], accepted);
    assert_eq!(tool_items(&w, at(9, 0)), ["tool-check-due"]);
}
