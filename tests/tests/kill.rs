//! The real service program killed in the middle of streams from four stations, again and again: what was acknowledged is
//! there, once, in order; the rest is settled by sending again.
#![allow(clippy::print_stdout)] // It prints its seed and its figures.

use std::collections::{HashMap, HashSet};
use std::io::{BufRead, BufReader};
use std::path::Path;
use std::process::{Child, Command, Stdio};
use std::time::{Duration, Instant};

use rinsebook_client::station::{Receipt, Station};
use rinsebook_client::sync::sync;
use rinsebook_client::verify::log_dir;
use rinsebook_proto::bytes::Hash;
use rinsebook_proto::entry::Entry;
use rinsebook_proto::journal::{self, Group, Kind, RealDisk};
use rinsebook_proto::key::SigningKey;
use rinsebook_proto::note::VerifierKey;
use rinsebook_proto::tree::leaf_hash;
use rinsebook_tests::shop::{MORNING_MS, Shop, Wash, disconnected};
use rinsebook_tests::world::Dice;

const FACTS_A_CARD: u64 = 40;
const ROUNDS: u64 = 50;

/// The program, started on the shop's folder; killed when dropped.
struct Program {
    child: Child,
    address: String,
}

impl Program {
    fn start(shop: &Shop) -> Program {
        let binary = std::env::var("RINSEBOOK_SERVICE")
            .expect("RINSEBOOK_SERVICE names the service program; tests/run builds it and sets it");
        let config = shop.dir.join("service.toml");
        let text = format!("listen = \"127.0.0.1:0\"\ndata = {:?}\n[log]\ngrow_kibibytes = 64\n", shop.data());
        std::fs::write(&config, text).unwrap();
        let mut child = Command::new(binary)
            .args(["serve", "--config"])
            .arg(&config)
            .stdout(Stdio::piped())
            .stderr(Stdio::null())
            .spawn()
            .unwrap();
        let mut line = String::new();
        BufReader::new(child.stdout.take().unwrap()).read_line(&mut line).unwrap();
        let port = line.trim_end().rsplit_once(':').expect("it says where it serves").1.to_owned();
        Program { child, address: format!("https://localhost:{port}") }
    }
}

impl Drop for Program {
    fn drop(&mut self) {
        // SIGKILL; a child that is gone already is what we want.
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}

/// Signs and sends until the link breaks.
async fn stream(mut station: Station, signer: SigningKey, wash: Wash, round: u64) -> Station {
    for card in 0..1000 {
        let line = |n| format!("L-{round}-{card}-{n}");
        let drafts = (0..FACTS_A_CARD).map(|n| wash.on(1, disconnected(&line(n)), MORNING_MS)).collect();
        station.sign_card(&signer, drafts).unwrap();
        if sync(&mut station, 1).await.is_err() {
            break;
        }
    }
    station
}

/// Waits until the newest file of the log was seen to change that often; not for ever.
fn wait_for_writes(log: &Path, writes: u64) {
    let newest = || {
        let files = std::fs::read_dir(log).unwrap().filter_map(Result::ok);
        files.filter_map(|file| file.metadata().ok()?.modified().ok()).max()
    };
    let (mut seen, mut last) = (0, newest());
    let begun = Instant::now();
    while seen < writes && begun.elapsed() < Duration::from_secs(2) {
        let now = newest();
        if now != last {
            (seen, last) = (seen + 1, now);
        }
        std::thread::sleep(Duration::from_micros(100));
    }
}

/// Whether a whole group of the log holds the envelope of any of these.
fn holds_any(log: &Path, unanswered: &HashSet<Hash>) -> bool {
    let mut found = false;
    let visit = |group: &Group| {
        let envelopes = group.records.iter().filter_map(|record| Entry::decode(record).ok()).map(|e| e.envelope);
        found |= envelopes.into_iter().any(|envelope| unanswered.contains(&Hash::of(&envelope)));
        Ok::<_, std::convert::Infallible>(leaf_hash(group.records.last().unwrap()).0)
    };
    // A torn end is what a kill may leave: what stands before it was visited.
    let _ = journal::scan(&RealDisk, log, Kind::Log, visit);
    found
}

#[tokio::test(flavor = "multi_thread")]
async fn fifty_kills_in_the_middle_of_four_streams_lose_double_and_reorder_nothing() {
    let seed = std::time::UNIX_EPOCH.elapsed().unwrap().as_nanos() as u64;
    println!("seed of the moments: {seed}");
    let mut dice = Dice::new(seed);
    let mut shop = Shop::open().await.unwrap();
    let mut stations = Vec::new();
    for n in 0..4 {
        stations.push(shop.station(&format!("ramp-{n}")).await.unwrap());
    }
    let running = shop.service.take().unwrap();
    let key = VerifierKey::parse(&running.verifier_key).unwrap();
    running.stop().await.unwrap();

    let mut between = 0;
    for round in 0..ROUNDS {
        let program = Program::start(&shop);
        let tasks: Vec<_> = stations
            .drain(..)
            .map(|mut station| {
                station.home.set_address(&program.address).unwrap();
                let signer = shop.technician.key.clone();
                let wash = Wash::of(shop.aircraft);
                let runtime = tokio::runtime::Handle::current();
                tokio::task::spawn_blocking(move || runtime.block_on(stream(station, signer, wash, round)))
            })
            .collect();
        // The moment after a write is when a kill falls between it and its acknowledgement.
        let writes = 2 + dice.below(12);
        tokio::task::block_in_place(|| wait_for_writes(&shop.data().join("log"), writes));
        drop(program);
        for task in tasks {
            stations.push(task.await.unwrap());
        }
        // Written, synced or not, and nobody was told: what a station has no answer for and the files hold all the same.
        let unanswered: HashSet<Hash> = stations.iter().flat_map(Station::unsent).map(|item| item.hash()).collect();
        between += u32::from(holds_any(&shop.data().join("log"), &unanswered));
    }
    let program = Program::start(&shop);
    let mut acknowledged: HashMap<u64, Hash> = HashMap::new();
    let (mut known, mut signed) = (0, 0);
    for station in &mut stations {
        station.home.set_address(&program.address).unwrap();
        known += sync(station, 5).await.unwrap().known;
        assert!(station.unsent().is_empty());
        for item in station.outbox_items() {
            signed += 1;
            let Some(Receipt::InLog(index, hash)) = station.receipt(&item.hash()) else {
                panic!("a fact without its place in the log")
            };
            assert_eq!(acknowledged.insert(*index, *hash), None, "two facts at one place");
        }
    }
    drop(program);

    // A log that was killed may end in a write that nobody was told of: opening it once cuts that.
    shop.restart(&mut []).await.unwrap();
    shop.service.take().unwrap().stop().await.unwrap();
    let log = shop.data().join("log");
    let good = log_dir(&log, Some(&key)).unwrap();
    let scan = journal::scan(&RealDisk, &log, Kind::Log, |group| {
        for (index, record) in (group.first..).zip(&group.records) {
            if let Some(hash) = acknowledged.remove(&index) {
                assert_eq!(leaf_hash(record), hash, "entry {index}");
            }
        }
        Ok::<_, std::convert::Infallible>(leaf_hash(group.records.last().unwrap()).0)
    })
    .unwrap();
    assert!(acknowledged.is_empty(), "{} acknowledged facts are not in the log", acknowledged.len());
    assert!(scan.records > scan.groups);
    assert!(between >= 10, "only {between} kills fell between a write and its acknowledgement");
    assert!(known > 0, "what had been written was known when it was sent again");
    println!(
        "kills {ROUNDS}, of them {between} between a write and its acknowledgement; signed and acknowledged {signed}, lost 0; written but unanswered, \
         known when sent again {known}; {} entries in {} groups: {:.1} entries a sync",
        good.entries,
        scan.groups,
        scan.records as f64 / scan.groups as f64
    );
}
