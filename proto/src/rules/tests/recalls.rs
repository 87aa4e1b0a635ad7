use crate::bytes::Hash;
use crate::fact::{Kind, Subject};
use crate::rules::testing::*;
use crate::v1;

fn recall(since_ms: Option<u64>) -> Kind {
    Kind::ToolRecalled(v1::ToolRecalled { tool: "TW-1".into(), since_ms, reason: "read 9 % low".into() })
}

fn dispositioned(position: u32) -> Kind {
    let (line, disposition) = ("PS-1".into(), "torqued again with TW-2".into());
    let data_reference = String::new();
    Kind::JointDispositioned(v1::JointDispositioned { engine: engine(position), line, disposition, data_reference })
}

/// A joint made with TW-1 at 08:20, inspected.
fn joint(w: &mut World, position: u32) -> Hash {
    w.act("tech", at(8, 10), disconnected(position, "PS-1"));
    let joint = w.act("tech", at(8, 20), reconnected(position, "PS-1"));
    w.naming("inspector", at(8, 30), &[joint], inspected(position, "PS-1"));
    joint
}

#[test]
fn a_recall_names_each_joint_that_the_tool_made_since_that_instant() {
    for (since, open) in [(Some(at(8, 20)), true), (Some(at(8, 20) + 1000), false), (None, true)] {
        let mut w = World::washing();
        joint(&mut w, 1);
        w.act("stranger", at(9, 0), recall(since));
        let open_now = w.metal(at(9, 0)).contains(&"tool-recalled TW-1".to_owned());
        assert_eq!(open_now, open, "{since:?}");
    }
}

#[test]
fn a_recalled_tool_is_open_until_each_joint_is_dispositioned_naming_recall_and_reconnection() {
    let mut w = World::washing();
    let (first, second) = (joint(&mut w, 1), joint(&mut w, 2));
    let recalled = w.act("certifier", at(9, 0), recall(Some(at(8, 0))));
    assert_eq!(w.metal(at(9, 5)), ["tool-recalled TW-1"]);
    w.naming("certifier", at(9, 10), &[recalled], dispositioned(1));
    w.naming("certifier", at(9, 11), &[first], dispositioned(1));
    w.naming("stranger", at(9, 12), &[recalled, first], dispositioned(1));
    let detail = |w: &World| w.state_at(at(9, 30)).items.iter().find(|i| i.subject == "TW-1").map(|i| i.text.clone());
    assert!(detail(&w).unwrap().contains("engine 1 line PS-1, engine 2 line PS-1"), "{:?}", detail(&w));
    w.naming("certifier", at(9, 15), &[recalled, first], dispositioned(1));
    assert!(detail(&w).unwrap().ends_with(": engine 2 line PS-1."), "{:?}", detail(&w));
    w.naming("certifier", at(9, 16), &[recalled, second], dispositioned(2));
    assert_eq!(detail(&w), None);
}

#[test]
fn a_joint_that_is_gone_is_in_doubt_no_more() {
    let mut w = World::washing();
    joint(&mut w, 1);
    w.act("certifier", at(9, 0), recall(Some(at(8, 0))));
    w.act("tech", at(9, 10), disconnected(1, "PS-1"));
    assert_eq!(w.metal(at(9, 20)), ["line-disconnected 1 PS-1"]);
    let mut anew = reconnection(1, "PS-1");
    anew.tool = Some(v1::ToolUsed { tool: "TW-2".into(), calibration_due_unix_day: Some(30_000) });
    w.act("tech", at(9, 30), Kind::LineReconnected(anew));
    assert_eq!(w.metal(at(9, 40)), ["inspection-due 1 PS-1"]);
}

#[test]
fn a_joint_that_came_late_and_was_made_before_the_recall_is_in_doubt_too() {
    let mut w = World::washing();
    w.act("certifier", at(9, 0), recall(Some(at(8, 0))));
    assert!(w.metal(at(9, 5)).is_empty());
    joint(&mut w, 1);
    assert_eq!(w.metal(at(9, 5)), ["tool-recalled TW-1"]);
    w.act("tech", at(9, 10), disconnected(1, "PS-1"));
    w.act("tech", at(9, 20), reconnected(1, "PS-1"));
    assert_eq!(w.metal(at(9, 30)), ["inspection-due 1 PS-1"], "made with the tool after its recall");
}

#[test]
fn a_recall_recorded_on_one_aircraft_reaches_joints_on_another() {
    let mut w = World::washing();
    joint(&mut w, 1);
    w.list_aircraft("aircraft two", &["OT-3", "OT-4"]);
    let kind = recall(Some(at(8, 0)));
    let subjects = vec![Subject::Aircraft(id("aircraft two")), Subject::Wash(id("wash two"))];
    let fact = w.sign("certifier", at(9, 0), subjects, vec![], kind, None);
    let recalled = w.put(fact, at(9, 0));
    let index = w.history.by_hash(&recalled).unwrap();
    assert_eq!(w.metal(at(9, 5)), ["tool-recalled TW-1"]);
    assert!(w.history.aircraft_touched(index).contains(&aircraft()));
}
