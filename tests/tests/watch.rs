//! Watching over a real socket: a snapshot, then what changes, by facts and by time alone; and going on after a break.

use std::time::Duration;

use rinsebook_client::remote;
use rinsebook_client::rpc::open_items_client::OpenItemsClient;
use rinsebook_client::station::{Draft, Station};
use rinsebook_client::sync::sync;
use rinsebook_proto::clock::Clock;
use rinsebook_proto::fact::Kind;
use rinsebook_proto::v1::{self, Authority, EngineAt};
use rinsebook_tests::shop::{MORNING_MS, Shop, Wash, all_well, disconnected, name, reconnected};
use tonic::Streaming;

const MINUTE_MS: u64 = 60_000;
/// Nothing is timed: a watch that hangs is to end the test.
const HANGS: Duration = Duration::from_secs(120);

type Watched = Streaming<v1::WatchItemsResponse>;

async fn watch(shop: &Shop, resume_token: &str) -> Watched {
    let channel = remote::connect(&shop.desk.home).await.unwrap();
    let request = v1::WatchItemsRequest { resume_token: resume_token.to_owned(), ..v1::WatchItemsRequest::default() };
    OpenItemsClient::new(channel).watch_items(request).await.unwrap().into_inner()
}

async fn next(watched: &mut Watched) -> v1::WatchItemsResponse {
    tokio::time::timeout(HANGS, watched.message()).await.expect("the watch hangs").unwrap().expect("it goes on")
}

/// Reads until the aircraft's items are as wanted.
async fn until(watched: &mut Watched, wanted: impl Fn(&[String]) -> bool) -> v1::WatchItemsResponse {
    loop {
        let answer = next(watched).await;
        if wanted(&names(&answer)) {
            return answer;
        }
    }
}

fn names(answer: &v1::WatchItemsResponse) -> Vec<String> {
    answer.aircraft.iter().flat_map(|aircraft| &aircraft.items).map(name).collect()
}

async fn send(station: &mut Station, shop: &Shop, facts: Vec<Draft>) {
    station.sign_card(&shop.technician.key, facts).unwrap();
    all_well(&sync(station, 3).await.unwrap()).unwrap();
}

fn open(line: &str) -> impl Fn(&[String]) -> bool {
    let item = format!("line-disconnected {line}");
    move |names| names.contains(&item)
}

#[tokio::test(flavor = "multi_thread")]
async fn a_watch_begins_with_what_is_open_and_then_tells_only_what_changes() {
    let mut shop = Shop::open().await.unwrap();
    let mut station = shop.station("ramp-1").await.unwrap();
    let mut watched = watch(&shop, "").await;
    let empty = next(&mut watched).await;
    assert!(empty.snapshot_complete && empty.aircraft.is_none(), "nothing is open yet, and that is said");

    let wash = Wash::of(shop.aircraft);
    let facts = vec![wash.opened(&shop, MORNING_MS), wash.on(2, disconnected("PS-1"), MORNING_MS)];
    send(&mut station, &shop, facts).await;
    let first = until(&mut watched, open("2 PS-1")).await;
    assert!(!first.snapshot_complete);

    // What changes no answer is not told: the very next answer is of what comes after it.
    until_quiet(&mut watched, first).await;
    let before = shop.service.as_ref().unwrap().entries();
    shop.enrol("Bex Alder (invented)", &[Authority::Inspect]).await.unwrap();
    let enrolled = shop.service.as_ref().unwrap().entries();
    assert!(enrolled > before);
    send(&mut station, &shop, vec![wash.on(1, disconnected("MV-2"), shop.clock.wall_ms())]).await;
    let after = next(&mut watched).await;
    assert!(after.as_of.unwrap().size > enrolled, "{:?}", names(&after));
    until(&mut watched, open("1 MV-2")).await;

    let mut late = watch(&shop, "").await;
    let snapshot = next(&mut late).await;
    assert!(snapshot.snapshot_complete && open("1 MV-2")(&names(&snapshot)) && open("2 PS-1")(&names(&snapshot)));
}

/// The station's report that nothing is left comes after its facts: then the aircraft's answer stands still.
async fn until_quiet(watched: &mut Watched, first: v1::WatchItemsResponse) {
    let silent = |names: &[String]| names.contains(&"device-outstanding".to_owned());
    if silent(&names(&first)) {
        until(watched, |names| !silent(names)).await;
    }
}

#[tokio::test(flavor = "multi_thread")]
async fn what_time_alone_ends_is_told_when_its_time_comes() {
    let mut shop = Shop::open().await.unwrap();
    let mut station = shop.station("ramp-1").await.unwrap();
    let wash = Wash::of(shop.aircraft);
    let start_ms = MORNING_MS;
    shop.clock.set(MORNING_MS + 3 * MINUTE_MS);
    let cycle = |engine: EngineAt| {
        Kind::CycleRun(v1::CycleRun {
            engine: Some(engine),
            motoring_started_ms: Some(start_ms),
            rotation_confirmed_ms: Some(start_ms + 5_000),
            injection_started_ms: Some(start_ms + 12_000),
            injection_ended_ms: Some(start_ms + 132_000),
            motoring_ended_ms: Some(start_ms + 133_000),
            speed_tenths_percent: Some(300),
            water_tenths_celsius: Some(700),
            volume_millilitres: Some(100_000),
        })
    };
    let facts = vec![wash.opened(&shop, MORNING_MS), wash.on(2, cycle, start_ms + 133_000)];
    send(&mut station, &shop, facts).await;
    let mut watched = watch(&shop, "").await;
    let soaks = |names: &[String]| names.contains(&"soaking 2".to_owned());
    let soaking = until(&mut watched, soaks).await;
    let items = &soaking.aircraft.as_ref().unwrap().items;
    let ends_ms = items.iter().find(|item| item.name == "soaking").unwrap().due_ms.unwrap();
    // Soak of 300 s: common practice, no source.
    assert_eq!(ends_ms, start_ms + 432_000);

    let entries = shop.service.as_ref().unwrap().entries();
    for now_ms in [ends_ms - 1000, ends_ms] {
        shop.clock.set(now_ms);
    }
    let over = until(&mut watched, |names| !soaks(names)).await;
    assert_eq!(over.as_of.unwrap().time_ms / 1000, ends_ms / 1000);
    assert_eq!(over.as_of.unwrap().size, soaking.as_of.unwrap().size);
    assert_eq!(shop.service.as_ref().unwrap().entries(), entries, "no fact came");

    let overdue_ms = MORNING_MS + 13 * 60 * MINUTE_MS;
    shop.clock.set(overdue_ms);
    let overdue = until(&mut watched, |names| names.contains(&"run-up-overdue 2".to_owned())).await;
    assert!(overdue.aircraft.unwrap().findings.iter().any(|finding| finding.rule == "run-up-missed"));
}

#[tokio::test(flavor = "multi_thread")]
async fn who_comes_back_with_a_token_is_told_exactly_what_differs() {
    let mut shop = Shop::open().await.unwrap();
    let other = shop.list("ZZ-RBB", "Invented 200", "Ossavar T2", ["OT-0003", "OT-0004"]).await.unwrap();
    let mut station = shop.station("ramp-1").await.unwrap();
    let (wash, elsewhere) = (Wash::of(shop.aircraft), Wash::of(other));
    let facts = vec![wash.opened(&shop, MORNING_MS), wash.on(2, disconnected("PS-1"), MORNING_MS)];
    send(&mut station, &shop, facts).await;
    let remark = Kind::DefectRaised(v1::DefectRaised::default());
    send(&mut station, &shop, vec![elsewhere.of_aircraft(remark, MORNING_MS)]).await;
    let mut watched = watch(&shop, "").await;
    let mut snapshot = vec![next(&mut watched).await];
    while !snapshot.last().unwrap().snapshot_complete {
        snapshot.push(next(&mut watched).await);
    }
    assert_eq!(snapshot.len(), 2, "two aircraft have something open");
    let (in_the_middle, whole) = (snapshot[0].resume_token.clone(), snapshot[1].resume_token.clone());
    drop(watched);

    let unchanged = next(&mut watch(&shop, &whole).await).await;
    assert!(unchanged.snapshot_complete && unchanged.aircraft.is_none(), "{unchanged:?}");
    let rest = next(&mut watch(&shop, &in_the_middle).await).await;
    assert!(rest.snapshot_complete, "only the second is left to be told");
    assert_eq!(rest.aircraft, snapshot[1].aircraft);

    shop.restart(&mut [&mut station]).await.unwrap();
    send(&mut station, &shop, vec![wash.on(2, reconnected("PS-1"), MORNING_MS + 1000)]).await;
    let changed = next(&mut watch(&shop, &whole).await).await;
    assert!(changed.snapshot_complete, "one aircraft differs, though the service was started anew meanwhile");
    assert_eq!(changed.aircraft.as_ref().unwrap().aircraft, shop.aircraft.to_vec());
    assert!(names(&changed).contains(&"inspection-due 2 PS-1".to_owned()));
}

#[tokio::test(flavor = "multi_thread")]
async fn a_token_that_is_none_of_this_log_s_and_an_aircraft_that_is_none_are_refused_with_what_to_do() {
    let shop = Shop::open().await.unwrap();
    let whole = next(&mut watch(&shop, "").await).await.resume_token;
    let other = Shop::open().await.unwrap();
    for (token, said) in [("nonsense", "not given out"), (whole.as_str(), "another record")] {
        let channel = remote::connect(&other.desk.home).await.unwrap();
        let request = v1::WatchItemsRequest { resume_token: token.to_owned(), ..v1::WatchItemsRequest::default() };
        let refused = OpenItemsClient::new(channel).watch_items(request).await.unwrap_err();
        assert_eq!(refused.code(), tonic::Code::InvalidArgument);
        assert!(refused.message().contains(said) && refused.message().contains("leave it empty"), "{refused}");
    }
    let channel = remote::connect(&other.desk.home).await.unwrap();
    let request = v1::WatchItemsRequest { aircraft: vec![9; 16], ..v1::WatchItemsRequest::default() };
    let unknown = OpenItemsClient::new(channel).watch_items(request).await.unwrap_err();
    assert_eq!(unknown.code(), tonic::Code::NotFound);
}
