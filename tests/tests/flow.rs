//! One fact from a person's key to the planner's answer, over real sockets, TLS and disk. Read this first.

use rinsebook_client::station::{Receipt, Station};
use rinsebook_client::sync::sync;
use rinsebook_proto::clock::Clock;
use rinsebook_proto::v1::Verdict;
use rinsebook_tests::shop::{MORNING_MS, Shop, Wash, all_well, disconnected, inspected, reconnected};

const MINUTE_MS: u64 = 60_000;

#[tokio::test(flavor = "multi_thread")]
async fn a_line_opened_on_the_ramp_blocks_until_it_is_closed_and_seen_by_a_second_person() {
    let mut shop = Shop::open().await.unwrap();
    assert_eq!(shop.assess().await.unwrap().verdict, Verdict::NothingOpen as i32);

    let mut station = shop.station("ramp-1").await.unwrap();
    let wash = Wash::of(shop.aircraft);
    let opened = wash.opened(&shop, MORNING_MS);
    let line = wash.on(2, disconnected("PS-1"), MORNING_MS + MINUTE_MS);
    shop.clock.set(MORNING_MS + 2 * MINUTE_MS);
    let signed = station.sign_card(&shop.technician.key, vec![opened, line]).unwrap();
    all_well(&sync(&mut station, 3).await.unwrap()).unwrap();
    assert!(matches!(station.receipt(&signed[1]), Some(Receipt::InLog(..))));

    let answer = shop.assess().await.unwrap();
    assert_eq!(answer.verdict, Verdict::Blocked as i32);
    assert!(answer.first_line.starts_with("No: engine 2"), "{}", answer.first_line);
    assert!(shop.open_items().await.unwrap().contains(&"line-disconnected 2 PS-1".to_owned()));

    shop.clock.set(MORNING_MS + 5 * MINUTE_MS);
    let closed = wash.on(2, reconnected("PS-1"), MORNING_MS + 4 * MINUTE_MS);
    let closed = station.sign_card(&shop.technician.key, vec![closed]).unwrap();
    all_well(&sync(&mut station, 3).await.unwrap()).unwrap();
    let open = shop.open_items().await.unwrap();
    assert!(open.contains(&"inspection-due 2 PS-1".to_owned()), "{open:?}");
    assert!(!open.contains(&"line-disconnected 2 PS-1".to_owned()), "{open:?}");

    let mut look = wash.on(2, inspected("PS-1"), shop.clock.wall_ms());
    look.refers = closed;
    station.sign_card(&shop.inspector.key, vec![look]).unwrap();
    all_well(&sync(&mut station, 3).await.unwrap()).unwrap();
    let open = shop.open_items().await.unwrap();
    assert!(!open.contains(&"inspection-due 2 PS-1".to_owned()), "a second person has seen it: {open:?}");
    assert!(open.contains(&"sign-off-due WO-4711".to_owned()), "{open:?}");
}

#[tokio::test(flavor = "multi_thread")]
async fn what_was_signed_while_the_service_was_down_is_sent_later_once_and_nothing_is_lost() {
    let mut shop = Shop::open().await.unwrap();
    let mut station = shop.station("ramp-1").await.unwrap();
    let wash = Wash::of(shop.aircraft);
    shop.service.take().unwrap().stop().await.unwrap();

    let opened = wash.opened(&shop, MORNING_MS);
    let line = wash.on(1, disconnected("PS-1"), MORNING_MS);
    station.sign_card(&shop.technician.key, vec![opened, line]).unwrap();
    assert!(sync(&mut station, 1).await.is_err(), "nobody is there");
    assert_eq!(station.unsent().len(), 2);
    // The station program is started anew meanwhile: a new run, the same outbox.
    let home = station.home.clone();
    drop(station);
    let mut station = Station::open(home, shop.clock.clone()).unwrap();
    let later = wash.on(1, reconnected("PS-1"), MORNING_MS + MINUTE_MS);
    station.sign_card(&shop.technician.key, vec![later]).unwrap();

    shop.restart(&mut [&mut station]).await.unwrap();
    let report = sync(&mut station, 3).await.unwrap();
    assert_eq!((report.admitted, report.known, report.left), (3, 0, 0));
    let again = sync(&mut station, 3).await.unwrap();
    assert_eq!((again.admitted, again.known), (0, 0), "what has a receipt is not sent again");
    assert!(shop.open_items().await.unwrap().contains(&"inspection-due 1 PS-1".to_owned()));
}

#[tokio::test(flavor = "multi_thread")]
async fn answers_are_the_same_with_sled_kept_deleted_or_damaged_and_kept_replays_fewer_entries() {
    let mut shop = Shop::open().await.unwrap();
    let mut station = shop.station("ramp-1").await.unwrap();
    let wash = Wash::of(shop.aircraft);
    let drafts = vec![wash.opened(&shop, MORNING_MS), wash.on(2, disconnected("PS-1"), MORNING_MS)];
    station.sign_card(&shop.technician.key, drafts).unwrap();
    all_well(&sync(&mut station, 3).await.unwrap()).unwrap();
    let before = shop.open_items().await.unwrap();
    let derived = shop.data().join("derived");

    shop.restart(&mut []).await.unwrap();
    let kept = shop.service.as_ref().unwrap().start.clone();
    assert_eq!((kept.replayed, kept.resumed), (0, kept.entries));
    assert_eq!(shop.open_items().await.unwrap(), before);

    shop.service.take().unwrap().stop().await.unwrap();
    std::fs::remove_dir_all(&derived).unwrap();
    shop.restart(&mut []).await.unwrap();
    let deleted = shop.service.as_ref().unwrap().start.clone();
    assert_eq!((deleted.replayed, deleted.resumed), (deleted.entries, 0));
    assert_eq!(shop.open_items().await.unwrap(), before);

    shop.service.take().unwrap().stop().await.unwrap();
    let file = derived.join("db");
    let mut bytes = std::fs::read(&file).unwrap();
    let whole = bytes.len();
    bytes[..whole / 2].iter_mut().step_by(7).for_each(|byte| *byte ^= 0x55);
    std::fs::write(&file, bytes).unwrap();
    shop.restart(&mut []).await.unwrap();
    let damaged = shop.service.as_ref().unwrap().start.clone();
    assert_eq!(damaged.replayed, damaged.entries, "{damaged:?}");
    assert_eq!(shop.open_items().await.unwrap(), before);
}

#[tokio::test(flavor = "multi_thread")]
async fn the_demonstration_tells_its_story_from_the_service_s_answers_and_proves_its_log() {
    let dir = tempfile::tempdir().unwrap();
    let keep = dir.path().join("kept");
    let mut told = Vec::new();
    let args = rinsebook_client::demo::Args { keep: Some(keep.clone()), ..Default::default() };
    rinsebook_client::demo::run(args, &mut told).await.unwrap();
    let told = String::from_utf8(told).unwrap();
    let mut rest = told.as_str();
    for line in [
        "No: engine 2 line MV-2 disconnected",
        "Engine 2 not run up; its window ends 20:55Z.",
        "signs on, and keeps what it signs",
        "Device bay-2 not heard out.",
        "is ended and started anew",
        "Engine 1 line PS-1 not inspected.",
        "Nothing open in this record; this is not a release to service.",
        "Latest start: engine 2 2031-03-05 03:32Z",
        "ask whether it ran",
        "good: ",
        "bad: ",
    ] {
        let at = rest.find(line).unwrap_or_else(|| panic!("{line:?} in its order in:\n{told}"));
        rest = &rest[at + line.len()..];
    }
    let key = std::fs::read_to_string(keep.join("log.vkey")).unwrap();
    let key = rinsebook_proto::note::VerifierKey::parse(&key).unwrap();
    assert!(rinsebook_client::verify::log_dir(&keep.join("log"), Some(&key)).is_ok());
}
