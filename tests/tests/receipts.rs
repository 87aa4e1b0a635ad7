//! What a station is told is evidence: its receipts and the proofs beside its journal, checked offline, under a checkpoint that
//! a witness of the verifier's choice cosigned.

use std::path::Path;
use std::process::ExitCode;
use std::time::Duration;

use rinsebook_client::receipt::{Fetched, fetch};
use rinsebook_client::station::Station;
use rinsebook_client::sync::sync;
use rinsebook_client::verify::{Args, run};
use rinsebook_client::witness::{Settings, Witness, serve};
use rinsebook_proto::cosignature::cosigners;
use rinsebook_proto::key;
use rinsebook_proto::note::{CosignerKey, VerifierKey};
use rinsebook_proto::proof::Proof;
use rinsebook_service::config::{WitnessAddress, WitnessPolicy};
use rinsebook_service::{Config, start};
use rinsebook_tests::shop::{MORNING_MS, Shop, Wash, all_well, disconnected};

/// What `rinsebook verify` says, and its exit code.
fn verified(path: &Path, log_key: Option<&VerifierKey>, witness: Option<&CosignerKey>) -> (String, ExitCode) {
    let args = Args {
        log: path.display().to_string(),
        log_key: log_key.map(VerifierKey::to_string),
        witnesses: witness.iter().map(|key| key.to_string()).collect(),
        ..Args::default()
    };
    let mut out = Vec::new();
    let code = run(&args, &mut out).unwrap();
    (String::from_utf8(out).unwrap(), code)
}

/// The shop's service again, with a witness to ask.
async fn with_witness(shop: &mut Shop, station: &mut Station, address: WitnessAddress) {
    shop.service.take().unwrap().stop().await.unwrap();
    let mut config = Config::local(&shop.data());
    config.witnesses = vec![address];
    config.witness_policy = WitnessPolicy::all_of(1);
    let running = start(config, shop.clock.clone()).await.unwrap();
    let address = format!("https://localhost:{}", running.address.port());
    shop.desk.home.set_address(&address).unwrap();
    station.home.set_address(&address).unwrap();
    shop.service = Some(running);
}

#[tokio::test(flavor = "multi_thread")]
async fn a_station_s_receipts_and_proofs_are_checked_offline_and_altered_ones_are_found() {
    let mut shop = Shop::open().await.unwrap();
    let mut station = shop.station("ramp-1").await.unwrap();
    let log_key = VerifierKey::parse(&shop.service.as_ref().unwrap().verifier_key).unwrap();
    let witness = serve(
        Witness::open(Settings {
            name: "witness.example/w1".to_owned(),
            signer: key::generate(),
            state: shop.dir.join("witness"),
            logs: vec![log_key.clone()],
            clock: shop.clock.clone(),
        })
        .unwrap(),
        "127.0.0.1:0".parse().unwrap(),
    )
    .unwrap();
    let cosigner = witness.witness().key().clone();
    let url = format!("http://{}", witness.address);
    with_witness(&mut shop, &mut station, WitnessAddress { url, key: cosigner.clone(), ca_file: None }).await;

    let wash = Wash::of(shop.aircraft);
    let facts = vec![wash.opened(&shop, MORNING_MS), wash.on(2, disconnected("PS-1"), MORNING_MS)];
    let signed = station.sign_card(&shop.technician.key, facts).unwrap();
    all_well(&sync(&mut station, 3).await.unwrap()).unwrap();
    let unsent = wash.on(2, disconnected("PS-2"), MORNING_MS);
    station.sign_card(&shop.technician.key, vec![unsent]).unwrap();
    // The witness comes within seconds; until then a proof stands under the log's own checkpoint.
    let proof = loop {
        let _ = std::fs::remove_dir_all(station.home.path("proofs"));
        assert_eq!(fetch(&mut station).await.unwrap(), Fetched { proofs: 2, kept: 0, without: 1 });
        let kept = [0, 1].map(|n| std::fs::read_to_string(station.proof_file(&signed[n])).unwrap());
        let [one, proof] = kept.map(|text| Proof::parse(&text).unwrap());
        let cosigned = |proof: &Proof| cosigners(&proof.note, std::slice::from_ref(&cosigner)).unwrap().len() == 1;
        if cosigned(&one) && cosigned(&proof) {
            break proof;
        }
        tokio::time::sleep(Duration::from_millis(50)).await;
    };
    assert_eq!(fetch(&mut station).await.unwrap(), Fetched { proofs: 0, kept: 2, without: 1 });
    shop.service.take().unwrap().stop().await.unwrap();
    witness.stop().await;

    let (home, file) = (station.home.path("."), station.proof_file(&signed[1]));
    drop(station);
    let (told, code) = verified(&home, Some(&log_key), Some(&cosigner));
    assert_eq!(code, ExitCode::SUCCESS, "{told}");
    assert!(told.contains("2 proved to be in the log") && told.contains("1 not answered for yet"), "{told}");
    let (told, code) = verified(&file, Some(&log_key), Some(&cosigner));
    assert_eq!(code, ExitCode::SUCCESS, "{told}");
    assert!(told.contains(&signed[1].to_string()) && told.contains("witness.example/w1"), "{told}");
    let stranger = CosignerKey::new("witness.example/w2", key::generate().verifying_key());
    assert_eq!(verified(&file, Some(&log_key), Some(&stranger)).1, ExitCode::from(3), "nobody asked cosigned it");
    assert_eq!(verified(&file, None, None).1, ExitCode::from(5), "a proof without the log's key proves nothing");

    // The proof of the other envelope in its place; a proof with a hash altered; an entry altered.
    let other = std::fs::read(file.with_file_name(format!("{}.tlog-proof", signed[0]))).unwrap();
    let mut altered = proof.clone();
    altered.hashes[0].0[5] ^= 1;
    let mut another_entry = proof;
    another_entry.entry.as_mut().unwrap()[60] ^= 1;
    for bad in [other, altered.to_string().into_bytes(), another_entry.to_string().into_bytes()] {
        std::fs::write(&file, bad).unwrap();
        let (told, code) = verified(&home, Some(&log_key), Some(&cosigner));
        assert_eq!(code, ExitCode::from(3), "{told}");
    }
}

#[tokio::test(flavor = "multi_thread")]
async fn an_auditor_cosigns_what_was_found_good_and_nothing_else() {
    let mut shop = Shop::open().await.unwrap();
    let log_key = VerifierKey::parse(&shop.service.as_ref().unwrap().verifier_key).unwrap();
    shop.service.take().unwrap().stop().await.unwrap();
    let (file, secret) = (shop.dir.join("auditor.pem"), shop.dir.join("secret"));
    let auditor = key::generate();
    std::fs::write(&file, key::to_pem(&auditor, b"open this").unwrap().as_bytes()).unwrap();
    std::fs::write(&secret, "open this\n").unwrap();
    let args = |log: &Path, to: &Path| Args {
        log: log.display().to_string(),
        log_key: Some(log_key.to_string()),
        cosign: Some(file.clone()),
        cosigner: Some("quality.example/auditor".to_owned()),
        passphrase_file: Some(secret.clone()),
        cosigned: Some(to.to_owned()),
        ..Args::default()
    };
    let log = shop.data().join("log");
    let to = shop.dir.join("cosigned");
    assert_eq!(run(&args(&log, &to), &mut Vec::new()).unwrap(), ExitCode::SUCCESS);
    let known = CosignerKey::new("quality.example/auditor", auditor.verifying_key());
    let note = std::fs::read_to_string(&to).unwrap();
    assert_eq!(cosigners(&note, &[known]).unwrap().len(), 1);

    let segment = std::fs::read_dir(&log).unwrap().next().unwrap().unwrap().path();
    let mut bytes = std::fs::read(&segment).unwrap();
    bytes[2000] ^= 1;
    std::fs::write(&segment, bytes).unwrap();
    let to = shop.dir.join("not-cosigned");
    assert_eq!(run(&args(&log, &to), &mut Vec::new()).unwrap(), ExitCode::from(3));
    assert!(!to.exists());
}
