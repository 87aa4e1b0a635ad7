use crate::fact::{Kind, Subject};
use crate::rules::testing::*;
use crate::rules::{Assessment, ItemKind, NOTHING_OPEN_NOTICE, NOTICE, Question, Verdict, answer};
use crate::v1;
use prost::Message;

fn ask(w: &World, time_ms: u64, set: impl Fn(&mut Question)) -> Assessment {
    let mut question = w.question(time_ms);
    set(&mut question);
    w.history.assess(&question)
}

/// Signed off at 11:00 on a waiver for 19:00; the devices left.
fn waived() -> World {
    let mut w = World::washing();
    w.washed_and_dried(1);
    w.finish(at(9, 50));
    w.waive(1, at(10, 30), at(19, 0));
    w.act("certifier", at(11, 0), crate::fact::Kind::SignedOff(signed_off()));
    for who in ["tech", "inspector", "waiver", "certifier"] {
        w.report(who, at(11, 1), 0);
    }
    w
}

#[test]
fn the_first_line_names_what_blocks_and_when_the_timers_allow() {
    let mut w = World::washing();
    w.act("tech", at(8, 10), disconnected(2, "PS-1"));
    w.act("tech", at(8, 20), reconnected(2, "PS-1"));
    w.act("tech", at(9, 2), cycle(1, at(9, 0)));
    w.report("tech", at(9, 3), 0);
    let answer = ask(&w, at(9, 3), |_| ());
    assert_eq!(answer.verdict, Verdict::Blocked);
    assert_eq!(
        answer.first_line,
        "No: engine 2 line PS-1 not inspected, engine 1 not dried, engine 1 not run up; timers allow 09:08Z at the \
         earliest."
    );
}

#[test]
fn with_a_waiver_the_first_line_is_the_latest_start_and_its_air() {
    let answer = ask(&waived(), at(12, 0), |_| ());
    assert_eq!(answer.verdict, Verdict::Conditions);
    assert_eq!(answer.first_line, "Latest start: engine 1 20:00Z; needs ground air.");
    assert_eq!(answer.latest_starts[0].latest_start_ms, at(20, 0));
}

#[test]
fn an_open_cowl_is_said_as_not_to_be_towed() {
    let mut w = World::washing();
    w.act("tech", at(8, 10), access(1, true));
    w.report("tech", at(8, 11), 0);
    assert_eq!(ask(&w, at(8, 12), |_| ()).first_line, "Not to be towed: engine 1 fan cowl open.");
}

#[test]
fn nothing_open_is_said_to_be_no_release() {
    let answer = ask(&World::new(), at(8, 0), |_| ());
    assert_eq!(answer.verdict, Verdict::NothingOpen);
    assert_eq!(answer.notice, NOTHING_OPEN_NOTICE);
    assert_eq!(answer.first_line, "Nothing open in this record; this is not a release to service.");
    assert_eq!(answer.horizon_ms, None);
}

#[test]
fn a_supposed_start_past_the_latest_one_blocks_that_answer_only() {
    let w = waived();
    let late = ask(&w, at(12, 0), |q| q.planned_start_ms = Some(at(20, 0) + 1000));
    assert_eq!(late.verdict, Verdict::Blocked);
    assert_eq!(ask(&w, at(12, 0), |q| q.planned_start_ms = Some(at(20, 0))).verdict, Verdict::Conditions);
    assert_eq!(ask(&w, at(12, 0), |_| ()).verdict, Verdict::Conditions);
}

#[test]
fn the_horizon_is_the_first_instant_at_which_the_answer_differs() {
    let w = waived();
    assert_eq!(ask(&w, at(12, 0), |_| ()).horizon_ms, Some(at(20, 0) + 1000));
    assert_eq!(ask(&w, at(20, 0) + 1000, |_| ()).horizon_ms, Some(at(21, 0)));
    assert_eq!(ask(&w, at(21, 0), |_| ()).horizon_ms, None);
    // Asked of the past, the next fact that begins to count is the horizon.
    assert_eq!(ask(&w, at(9, 8), |_| ()).horizon_ms, Some(at(9, 10)));
    assert_eq!(ask(&w, at(9, 10), |_| ()).horizon_ms, Some(at(9, 20)));
}

#[test]
fn the_end_of_a_soak_is_a_horizon() {
    let mut w = World::washing();
    w.act("tech", at(9, 2), cycle(1, at(9, 0)));
    assert_eq!(ask(&w, at(9, 3), |_| ()).horizon_ms, Some(at(9, 7)));
    // The starter rests until 300 s after the end of motoring.
    assert_eq!(ask(&w, at(9, 7), |_| ()).horizon_ms, Some(at(9, 7) + 1000));
    assert_eq!(ask(&w, at(9, 7) + 1000, |_| ()).horizon_ms, Some(at(21, 0)));
}

#[test]
fn the_horizon_leaves_devices_aside() {
    let mut w = World::washing();
    w.report("tech", at(8, 1), 0);
    assert_eq!(ask(&w, at(8, 2), |_| ()).horizon_ms, None);
    assert_eq!(ask(&w, at(8, 2), |_| ()).devices_heard_until_ms, Some(at(8, 1)));
}

#[test]
fn supposing_an_item_closed_brings_what_its_closing_would_open() {
    let mut w = World::washing();
    w.act("tech", at(8, 10), disconnected(1, "PS-1"));
    w.report("tech", at(8, 11), 0);
    let ends = [ItemKind::ToolCheckDue, ItemKind::Unaccounted];
    let kinds =
        |a: &Assessment| a.items.iter().map(|i| i.kind).filter(|kind| !ends.contains(kind)).collect::<Vec<ItemKind>>();
    let one = ask(&w, at(8, 12), |q| q.assume_closed = vec!["line-disconnected:PS-1".into()]);
    let short = [ItemKind::CyclesShort; 2];
    assert_eq!(kinds(&one), [&short[..], &[ItemKind::SignOffDue, ItemKind::InspectionDue]].concat());
    assert!(one.first_line.starts_with("Assuming line-disconnected:PS-1 closed: No: engine 1 line PS-1 not inspected"));
    let names =
        ["cycles-short", "line-disconnected", "inspection-due", "sign-off-due", "tool-check-due", "unaccounted"];
    let signed = ask(&w, at(8, 12), |q| q.assume_closed = names.map(String::from).to_vec());
    assert_eq!(kinds(&signed), [ItemKind::ReleaseReferenceDue]);
    assert_eq!(signed.verdict, Verdict::Conditions);
    assert_eq!(signed.conditions, ["record the release reference of work order WO-1"]);
    let names = names.iter().chain(&["release-reference-due"]).map(|name| (*name).to_owned());
    let all = ask(&w, at(8, 12), |q| q.assume_closed = names.clone().collect());
    assert_eq!(all.verdict, Verdict::NothingOpen);
    let other = ask(&w, at(8, 12), |q| q.assume_closed = vec!["line-disconnected:MV-2".into()]);
    assert!(kinds(&other).contains(&ItemKind::LineDisconnected));
}

#[test]
fn supposing_an_item_of_a_signed_wash_closed_makes_its_sign_off_due() {
    let mut w = World::washing();
    w.act("tech", at(8, 10), access(1, true));
    let closed = ask(&w, at(8, 12), |q| q.assume_closed = vec!["access-open".into()]);
    assert_eq!(closed.items.iter().filter(|i| i.kind == ItemKind::SignOffDue).count(), 1);
}

#[test]
fn an_answer_is_the_same_bytes_each_time() {
    let w = waived();
    let bytes = |_| answer::assessment(&ask(&w, at(12, 0), |_| ())).encode_to_vec();
    assert_eq!(bytes(()), bytes(()));
}

#[test]
fn the_names_of_items_are_those_of_the_messages() {
    for kind in ItemKind::ALL {
        let message = crate::v1::ItemKind::try_from(*kind as i32).unwrap();
        let name = message.as_str_name().strip_prefix("ITEM_KIND_").unwrap().to_lowercase().replace('_', "-");
        assert_eq!(name, kind.name());
    }
    assert_eq!(ItemKind::ALL.len(), 32);
}

#[test]
fn a_fact_is_told_in_a_plain_sentence() {
    let mut w = World::washing();
    w.act("tech", at(8, 10), disconnected(2, "PS-1"));
    let last = w.recorded.last().unwrap();
    assert_eq!(answer::fact_text(last, w.history.roster()), "Line PS-1 of engine 2 disconnected.");
    for recorded in &w.recorded {
        let said = answer::fact_text(recorded, w.history.roster());
        assert!(said.ends_with('.') && said.chars().next().is_some_and(char::is_uppercase), "{said}");
    }
}

#[test]
fn a_date_stands_beside_a_time_of_another_day() {
    let mut w = World::washing();
    w.act("tech", at(14, 2), cycle(1, at(14, 0)));
    let state = w.state_at(at(15, 0));
    let due = state.items.iter().find(|i| i.kind == ItemKind::RunUpDue).unwrap();
    assert_eq!(due.text, "Engine 1 not run up; its window ends 2027-01-16 02:00Z.");
}

/// A fact about nothing but its device, whose entry the service marked: its clock was in doubt.
fn marked(w: &mut World, when_ms: u64) -> u64 {
    w.clock_unsure = true;
    w.service(when_ms, Kind::DeviceReported(v1::DeviceReported { report: vec![] }));
    w.clock_unsure = false;
    w.history.size() - 1
}

fn confirm(w: &mut World, who: &str, seen: u64, from_index: u64) {
    let kind = Kind::ClockConfirmed(v1::ClockConfirmed { from_index, method: "telephone".into() });
    let fact = w.sign(who, at(7, 0), vec![Subject::Roster], vec![], kind, Some(seen));
    w.put(fact, at(7, 0));
}

#[test]
fn while_the_service_s_clock_is_in_doubt_every_answer_is_blocked_and_says_why() {
    let mut w = World::new();
    let before = w.history.size();
    let since = marked(&mut w, at(6, 0));
    assert_eq!(w.history.aircraft_touched(since), [aircraft()], "every aircraft's answer changes");
    let answer = ask(&w, at(8, 0), |_| ());
    assert_eq!(answer.verdict, Verdict::Blocked);
    let why = format!("No: the service's clock is in doubt since entry {since}, the custodian has to confirm it.");
    assert_eq!(answer.first_line, why);
    assert_eq!((answer.notice, answer.horizon_ms), (NOTICE, None));
    assert_eq!(ask(&w, at(5, 0), |_| ()).verdict, Verdict::Blocked, "whatever time it is judged at");
    assert_eq!(ask(&w, at(8, 0), |q| q.size = before).verdict, Verdict::NothingOpen, "as known before");
    confirm(&mut w, "stranger", since + 1, since);
    assert_eq!(ask(&w, at(8, 0), |_| ()).verdict, Verdict::Blocked, "the custodian alone confirms");
    let size = w.history.size();
    confirm(&mut w, "custodian", size, since);
    assert_eq!(ask(&w, at(8, 0), |_| ()).verdict, Verdict::NothingOpen);
    assert_eq!(ask(&w, at(8, 0), |q| q.size = size).verdict, Verdict::Blocked, "as known before it was confirmed");
    marked(&mut w, at(7, 0));
    assert_eq!(ask(&w, at(8, 0), |_| ()).verdict, Verdict::Blocked, "a new doubt asks for a new word");
}

#[test]
fn a_word_on_the_clock_given_without_knowing_of_the_doubt_takes_nothing_away() {
    let doubted = |seen: fn(u64) -> u64, from: fn(u64) -> u64| {
        let mut w = World::new();
        let since = marked(&mut w, at(6, 0));
        confirm(&mut w, "custodian", seen(since), from(since));
        ask(&w, at(8, 0), |_| ()).verdict == Verdict::Blocked
    };
    assert!(doubted(|since| since, |since| since), "neither seen nor told");
    assert!(!doubted(|since| since + 1, |_| 0), "seen");
    assert!(!doubted(|since| since, |since| since + 1), "told by its index");
    assert!(doubted(|since| since + 1, |since| since + 2), "of entries to come nobody knows");
}

#[test]
fn beside_a_clock_in_doubt_the_first_line_still_names_what_is_open() {
    let mut w = World::washing();
    w.act("tech", at(8, 10), access(1, true));
    w.report("tech", at(8, 11), 0);
    let since = marked(&mut w, at(8, 11));
    let line = ask(&w, at(8, 12), |_| ()).first_line;
    assert!(line.starts_with(&format!("No: the service's clock is in doubt since entry {since}")), "{line}");
    assert!(line.ends_with("engine 1 fan cowl open."), "{line}");
}

#[test]
fn a_timer_that_ends_within_a_minute_allows_from_the_next_one() {
    let mut w = World::washing();
    // The soak ends at 09:07:01.
    w.act("tech", at(9, 3), cycle(1, at(9, 0) + 1000));
    w.report("tech", at(9, 3), 0);
    let answer = ask(&w, at(9, 4), |_| ());
    assert!(answer.first_line.ends_with("timers allow 09:08Z at the earliest."), "{}", answer.first_line);
    let soaking = answer.items.iter().find(|i| i.kind == ItemKind::Soaking).unwrap();
    assert_eq!(soaking.text, "Engine 1 soaking until 09:08Z.");
}
