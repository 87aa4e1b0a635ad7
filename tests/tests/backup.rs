//! A copy made while stations record, put back on another machine: it verifies, nothing is recorded until an epoch opens,
//! and stations then send again what the copy did not have.

use std::path::{Path, PathBuf};
use std::process::Command;

use rinsebook_client::enrol;
use rinsebook_client::remote;
use rinsebook_client::rpc::ledger_client::LedgerClient;
use rinsebook_client::station::{Receipt, Station};
use rinsebook_client::sync::{deliver_own_run, sync};
use rinsebook_client::verify::{Good, log_dir};
use rinsebook_proto::bytes::Hash;
use rinsebook_proto::clock::Clock;
use rinsebook_proto::fact::Kind;
use rinsebook_proto::key::SigningKey;
use rinsebook_proto::note::VerifierKey;
use rinsebook_proto::v1;
use rinsebook_service::Config;
use rinsebook_service::backup::backup;
use rinsebook_service::restore::restore;
use rinsebook_tests::program::binary;
use rinsebook_tests::shop::{MORNING_MS, Shop, Wash, all_well, disconnected};

const CARDS: u64 = 20;
const FACTS_A_CARD: u64 = 20;

fn verified(log: &Path, key: &VerifierKey) -> Good {
    // Reading a log changes nothing of it; the copy is whole as it is.
    log_dir(log, Some(key)).unwrap()
}

async fn record(mut station: Station, signer: SigningKey, wash: Wash) -> Station {
    for card in 0..CARDS {
        let drafts = (0..FACTS_A_CARD).map(|n| wash.on(1, disconnected(&format!("L-{card}-{n}")), MORNING_MS));
        station.sign_card(&signer, drafts.collect()).unwrap();
        all_well(&sync(&mut station, 3).await.unwrap()).unwrap();
    }
    station
}

fn places(station: &Station) -> Vec<(Hash, u64)> {
    let place = |item: &rinsebook_client::outbox::Item| match station.receipt(&item.hash()) {
        Some(Receipt::InLog(index, _)) => (item.hash(), *index),
        other => panic!("{other:?}"),
    };
    station.outbox_items().iter().map(place).collect()
}

fn mode(path: &Path) -> u32 {
    use std::os::unix::fs::PermissionsExt;
    std::fs::metadata(path).unwrap().permissions().mode() & 0o777
}

/// The custodian opens an epoch on what was put back, with a program of the desk that was started anew.
async fn open_epoch(shop: &mut Shop) {
    let channel = remote::connect(&shop.desk.home).await.unwrap();
    let prepared = LedgerClient::new(channel).prepare_log_key(v1::PrepareLogKeyRequest {}).await.unwrap().into_inner();
    assert!(prepared.not_recording.contains("older state"), "{prepared:?}");
    let own = shop.desk.home.text("checkpoint").unwrap().unwrap();
    let draft = enrol::roster_fact(enrol::epoch_opened(&prepared, &own), vec![], shop.clock.wall_ms());
    shop.desk.new_run();
    shop.desk.sign_card(&shop.custodian.key, vec![draft]).unwrap();
    let report = deliver_own_run(&mut shop.desk).await.unwrap();
    assert_eq!((report.admitted, report.left), (1, 0), "{report:?}");
    sync(&mut shop.desk, 3).await.unwrap();
}

/// Puts a copy back in the place of what there is, and serves it.
async fn put_back(shop: &mut Shop, copy: &Path, stations: &mut [&mut Station]) {
    shop.service.take().unwrap().stop().await.unwrap();
    std::fs::rename(shop.data(), shop.dir.join("lost")).unwrap();
    restore(copy, &shop.data()).unwrap();
    shop.restart(stations).await.unwrap();
}

#[tokio::test(flavor = "multi_thread")]
async fn a_copy_made_under_load_verifies_is_put_back_and_stations_send_again_what_it_did_not_have() {
    let mut shop = Shop::open().await.unwrap();
    let station = shop.station("ramp-1").await.unwrap();
    let key = VerifierKey::parse(&shop.service.as_ref().unwrap().verifier_key).unwrap();
    let config = Config::local(&shop.data());
    let runtime = tokio::runtime::Handle::current();
    let (signer, wash) = (shop.technician.key.clone(), Wash::of(shop.aircraft));
    let recording = tokio::task::spawn_blocking(move || runtime.block_on(record(station, signer, wash)));
    let mut copies: Vec<PathBuf> = Vec::new();
    let mut sizes = Vec::new();
    while !recording.is_finished() {
        let (config, copy) = (config.clone(), shop.dir.join(format!("copy-{}", copies.len())));
        let acknowledged = shop.service.as_ref().unwrap().entries();
        let to = copy.clone();
        let made = tokio::task::spawn_blocking(move || backup(&config, &to)).await.unwrap().unwrap();
        assert!(made.entries >= acknowledged, "what was acknowledged before is in it");
        sizes.push(made.entries);
        copies.push(copy);
        tokio::time::sleep(std::time::Duration::from_millis(50)).await;
    }
    let mut station = recording.await.unwrap();
    let signed = places(&station);
    assert_eq!(signed.len() as u64, CARDS * FACTS_A_CARD);
    for (copy, entries) in copies.iter().zip(&sizes) {
        assert_eq!(verified(&copy.join("log"), &key).entries, *entries);
    }
    assert!(sizes.windows(2).any(|pair| pair[0] < pair[1]), "or nothing was recorded meanwhile: {sizes:?}");
    assert_eq!((mode(&copies[0]), mode(&copies[0].join("keys").join("log.pem"))), (0o700, 0o600));
    assert!(!copies[0].join("derived").exists(), "it is derived again");

    // The desk knows of what came after the copy, too.
    sync(&mut shop.desk, 3).await.unwrap();
    put_back(&mut shop, &copies[0], &mut [&mut station]).await;
    let start = &shop.service.as_ref().unwrap().start;
    assert_eq!((start.entries, start.torn_bytes_cut), (sizes[0], 0));
    let told = sync(&mut station, 1).await.unwrap_err().to_string();
    assert!(told.contains("does not continue"), "{told}");
    open_epoch(&mut shop).await;
    let report = sync(&mut station, 3).await.unwrap();
    assert_eq!((report.left, report.refused.len()), (0, 0), "{report:?}");
    // Everything that the copy held is where it was, everything else has a place after the epoch's beginning.
    let again = places(&station);
    for ((hash, before), (same, now)) in signed.iter().zip(&again) {
        assert_eq!(hash, same);
        assert!(if *before < sizes[0] { now == before } else { *now > sizes[0] }, "{before} is {now} now");
    }
    shop.service.take().unwrap().stop().await.unwrap();
    assert_eq!(verified(&shop.data().join("log"), &key).origin, "rinsebook.invalid/local/2");
}

#[tokio::test(flavor = "multi_thread")]
async fn an_annex_erased_before_the_copy_is_not_in_it_and_one_erased_after_it_goes_again_when_it_is_put_back() {
    let mut shop = Shop::open().await.unwrap();
    let mut names = Vec::new();
    for name in ["Pell Ostrand (invented)", "Runa Felk (invented)"] {
        shop.enrol(name, &[]).await.unwrap();
        let digest = shop
            .desk
            .annexes()
            .unwrap()
            .into_iter()
            .find(|digest| shop.desk.blob(digest).is_some_and(|blob| blob.content == name.as_bytes()));
        names.push(digest.unwrap());
    }
    erase(&mut shop, names[0]).await;
    let copy = shop.dir.join("copy");
    backup(&Config::local(&shop.data()), &copy).unwrap();
    let kept = |data: &Path, name: usize| data.join("blobs").join(names[name].to_string()).exists();
    assert!(!kept(&copy, 0) && kept(&copy, 1));
    erase(&mut shop, names[1]).await;
    assert!(!kept(&shop.data(), 1));

    put_back(&mut shop, &copy, &mut []).await;
    assert!(kept(&shop.data(), 1), "or the rest would prove nothing");
    // The custodian's own fact comes back with the epoch, and takes it away.
    open_epoch(&mut shop).await;
    assert!(!kept(&shop.data(), 0) && !kept(&shop.data(), 1));
}

async fn erase(shop: &mut Shop, digest: Hash) {
    let kind = Kind::AnnexErased(v1::AnnexErased { digests: vec![digest.to_vec()], reason: "asked for it".to_owned() });
    let draft = enrol::roster_fact(kind, vec![], shop.clock.wall_ms());
    shop.desk.sign_card(&shop.custodian.key, vec![draft]).unwrap();
    assert_eq!(sync(&mut shop.desk, 3).await.unwrap().left, 0);
}

#[tokio::test(flavor = "multi_thread")]
async fn the_command_copies_beside_the_running_service_says_how_much_and_writes_over_nothing() {
    let shop = Shop::open().await.unwrap();
    let (config, to) = (shop.dir.join("service.toml"), shop.dir.join("copy"));
    std::fs::write(&config, format!("data = {:?}\n", shop.data())).unwrap();
    let run = || {
        let mut command = Command::new(binary().unwrap());
        command.args(["backup", "--config"]).arg(&config).arg("--to").arg(&to).output().unwrap()
    };
    let done = run();
    let said = String::from_utf8_lossy(&done.stdout).into_owned();
    let entries = shop.service.as_ref().unwrap().entries();
    assert!(done.status.success() && said.starts_with(&format!("{entries} entries and ")), "{done:?}");
    let again = run();
    assert_eq!(again.status.code(), Some(1));
    assert!(String::from_utf8_lossy(&again.stderr).contains("there is something at"), "{again:?}");
    // A log that does not check is not copied as if it did.
    let segment = shop.data().join("log").join(format!("{:020}.seg", 0));
    let mut bytes = std::fs::read(&segment).unwrap();
    bytes[300] ^= 1;
    let (bad, log) = (shop.dir.join("bad"), shop.dir.join("bad").join("log"));
    std::fs::create_dir_all(&log).unwrap();
    std::fs::write(log.join(segment.file_name().unwrap()), bytes).unwrap();
    let told = backup(&Config::local(&bad), &shop.dir.join("never")).unwrap_err().to_string();
    assert!(told.contains("checksum"), "{told}");
    assert!(!shop.dir.join("never").exists());
}
