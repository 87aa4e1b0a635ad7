//! The program as others run it: what it says, and the code it ends with.

use std::path::Path;
use std::process::{Command, Output};

use rinsebook_client::demo::shop::{MORNING_MS, Shop, Wash, all_well, disconnected, reconnected};
use rinsebook_client::sync::sync;

fn run(arguments: &[&str]) -> Output {
    Command::new(env!("CARGO_BIN_EXE_rinsebook")).args(arguments).output().unwrap()
}

fn code(arguments: &[&str]) -> (i32, String) {
    let output = run(arguments);
    (output.status.code().unwrap(), String::from_utf8(output.stdout).unwrap())
}

fn text(path: &Path) -> &str {
    path.to_str().unwrap()
}

#[test]
fn verify_ends_with_nought_when_good_three_when_bad_five_when_it_could_not_check_and_two_when_misused() {
    let dir = tempfile::tempdir().unwrap();
    let kept = dir.path().join("kept");
    assert!(run(&["demo", "--keep", text(&kept)]).status.success());
    let (log, key, blobs) = (kept.join("log"), kept.join("log.vkey"), kept.join("shop/service/blobs"));
    let (log_text, key_text) = (text(&log), text(&key));

    let (good, told) = code(&["verify", log_text, "--log-key", key_text, "--blobs", text(&blobs)]);
    assert_eq!(good, 0, "{told}");
    assert!(told.contains("\ngood: ") && told.contains(" named are there"), "{told}");
    let (own, told) = code(&["verify", log_text]);
    assert_eq!(own, 0);
    assert!(told.contains("origin unproved"), "{told}");
    let key_itself = std::fs::read_to_string(&key).unwrap();
    let (by_text, told) = code(&["verify", log_text, "--log-key", key_itself.trim(), "--json"]);
    let json: serde_json::Value = serde_json::from_str(&told).unwrap();
    assert_eq!((by_text, &json["good"], &json["origin_proved"]), (0, &true.into(), &true.into()));

    let misused = run(&["verify", log_text, "--log-key", "no such file or key"]);
    assert_eq!(misused.status.code(), Some(2));
    assert!(misused.stdout.is_empty() && !misused.stderr.is_empty(), "results alone go to standard output");
    assert_eq!(run(&["verify"]).status.code(), Some(2));

    let (none, told) = code(&["verify", text(&dir.path().join("none")), "--json"]);
    let json: serde_json::Value = serde_json::from_str(&told).unwrap();
    assert_eq!((none, &json["checked"]), (5, &false.into()));
    assert_eq!(
        code(&["verify", log_text, "--blobs", text(&dir.path().join("none"))]).0,
        5,
        "a mistyped folder of blobs"
    );

    let file = std::fs::read_dir(&log).unwrap().next().unwrap().unwrap().path();
    let mut bytes = std::fs::read(&file).unwrap();
    bytes[9_000] ^= 4;
    std::fs::write(&file, bytes).unwrap();
    let (bad, told) = code(&["verify", log_text, "--log-key", key_text]);
    assert_eq!(bad, 3);
    assert!(told.starts_with("bad: ") && told.contains(".seg, offset "), "{told}");
    let (bad, told) = code(&["verify", log_text, "--json"]);
    let json: serde_json::Value = serde_json::from_str(&told).unwrap();
    assert_eq!((bad, &json["good"], json["check"].is_string()), (3, &false.into(), true));
}

/// The code that every command ends with, which asks this station's service about the aircraft: items (of every aircraft and
/// of this one) and assess, each told for people and as JSON.
fn questions(station: &str, aircraft: &str) -> Vec<i32> {
    let asked = [vec!["items"], vec!["items", aircraft], vec!["assess", aircraft]];
    let mut codes = Vec::new();
    for arguments in asked.iter().map(|words| [words, &["--station", station][..]].concat()) {
        codes.push(code(&arguments).0);
        let (in_json, told) = code(&[&arguments[..], &["--json"]].concat());
        let empty_only_when_failed = if in_json == 1 { told.is_empty() } else { told.trim_end().ends_with('}') };
        assert!(empty_only_when_failed, "{arguments:?}: {told}");
        codes.push(in_json);
    }
    codes
}

#[tokio::test(flavor = "multi_thread")]
async fn questions_end_with_nought_when_nothing_blocks_four_when_something_does_and_one_without_a_service() {
    let mut shop = Shop::open().await.unwrap();
    let (mut station, desk) = (shop.station("ramp-1").await.unwrap(), shop.dir.join("desk"));
    let desk = text(&desk);
    assert_eq!(questions(desk, "ZZ-RBA"), [0; 6]);

    let wash = Wash::of(shop.aircraft);
    let opened = vec![wash.opened(&shop, MORNING_MS), wash.on(1, disconnected("PS-1"), MORNING_MS)];
    station.sign_card(&shop.technician.key, opened).unwrap();
    all_well(&sync(&mut station, 3).await.unwrap()).unwrap();
    assert_eq!(questions(desk, "ZZ-RBA"), [4; 6]);
    let told = code(&["assess", "ZZ-RBA", "--station", desk]).1;
    assert!(told.contains("PS-1"), "{told}");

    // As it was known before: the answer is judged, not the day. A name that nothing bears is a slip, and no answer.
    let before = code(&["items", "ZZ-RBA", "--station", desk, "--at-size", "14"]);
    assert_eq!(before.0, 0, "{}", before.1);
    let unknown = run(&["assess", "ZZ-NONE", "--station", desk]);
    assert_eq!((unknown.status.code(), unknown.stdout.is_empty()), (Some(2), true));

    shop.service.take().unwrap().stop().await.unwrap();
    assert_eq!(questions(desk, "ZZ-RBA"), [1; 6]);
    let unreachable = run(&["items", "--station", desk]);
    let why = String::from_utf8(unreachable.stderr).unwrap();
    assert!(why.starts_with("rinsebook: the service is not reachable"), "{why}");
    assert!(unreachable.stdout.is_empty(), "results alone go to standard output");
}

#[tokio::test(flavor = "multi_thread")]
async fn sync_ends_with_nought_when_everything_has_its_answer_and_one_when_not() {
    let mut shop = Shop::open().await.unwrap();
    let mut station = shop.station("ramp-1").await.unwrap();
    let folder = shop.dir.join("ramp-1");
    let send = ["sync", "--station", text(&folder), "--tries", "1"];
    let wash = Wash::of(shop.aircraft);
    let opened = vec![wash.opened(&shop, MORNING_MS), wash.on(1, disconnected("PS-1"), MORNING_MS)];
    station.sign_card(&shop.technician.key, opened).unwrap();
    let closed = wash.on(1, reconnected("PS-1"), MORNING_MS);
    drop(station);
    let (sent, told) = code(&send);
    assert!(sent == 0 && told.starts_with("recorded 2, recorded before 0, refused 0, left 0"), "{sent}: {told}");
    let (again, told) = code(&send);
    assert!(again == 0 && told.starts_with("recorded 0, "), "{again}: {told}");

    // Nothing is lost without a service: it is kept, and the program says that it could not send it.
    let home = rinsebook_client::home::Home::open(&folder).unwrap();
    let mut station = rinsebook_client::station::Station::open(home, shop.clock.clone()).unwrap();
    station.sign_card(&shop.technician.key, vec![closed]).unwrap();
    drop(station);
    shop.service.take().unwrap().stop().await.unwrap();
    let unsent = run(&send);
    assert_eq!((unsent.status.code(), unsent.stdout.is_empty()), (Some(1), true));
}

#[test]
fn what_cannot_be_meant_ends_with_two_before_anything_is_asked() {
    let dir = tempfile::tempdir().unwrap();
    let station = text(dir.path());
    for arguments in [
        vec![],
        vec!["release"],
        vec!["items"],
        vec!["items", "--station", station, "--at-time", "yesterday"],
        vec!["items", "--station", station, "--at-size", "-1"],
        vec!["assess", "--station", station],
        vec!["assess", "ZZ-RBA", "--station", station, "--start", "tomorrow"],
        vec!["assess", "ZZ-RBA", "--station", station, "--assume-closed", "no-such-item"],
        vec!["sync", "--station", station, "--tries", "often"],
        vec!["show", "--station", station],
    ] {
        let output = run(&arguments);
        assert_eq!(output.status.code(), Some(2), "{arguments:?}");
        assert!(output.stdout.is_empty() && !output.stderr.is_empty(), "{arguments:?}");
    }
    // A folder that holds no station is no slip in the words.
    assert_eq!(run(&["items", "--station", station]).status.code(), Some(1));
}
