//! An audit's memory grows with aircraft, devices and keys, and not with entries: shown on the program itself.

#![allow(clippy::print_stdout)] // Says what it measured.

use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};
use std::time::Duration;

use rinsebook_tests::book::Book;

/// The long log may take so much more than the short one.
const RATIO: f64 = 1.5;

/// The program, which cargo builds beside the tests.
fn program() -> PathBuf {
    let own = std::env::current_exe().unwrap();
    let program = own.parent().and_then(Path::parent).unwrap().join("rinsebook");
    assert!(program.is_file(), "{}: build it first: cargo build -p rinsebook-client", program.display());
    program
}

/// The most that the program had resident at once while it verified this log, in KiB.
fn peak_kib(log: &Path, key: &str) -> u64 {
    let mut child = Command::new(program())
        .args(["verify", "--json", "--log-key", key])
        .arg(log)
        .stdout(Stdio::piped())
        .spawn()
        .unwrap();
    let status = format!("/proc/{}/status", child.id());
    let (mut peak, mut looks) = (0, 0);
    while child.try_wait().unwrap().is_none() {
        // A mark that only rises: the last look before the end is within a moment of the whole.
        let text = std::fs::read_to_string(&status).unwrap_or_default();
        let line = text.lines().find_map(|line| line.strip_prefix("VmHWM:"));
        let kib = line.and_then(|line| line.trim().trim_end_matches(" kB").parse().ok());
        peak = peak.max(kib.unwrap_or_default());
        looks += 1;
        std::thread::sleep(Duration::from_millis(2));
    }
    let output = child.wait_with_output().unwrap();
    let told: serde_json::Value = serde_json::from_slice(&output.stdout).unwrap();
    assert!(output.status.success() && told["good"] == true, "{told}");
    assert!(looks > 10 && peak > 1024, "{looks} looks, {peak} KiB");
    peak
}

#[test]
fn ten_times_the_entries_of_one_fleet_take_no_more_memory_to_audit() {
    let nightly = std::env::var_os("RINSEBOOK_NIGHTLY").is_some();
    let sizes: [u64; 2] = if nightly { [10_000, 200_000] } else { [6_000, 60_000] };
    let dir = tempfile::tempdir().unwrap();
    let [short, long] = sizes.map(|entries| {
        let log = dir.path().join(entries.to_string());
        let key = Book::of_forty_aircraft(&log, 4 << 20, entries).verifier_key().to_string();
        let peak = peak_kib(&log, &key);
        println!("{entries} entries: {peak} KiB at most");
        peak
    });
    let ratio = long as f64 / short as f64;
    println!("ratio {ratio:.3}");
    assert!(ratio <= RATIO, "{short} KiB for {} entries, {long} KiB for {}", sizes[0], sizes[1]);
}
