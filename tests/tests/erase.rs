//! Names and other annexes erased by a custodian's fact: the bytes go, from the service and from stations, come back from
//! no backup, and every proof holds before and after.

use std::path::{Path, PathBuf};

use rinsebook_client::enrol;
use rinsebook_client::names::Names;
use rinsebook_client::query::through::Through;
use rinsebook_client::query::{ShowArgs, run_show};
use rinsebook_client::remote;
use rinsebook_client::rpc::records_client::RecordsClient;
use rinsebook_client::rpc::roster_client::RosterClient;
use rinsebook_client::station::{Draft, Station};
use rinsebook_client::sync::{SyncReport, sync};
use rinsebook_client::verify::pack::{AskedOfPack, PackGood, pack};
use rinsebook_client::verify::{Asked, Fault, Good, check};
use rinsebook_proto::bytes::{Hash, Id};
use rinsebook_proto::clock::Clock;
use rinsebook_proto::fact::{Kind, Subject};
use rinsebook_proto::note::VerifierKey;
use rinsebook_proto::v1::{self, Authority, issue_pack_request::About};
use rinsebook_tests::shop::{MORNING_MS, Person, Shop, Wash, all_well, disconnected};
use tonic::Code;

const MINUTE_MS: u64 = 60_000;
const DAY_MS: u64 = 24 * 60 * MINUTE_MS;

/// A shop with somebody in it who signs nothing, and the digest of their name.
async fn shop_with_a_planner() -> (Shop, Person, Hash) {
    let mut shop = Shop::open().await.unwrap();
    let planner = shop.enrol("Pell Ostrand (invented)", &[Authority::Plan]).await.unwrap();
    let name = name_of(&shop, &planner.id).await;
    (shop, planner, name)
}

async fn name_of(shop: &Shop, person: &Id) -> Hash {
    let channel = remote::connect(&shop.desk.home).await.unwrap();
    let listed = RosterClient::new(channel).list_people(v1::ListPeopleRequest::default()).await.unwrap().into_inner();
    let of = listed.people.into_iter().find(|p| p.person == person.0).unwrap();
    Hash::from_slice(&of.name.unwrap().digest).unwrap()
}

fn erasing(digest: Hash, when_ms: u64) -> Draft {
    let kind = Kind::AnnexErased(v1::AnnexErased { digests: vec![digest.to_vec()], reason: "asked for it".to_owned() });
    enrol::roster_fact(kind, vec![], when_ms)
}

/// The custodian erases, at the desk.
async fn erase(shop: &mut Shop, digest: Hash) -> SyncReport {
    let draft = erasing(digest, shop.clock.wall_ms());
    shop.desk.sign_card(&shop.custodian.key, vec![draft]).unwrap();
    sync(&mut shop.desk, 3).await.unwrap()
}

fn at_service(shop: &Shop, digest: &Hash) -> PathBuf {
    shop.data().join("blobs").join(digest.to_string())
}

fn at_station(station: &Station, digest: &Hash) -> PathBuf {
    station.home.path("blobs").join(digest.to_string())
}

/// Whether any file below the folder holds these bytes.
fn holds(dir: &Path, bytes: &[u8]) -> bool {
    std::fs::read_dir(dir).unwrap().any(|entry| {
        let path = entry.unwrap().path();
        if path.is_dir() {
            return holds(&path, bytes);
        }
        std::fs::read(&path).unwrap().windows(bytes.len()).any(|part| part == bytes)
    })
}

/// The log, as an auditor verifies it beside the running service.
fn verified(shop: &Shop) -> Result<Good, Fault> {
    let key = VerifierKey::parse(&std::fs::read_to_string(shop.desk.home.path("log.vkey")).unwrap()).unwrap();
    let blobs = shop.data().join("blobs");
    let asked = Asked { log_key: Some(&key), blobs: Some(&blobs), ..Asked::default() };
    check(&shop.data().join("log"), &asked, &mut |_| {})
}

/// Stops the service, verifies, starts it again.
async fn verified_at_rest(shop: &mut Shop, stations: &mut [&mut Station]) -> Result<Good, Fault> {
    shop.service.take().unwrap().stop().await.unwrap();
    let good = verified(shop);
    shop.restart(stations).await.unwrap();
    good
}

async fn packed(shop: &Shop) -> PackGood {
    let channel = remote::connect(&shop.desk.home).await.unwrap();
    let request = v1::IssuePackRequest {
        about: Some(About::Aircraft(shop.aircraft.to_vec())),
        issued_to: "an invented authority".to_owned(),
        purpose: "a test".to_owned(),
    };
    let mut pieces = RecordsClient::new(channel).issue_pack(request).await.unwrap().into_inner();
    let mut bytes = Vec::new();
    while let Some(piece) = pieces.message().await.unwrap() {
        bytes.extend(piece.content);
    }
    pack(&bytes, &AskedOfPack::default()).unwrap()
}

async fn shown(shop: &Shop, what: &str, json: bool) -> String {
    let channel = remote::connect(&shop.desk.home).await.unwrap();
    let args = ShowArgs { through: Through::default(), what: what.to_owned(), json };
    let mut out = Vec::new();
    run_show(channel, &args, &mut out).await.unwrap();
    String::from_utf8(out).unwrap()
}

fn remark(wash: &Wash, text: Hash, when_ms: u64) -> Draft {
    let text = Some(v1::AnnexRef { digest: text.to_vec() });
    wash.of_all(Kind::Remark(v1::Remark { text }), when_ms)
}

#[tokio::test(flavor = "multi_thread")]
async fn an_erased_name_is_gone_from_service_and_station_and_log_and_pack_verify_before_and_after() {
    let (mut shop, planner, name) = shop_with_a_planner().await;
    let before = verified_at_rest(&mut shop, &mut []).await.unwrap();
    assert_eq!((before.blobs.unwrap().erased, before.erased.len()), (0, 0));
    assert_eq!(packed(&shop).await.erased, []);
    assert!(holds(&shop.dir, b"Pell Ostrand"), "or the search below would prove nothing");

    let report = erase(&mut shop, name).await;
    all_well(&report).unwrap();
    assert_eq!(report.erased, 1, "the desk's own copy");
    assert!(!at_service(&shop, &name).exists() && !at_station(&shop.desk, &name).exists());
    assert!(!holds(&shop.dir, b"Pell Ostrand"));

    let after = verified_at_rest(&mut shop, &mut []).await.unwrap();
    assert_eq!(after.blobs.unwrap().erased, 1);
    let [told] = after.erased.as_slice() else { panic!("one erasure: {:?}", after.erased) };
    assert_eq!((told.digest, told.by, told.reason.as_str()), (name, shop.custodian.id, "asked for it"));
    assert_eq!(told.by_name.as_deref(), Some("Mira Tolvanen (invented)"));
    assert_eq!(told.what, format!("the name of person {}", planner.id));
    assert_eq!((told.there, &told.without_effect), (Some(false), &None));
    let line = after.to_string();
    assert!(line.contains("by Mira Tolvanen (invented)") && line.contains("2031-03-04"), "{line}");
    let json = &after.to_json()["erased"][0];
    assert_eq!(
        (json["person"].as_str(), json["erased_ms"].as_u64()),
        (Some(&*shop.custodian.id.to_string()), Some(told.at_ms))
    );

    let pack = packed(&shop).await;
    let [told] = pack.erased.as_slice() else { panic!("one erasure: {:?}", pack.erased) };
    assert_eq!((told.digest, told.by_name.as_deref()), (name, Some("Mira Tolvanen (invented)")));
    assert!(pack.to_string().contains("by Mira Tolvanen (invented)"), "{pack}");
}

#[tokio::test(flavor = "multi_thread")]
async fn a_copy_of_the_blobs_folder_put_back_loses_what_was_erased_at_the_next_start() {
    let (mut shop, _, name) = shop_with_a_planner().await;
    let file = at_service(&shop, &name);
    let copy = std::fs::read(&file).unwrap();
    all_well(&erase(&mut shop, name).await).unwrap();

    for sled_kept in [true, false] {
        shop.service.take().unwrap().stop().await.unwrap();
        std::fs::write(&file, &copy).unwrap();
        assert_eq!(verified(&shop).unwrap().erased[0].there, Some(true), "a copy put back is told, and is nothing bad");
        if !sled_kept {
            std::fs::remove_dir_all(shop.data().join("derived")).unwrap();
        }
        shop.restart(&mut []).await.unwrap();
        assert_eq!(shop.service.as_ref().unwrap().start.annexes_erased, 1);
        assert!(!file.exists());
    }
    shop.restart(&mut []).await.unwrap();
    assert_eq!(shop.service.as_ref().unwrap().start.annexes_erased, 0, "nothing was left to do");
}

#[tokio::test(flavor = "multi_thread")]
async fn somebody_without_custody_erases_nothing_and_is_told_so() {
    let (mut shop, planner, name) = shop_with_a_planner().await;
    shop.desk.sign_card(&planner.key, vec![erasing(name, MORNING_MS)]).unwrap();
    let report = sync(&mut shop.desk, 3).await.unwrap();
    assert_eq!((report.admitted, report.erased), (1, 0));
    assert!(report.notes[0].contains("no custody"), "{report:?}");
    assert!(at_service(&shop, &name).exists() && at_station(&shop.desk, &name).exists());
    let good = verified_at_rest(&mut shop, &mut []).await.unwrap();
    assert_eq!((good.blobs.unwrap().erased, good.erased.len()), (0, 0));

    // Bytes that are gone without a custodian's word are missed.
    std::fs::remove_file(at_service(&shop, &name)).unwrap();
    let fault = verified_at_rest(&mut shop, &mut []).await.unwrap_err();
    assert!(matches!(&fault, Fault::Bad { check: "blob", why, .. } if why.contains(&name.to_string())), "{fault}");
}

#[tokio::test(flavor = "multi_thread")]
async fn a_signer_s_name_stays_for_three_years_and_can_be_erased_then() {
    let mut shop = Shop::open().await.unwrap();
    let mut station = shop.station("ramp-1").await.unwrap();
    let wash = Wash::of(shop.aircraft);
    let opened = wash.opened(&shop, MORNING_MS);
    station.sign_card(&shop.technician.key, vec![opened]).unwrap();
    all_well(&sync(&mut station, 3).await.unwrap()).unwrap();
    let technician = shop.technician.id;
    let name = name_of(&shop, &technician).await;

    let report = erase(&mut shop, name).await;
    assert_eq!((report.admitted, report.erased), (1, 0), "it is recorded, and has no effect");
    assert!(report.notes[0].contains("erase it again from 2034-03-04 on"), "{report:?}");
    assert!(at_service(&shop, &name).exists() && at_station(&shop.desk, &name).exists());
    let good = verified_at_rest(&mut shop, &mut [&mut station]).await.unwrap();
    assert_eq!(good.blobs.unwrap().erased, 0);
    let why = good.erased[0].without_effect.clone().unwrap();
    assert!(why.contains("145.A.55") && good.to_string().contains("not erased"), "{good}");

    // Bytes that went all the same are missed, whatever was said.
    let copy = std::fs::read(at_service(&shop, &name)).unwrap();
    std::fs::remove_file(at_service(&shop, &name)).unwrap();
    let fault = verified_at_rest(&mut shop, &mut [&mut station]).await.unwrap_err();
    assert!(fault.to_string().contains("without effect"), "{fault}");
    std::fs::write(at_service(&shop, &name), copy).unwrap();

    shop.clock.set(MORNING_MS + (3 * 365 + 2) * DAY_MS);
    let report = erase(&mut shop, name).await;
    assert_eq!((report.notes.len(), report.erased), (0, 1), "{report:?}");
    assert!(!at_service(&shop, &name).exists());
    assert!(verified_at_rest(&mut shop, &mut [&mut station]).await.is_ok());
}

#[tokio::test(flavor = "multi_thread")]
async fn a_station_with_a_copy_loses_it_when_it_syncs_and_a_fact_that_names_it_is_taken_without_it() {
    let mut shop = Shop::open().await.unwrap();
    let mut station = shop.station("ramp-1").await.unwrap();
    let wash = Wash::of(shop.aircraft);
    let (text, later) = (
        station.keep_blob(b"Ida said that the hose was worn", true).unwrap(),
        station.keep_blob(b"Ida said that it was changed", true).unwrap(),
    );
    station
        .sign_card(&shop.technician.key, vec![wash.opened(&shop, MORNING_MS), remark(&wash, text, MORNING_MS)])
        .unwrap();
    all_well(&sync(&mut station, 3).await.unwrap()).unwrap();
    // Signed where there is no network, and erased before it comes.
    let facts = vec![remark(&wash, later, MORNING_MS), wash.on(2, disconnected("PS-1"), MORNING_MS)];
    station.sign_card(&shop.technician.key, facts).unwrap();
    all_well(&erase(&mut shop, text).await).unwrap();
    all_well(&erase(&mut shop, later).await).unwrap();
    assert!(at_station(&station, &text).exists(), "it has not heard of it yet");

    let report = sync(&mut station, 3).await.unwrap();
    all_well(&report).unwrap();
    assert_eq!((report.admitted, report.erased), (2, 2), "nothing waits for bytes that nobody may send");
    for digest in [text, later] {
        assert!(!at_service(&shop, &digest).exists() && !at_station(&station, &digest).exists());
    }
    let open = shop.open_items().await.unwrap();
    assert!(open.contains(&"line-disconnected 2 PS-1".to_owned()), "{open:?}");
    let good = verified_at_rest(&mut shop, &mut [&mut station]).await.unwrap();
    assert_eq!(good.blobs.unwrap().erased, 2);
}

#[tokio::test(flavor = "multi_thread")]
async fn an_attachment_is_never_erased() {
    let mut shop = Shop::open().await.unwrap();
    let procedure = shop.procedure;
    let report = erase(&mut shop, procedure).await;
    assert!(report.notes[0].contains("attachment"), "{report:?}");
    assert!(at_service(&shop, &procedure).exists() && at_station(&shop.desk, &procedure).exists());
    assert!(verified_at_rest(&mut shop, &mut []).await.is_ok());
}

#[tokio::test(flavor = "multi_thread")]
async fn an_erased_name_is_shown_as_erased_with_who_and_when_and_no_station_knows_it_any_more() {
    let (mut shop, planner, name) = shop_with_a_planner().await;
    let kind = Kind::Remark(v1::Remark { text: None });
    let subjects = vec![Subject::Aircraft(shop.aircraft)];
    let planned = Draft { happened_ms: MORNING_MS, kind, subjects, refers: vec![] };
    let signed = shop.desk.sign_card(&planner.key, vec![planned]).unwrap()[0].to_string();
    all_well(&sync(&mut shop.desk, 3).await.unwrap()).unwrap();
    let mut names = Names::default();
    let channel = remote::connect(&shop.desk.home).await.unwrap();
    names.learn(channel.clone()).await.unwrap();
    assert!(names.people.contains_key("Pell Ostrand (invented)"));
    assert!(shown(&shop, &signed, false).await.contains("Pell Ostrand (invented)"));

    all_well(&erase(&mut shop, name).await).unwrap();
    names.learn(channel.clone()).await.unwrap();
    assert!(!names.people.values().any(|id| *id == planner.id.to_string()), "{names:?}");
    assert!(names.people.contains_key("Mira Tolvanen (invented)"));
    let fact = shown(&shop, &signed, false).await.split_whitespace().collect::<Vec<_>>().join(" ");
    assert!(fact.contains("whose name was erased by Mira Tolvanen (invented), 2031-03-04"), "{fact}");
    let enrolled = enrolled_at(&shop, name).await;
    let json: serde_json::Value = serde_json::from_str(&shown(&shop, &enrolled, true).await).unwrap();
    assert_eq!(json["annexes"][0]["erased"]["name"], "Mira Tolvanen (invented)");

    let request = v1::GetBlobRequest { digest: name.to_vec(), salted: None };
    let status = RecordsClient::new(channel).get_blob(request).await.unwrap_err();
    assert_eq!(status.code(), Code::NotFound);
    assert!(status.message().contains("was erased by person"), "{status}");
}

/// The index of the entry that enrolled the person with this name.
async fn enrolled_at(shop: &Shop, name: Hash) -> String {
    let channel = remote::connect(&shop.desk.home).await.unwrap();
    let mut records = RecordsClient::new(channel);
    for index in 0..shop.service.as_ref().unwrap().entries() {
        let request = v1::GetFactRequest { by: Some(v1::get_fact_request::By::Index(index)) };
        let fact = records.get_fact(request).await.unwrap().into_inner().fact.unwrap();
        if fact.envelope.windows(32).any(|part| part == name.0) && fact.fact.unwrap().kind == "person-enrolled" {
            return index.to_string();
        }
    }
    panic!("nobody was enrolled with {name}");
}
