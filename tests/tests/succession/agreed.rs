//! Logs in which keys, custody and epoch changed, judged by two verifiers that share no code: whole, cut at the end of any
//! group, and altered with checksums that fit.

use std::path::{Path, PathBuf};

use rinsebook_client::enrol;
use rinsebook_client::outbox::Item;
use rinsebook_client::remote;
use rinsebook_client::sync::{deliver_own_run, sync};
use rinsebook_client::verify::pack::{AskedOfPack, pack};
use rinsebook_client::verify::{Asked, check};
use rinsebook_proto::bytes::{Hash, Id};
use rinsebook_proto::clock::Clock;
use rinsebook_proto::fact::{Header, Seen, Signed};
use rinsebook_proto::key;
use rinsebook_proto::note::VerifierKey;
use rinsebook_proto::v1;
use rinsebook_tests::outside::python;
use rinsebook_tests::shop::{MORNING_MS, Shop, Wash, all_well, disconnected};
use rinsebook_tests::world::Dice;
use serde_json::{Value, json};

use super::{copy_dir, custody, enrols, key_of, newest_note, prepared, reopened};

const HEADER_BYTES: usize = 60;
const FRAME_HEAD_BYTES: usize = 9;
/// A group's checkpoint.
const ENDS_GROUP: u8 = 3;

/// A log, and the keys that signed it.
struct Told {
    name: &'static str,
    shop: Shop,
    keys: Vec<VerifierKey>,
}

async fn washed(shop: &mut Shop) {
    let label = Id::random().to_string();
    let mut station = shop.station(&label).await.unwrap();
    let wash = Wash::of(shop.aircraft);
    let drafts = vec![wash.opened(shop, MORNING_MS), wash.on(2, disconnected("PS-1"), MORNING_MS)];
    station.sign_card(&shop.technician.key, drafts).unwrap();
    all_well(&sync(&mut station, 3).await.unwrap()).unwrap();
}

/// The log's key is changed, and changed again.
async fn keys_changed() -> Told {
    let mut shop = Shop::open().await.unwrap();
    let mut keys = vec![key_of(&shop)];
    for _ in 0..2 {
        let change = prepared(&shop).await;
        keys.push(VerifierKey::new(keys[0].name(), key::public_key(&change.new_public_key).unwrap()));
        custody(&mut shop, enrol::log_key_changed(&change)).await;
        washed(&mut shop).await;
    }
    Told { name: "keys", shop, keys }
}

/// Custody passes to an heir by two recovery keys of three; the heir enrols, and changes the log's key; the lost key cannot.
async fn custody_taken_over() -> Told {
    let offline = [key::generate(), key::generate(), key::generate()];
    let public = offline.iter().map(|key| key.verifying_key().as_bytes().to_vec()).collect();
    let mut shop = Shop::open_with_recovery(public).await.unwrap();
    let (heir, person) = (key::generate(), Id::random());
    let digest = enrol::certificate(&shop.desk.home, &shop.authority_dir().unwrap()).unwrap();
    let device = enrol::device(&shop.desk.home, digest, "Records office").unwrap();
    let custodian = v1::PersonEnrolled { person: person.to_vec(), ..Default::default() };
    let kind =
        enrol::custody_reestablished(custodian, enrol::person_key(person, &heir), device, vec![], "the key is lost");
    let now_ms = shop.clock.wall_ms();
    let act = shop.desk.sign_card(&heir, vec![enrol::roster_fact(kind, vec![], now_ms)]).unwrap()[0];
    for signer in [&offline[0], &offline[2]] {
        shop.desk.sign_card(signer, vec![enrol::recovery_agreed(act, now_ms)]).unwrap();
        sync(&mut shop.desk, 3).await.unwrap();
    }
    let lost = std::mem::replace(&mut shop.custodian.key, heir.clone());
    washed(&mut shop).await;
    let mut keys = vec![key_of(&shop)];
    let change = prepared(&shop).await;
    keys.push(VerifierKey::new(keys[0].name(), key::public_key(&change.new_public_key).unwrap()));
    custody(&mut shop, enrol::log_key_changed(&change)).await;
    washed(&mut shop).await;
    shop.custodian.key = lost;
    assert!(!enrols(&mut shop, Id([3; 16])).await);
    Told { name: "custody", shop, keys }
}

/// An older state is put back, and another epoch opens; a station sends again what was lost.
async fn restored() -> Told {
    let mut shop = Shop::open().await.unwrap();
    let mut station = shop.station("ramp-1").await.unwrap();
    let wash = Wash::of(shop.aircraft);
    station.sign_card(&shop.technician.key, vec![wash.opened(&shop, MORNING_MS)]).unwrap();
    all_well(&sync(&mut station, 3).await.unwrap()).unwrap();
    let old = key_of(&shop);
    shop.service.take().unwrap().stop().await.unwrap();
    let backup = shop.dir.join("backup");
    copy_dir(&shop.data(), &backup);
    shop.restart(&mut [&mut station]).await.unwrap();
    let lost = wash.on(2, disconnected("PS-1"), MORNING_MS + 60_000);
    station.sign_card(&shop.technician.key, vec![lost]).unwrap();
    all_well(&sync(&mut station, 3).await.unwrap()).unwrap();
    all_well(&sync(&mut shop.desk, 3).await.unwrap()).unwrap();
    shop.service.take().unwrap().stop().await.unwrap();
    std::fs::remove_dir_all(shop.data()).unwrap();
    copy_dir(&backup, &shop.data());
    shop.restart(&mut [&mut station]).await.unwrap();
    // A fact signed after what was lost was seen: its header names a state that is in no log any more.
    station.sign_card(&shop.technician.key, vec![wash.on(1, disconnected("PS-2"), MORNING_MS + 90_000)]).unwrap();
    sync(&mut station, 1).await.unwrap_err();
    let next = prepared(&shop).await;
    let own = shop.desk.home.text("checkpoint").unwrap().unwrap();
    let (home, clock) = (shop.desk.home.clone(), shop.clock.clone());
    shop.desk = reopened(shop.desk, home, clock);
    let draft = enrol::roster_fact(enrol::epoch_opened(&next, &own), vec![], shop.clock.wall_ms());
    shop.desk.sign_card(&shop.custodian.key, vec![draft]).unwrap();
    assert_eq!(deliver_own_run(&mut shop.desk).await.unwrap().admitted, 1);
    all_well(&sync(&mut shop.desk, 3).await.unwrap()).unwrap();
    sync(&mut station, 3).await.unwrap();
    washed(&mut shop).await;
    let origin = newest_note(&shop).await.lines().next().unwrap().to_owned();
    let new = VerifierKey::new(&origin, key::public_key(&next.new_public_key).unwrap());
    Told { name: "epoch", shop, keys: vec![old, new] }
}

/// A device says to have seen another log, twice, by a signer who is enrolled.
async fn seen_otherwise() -> Told {
    let mut shop = Shop::open().await.unwrap();
    let mut station = shop.station("ramp-1").await.unwrap();
    let (wash, signer) = (Wash::of(shop.aircraft), shop.technician.key.clone());
    station.sign_card(&signer, vec![wash.opened(&shop, MORNING_MS)]).unwrap();
    all_well(&sync(&mut station, 3).await.unwrap()).unwrap();
    let (run, mut counter, mut previous) = station.place();
    let mut items = Vec::new();
    for seen in [Seen { epoch: 1, size: 3, root: Hash::of(b"another") }, Seen { epoch: 9, size: 0, root: Hash::ZERO }] {
        let draft = wash.on(2, disconnected("PS-1"), MORNING_MS);
        let mut subjects = draft.subjects;
        subjects.sort();
        let header = Header {
            record: station.record(),
            device: station.home.device,
            run,
            counter,
            previous,
            author_key: key::key_id(&signer.verifying_key()),
            happened_ms: draft.happened_ms,
            recorded_ms: draft.happened_ms,
            clock_offset_ms: None,
            clock_measured_ms: None,
            seen,
            card: None,
            subjects,
            refers: vec![],
        };
        let fact = Signed::sign(header, draft.kind, &signer);
        (counter, previous) = (counter + 1, fact.hash());
        items.push(Item { run, counter: counter - 1, envelope: fact.bytes().to_vec() });
    }
    station.append(items).unwrap();
    all_well(&sync(&mut station, 3).await.unwrap()).unwrap();
    let keys = vec![key_of(&shop)];
    Told { name: "seen", shop, keys }
}

/// A pack of the aircraft, judged by both under every key that signed the log, and under none that did.
async fn packs_agree(told: &Told, dir: &Path) -> usize {
    let channel = remote::connect(&told.shop.desk.home).await.unwrap();
    let about = Some(v1::issue_pack_request::About::Aircraft(told.shop.aircraft.to_vec()));
    let request = v1::IssuePackRequest { about, issued_to: "an auditor".to_owned(), purpose: String::new() };
    let made = rinsebook_client::query::pack::issued(channel, request).await.unwrap();
    let dir = dir.join(format!("pack-{}", told.name));
    std::fs::create_dir(&dir).unwrap();
    std::fs::write(dir.join("made.pack"), &made).unwrap();
    let stranger = VerifierKey::new(told.keys[0].name(), key::generate().verifying_key());
    for key in told.keys.iter().chain([&stranger]) {
        let good = pack(&made, &AskedOfPack { log_key: Some(key), ..AskedOfPack::default() });
        assert_eq!(good.is_ok(), *key != stranger, "{} under {key}: {good:?}", told.name);
        let list = dir.join("said.json");
        std::fs::write(&list, json!([{ "name": "made", "good": good.is_ok() }]).to_string()).unwrap();
        let [folder, list] = [&dir, &list].map(|path| path.display().to_string());
        let output = python("compare_packs.py", &[&folder, &list, &key.to_string()]);
        assert!(output.status.success(), "{} under {key}: {output:?}", told.name);
    }
    told.keys.len() + 1
}

/// What the first verifier says: good or not, and how many devices say to have seen another log.
fn judged(log: &Path, key: &VerifierKey) -> (bool, usize) {
    match check(log, &Asked { log_key: Some(key), ..Asked::default() }, &mut |_| {}) {
        Ok(good) => (true, good.seen_otherwise.len()),
        Err(_) => (false, 0),
    }
}

/// Offset, body length and type of each frame.
fn frames(bytes: &[u8]) -> Vec<(usize, usize, u8)> {
    let (mut frames, mut at) = (Vec::new(), HEADER_BYTES);
    while at + FRAME_HEAD_BYTES <= bytes.len() && bytes[at..at + FRAME_HEAD_BYTES] != [0; FRAME_HEAD_BYTES] {
        let length = u32::from_be_bytes(bytes[at..at + 4].try_into().unwrap()) as usize;
        frames.push((at, length, bytes[at + 8]));
        at += FRAME_HEAD_BYTES + length;
    }
    frames
}

/// One bit of a frame's body altered, its checksum made to fit: over the offset, the file's first index, type and body.
fn altered(whole: &[u8], (at, length, _): (usize, usize, u8), dice: &mut Dice) -> Vec<u8> {
    let mut bytes = whole.to_vec();
    bytes[at + FRAME_HEAD_BYTES + dice.below(length as u64) as usize] ^= 1 << dice.below(8);
    let body = &bytes[at + 8..at + FRAME_HEAD_BYTES + length];
    let covered = [&(at as u64).to_be_bytes()[..], &bytes[16..24], body].concat();
    let crc = crc32fast::hash(&covered);
    bytes[at + 4..at + 8].copy_from_slice(&crc.to_be_bytes());
    bytes
}

/// Cut behind a frame; what follows is unused.
fn cut(whole: &[u8], (at, length, _): (usize, usize, u8)) -> Vec<u8> {
    let mut bytes = whole.to_vec();
    bytes[at + FRAME_HEAD_BYTES + length..].fill(0);
    bytes
}

/// Copies of a log in folders below `dir`, and what the first verifier says of each.
fn copies(told: &Told, dir: &Path, dice: &mut Dice) -> Vec<Value> {
    let log = told.shop.data().join("log");
    let segments: Vec<PathBuf> = std::fs::read_dir(&log).unwrap().map(|entry| entry.unwrap().path()).collect();
    assert_eq!(segments.len(), 1, "{log:?}");
    let (whole, file) = (std::fs::read(&segments[0]).unwrap(), segments[0].file_name().unwrap());
    let frames = frames(&whole);
    let stranger = VerifierKey::new(told.keys[0].name(), key::generate().verifying_key());
    let newest = told.keys.last().unwrap();
    let mut said = Vec::new();
    let mut say = |bytes: &[u8], key: &VerifierKey, expected: Option<bool>| {
        let name = format!("{}-{}", told.name, said.len());
        std::fs::create_dir(dir.join(&name)).unwrap();
        std::fs::write(dir.join(&name).join(file), bytes).unwrap();
        let (good, otherwise) = judged(&dir.join(&name), key);
        assert!(expected.is_none_or(|expected| expected == good), "{name} under {key}");
        said.push(json!({ "name": name, "key": key.to_string(), "good": good, "otherwise": otherwise }));
    };
    told.keys.iter().for_each(|key| say(&whole, key, Some(true)));
    say(&whole, &stranger, Some(false));
    for end in frames.iter().filter(|frame| frame.2 == ENDS_GROUP) {
        // Under the first key the beginning of a log is good; under the last one, from the fact on that names it.
        say(&cut(&whole, *end), &told.keys[0], Some(true));
        say(&cut(&whole, *end), newest, None);
    }
    let bodies: Vec<_> = frames.iter().copied().filter(|frame| frame.1 > 0).collect();
    for _ in 0..40 {
        let frame = bodies[dice.below(bodies.len() as u64) as usize];
        say(&altered(&whole, frame, dice), &told.keys[0], None);
    }
    said
}

#[tokio::test(flavor = "multi_thread")]
async fn a_verifier_in_python_agrees_on_logs_whose_keys_custody_or_epoch_changed_whole_cut_and_altered() {
    let seed = std::env::var("RINSEBOOK_SEED").ok().and_then(|s| s.parse().ok());
    let seed = seed.unwrap_or_else(|| std::time::UNIX_EPOCH.elapsed().unwrap().as_nanos() as u64);
    println!("RINSEBOOK_SEED={seed}");
    let mut dice = Dice::new(seed);
    let dir = tempfile::tempdir().unwrap();
    let mut said = Vec::new();
    let mut packs = 0;
    for mut told in [keys_changed().await, custody_taken_over().await, restored().await, seen_otherwise().await] {
        packs += packs_agree(&told, dir.path()).await;
        told.shop.service.take().unwrap().stop().await.unwrap();
        said.extend(copies(&told, dir.path(), &mut dice));
    }
    let good = said.iter().filter(|case| case["good"] == true).count();
    assert!(good > 30 && said.len() - good > 90, "{good} of {} are good", said.len());
    let list = dir.path().join("said.json");
    std::fs::write(&list, serde_json::to_vec(&said).unwrap()).unwrap();
    let output = python("compare_logs.py", &[&dir.path().display().to_string(), &list.display().to_string()]);
    let text = String::from_utf8_lossy(&output.stdout).into_owned() + &String::from_utf8_lossy(&output.stderr);
    println!("{} logs, {good} of them good: {text}; {packs} judgements of packs agreed", said.len());
    assert!(said.iter().any(|case| case["good"] == true && case["otherwise"] == 1));
    assert!(output.status.success() && text.contains(&format!("\"agreed\": {}", said.len())), "{text}");
}
