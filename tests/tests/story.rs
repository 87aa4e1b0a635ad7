//! The turn-rounds of the demonstration, played through real stations, sockets and disks: what the planner is told at each
//! moment, exactly; what changes when one fact is missing; and that hours without a link leave no trace in the answers.

use rinsebook_client::demo::stage::{Stage, Told};
use rinsebook_client::demo::story::{Step, Story, What};
use rinsebook_client::demo::{Cast, stories};
use rinsebook_client::rpc::records_client::RecordsClient;
use rinsebook_proto::v1;
use rinsebook_tests::shop::{Shop, name};

struct Played {
    told: Vec<Told>,
    printed: String,
    recorded: Vec<(String, u64)>,
}

async fn played(story: &Story) -> Played {
    let mut out = Vec::new();
    let mut stage = Stage::set(Cast::assemble(Shop::open().await.unwrap()).await.unwrap(), &mut out).await.unwrap();
    let told = stage.play(story).await.unwrap();
    let recorded = recorded(&stage, &story.aircraft).await;
    stage.close().service.take().unwrap().stop().await.unwrap();
    Played { told, printed: String::from_utf8(out).unwrap(), recorded }
}

fn shift() -> Story {
    stories().unwrap().into_iter().find(|story| story.aircraft == "ZZ-RBB").unwrap()
}

fn items(told: &Told) -> Vec<String> {
    told.answer.items.iter().map(name).collect()
}

/// Of every fact about the aircraft: its kind and when it happened, in order.
async fn recorded(stage: &Stage<'_>, registration: &str) -> Vec<(String, u64)> {
    let channel = rinsebook_client::remote::connect(&stage.cast.shop.desk.home).await.unwrap();
    let mut records = RecordsClient::new(channel);
    let listed = records.list_aircraft(v1::ListAircraftRequest::default()).await.unwrap().into_inner().aircraft;
    let aircraft = listed.into_iter().find(|a| a.registration == registration).unwrap().aircraft;
    let (mut facts, mut page_token) = (Vec::new(), String::new());
    loop {
        let request = v1::ListFactsRequest { aircraft: aircraft.clone(), page_token, ..Default::default() };
        let page = records.list_facts(request).await.unwrap().into_inner();
        facts.extend(page.facts.into_iter().filter_map(|f| f.fact).map(|f| (f.kind, f.happened_ms)));
        page_token = page.next_page_token;
        if page_token.is_empty() {
            facts.sort();
            return facts;
        }
    }
}

/// With the link cut from 12:00 to 14:00, as it is told at 12:35 and at 13:59.
const SILENT: &[&str] = &[
    "line-disconnected 1 MV-2",
    "line-disconnected 1 PS-1",
    "isolation-open 1 ignition",
    "isolation-open 1 reverser",
    "fixture-fitted 1 effluent collector (tag A6)",
    "fixture-fitted 1 spray adapter (tag A4)",
    "fixture-fitted 1 supply hose (tag A5)",
    "access-open 1 fan cowl",
    "tool-check-due",
    "unaccounted 1 access fan cowl",
    "unaccounted 1 fixture effluent collector",
    "unaccounted 1 fixture spray adapter",
    "unaccounted 1 fixture supply hose",
    "unaccounted 1 isolation ignition",
    "unaccounted 1 isolation reverser",
    "unaccounted 1 line MV-2",
    "unaccounted 1 line PS-1",
    "drying-due 1",
    "run-up-due 1",
    "device-outstanding",
    "final-check-due",
    "sign-off-due WO-4712",
];

#[tokio::test(flavor = "multi_thread")]
async fn the_open_items_at_six_instants_of_the_second_turn_round_are_exactly_these() {
    let told = played(&shift()).await.told;
    let washed: Vec<&str> = SILENT.iter().copied().filter(|item| *item != "device-outstanding").collect();
    let caught_up: &[&str] = &[
        "line-disconnected 1 MV-2",
        "inspection-due 1 PS-1",
        "isolation-open 1 ignition",
        "access-open 1 fan cowl",
        "tool-check-due",
        "unaccounted 1 access fan cowl",
        "unaccounted 1 isolation ignition",
        "unaccounted 1 line MV-2",
        "run-up-due 1",
        "final-check-due",
        "sign-off-due WO-4712",
    ];
    let closed: &[&str] = &["run-up-due 1", "sign-off-due WO-4712"];
    let expected = [washed.as_slice(), SILENT, SILENT, caught_up, closed, &[]];
    assert_eq!(told.len(), expected.len());
    for (told, expected) in told.iter().zip(expected) {
        assert_eq!(items(told), expected, "{}", told.title);
    }
}

#[tokio::test(flavor = "multi_thread")]
async fn two_hours_without_a_link_lose_and_double_nothing_and_afterwards_the_answers_are_those_of_facts_that_came_in_time()
 {
    let story = shift();
    let (cut, connected) = (played(&story).await, played(&story.connected()).await);
    let silent: Vec<bool> =
        cut.told.iter().map(|told| items(told).contains(&"device-outstanding".to_owned())).collect();
    assert_eq!(silent, [false, true, true, false, false, false], "the planner is told while the station is not heard");
    assert_ne!(items(&cut.told[2]), items(&connected.told[2]), "until then the answers did differ");
    for (late, in_time) in cut.told.iter().zip(&connected.told).skip(3) {
        assert_eq!(comparable(&late.answer), comparable(&in_time.answer), "{}", late.title);
    }
    assert_eq!(cut.recorded, connected.recorded, "each fact is there, once");
    let signed: usize = story.steps.iter().map(facts_of).sum();
    // The listing of the aircraft is the custodian's, and each answer to the planner is the service's.
    assert_eq!(cut.recorded.len(), signed + cut.told.len() + 1);
}

fn facts_of(step: &Step) -> usize {
    match &step.what {
        What::Card { card, .. } => card["fact"].as_array().unwrap().len(),
        _ => 0,
    }
}

/// Everything in an answer that does not name a place in the log or a random id.
fn comparable(answer: &v1::Assessment) -> String {
    let items: Vec<String> = answer
        .items
        .iter()
        .map(|item| {
            let by = item.opened_by.as_ref().unwrap();
            format!("{} {:?} {} {} {} {}", name(item), item.due_ms, item.blocks, item.text, by.kind, by.happened_ms)
        })
        .collect();
    let findings: Vec<String> = answer
        .findings
        .iter()
        .map(|f| format!("{} {} {:?} {}", f.rule, f.severity, f.engine, f.settled_by.is_some()))
        .collect();
    format!(
        "{}\n{items:#?}\n{findings:#?}\n{:?}\n{:?}\n{:?}",
        answer.first_line, answer.conditions, answer.latest_starts, answer.horizon_ms
    )
}

#[tokio::test(flavor = "multi_thread")]
async fn a_fact_that_is_dropped_from_the_script_changes_what_is_printed() {
    let (whole, lacking) = (played(&shift()).await, played(&shift().without("mv2-seen")).await);
    let before_the_run = 4;
    assert!(!items(&whole.told[before_the_run]).contains(&"inspection-due 1 MV-2".to_owned()));
    assert!(items(&lacking.told[before_the_run]).contains(&"inspection-due 1 MV-2".to_owned()));
    let line = "Engine 1 line MV-2 not inspected.";
    assert!(lacking.printed.matches(line).count() > whole.printed.matches(line).count(), "{}", lacking.printed);
    assert!(lacking.printed.contains("the sign-off of"), "and the sign-off over it had no effect: {}", lacking.printed);
}
