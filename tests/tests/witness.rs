//! Witnesses over real HTTP, and a real service that asks them.

use std::net::SocketAddr;
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::time::Duration;

use rinsebook_client::remote;
use rinsebook_client::rpc::ledger_client::LedgerClient;
use rinsebook_client::station::Station;
use rinsebook_client::sync::sync;
use rinsebook_client::witness::{Running, Settings, Witness, serve};
use rinsebook_proto::clock::{Clock, ScriptedClock};
use rinsebook_proto::cosignature::{AddCheckpoint, cosigners};
use rinsebook_proto::key::{self, SigningKey};
use rinsebook_proto::note::{Checkpoint, CosignerKey, VerifierKey};
use rinsebook_proto::tree::{Tree, leaf_hash};
use rinsebook_proto::v1;
use rinsebook_service::config::{WitnessAddress, WitnessPolicy};
use rinsebook_tests::http::{Answer, request};
use rinsebook_tests::shop::{MORNING_MS, Shop, Wash, all_well, disconnected};

const ORIGIN: &str = "invented.example/log/1";
const ANYWHERE: &str = "127.0.0.1:0";

fn start(dir: &Path, signer: &SigningKey, log: &VerifierKey, clock: Arc<dyn Clock>, listen: &str) -> Running {
    let settings = Settings {
        name: "w.example/1".to_owned(),
        signer: signer.clone(),
        state: dir.to_owned(),
        logs: vec![log.clone()],
        clock,
    };
    serve(Witness::open(settings).unwrap(), listen.parse().unwrap()).unwrap()
}

/// A log that is not ours to keep: its key, and what it holds in this telling.
struct Told {
    signer: SigningKey,
    tree: Tree,
}

impl Told {
    fn new(leaves: u64) -> Told {
        let mut told = Told { signer: key::generate(), tree: Tree::default() };
        told.grow(leaves, b"told");
        told
    }

    fn grow(&mut self, leaves: u64, how: &[u8]) {
        (0..leaves).for_each(|n| self.tree.push(leaf_hash(&[how, &n.to_be_bytes()].concat())));
    }

    /// The same up to here; from here on it is told otherwise.
    fn other_telling(&self, common: u64, leaves: u64) -> Told {
        let mut tree = Tree::default();
        (0..common).for_each(|n| tree.push(self.tree.leaf(n).unwrap()));
        let mut told = Told { signer: self.signer.clone(), tree };
        told.grow(leaves - common, b"otherwise");
        told
    }

    fn key(&self) -> VerifierKey {
        VerifierKey::new(ORIGIN, self.signer.verifying_key())
    }

    fn note(&self, size: u64) -> String {
        Checkpoint { origin: ORIGIN.to_owned(), size, root: self.tree.root(size) }.sign(&self.signer)
    }

    fn request(&self, old_size: u64, size: u64) -> AddCheckpoint {
        let proof = self.tree.consistency(old_size, size).unwrap_or_default();
        AddCheckpoint { old_size, proof, note: self.note(size) }
    }
}

async fn post(address: SocketAddr, body: impl ToString) -> Answer {
    request(address, "POST", "/add-checkpoint", body.to_string().as_bytes()).await.unwrap()
}

fn told_size(answer: &Answer) -> (u16, &str, &str) {
    (answer.status, &answer.content_type, &answer.body)
}

#[tokio::test(flavor = "multi_thread")]
async fn each_status_of_the_standard_is_answered_to_what_it_stands_for_and_only_200_moves_the_witness() {
    let (dir, log) = (tempfile::tempdir().unwrap(), Told::new(30));
    let clock = Arc::new(ScriptedClock::at(MORNING_MS));
    let witness = start(&dir.path().join("state"), &key::generate(), &log.key(), clock, ANYWHERE);
    let at = witness.address;

    let cosigned = post(at, log.request(0, 5)).await;
    assert_eq!(cosigned.status, 200, "{cosigned:?}");
    let whole = log.note(5) + &cosigned.body;
    let found = cosigners(&whole, &[witness.witness().key().clone()]).unwrap();
    assert_eq!((found.len(), found[0].unix_seconds), (1, MORNING_MS / 1000));
    assert_eq!(Checkpoint::open(&whole, &[log.key()]).unwrap().size, 5);

    let good = log.request(5, 9);
    let stranger = Told { signer: key::generate(), tree: log.tree.clone() };
    let failing = good.to_string().replace("\n9\n", "\n10\n");
    let unknown = Checkpoint { origin: "invented.example/log/2".into(), size: 9, root: log.tree.root(9) };
    let unknown = AddCheckpoint { note: unknown.sign(&log.signer), ..good.clone() };
    for (status, body) in [
        (400, String::new()),
        (400, "old 5\n".to_owned()),
        (400, good.to_string().replace("old 5", "old 05")),
        (400, log.request(9, 5).to_string()),
        (403, stranger.request(5, 9).to_string()),
        (403, failing),
        (404, unknown.to_string()),
        (422, AddCheckpoint { proof: vec![], ..good.clone() }.to_string()),
        (422, AddCheckpoint { proof: log.request(5, 8).proof, ..good.clone() }.to_string()),
        (422, log.other_telling(4, 30).request(5, 9).to_string()),
        (413, "old 5\n".repeat(1 << 16)),
    ] {
        let answer = post(at, &body).await;
        assert_eq!(answer.status, status, "{answer:?} to {:.200}", body);
        assert!(!answer.body.contains('\u{2014}'), "{answer:?}");
    }
    for (old_size, size) in [(0, 9), (4, 9), (7, 9), (0, 5), (3, 4)] {
        let answer = post(at, log.request(old_size, size)).await;
        assert_eq!(told_size(&answer), (409, "text/x.tlog.size", "5\n"), "{old_size} to {size}");
    }
    let other_root = post(at, log.other_telling(4, 30).request(5, 5)).await;
    assert_eq!(told_size(&other_root), (409, "text/x.tlog.size", "5\n"));
    assert_eq!(request(at, "GET", "/add-checkpoint", b"").await.unwrap().status, 405);
    assert_eq!(request(at, "POST", "/", b"").await.unwrap().status, 404);

    assert_eq!(witness.witness().stands(), [(ORIGIN.to_owned(), 5)]);
    assert_eq!(post(at, good).await.status, 200);
    witness.stop().await;
}

#[tokio::test(flavor = "multi_thread")]
async fn a_witness_started_anew_does_not_cosign_another_telling_and_one_without_its_state_would() {
    let (dir, log) = (tempfile::tempdir().unwrap(), Told::new(9));
    let (signer, clock) = (key::generate(), Arc::new(ScriptedClock::at(MORNING_MS)));
    let state = dir.path().join("state");
    let witness = start(&state, &signer, &log.key(), clock.clone(), ANYWHERE);
    assert_eq!(post(witness.address, log.request(0, 9)).await.status, 200);
    witness.stop().await;

    let other = log.other_telling(4, 12).request(0, 12);
    let witness = start(&state, &signer, &log.key(), clock.clone(), ANYWHERE);
    assert_eq!(told_size(&post(witness.address, &other).await), (409, "text/x.tlog.size", "9\n"));
    witness.stop().await;

    // What holds it back is the state, and nothing else.
    let witness = start(&dir.path().join("lost"), &signer, &log.key(), clock, ANYWHERE);
    assert_eq!(post(witness.address, &other).await.status, 200);
    witness.stop().await;
}

#[tokio::test(flavor = "multi_thread")]
async fn of_two_requests_from_the_same_size_at_the_same_time_one_is_cosigned() {
    let (dir, mut log) = (tempfile::tempdir().unwrap(), Told::new(1));
    let clock = Arc::new(ScriptedClock::at(MORNING_MS));
    let witness = start(&dir.path().join("state"), &key::generate(), &log.key(), clock, ANYWHERE);
    let at = witness.address;
    assert_eq!(post(at, log.request(0, 1)).await.status, 200);
    let mut size = 1;
    for round in 0..30u64 {
        let other = log.other_telling(size, size + 2);
        log.grow(2, &round.to_be_bytes());
        // Either an honest log's two checkpoints in disorder, or two tellings of one size.
        let second = if round % 2 == 0 { log.request(size, size + 1) } else { other.request(size, size + 2) };
        let (first, second) =
            tokio::join!(tokio::spawn(post(at, log.request(size, size + 2))), tokio::spawn(post(at, second)),);
        let (first, second) = (first.unwrap().status, second.unwrap().status);
        let mut both = [first, second];
        both.sort_unstable();
        assert_eq!(both, [200, 409], "round {round}");
        let stands = witness.witness().stands()[0].1;
        let cosigned = if first == 200 || round % 2 == 1 { size + 2 } else { size + 1 };
        assert_eq!(stands, cosigned, "round {round}");
        if first != 200 && round % 2 == 1 {
            log = other;
        }
        size = stands;
        // So that the next round's two begin alike.
        let tree = &log.tree;
        let mut same = Tree::default();
        (0..size).for_each(|n| same.push(tree.leaf(n).unwrap()));
        log.tree = same;
    }
    witness.stop().await;
}

/// Starts the shop's service anew, with these witnesses, all of which it needs.
async fn serve_with(shop: &mut Shop, stations: &mut [&mut Station], witnesses: &[(String, CosignerKey)]) {
    if let Some(running) = shop.service.take() {
        running.stop().await.unwrap();
    }
    let mut config = rinsebook_service::Config::local(&shop.data());
    let address =
        |(url, key): &(String, CosignerKey)| WitnessAddress { url: url.clone(), key: key.clone(), ca_file: None };
    config.witnesses = witnesses.iter().map(address).collect();
    config.witness_policy = WitnessPolicy::all_of(witnesses.len());
    let running = rinsebook_service::start(config, shop.clock.clone()).await.unwrap();
    let address = format!("https://localhost:{}", running.address.port());
    shop.desk.home.set_address(&address).unwrap();
    for station in stations {
        station.home.set_address(&address).unwrap();
    }
    shop.service = Some(running);
}

async fn checkpoint(shop: &Shop, cosigned: bool) -> v1::GetCheckpointResponse {
    let mut ledger = LedgerClient::new(remote::connect(&shop.desk.home).await.unwrap());
    let request = v1::GetCheckpointRequest { at_least_size: 0, cosigned };
    ledger.get_checkpoint(request).await.unwrap().into_inner()
}

/// Waits until the cosigned checkpoint is as wished for.
async fn until(
    shop: &Shop,
    wished: impl Fn(&v1::GetCheckpointResponse, &Checkpoint) -> bool,
) -> v1::GetCheckpointResponse {
    let mut last = None;
    // Far longer than it ever takes: what never comes should fail, and not hang.
    for _ in 0..2400 {
        let answer = checkpoint(shop, true).await;
        let shown = Checkpoint::read_unverified(&answer.checkpoint_note).unwrap();
        if wished(&answer, &shown) {
            return answer;
        }
        last = Some(answer);
        tokio::time::sleep(Duration::from_millis(50)).await;
    }
    panic!("it never came to that: {last:?}")
}

async fn record_a_line(shop: &Shop, station: &mut Station, line: &str) {
    let wash = Wash::of(shop.aircraft);
    let drafts = vec![wash.opened(shop, MORNING_MS), wash.on(2, disconnected(line), MORNING_MS)];
    station.sign_card(&shop.technician.key, drafts).unwrap();
    all_well(&sync(station, 3).await.unwrap()).unwrap();
}

fn log_key(shop: &Shop) -> VerifierKey {
    VerifierKey::parse(&shop.service.as_ref().unwrap().verifier_key).unwrap()
}

fn entries(shop: &Shop) -> u64 {
    shop.service.as_ref().unwrap().entries()
}

fn reached(witness: &Running) -> (String, CosignerKey) {
    (format!("http://{}", witness.address), witness.witness().key().clone())
}

fn witness_of(shop: &Shop, label: &str, listen: &str) -> Running {
    start(&shop.dir.join(label), &key::generate(), &log_key(shop), shop.clock.clone(), listen)
}

#[tokio::test(flavor = "multi_thread")]
async fn a_service_with_two_witnesses_publishes_a_checkpoint_that_both_cosigned_and_goes_on_after_a_restart() {
    let mut shop = Shop::open().await.unwrap();
    let mut station = shop.station("ramp-1").await.unwrap();
    let log = log_key(&shop);
    let witnesses = ["one", "two"].map(|label| witness_of(&shop, label, ANYWHERE));
    let addresses = witnesses.each_ref().map(reached);
    let keys = addresses.each_ref().map(|(_, key)| key.clone());

    // The second time the witnesses stand somewhere, and the service has to learn where.
    for line in ["PS-1", "MV-2"] {
        serve_with(&mut shop, &mut [&mut station], &addresses).await;
        record_a_line(&shop, &mut station, line).await;
        let size = entries(&shop);
        let answer = until(&shop, |answer, shown| answer.cosignatures == 2 && shown.size >= size).await;
        assert!(answer.policy_met);
        assert!(Checkpoint::open(&answer.checkpoint_note, std::slice::from_ref(&log)).unwrap().size >= size);
        let found = cosigners(&answer.checkpoint_note, &keys).unwrap();
        assert_eq!(found.len(), 2);
        assert!(found.iter().all(|cosignature| cosignature.unix_seconds == shop.clock.wall_ms() / 1000));
        let plain = checkpoint(&shop, false).await;
        assert_eq!((plain.cosignatures, plain.policy_met), (0, true));
        assert_eq!(cosigners(&plain.checkpoint_note, &keys).unwrap(), []);
    }
    // What was cosigned too long ago no longer meets the policy, until it is cosigned anew: an hour later.
    shop.clock.set(shop.clock.wall_ms() + 3_601_000);
    assert!(!checkpoint(&shop, true).await.policy_met);
    let size = entries(&shop);
    until(&shop, |answer, _| answer.policy_met && answer.cosignatures == 2).await;
    assert_eq!(entries(&shop), size, "the same checkpoint, at a later time");
    for witness in witnesses {
        witness.stop().await;
    }
}

#[tokio::test(flavor = "multi_thread")]
async fn with_one_of_two_witnesses_away_recording_goes_on_and_the_policy_is_unmet_until_it_comes() {
    let mut shop = Shop::open().await.unwrap();
    let mut station = shop.station("ramp-1").await.unwrap();
    let here = witness_of(&shop, "here", ANYWHERE);
    // Started once, for its address and key, and gone before anybody asks.
    let away = witness_of(&shop, "away", ANYWHERE);
    let (address, signer) = (away.address.to_string(), key::generate());
    away.stop().await;
    let away_key = CosignerKey::new("w.example/1", signer.verifying_key());
    let addresses = [reached(&here), (format!("http://{address}"), away_key)];
    serve_with(&mut shop, &mut [&mut station], &addresses).await;

    for line in ["PS-1", "MV-2"] {
        record_a_line(&shop, &mut station, line).await;
        let size = entries(&shop);
        let answer = until(&shop, |answer, shown| answer.cosignatures == 1 && shown.size >= size).await;
        assert!(!answer.policy_met);
    }
    let away = start(&shop.dir.join("come"), &signer, &log_key(&shop), shop.clock.clone(), &address);
    until(&shop, |answer, _| answer.policy_met && answer.cosignatures == 2).await;
    here.stop().await;
    away.stop().await;
}

fn copy(from: &Path, to: &Path) {
    std::fs::create_dir_all(to).unwrap();
    for entry in std::fs::read_dir(from).unwrap() {
        let (path, target): (PathBuf, PathBuf) = {
            let entry = entry.unwrap();
            (entry.path(), to.join(entry.file_name()))
        };
        if path.is_dir() { copy(&path, &target) } else { assert!(std::fs::copy(&path, &target).is_ok()) }
    }
}

#[tokio::test(flavor = "multi_thread")]
async fn a_witness_that_saw_the_newer_log_stops_an_older_copy_from_recording_and_does_not_cosign_it() {
    let mut shop = Shop::open().await.unwrap();
    let mut station = shop.station("ramp-1").await.unwrap();
    let saw = witness_of(&shop, "saw", ANYWHERE);
    shop.service.take().unwrap().stop().await.unwrap();
    let older = shop.dir.join("older");
    copy(&shop.data(), &older);

    serve_with(&mut shop, &mut [&mut station], &[reached(&saw)]).await;
    record_a_line(&shop, &mut station, "PS-1").await;
    let size = entries(&shop);
    until(&shop, |answer, shown| answer.policy_met && shown.size >= size).await;
    let stood = saw.witness().stands();
    shop.service.take().unwrap().stop().await.unwrap();
    std::fs::remove_dir_all(shop.data()).unwrap();
    copy(&older, &shop.data());

    serve_with(&mut shop, &mut [], &[reached(&saw)]).await;
    assert!(entries(&shop) < size);
    // Before the first signature: nothing is recorded until a custodian opens an epoch.
    let mut ledger = LedgerClient::new(remote::connect(&shop.desk.home).await.unwrap());
    let told = ledger.prepare_log_key(v1::PrepareLogKeyRequest {}).await.unwrap().into_inner().not_recording;
    assert!(told.contains("w.example/1") && told.contains("older copy"), "{told}");
    let fresh = witness_of(&shop, "fresh", ANYWHERE);
    serve_with(&mut shop, &mut [], &[reached(&saw), reached(&fresh)]).await;
    // Both are asked in one round, and one cosigns.
    let answer = until(&shop, |answer, _| answer.cosignatures > 0).await;
    assert_eq!((answer.cosignatures, answer.policy_met), (1, false));
    assert_eq!(cosigners(&answer.checkpoint_note, &[reached(&saw).1]).unwrap(), []);
    assert_eq!(cosigners(&answer.checkpoint_note, &[reached(&fresh).1]).unwrap().len(), 1);
    assert_eq!(saw.witness().stands(), stood);
    saw.stop().await;
    fresh.stop().await;
}
