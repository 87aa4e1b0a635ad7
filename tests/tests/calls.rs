//! The system calls of the real service and a real station, as the kernel saw them: write, then fdatasync, then the
//! acknowledgement, in this order; and the service with every single call of an append made to fail in turn.
#![allow(clippy::print_stdout)] // It prints what it found, or why it was skipped.

use std::io::{BufRead, BufReader, Write};
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::sync::Arc;
use std::time::{Duration, Instant};

use rinsebook_client::home::Home;
use rinsebook_client::station::{Receipt, Station};
use rinsebook_client::sync::sync;
use rinsebook_client::verify::log_dir;
use rinsebook_proto::bytes::Hash;
use rinsebook_proto::clock::SystemClock;
use rinsebook_proto::note::VerifierKey;
use rinsebook_service::Config;
use rinsebook_tests::folder::copy_dir;
use rinsebook_tests::load;
use rinsebook_tests::shop::{MORNING_MS, Shop, Wash, disconnected};

/// An answer to facts carries the checkpoint's note; what HTTP/2 says of itself is far shorter than that.
const AN_ANSWER_BYTES: u64 = 200;
/// Facts that fill the smallest file of a log.
const FILLING_FACTS: u32 = 120;
/// Names the home of a station, in the process that only signs one fact there.
const SIGN_IN: &str = "RINSEBOOK_TEST_SIGN_IN";

/// Why nothing can be traced here.
fn untraceable() -> Option<String> {
    let tried = Command::new("strace").args(["-f", "-o", "/dev/null", "true"]).output();
    match tried {
        Err(error) => Some(format!("strace cannot be started: {error}")),
        Ok(output) if !output.status.success() => Some(String::from_utf8_lossy(&output.stderr).into_owned()),
        Ok(_) => None,
    }
}

macro_rules! skip_where_untraceable {
    () => {
        if let Some(why) = untraceable() {
            let _ = writeln!(std::io::stderr(), "SKIPPED: system calls cannot be traced here: {why}");
            return;
        }
    };
}

/// The service program under strace, which stands beside it, so that killing the child kills the service.
struct Traced {
    child: Child,
    address: Option<String>,
    trace: PathBuf,
}

impl Traced {
    fn start(shop: &Shop, options: &[String]) -> Traced {
        Traced::start_in(&shop.dir, &shop.data(), options)
    }

    /// On a data folder, in files that are small enough for an append to begin a new one.
    fn start_in(dir: &Path, data: &Path, options: &[String]) -> Traced {
        let binary = std::env::var("RINSEBOOK_SERVICE")
            .expect("RINSEBOOK_SERVICE names the service program; tests/run builds it and sets it");
        let (config, trace) = (dir.join("service.toml"), dir.join("trace"));
        let text =
            format!("listen = \"127.0.0.1:0\"\ndata = {data:?}\n[log]\ngrow_kibibytes = 64\nsegment_kibibytes = 64\n");
        std::fs::write(&config, text).unwrap();
        let mut child = Command::new("strace")
            .args(["-D", "-f", "-yy", "-s", "0", "-o"])
            .arg(&trace)
            .args(options)
            .arg(binary)
            .args(["serve", "--config"])
            .arg(&config)
            .stdout(Stdio::piped())
            .stderr(Stdio::null())
            .spawn()
            .unwrap();
        let mut line = String::new();
        BufReader::new(child.stdout.take().unwrap()).read_line(&mut line).unwrap();
        let address = line.trim_end().rsplit_once(':').map(|(_, port)| format!("https://localhost:{port}"));
        Traced { child, address, trace }
    }

    fn ends_within(&mut self, time: Duration) {
        let until = Instant::now() + time;
        while Instant::now() < until && !self.has_ended() {
            std::thread::sleep(Duration::from_millis(5));
        }
    }

    /// Whether it has ended by itself.
    fn has_ended(&mut self) -> bool {
        !matches!(self.child.try_wait(), Ok(None))
    }

    /// Kills it and gives what was traced.
    fn end(mut self) -> String {
        let _ = self.child.kill();
        let _ = self.child.wait();
        // strace writes its last line when the last thread of the service has gone.
        for _ in 0..500 {
            let text = std::fs::read_to_string(&self.trace).unwrap_or_default();
            if text.lines().any(|line| line.contains("+++ killed") || line.contains("+++ exited")) {
                break;
            }
            std::thread::sleep(std::time::Duration::from_millis(10));
        }
        std::fs::read_to_string(&self.trace).unwrap()
    }
}

impl Drop for Traced {
    fn drop(&mut self) {
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}

/// A group of records is longer than a mark, which is written when nothing else is to do, and shorter than the zeros by
/// which a file grows: while those are written, what others read may be answered.
const GROUP_BYTES: std::ops::Range<u64> = 100..60_000;

/// Whether this call writes a group.
fn writes_group(call: &str) -> bool {
    let length = call.split(", ").nth(2).and_then(|length| length.parse().ok());
    call.starts_with("pwrite64(") && length.is_some_and(|length| GROUP_BYTES.contains(&length))
}

/// What matters of a trace.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Seen {
    /// A group written to a file of the journal.
    Write,
    /// The end of an fdatasync of such a file that went well.
    Synced,
    /// Somebody is told: an answer begins to leave.
    Told,
}

/// Reads a trace of strace, with paths beside the descriptors. A call of one thread may be broken off by another's.
fn seen(trace: &str, told: impl Fn(&str) -> bool) -> Vec<Seen> {
    let mut broken_off: Vec<(String, bool)> = Vec::new();
    let mut all = Vec::new();
    for line in trace.lines() {
        let Some((thread, call)) = line.split_once(' ') else { continue };
        let (thread, call) = (thread.to_owned(), call.trim_start());
        let of_journal = call.contains(".seg>");
        if call.starts_with("fdatasync(") && call.contains("<unfinished") {
            broken_off.push((thread, of_journal));
        } else if call.starts_with("<... fdatasync resumed") {
            let at = broken_off.iter().position(|(of, _)| *of == thread).expect("it began before");
            if broken_off.remove(at).1 && call.ends_with("= 0") {
                all.push(Seen::Synced);
            }
        } else if call.starts_with("fdatasync(") && of_journal && call.ends_with("= 0") {
            all.push(Seen::Synced);
        } else if of_journal && writes_group(call) {
            all.push(Seen::Write);
        } else if told(call) {
            all.push(Seen::Told);
        }
    }
    all
}

/// An answer of the service that is long enough to hold an acknowledgement.
fn long_answer(call: &str) -> bool {
    let to_socket = ["sendto(", "write(", "writev(", "sendmsg("].iter().any(|name| call.starts_with(name));
    let bytes = call.rsplit_once("= ").and_then(|(_, bytes)| bytes.parse::<u64>().ok());
    to_socket && call.contains("<TCP") && bytes.is_none_or(|bytes| bytes >= AN_ANSWER_BYTES)
}

/// The line that the signing process prints once its fact is saved.
fn said_saved(call: &str) -> bool {
    call.starts_with("write(1<")
}

/// How often somebody was told after a write and its sync; an error where somebody was told between the two.
fn told_after_sync(all: &[Seen]) -> Result<u32, String> {
    let (mut unsynced, mut answered, mut written) = (false, 0, false);
    for (at, seen) in all.iter().enumerate() {
        match seen {
            Seen::Write => (unsynced, written) = (true, true),
            Seen::Synced => unsynced = false,
            Seen::Told if unsynced => return Err(format!("event {at}: told before the sync")),
            Seen::Told => {
                answered += u32::from(written);
                written = false;
            }
        }
    }
    Ok(answered)
}

/// The same trace must be found wrong when its syncs are taken out, or moved behind what follows them.
fn controls_fail(all: &[Seen]) {
    let without: Vec<_> = all.iter().copied().filter(|seen| *seen != Seen::Synced).collect();
    told_after_sync(&without).unwrap_err();
    let mut late = all.to_vec();
    for at in 1..late.len() {
        if late[at - 1] == Seen::Synced && late[at] == Seen::Told {
            late.swap(at - 1, at);
        }
    }
    told_after_sync(&late).unwrap_err();
}

async fn stopped_shop() -> (Shop, Station, VerifierKey) {
    let mut shop = Shop::open().await.unwrap();
    let station = shop.station("ramp-1").await.unwrap();
    let running = shop.service.take().unwrap();
    let key = VerifierKey::parse(&running.verifier_key).unwrap();
    running.stop().await.unwrap();
    (shop, station, key)
}

fn sign_one(shop: &Shop, station: &mut Station, line: &str) {
    let draft = Wash::of(shop.aircraft).on(1, disconnected(line), MORNING_MS);
    station.sign_card(&shop.technician.key, vec![draft]).unwrap();
}

#[tokio::test(flavor = "multi_thread")]
async fn the_service_writes_then_syncs_then_acknowledges() {
    skip_where_untraceable!();
    let (shop, mut station, _) = stopped_shop().await;
    let calls = "trace=pwrite64,fdatasync,write,writev,sendto,sendmsg".to_owned();
    let service = Traced::start(&shop, &["-e".to_owned(), calls]);
    station.home.set_address(service.address.as_ref().unwrap()).unwrap();
    for n in 0..5 {
        sign_one(&shop, &mut station, &format!("L-{n}"));
        let report = sync(&mut station, 1).await.unwrap();
        assert_eq!((report.admitted, report.left), (1, 0));
    }
    let all = seen(&service.end(), long_answer);
    let answered = told_after_sync(&all).unwrap();
    println!("{answered} answers after a write and its sync, none before; {} events", all.len());
    assert!(answered >= 5, "{all:?}");
    controls_fail(&all);
}

/// Not a proof by itself: it is the process that the test after it traces. By itself it has nothing to sign.
#[test]
fn a_station_signs_where_it_is_asked_to() {
    let Ok(home) = std::env::var(SIGN_IN) else { return };
    let home = rinsebook_client::home::Home::open(Path::new(&home)).unwrap();
    let mut station = Station::open(home, Arc::new(SystemClock)).unwrap();
    let wash = Wash::of(rinsebook_proto::bytes::Id([7; 16]));
    let signer = rinsebook_proto::key::generate();
    for n in 0..3 {
        station.sign_card(&signer, vec![wash.on(1, disconnected(&format!("L-{n}")), MORNING_MS)]).unwrap();
        println!("saved");
    }
}

#[tokio::test(flavor = "multi_thread")]
async fn a_station_writes_then_syncs_then_says_that_it_is_saved() {
    skip_where_untraceable!();
    let (shop, station, _) = stopped_shop().await;
    let (home, trace) = (station.home.path(""), shop.dir.join("trace"));
    drop(station);
    let status = Command::new("strace")
        .args(["-f", "-yy", "-s", "0", "-e", "trace=pwrite64,fdatasync,write", "-o"])
        .arg(&trace)
        .arg(std::env::current_exe().unwrap())
        .args(["--exact", "a_station_signs_where_it_is_asked_to", "--nocapture"])
        .env(SIGN_IN, &home)
        .stdout(Stdio::null())
        .stderr(Stdio::null())
        .status()
        .unwrap();
    assert!(status.success());
    let all = seen(&std::fs::read_to_string(&trace).unwrap(), said_saved);
    let answered = told_after_sync(&all).unwrap();
    println!("{answered} times saved, after a write and its sync; {} events", all.len());
    assert!(answered >= 3, "{all:?}");
    controls_fail(&all);
}

/// A founded record and a station with one fact that is not sent: what every failing append begins from.
struct Founded {
    shop: Shop,
    key: VerifierKey,
    entries: u64,
}

impl Founded {
    async fn make() -> Founded {
        let mut shop = Shop::open().await.unwrap();
        let mut station = shop.station("ramp-1").await.unwrap();
        // The log is longer than the smallest file may be, so that the next append begins another.
        for n in 0..FILLING_FACTS {
            sign_one(&shop, &mut station, &format!("F-{n}"));
        }
        sync(&mut station, 1).await.unwrap();
        let running = shop.service.take().unwrap();
        let key = VerifierKey::parse(&running.verifier_key).unwrap();
        running.stop().await.unwrap();
        sign_one(&shop, &mut station, "L-1");
        drop(station);
        let entries = log_dir(&shop.data().join("log"), Some(&key)).unwrap().entries;
        shop.service = None;
        Founded { shop, key, entries }
    }
}

/// What is made to fail: one call of this name, by its place among those that touch the log.
#[derive(Debug, Clone, Copy)]
struct Failing {
    call: &'static str,
    fault: &'static str,
    nth: usize,
}

/// A call of one append fails, an append that also begins a new file; then the service is started anew, the fact sent
/// again, and all of it is checked. False where there is no such call.
async fn fail_one(founded: &Founded, failing: Failing) -> bool {
    let Failing { call, fault, nth } = failing;
    let dir = tempfile::tempdir().unwrap();
    let data = dir.path().join("service");
    copy_dir(&founded.shop.data(), &data);
    copy_dir(&founded.shop.dir.join("ramp-1"), &dir.path().join("ramp-1"));
    let mut home = Home::open(&dir.path().join("ramp-1")).unwrap();
    let mut options = vec!["-e".to_owned(), format!("trace={call}")];
    options.extend(["-e".to_owned(), format!("inject={call}:{fault}:when={nth}")]);
    for path in files_of_an_append(&data.join("log"), founded.entries) {
        options.extend(["-P".to_owned(), path.display().to_string()]);
    }
    let mut service = Traced::start_in(dir.path(), &data, &options);
    // Where the call failed at the start, nobody serves; where it failed later, nobody is told that all went well.
    let told = match service.address.clone() {
        None => {
            service.ends_within(Duration::from_secs(5));
            Vec::new()
        }
        Some(address) => {
            home.set_address(&address).unwrap();
            let mut station = Station::open(home.clone(), Arc::new(SystemClock)).unwrap();
            // A link that breaks shows that the service is ending.
            if sync(&mut station, 1).await.is_err() {
                service.ends_within(Duration::from_secs(5));
            }
            receipts(&station)
        }
    };
    let killed = service.has_ended();
    let met = service.end().contains("(INJECTED)") || (fault.contains("signal") && killed);
    if !met {
        return false;
    }
    recover_and_check(founded, &data, home, &told, failing).await;
    true
}

/// The file that is written, the one that begins behind it under both of its names, and the folder.
fn files_of_an_append(log: &Path, entries: u64) -> Vec<PathBuf> {
    let newest = std::fs::read_dir(log).unwrap().map(|file| file.unwrap().path()).max().unwrap();
    let next = |end: &str| log.join(format!("{entries:020}.{end}"));
    vec![newest, next("new"), next("seg"), log.to_owned()]
}

async fn recover_and_check(founded: &Founded, data: &Path, mut home: Home, told: &[(u64, Hash)], failing: Failing) {
    let running = rinsebook_service::start(Config::local(data), Arc::new(SystemClock)).await;
    let running = running.unwrap_or_else(|error| panic!("{failing:?}: no start after it: {error}"));
    home.set_address(&format!("https://localhost:{}", running.address.port())).unwrap();
    let mut station = Station::open(home, Arc::new(SystemClock)).unwrap();
    let report = sync(&mut station, 3).await.unwrap_or_else(|error| panic!("{failing:?}: {error}"));
    assert!(report.refused.is_empty() && report.left == 0, "{failing:?}: {report:?}");
    let now = receipts(&station);
    assert!(told.iter().all(|receipt| now.contains(receipt)), "{failing:?}: a receipt has changed");
    drop(station);
    running.stop().await.unwrap();
    log_dir(&data.join("log"), Some(&founded.key)).unwrap_or_else(|fault| panic!("{failing:?}: {fault:?}"));
    let (log, _) = load::entries(&data.join("log")).unwrap();
    load::places_hold(&log, &now.into_iter().collect()).unwrap_or_else(|why| panic!("{failing:?}: {why}"));
}

fn receipts(station: &Station) -> Vec<(u64, Hash)> {
    let receipt = |item: &rinsebook_client::outbox::Item| match station.receipt(&item.hash()) {
        Some(Receipt::InLog(index, hash)) => Some((*index, *hash)),
        _ => None,
    };
    station.outbox_items().iter().filter_map(receipt).collect()
}

/// Every call with which an append changes the disk; the nightly form lets the openings of files fail as well.
fn calls_of_an_append() -> Vec<&'static str> {
    let mut calls = vec!["pwrite64", "fdatasync", "fsync", "rename"];
    if std::env::var_os("RINSEBOOK_NIGHTLY").is_some() {
        calls.push("openat");
    }
    calls
}

#[tokio::test(flavor = "multi_thread")]
async fn each_call_of_a_real_append_that_fails_in_turn_loses_nothing_acknowledged() {
    skip_where_untraceable!();
    let founded = Founded::make().await;
    let mut counts = std::collections::BTreeMap::new();
    for call in calls_of_an_append() {
        for fault in ["error=EIO", "error=ENOSPC", "signal=SIGKILL"] {
            for nth in 1.. {
                if !fail_one(&founded, Failing { call, fault, nth }).await {
                    break;
                }
                *counts.entry((call, fault)).or_insert(0) += 1;
            }
        }
    }
    println!("{} calls failed in turn, each then recovered and verified: {counts:?}", counts.values().sum::<usize>());
    assert_eq!(counts.len(), 3 * calls_of_an_append().len(), "a call that no append makes: {counts:?}");
    assert!(counts[&("pwrite64", "error=EIO")] >= 6 && counts[&("fdatasync", "error=EIO")] >= 5, "{counts:?}");
}
