//! Packs of a real service: good ones pass, no altered byte does, and a verifier written by others agrees on all of them.

#![allow(clippy::print_stdout)] // Tests print their seed and what they found.

use std::sync::LazyLock;

use rinsebook_client::query::pack::issued;
use rinsebook_client::remote;
use rinsebook_client::rpc::open_items_client::OpenItemsClient;
use rinsebook_client::sync::sync;
use rinsebook_client::verify::Fault;
use rinsebook_client::verify::pack::{AskedOfPack, PackGood, pack};
use rinsebook_proto::bytes::Hash;
use rinsebook_proto::note::VerifierKey;
use rinsebook_proto::pack::Pack;
use rinsebook_proto::v1::{self, issue_pack_request::About};
use rinsebook_tests::outside::python;
use rinsebook_tests::shop::{MORNING_MS, Shop, Wash, all_well, disconnected, inspected, reconnected};
use rinsebook_tests::world::Dice;
use serde_json::json;

static SEED: LazyLock<u64> = LazyLock::new(|| {
    let seed = std::env::var("RINSEBOOK_SEED").ok().and_then(|s| s.parse().ok());
    let seed = seed.unwrap_or_else(|| std::time::UNIX_EPOCH.elapsed().unwrap().as_nanos() as u64);
    println!("RINSEBOOK_SEED={seed}");
    seed
});

async fn given_out(shop: &Shop, about: About) -> Vec<u8> {
    let channel = remote::connect(&shop.desk.home).await.unwrap();
    let (issued_to, purpose) = ("Quality (invented)".to_owned(), "a test".to_owned());
    issued(channel, v1::IssuePackRequest { about: Some(about), issued_to, purpose }).await.unwrap()
}

fn key_of(shop: &Shop) -> VerifierKey {
    VerifierKey::parse(&shop.service.as_ref().unwrap().verifier_key).unwrap()
}

fn verified(bytes: &[u8], key: &VerifierKey) -> Result<PackGood, Fault> {
    pack(bytes, &AskedOfPack { log_key: Some(key), ..AskedOfPack::default() })
}

async fn asked(shop: &Shop) {
    let channel = remote::connect(&shop.desk.home).await.unwrap();
    let aircraft = shop.aircraft.to_vec();
    let request = v1::AssessRequest { aircraft, record: true, ..v1::AssessRequest::default() };
    OpenItemsClient::new(channel).assess(request).await.unwrap();
}

/// A line of engine 2 opened, closed, looked at, over and over; a pack after each, and now and then a recorded answer.
async fn packs(shop: &mut Shop, count: usize) -> Vec<Vec<u8>> {
    let mut station = shop.station("ramp-1").await.unwrap();
    let wash = Wash::of(shop.aircraft);
    let mut packs = Vec::new();
    station.sign_card(&shop.technician.key, vec![wash.opened(shop, MORNING_MS)]).unwrap();
    for n in 0..count {
        let at_ms = MORNING_MS + 60_000 * (n as u64 + 1);
        shop.clock.set(at_ms);
        match n % 3 {
            0 => station.sign_card(&shop.technician.key, vec![wash.on(2, disconnected("PS-1"), at_ms)]),
            1 => station.sign_card(&shop.technician.key, vec![wash.on(2, reconnected("PS-1"), at_ms)]),
            _ => station.sign_card(&shop.inspector.key, vec![wash.on(2, inspected("PS-1"), at_ms)]),
        }
        .unwrap();
        all_well(&sync(&mut station, 3).await.unwrap()).unwrap();
        if n % 4 == 1 {
            asked(shop).await;
        }
        packs.push(given_out(shop, About::Aircraft(shop.aircraft.to_vec())).await);
    }
    packs
}

#[tokio::test(flavor = "multi_thread")]
async fn a_pack_is_good_by_aircraft_by_wash_and_by_time_and_derives_the_recorded_answers_again() {
    let mut shop = Shop::open().await.unwrap();
    let made = packs(&mut shop, 6).await;
    let key = key_of(&shop);
    let good = verified(made.last().unwrap(), &key).unwrap();
    assert_eq!((good.answers, good.answers_of_other_rules, good.answers_elsewhere), (2, 0, 0));
    assert!(good.origin_proved && good.views > 5 && good.open[0].items.iter().any(|item| item.contains("PS-1")));
    let told = good.to_string();
    assert!(told.contains("to Quality (invented)") && !told.contains("is released"), "{told}");
    let stranger = VerifierKey::new(key.name(), rinsebook_proto::key::generate().verifying_key());
    assert!(matches!(verified(&made[0], &stranger), Err(Fault::Bad { part: "log key", .. })));
    assert!(!pack(&made[0], &AskedOfPack::default()).unwrap().origin_proved);

    let parsed = Pack::parse(&made[0]).unwrap();
    let opened = parsed.entries.iter().find_map(|proved| {
        let fact = rinsebook_proto::fact::Signed::parse(&proved.entry.envelope, 32_768).ok()?;
        let washes = fact.header().subjects.iter();
        washes.filter_map(|s| if let rinsebook_proto::fact::Subject::Wash(id) = s { Some(*id) } else { None }).next()
    });
    let by_wash = given_out(&shop, About::Wash(opened.unwrap().to_vec())).await;
    assert!(!verified(&by_wash, &key).unwrap().open[0].items.is_empty());
    let span = v1::ReceivedSpan { from_ms: MORNING_MS + 60_000, until_ms: MORNING_MS + 120_000 };
    let by_time = given_out(&shop, About::Received(span)).await;
    assert_eq!(verified(&by_time, &key).unwrap().open.len(), 1);
}

/// A pack with its sum made to fit again, as whoever alters it would.
fn sealed(mut bytes: Vec<u8>) -> Vec<u8> {
    let end = bytes.len() - 32;
    let seal = Hash::of(&bytes[..end]);
    bytes[end..].copy_from_slice(&seal.0);
    bytes
}

#[tokio::test(flavor = "multi_thread")]
async fn no_altered_byte_of_a_pack_passes_with_its_sum_made_to_fit_or_not() {
    let mut shop = Shop::open().await.unwrap();
    let made = packs(&mut shop, 1).await.remove(0);
    let key = key_of(&shop);
    verified(&made, &key).unwrap();
    let mut dice = Dice::new(*SEED);
    let nightly = std::env::var("RINSEBOOK_NIGHTLY").is_ok();
    let places: Vec<usize> = match nightly {
        true => (0..made.len()).collect(),
        false => (0..500).map(|_| dice.below(made.len() as u64) as usize).collect(),
    };
    for at in places {
        let bit = dice.below(8);
        let mut altered = made.clone();
        altered[at] ^= 1 << bit;
        assert!(verified(&altered, &key).is_err(), "byte {at}, bit {bit}");
        // The sum itself made to fit is the pack as it was.
        if at < made.len() - 32 {
            assert!(verified(&sealed(altered), &key).is_err(), "byte {at}, bit {bit}, sum made to fit");
        }
    }
}

/// One damage, drawn.
fn damaged(made: &[u8], dice: &mut Dice) -> Vec<u8> {
    let mut pack = Pack::parse(made).unwrap();
    let entry = dice.below(pack.entries.len() as u64) as usize;
    match dice.below(8) {
        0 => drop(pack.entries.remove(entry)),
        1 => pack.entries[entry].proof.reverse(),
        2 => drop(pack.views.pop()),
        3 => pack.blobs.retain(|blob| !blob.salt.is_empty()),
        4 => pack.note = pack.note.replacen('\n', "0\n", 2),
        5 => pack.views[0].root.0[0] ^= 1,
        6 => pack.blobs[0].content[0] ^= 1,
        _ => {
            let mut bytes = made.to_vec();
            let at = dice.below(bytes.len() as u64 - 32) as usize;
            bytes[at] ^= 1 << dice.below(8);
            return sealed(bytes);
        }
    }
    pack.encode().unwrap()
}

#[tokio::test(flavor = "multi_thread")]
async fn a_verifier_in_python_agrees_on_two_hundred_packs_good_and_damaged() {
    let mut shop = Shop::open().await.unwrap();
    let good = packs(&mut shop, 50).await;
    let (key, mut dice) = (key_of(&shop), Dice::new(*SEED));
    let dir = tempfile::tempdir().unwrap();
    let mut said = Vec::new();
    for (n, made) in good.iter().enumerate() {
        let all: Vec<Vec<u8>> = std::iter::once(made.clone()).chain((0..3).map(|_| damaged(made, &mut dice))).collect();
        for (m, bytes) in all.iter().enumerate() {
            let (name, told) = (format!("{n:02}-{m}"), verified(bytes, &key));
            assert_eq!(told.is_ok(), m == 0, "{name}: {told:?}");
            std::fs::write(dir.path().join(format!("{name}.pack")), bytes).unwrap();
            said.push(json!({ "name": name, "good": told.is_ok() }));
        }
    }
    assert_eq!(said.len(), 200);
    let list = dir.path().join("said.json");
    std::fs::write(&list, serde_json::to_vec(&said).unwrap()).unwrap();
    let folder = dir.path().display().to_string();
    let output = python("compare_packs.py", &[&folder, &list.display().to_string(), &key.to_string()]);
    let told = String::from_utf8_lossy(&output.stdout).into_owned() + &String::from_utf8_lossy(&output.stderr);
    println!("{told}");
    assert!(output.status.success(), "{told}");
    assert!(told.contains("\"agreed\": 200"), "{told}");
}
