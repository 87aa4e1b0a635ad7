//! The log's key changes, custody is taken over with the recovery keys, an older state is put back: each path rehearsed with
//! the real service, real stations, and the verifier at its end.

#![allow(clippy::print_stdout)] // Tests print their seed and what they found.

mod agreed;

use rinsebook_client::enrol;
use rinsebook_client::home::Home;
use rinsebook_client::remote;
use rinsebook_client::rpc::ledger_client::LedgerClient;
use rinsebook_client::rpc::roster_client::RosterClient;
use rinsebook_client::station::{Receipt, Station};
use rinsebook_client::sync::{deliver_own_run, sync};
use rinsebook_client::verify::pack::AskedOfPack;
use rinsebook_client::verify::{Fault, Good, log_dir};
use rinsebook_proto::bytes::Id;
use rinsebook_proto::clock::Clock;
use rinsebook_proto::fact::Kind;
use rinsebook_proto::key;
use rinsebook_proto::note::{Checkpoint, VerifierKey};
use rinsebook_proto::v1;
use rinsebook_tests::folder::copy_dir;
use rinsebook_tests::shop::{MORNING_MS, Shop, Wash, all_well, disconnected, inspected, reconnected};

async fn prepared(shop: &Shop) -> v1::PrepareLogKeyResponse {
    let channel = remote::connect(&shop.desk.home).await.unwrap();
    LedgerClient::new(channel).prepare_log_key(v1::PrepareLogKeyRequest {}).await.unwrap().into_inner()
}

async fn newest_note(shop: &Shop) -> String {
    let channel = remote::connect(&shop.desk.home).await.unwrap();
    let request = v1::GetCheckpointRequest::default();
    LedgerClient::new(channel).get_checkpoint(request).await.unwrap().into_inner().checkpoint_note
}

async fn custody(shop: &mut Shop, kind: Kind) {
    let draft = enrol::roster_fact(kind, vec![], shop.clock.wall_ms());
    shop.desk.sign_card(&shop.custodian.key, vec![draft]).unwrap();
    all_well(&sync(&mut shop.desk, 3).await.unwrap()).unwrap();
}

fn key_of(shop: &Shop) -> VerifierKey {
    VerifierKey::parse(&shop.service.as_ref().unwrap().verifier_key).unwrap()
}

async fn verified(shop: &mut Shop, key: &VerifierKey) -> Result<Good, Fault> {
    shop.service.take().unwrap().stop().await.unwrap();
    log_dir(&shop.data().join("log"), Some(key))
}

#[tokio::test(flavor = "multi_thread")]
async fn a_changed_log_key_is_followed_by_stations_restarts_and_verifiers_that_bring_the_old_or_the_new_one() {
    let mut shop = Shop::open().await.unwrap();
    let mut station = shop.station("ramp-1").await.unwrap();
    let wash = Wash::of(shop.aircraft);
    station.sign_card(&shop.technician.key, vec![wash.opened(&shop, MORNING_MS)]).unwrap();
    all_well(&sync(&mut station, 3).await.unwrap()).unwrap();
    let old = key_of(&shop);
    let change = prepared(&shop).await;
    let new = VerifierKey::new(old.name(), key::public_key(&change.new_public_key).unwrap());
    // Nothing is done by preparing it.
    assert!(Checkpoint::open(&newest_note(&shop).await, std::slice::from_ref(&new)).is_err());

    custody(&mut shop, enrol::log_key_changed(&change)).await;
    let note = newest_note(&shop).await;
    Checkpoint::open(&note, std::slice::from_ref(&new)).unwrap();
    Checkpoint::open(&note, std::slice::from_ref(&old)).expect("the old key still signs beside the new one");

    // Once every witness knows the new key, the old one's file is taken away.
    shop.service.take().unwrap().stop().await.unwrap();
    std::fs::remove_file(shop.data().join("keys/log.pem")).unwrap();
    shop.restart(&mut [&mut station]).await.unwrap();
    assert_eq!(key_of(&shop), new);
    let opened = wash.on(2, disconnected("PS-1"), MORNING_MS + 60_000);
    let opened = station.sign_card(&shop.technician.key, vec![opened]).unwrap();
    all_well(&sync(&mut station, 3).await.unwrap()).unwrap();
    let note = station.acknowledged_under(&opened[0]).unwrap().to_owned();
    Checkpoint::open(&note, std::slice::from_ref(&new)).unwrap();
    assert!(Checkpoint::open(&note, std::slice::from_ref(&old)).is_err());

    for key in [&old, &new] {
        let good = verified_copy(&shop, key).await.unwrap();
        assert!(good.origin_proved);
    }
    let stranger = VerifierKey::new(old.name(), key::generate().verifying_key());
    let told = verified(&mut shop, &stranger).await;
    assert!(matches!(told, Err(Fault::Bad { part: "log key", .. })), "{told:?}");
}

/// Verifies a copy while the service runs on.
async fn verified_copy(shop: &Shop, key: &VerifierKey) -> Result<Good, Fault> {
    let copy = tempfile::tempdir().unwrap();
    copy_dir(&shop.data().join("log"), copy.path());
    log_dir(copy.path(), Some(key))
}

#[tokio::test(flavor = "multi_thread")]
async fn a_key_that_the_service_does_not_hold_is_refused_before_anything_is_recorded() {
    let mut shop = Shop::open().await.unwrap();
    let mut change = prepared(&shop).await;
    change.new_public_key = key::generate().verifying_key().as_bytes().to_vec();
    let draft = enrol::roster_fact(enrol::log_key_changed(&change), vec![], shop.clock.wall_ms());
    shop.desk.sign_card(&shop.custodian.key, vec![draft]).unwrap();
    let before = shop.service.as_ref().unwrap().entries();
    let report = sync(&mut shop.desk, 1).await.unwrap();
    assert_eq!((report.admitted, report.left), (0, 1));
    let forged = newest_note(&shop).await;
    Checkpoint::open(&forged, &[key_of(&shop)]).unwrap();
    assert!(shop.service.as_ref().unwrap().entries() - before <= 2, "reports alone");
}

#[tokio::test(flavor = "multi_thread")]
async fn custody_is_taken_over_by_as_many_recovery_keys_as_the_founding_asks_and_by_no_fewer() {
    let offline = [key::generate(), key::generate(), key::generate()];
    let public = offline.iter().map(|key| key.verifying_key().as_bytes().to_vec()).collect();
    let mut shop = Shop::open_with_recovery(public).await.unwrap();
    let heir = key::generate();
    let person = Id::random();
    let authority = shop.authority_dir().unwrap();
    let digest = enrol::certificate(&shop.desk.home, &authority).unwrap();
    let device = enrol::device(&shop.desk.home, digest, "Records office").unwrap();
    let custodian = v1::PersonEnrolled { person: person.to_vec(), ..Default::default() };
    let kind =
        enrol::custody_reestablished(custodian, enrol::person_key(person, &heir), device, vec![], "the key is lost");
    let now_ms = shop.clock.wall_ms();
    let act = shop.desk.sign_card(&heir, vec![enrol::roster_fact(kind, vec![], now_ms)]).unwrap()[0];
    shop.desk.sign_card(&offline[0], vec![enrol::recovery_agreed(act, now_ms)]).unwrap();
    sync(&mut shop.desk, 3).await.unwrap();
    let lost = std::mem::replace(&mut shop.custodian.key, heir.clone());
    assert!(!enrols(&mut shop, Id([1; 16])).await, "one of two is not enough");
    shop.desk.sign_card(&offline[2], vec![enrol::recovery_agreed(act, now_ms)]).unwrap();
    sync(&mut shop.desk, 3).await.unwrap();
    assert!(enrols(&mut shop, Id([2; 16])).await);
    // A device that the new custodian enrols is one for everybody: a verifier follows custody as the service does.
    let mut station = shop.station("ramp-9").await.unwrap();
    let wash = Wash::of(shop.aircraft);
    station.sign_card(&shop.technician.key, vec![wash.opened(&shop, MORNING_MS)]).unwrap();
    all_well(&sync(&mut station, 3).await.unwrap()).unwrap();
    let channel = remote::connect(&shop.desk.home).await.unwrap();
    let about = Some(v1::issue_pack_request::About::Aircraft(shop.aircraft.to_vec()));
    let request = v1::IssuePackRequest { about, issued_to: "an auditor".to_owned(), purpose: String::new() };
    let pack = rinsebook_client::query::pack::issued(channel, request).await.unwrap();
    rinsebook_client::verify::pack::pack(&pack, &AskedOfPack::default()).unwrap();
    shop.custodian.key = lost;
    assert!(!enrols(&mut shop, Id([3; 16])).await, "the lost key holds custody no more");
    let key = key_of(&shop);
    verified(&mut shop, &key).await.unwrap();
}

/// Whether what the custodian of the shop signs enrols somebody.
async fn enrols(shop: &mut Shop, person: Id) -> bool {
    let kind = Kind::PersonEnrolled(v1::PersonEnrolled { person: person.to_vec(), ..Default::default() });
    let draft = enrol::roster_fact(kind, vec![], shop.clock.wall_ms());
    shop.desk.sign_card(&shop.custodian.key, vec![draft]).unwrap();
    sync(&mut shop.desk, 3).await.unwrap();
    let channel = remote::connect(&shop.desk.home).await.unwrap();
    let people = RosterClient::new(channel).list_people(v1::ListPeopleRequest::default()).await.unwrap();
    people.into_inner().people.iter().any(|known| known.person == person.0)
}

#[tokio::test(flavor = "multi_thread")]
async fn an_older_state_put_back_stops_recording_until_an_epoch_opens_and_stations_send_again_what_was_lost() {
    let mut shop = Shop::open().await.unwrap();
    let mut station = shop.station("ramp-1").await.unwrap();
    let wash = Wash::of(shop.aircraft);
    let first = station.sign_card(&shop.technician.key, vec![wash.opened(&shop, MORNING_MS)]).unwrap();
    all_well(&sync(&mut station, 3).await.unwrap()).unwrap();
    let old = key_of(&shop);
    shop.service.take().unwrap().stop().await.unwrap();
    let backup = shop.dir.join("backup");
    copy_dir(&shop.data(), &backup);

    // Life goes on: these are acknowledged, and then lost.
    shop.restart(&mut [&mut station]).await.unwrap();
    let lost = [disconnected("PS-1"), disconnected("PS-2")].map(|kind| wash.on(2, kind, MORNING_MS + 60_000));
    let lost = station.sign_card(&shop.technician.key, lost.to_vec()).unwrap();
    all_well(&sync(&mut station, 3).await.unwrap()).unwrap();
    all_well(&sync(&mut shop.desk, 3).await.unwrap()).unwrap();
    shop.service.take().unwrap().stop().await.unwrap();
    std::fs::remove_dir_all(shop.data()).unwrap();
    copy_dir(&backup, &shop.data());
    shop.restart(&mut [&mut station]).await.unwrap();

    // A station that comes by shows our own signature over more than there is.
    let after = wash.on(2, reconnected("PS-1"), MORNING_MS + 120_000);
    let after = station.sign_card(&shop.technician.key, vec![after]).unwrap();
    let told = sync(&mut station, 1).await.unwrap_err().to_string();
    assert!(told.contains("does not continue"), "{told}");
    assert!(station.receipt(&after[0]).is_none(), "nothing was handed over, and nothing is lost");
    let prepared = prepared(&shop).await;
    assert!(prepared.not_recording.contains("older state"), "{prepared:?}");
    // It is not forgotten by a restart, and reading goes on.
    shop.restart(&mut [&mut station]).await.unwrap();
    assert!(!newest_note(&shop).await.is_empty());

    let prepared = self::prepared(&shop).await;
    let own = shop.desk.home.text("checkpoint").unwrap().unwrap();
    let (home, clock) = (shop.desk.home.clone(), shop.clock.clone());
    shop.desk = reopened(shop.desk, home, clock);
    let draft = enrol::roster_fact(enrol::epoch_opened(&prepared, &own), vec![], shop.clock.wall_ms());
    shop.desk.sign_card(&shop.custodian.key, vec![draft]).unwrap();
    let report = deliver_own_run(&mut shop.desk).await.unwrap();
    assert_eq!((report.admitted, report.left), (1, 0), "{report:?}");
    all_well(&sync(&mut shop.desk, 3).await.unwrap()).unwrap();

    let report = sync(&mut station, 3).await.unwrap();
    assert_eq!((report.admitted, report.left, report.refused.len()), (3, 0, 0), "{report:?}");
    let index = |station: &Station, hash| match station.receipt(hash) {
        Some(Receipt::InLog(index, _)) => *index,
        other => panic!("{other:?}"),
    };
    assert!(index(&station, &first[0]) < prepared.size && index(&station, &lost[1]) > prepared.size);
    shop.clock.set(MORNING_MS + 180_000);
    let looked = wash.on(2, inspected("PS-1"), MORNING_MS + 180_000);
    station.sign_card(&shop.inspector.key, vec![looked]).unwrap();
    all_well(&sync(&mut station, 3).await.unwrap()).unwrap();
    assert!(newest_note(&shop).await.starts_with("rinsebook.invalid/local/2\n"));
    let good = verified(&mut shop, &old).await.unwrap();
    assert_eq!(good.origin, "rinsebook.invalid/local/2");
}

/// The program of a station is ended and started anew.
fn reopened(station: Station, home: Home, clock: std::sync::Arc<rinsebook_proto::clock::ScriptedClock>) -> Station {
    drop(station);
    Station::open(home, clock).unwrap()
}
