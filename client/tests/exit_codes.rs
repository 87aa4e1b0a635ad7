//! The program as others run it: what it says, and the code it ends with.

use std::path::Path;
use std::process::{Command, Output};

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
    assert!(told.contains("\ngood: 39 entries\n") && told.contains("blob          3 named are there"), "{told}");
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
