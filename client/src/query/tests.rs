//! Rendering of made answers, and the questions asked of a real service.

use std::process::ExitCode;

use clap::Parser;
use rinsebook_proto::v1::{self, Authority, Blocks, ItemKind, Severity, Verdict};
use serde_json::Value;

use super::*;
use crate::demo::shop::{MORNING_MS, Shop, Wash, all_well, disconnected, reconnected};
use crate::remote;
use crate::sync::sync;

const MINUTE_MS: u64 = 60_000;

fn rendered(write: impl FnOnce(&mut dyn Write) -> std::io::Result<()>) -> String {
    let mut out = Vec::new();
    write(&mut out).unwrap();
    String::from_utf8(out).unwrap()
}

fn item(kind: ItemKind, name: &str, blocks: Blocks, due_ms: Option<u64>) -> v1::OpenItem {
    v1::OpenItem {
        kind: kind as i32,
        name: name.to_owned(),
        blocks: blocks as i32,
        due_ms,
        text: format!("{name} is open, told in a sentence that is a good deal longer than one line of a terminal."),
        closes: "work that somebody with the authority does and signs, or a decision where there is one".to_owned(),
        who_may: vec![Authority::Inspect as i32, Authority::Certify as i32],
        engine: Some(v1::EngineAt { position: 2, serial: "OT-0002".to_owned() }),
        subject: "PS-1".to_owned(),
        opened_by: Some(v1::FactRef {
            index: 14,
            happened_ms: MORNING_MS,
            kind: "line-reconnected".to_owned(),
            ..v1::FactRef::default()
        }),
        ..v1::OpenItem::default()
    }
}

fn several() -> v1::AircraftItems {
    let hours = |h: u64| Some(MORNING_MS + h * 3_600_000);
    let finding = |severity: Severity, settled: bool| v1::Finding {
        rule: "speed-low".to_owned(),
        severity: severity as i32,
        text: "The speed was low.".to_owned(),
        settled_by: settled.then(v1::FactRef::default),
        ..v1::Finding::default()
    };
    v1::AircraftItems {
        registration: "ZZ-RBA".to_owned(),
        items: vec![
            item(ItemKind::Soaking, "soaking", Blocks::No, hours(1)),
            item(ItemKind::StartAwaited, "start-awaited", Blocks::Condition, hours(9)),
            item(ItemKind::Unaccounted, "unaccounted", Blocks::SignOff, None),
            item(ItemKind::InspectionDue, "inspection-due", Blocks::Yes, None),
            item(ItemKind::RunUpDue, "run-up-due", Blocks::Yes, hours(12)),
            item(ItemKind::FreezeWatch, "freeze-watch", Blocks::Yes, hours(2)),
        ],
        findings: vec![finding(Severity::Minor, true), finding(Severity::Major, false), finding(Severity::Note, false)],
        ..v1::AircraftItems::default()
    }
}

#[test]
fn what_blocks_stands_first_and_the_earliest_due_first_among_it() {
    let told = rendered(|out| render::items(&several(), MORNING_MS, out));
    let mut order: Vec<(usize, &str)> =
        ["freeze-watch  ", "run-up-due  ", "inspection-due  ", "unaccounted  ", "start-awaited  ", "soaking  "]
            .map(|name| (told.find(&format!("  {name}engine 2")).unwrap_or_else(|| panic!("{name} in:\n{told}")), name))
            .to_vec();
    let written = order.clone();
    order.sort_unstable();
    assert_eq!(order, written, "{told}");
    assert!(told.contains("  blocks    inspection-due  engine 2, line PS-1\n"), "{told}");
    assert!(told.contains("since 2031-03-04 08:00Z (line-reconnected, entry 14)"), "{told}");
    assert!(told.contains("due 2031-03-04 20:00Z, in 12 h 00 min"), "{told}");
    assert!(told.contains("  by whoever may inspect or certify\n"), "{told}");
    assert!(told.ends_with(&format!("{NOTICE}\n")), "{told}");
}

#[test]
fn due_times_are_told_from_the_time_of_the_answer_and_not_from_the_clock() {
    let told = rendered(|out| render::items(&several(), MORNING_MS + 13 * 3_600_000, out));
    assert!(
        told.contains("due 2031-03-04 20:00Z, 60 min ago") || told.contains("due 2031-03-04 20:00Z, 1 h 00 min ago")
    );
}

#[test]
fn findings_tell_how_grave_they_are_and_whether_they_are_settled() {
    let told = rendered(|out| render::items(&several(), MORNING_MS, out));
    let (open, settled) = (told.find("(major, not settled)").unwrap(), told.find("(minor, settled").unwrap());
    assert!(open < settled, "{told}");
    assert!(told.contains("(note)"), "nobody settles a note: {told}");
}

#[test]
fn no_line_is_longer_than_eighty_columns() {
    let mut answer = assessment();
    answer.first_line = "No: engine 2 line PS-1 not inspected.".to_owned();
    let told = rendered(|out| render::assessment(&answer, out)) + &rendered(|out| render::items(&several(), 0, out));
    let longest = told.lines().max_by_key(|line| line.chars().count()).unwrap();
    assert!(longest.chars().count() <= 80, "{longest}");
}

fn assessment() -> v1::Assessment {
    v1::Assessment {
        registration: "ZZ-RBA".to_owned(),
        verdict: Verdict::Blocked as i32,
        first_line: "No: engine 2 line PS-1 not inspected; and this line goes on for as long as it has to, on one."
            .to_owned(),
        items: several().items,
        conditions: vec![
            "start engine 2 by 20:00Z (plan no later than 19:00Z), air from a ground unit at the stand".to_owned(),
        ],
        latest_starts: vec![v1::LatestStart {
            engine: Some(v1::EngineAt { position: 2, serial: String::new() }),
            latest_start_ms: MORNING_MS + 11 * 3_600_000,
            window_end_ms: MORNING_MS + 12 * 3_600_000,
            air_source: "ground air".to_owned(),
        }],
        horizon_ms: Some(MORNING_MS + 7_200_000),
        devices_heard_until_ms: Some(MORNING_MS - 60_000),
        planned_start_ms: Some(MORNING_MS + 36_000_000),
        as_of: Some(v1::AsOf { epoch: 1, size: 31, time_ms: MORNING_MS }),
        rules_version: 1,
        notice: NOTICE.to_owned(),
        ..v1::Assessment::default()
    }
}

#[test]
fn the_telephone_line_is_the_first_line_and_whole() {
    let told = rendered(|out| render::assessment(&assessment(), out));
    assert_eq!(told.lines().next().unwrap(), assessment().first_line);
    for part in [
        "verdict      blocked: something open stands in the way\n",
        "asked for    a start at 2031-03-04 18:00Z\n",
        "latest start engine 2: 2031-03-04 19:00Z, its window ends 2031-03-04 20:00Z;",
        "needs ground air",
        "this answer holds until 2031-03-04 10:00Z",
        "devices      heard until 2031-03-04 07:59Z\n",
        "answered     from 31 entries, judged at 2031-03-04 08:00Z, rules version 1\n",
    ] {
        assert!(told.contains(part), "{part} in:\n{told}");
    }
    assert_eq!(told.lines().last().unwrap(), NOTICE);
}

#[test]
fn nothing_open_says_that_it_is_no_release_and_nothing_says_that_it_is_one() {
    let none = v1::AircraftItems { registration: "ZZ-RBA".to_owned(), ..v1::AircraftItems::default() };
    let told = rendered(|out| render::items(&none, MORNING_MS, out));
    assert_eq!(told, format!("ZZ-RBA\n{NOTHING_OPEN_NOTICE}\n"));
    assert!(NOTHING_OPEN_NOTICE.contains("not a release to service"));
}

#[test]
fn a_verdict_that_this_version_does_not_know_is_never_told_as_a_good_one() {
    let answer = v1::Assessment { verdict: 99, ..assessment() };
    let told = rendered(|out| render::assessment(&answer, out));
    assert!(told.contains("verdict      not known to this version"), "{told}");
    let mut list = several();
    list.items[0].blocks = 99;
    let told = rendered(|out| render::items(&list, MORNING_MS, out));
    assert!(told.contains("  not read  soaking"), "{told}");
}

#[test]
fn two_aircraft_of_one_registration_are_not_guessed_between() {
    let listed = |id: u8, registration: &str| v1::Aircraft {
        aircraft: vec![id; 16],
        registration: registration.to_owned(),
        ..v1::Aircraft::default()
    };
    let known = vec![listed(1, "ZZ-RBA"), listed(2, "ZZ-RBB"), listed(3, "ZZ-RBA")];
    assert_eq!(ask::by_registration(known.clone(), "ZZ-RBB").unwrap().aircraft, vec![2; 16]);
    let several = ask::by_registration(known.clone(), "ZZ-RBA").unwrap_err().to_string();
    assert!(several.contains(&"01".repeat(16)) && several.contains(&"03".repeat(16)), "{several}");
    assert!(ask::by_registration(known, "ZZ-RBC").is_err());
}

#[test]
fn a_fact_that_is_not_the_one_asked_for_is_not_shown() {
    let envelope = b"some bytes".to_vec();
    let hash = Hash::of(&envelope).to_vec();
    let at = v1::FactRef { index: 7, envelope_hash: hash.clone(), ..v1::FactRef::default() };
    let fact = v1::RecordedFact { fact: Some(at), envelope, ..v1::RecordedFact::default() };
    ask::is_the_one(&fact, &By::EnvelopeHash(hash)).unwrap();
    ask::is_the_one(&fact, &By::Index(7)).unwrap();
    assert!(ask::is_the_one(&fact, &By::Index(8)).is_err());
    assert!(ask::is_the_one(&fact, &By::EnvelopeHash(vec![0; 32])).is_err());
    let altered = v1::RecordedFact { envelope: b"other bytes".to_vec(), ..fact };
    assert!(ask::is_the_one(&altered, &By::Index(7)).is_err());
}

#[derive(Parser)]
struct Typed<A: clap::Args> {
    #[command(flatten)]
    args: A,
}

fn typed<A: clap::Args>(words: &str) -> Result<A, clap::Error> {
    Typed::<A>::try_parse_from(["rinsebook"].into_iter().chain(words.split(' '))).map(|typed| typed.args)
}

#[test]
fn a_mistyped_item_name_or_time_is_told_and_not_assumed_away() {
    let good =
        "--station s ZZ-RBA --assume-closed inspection-due:PS-1 --assume-closed soaking --start 2031-03-04T08:00:00Z";
    let args: AssessArgs = typed(good).unwrap();
    assert_eq!((args.start, args.assume_closed.len()), (Some(MORNING_MS), 2));
    assert!(typed::<AssessArgs>("--station s ZZ-RBA --assume-closed inspecton-due").is_err());
    assert!(typed::<AssessArgs>("--station s ZZ-RBA --start 2031-03-04").is_err());
    assert!(typed::<AssessArgs>("--station s ZZ-RBA --start 1969-12-31T23:59:59Z").is_err());
}

/// A shop with a wash of which line PS-1 of engine 2 is open; the wash, and the hash of the fact that opened the line.
async fn shop() -> (Shop, Channel, Id, Hash) {
    let mut shop = Shop::open().await.unwrap();
    let mut ramp = shop.station("ramp-1").await.unwrap();
    let wash = Wash::of(shop.aircraft);
    shop.clock.set(MORNING_MS + 5 * MINUTE_MS);
    let drafts =
        vec![wash.opened(&shop, MORNING_MS + MINUTE_MS), wash.on(2, disconnected("PS-1"), MORNING_MS + 4 * MINUTE_MS)];
    let signed = ramp.sign_card(&shop.technician.key, drafts).unwrap();
    all_well(&sync(&mut ramp, 3).await.unwrap()).unwrap();
    shop.clock.set(MORNING_MS + 20 * MINUTE_MS);
    let closed = wash.on(2, reconnected("PS-1"), MORNING_MS + 19 * MINUTE_MS);
    ramp.sign_card(&shop.technician.key, vec![closed]).unwrap();
    all_well(&sync(&mut ramp, 3).await.unwrap()).unwrap();
    let channel = remote::connect(&shop.desk.home).await.unwrap();
    (shop, channel, wash.id, signed[1])
}

async fn items(channel: &Channel, words: &str) -> (ExitCode, String) {
    let mut out = Vec::new();
    let args = typed(&format!("--station s {words}")).unwrap();
    let code = run_items(channel.clone(), &args, &mut out).await.unwrap();
    (code, String::from_utf8(out).unwrap())
}

async fn assess(channel: &Channel, words: &str) -> (ExitCode, String) {
    let mut out = Vec::new();
    let args = typed(&format!("--station s {words}")).unwrap();
    let code = run_assess(channel.clone(), &args, &mut out).await.unwrap();
    (code, String::from_utf8(out).unwrap())
}

async fn show(channel: &Channel, words: &str) -> Result<String, ClientError> {
    let mut out = Vec::new();
    run_show(channel.clone(), &typed(&format!("--station s {words}")).unwrap(), &mut out).await?;
    Ok(String::from_utf8(out).unwrap())
}

#[tokio::test(flavor = "multi_thread")]
async fn a_planner_sees_what_is_open_now_and_what_was_open_then() {
    let (shop, channel, ..) = shop().await;
    let (code, told) = items(&channel, "ZZ-RBA").await;
    assert_eq!(code, ExitCode::from(BLOCKED));
    assert!(told.contains("inspection-due  engine 2, line PS-1") && !told.contains("line-disconnected  "), "{told}");

    let (code, then) = items(&channel, "ZZ-RBA --at-time 2031-03-04T08:06:00Z").await;
    assert_eq!(code, ExitCode::from(BLOCKED));
    assert!(then.contains("line-disconnected  engine 2, line PS-1") && !then.contains("inspection-due"), "{then}");

    let (code, before) = items(&channel, "ZZ-RBA --at-time 2031-03-04T08:00:30Z").await;
    assert_eq!(code, ExitCode::SUCCESS, "{before}");
    assert!(before.starts_with(&format!("ZZ-RBA\n{NOTHING_OPEN_NOTICE}\n")), "{before}");

    let (_, by_id) = items(&channel, &format!("{} --json", shop.aircraft)).await;
    let json: Value = serde_json::from_str(&by_id).unwrap();
    let listed = json["aircraft"][0]["items"].as_array().unwrap();
    assert!(listed.iter().any(|i| i["kind"] == "inspection-due" && i["blocks"] == "yes"), "{by_id}");
    assert_eq!(json["as_of"]["time"], "2031-03-04T08:20:00.000Z");
    assert_eq!(json["notice"], NOTICE);
}

#[test]
fn later_pages_are_asked_for_as_of_the_moment_of_the_first() {
    let mut request = v1::ListItemsRequest { aircraft: vec![1; 16], ..v1::ListItemsRequest::default() };
    let as_of = v1::AsOf { epoch: 1, size: 9, time_ms: MORNING_MS };
    ask::go_on(&mut request, &as_of, "next".to_owned());
    assert_eq!((request.at_size, request.at_time_ms, request.page_token.as_str()), (Some(9), Some(MORNING_MS), "next"));
    assert_eq!(request.aircraft, vec![1; 16]);
}

#[tokio::test(flavor = "multi_thread")]
async fn every_page_of_a_list_is_taken() {
    let (mut shop, channel, ..) = shop().await;
    let mut ramp = shop.station("ramp-2").await.unwrap();
    let drafts = (0..3).map(|_| Wash::of(Id::random()).opened(&shop, MORNING_MS + 19 * MINUTE_MS)).collect();
    ramp.sign_card(&shop.technician.key, drafts).unwrap();
    all_well(&sync(&mut ramp, 3).await.unwrap()).unwrap();
    let whole = ask::items(channel.clone(), v1::ListItemsRequest::default()).await.unwrap();
    let request = v1::ListItemsRequest { page_size: 1, ..v1::ListItemsRequest::default() };
    let paged = ask::items(channel, request).await.unwrap();
    assert_eq!(whole.aircraft.len(), 4);
    assert_eq!(paged.aircraft, whole.aircraft);
}

#[tokio::test(flavor = "multi_thread")]
async fn an_assessment_is_told_with_its_first_line_first_and_supposes_only_what_it_is_told_to() {
    let (_shop, channel, ..) = shop().await;
    let (code, told) = assess(&channel, "ZZ-RBA").await;
    assert_eq!(code, ExitCode::from(BLOCKED));
    assert!(told.starts_with("No: engine 2 line PS-1 not inspected"), "{told}");
    let (_, told) = assess(&channel, "ZZ-RBA --assume-closed inspection-due").await;
    assert!(told.starts_with("Assuming inspection-due closed: "), "{told}");

    let (code, at_size) = assess(&channel, "ZZ-RBA --at-size 12 --at-time 2031-03-04T08:00:30Z").await;
    assert_eq!(code, ExitCode::SUCCESS, "{at_size}");
    assert!(at_size.contains("answered     from 12 entries, judged at 2031-03-04 08:00Z"), "{at_size}");
    assert_eq!(at_size.lines().last().unwrap(), NOTHING_OPEN_NOTICE);

    let (_, json) = assess(&channel, "ZZ-RBA --json --record --start 2031-03-04T18:00:00Z").await;
    let json: Value = serde_json::from_str(&json).unwrap();
    assert_eq!(json["assessment"]["verdict"], "blocked");
    assert_eq!(json["assessment"]["planned_start_time"], "2031-03-04T18:00:00.000Z");
    let kept = json["recorded_as"]["index"].as_u64().unwrap();
    let shown = show(&channel, &kept.to_string()).await.unwrap();
    assert!(shown.contains("question-answered"), "{shown}");
}

#[tokio::test(flavor = "multi_thread")]
async fn a_fact_a_wash_and_an_aircraft_are_shown_by_every_name_they_have() {
    let (shop, channel, wash, fact) = shop().await;
    let by_hash = show(&channel, &fact.to_string()).await.unwrap();
    for part in [
        "line-disconnected\n",
        "happened   2031-03-04 08:04:00Z\n",
        "signed     2031-03-04 08:05:00Z\n",
        &format!("signer     person {}\n", shop.technician.id),
        &format!("about      wash {wash}\n"),
        "about      engine serial OT-0002\n",
        "read       yes\n",
        &format!("envelope   {fact}\n"),
    ] {
        assert!(by_hash.contains(part), "{part} in:\n{by_hash}");
    }
    let index = by_hash.strip_prefix("entry ").and_then(|rest| rest.split(' ').next()).unwrap();
    assert_eq!(show(&channel, index).await.unwrap(), by_hash);
    let json: Value = serde_json::from_str(&show(&channel, &format!("{index} --json")).await.unwrap()).unwrap();
    assert_eq!(json["fact"]["fact"]["envelope_hash"], fact.to_string());

    let told = show(&channel, &wash.to_string()).await.unwrap();
    assert!(told.contains("order      WO-4711\n") && told.contains("aircraft   ZZ-RBA\n"), "{told}");
    assert!(told.contains("signed off not with effect\n"), "{told}");
    assert_eq!(told.lines().filter(|line| line.contains("PS-1")).count(), 2, "off and on again: {told}");

    let aircraft = show(&channel, "ZZ-RBA").await.unwrap();
    assert!(aircraft.contains("serial OT-0002\n") && aircraft.contains(&wash.to_string()), "{aircraft}");
    assert_eq!(show(&channel, &shop.aircraft.to_string()).await.unwrap(), aircraft);
    assert!([&by_hash, &told, &aircraft].iter().all(|t| t.lines().all(|line| line.chars().count() <= 80)));

    assert!(matches!(show(&channel, &Id([0; 16]).to_string()).await, Err(ClientError::Usage(_))));
    assert!(matches!(show(&channel, "ZZ-NONE").await, Err(ClientError::Usage(_))));
    assert!(show(&channel, "99999").await.is_err());
}
