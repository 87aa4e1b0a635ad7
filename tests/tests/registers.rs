//! Registers: a start that takes them answers as one that reads every entry, and damage to them, or to the log that they are
//! of, is found.

use std::path::{Path, PathBuf};

use rinsebook_client::station::Station;
use rinsebook_client::sync::sync;
use rinsebook_proto::v1;
use rinsebook_service::Config;
use rinsebook_service::recovery::StartReport;
use rinsebook_service::register::Register;
use rinsebook_tests::folder::copy_dir;
use rinsebook_tests::shop::{MORNING_MS, Shop, Wash, all_well, disconnected, reconnected};

const MINUTE_MS: u64 = 60_000;
/// Before the register itself: "RINSEREG", a version and a CRC-32.
const HEAD_BYTES: usize = 16;

/// Small segments: a story of an hour fills many.
fn config(shop: &Shop) -> Config {
    Config { segment_bytes: 12 << 10, grow_bytes: 4 << 10, ..Config::local(&shop.data()) }
}

fn files(dir: &Path) -> Vec<PathBuf> {
    let listed = std::fs::read_dir(dir).map(|all| all.map(|file| file.unwrap().path()).collect());
    let mut files: Vec<PathBuf> = listed.unwrap_or_default();
    files.sort();
    files
}

fn registers(shop: &Shop) -> Vec<PathBuf> {
    files(&shop.data().join("derived/registers"))
}

fn segments(shop: &Shop) -> Vec<PathBuf> {
    files(&shop.data().join("log"))
}

/// Lines opened and closed on both engines, card after card.
async fn work(shop: &Shop, station: &mut Station, wash: &Wash, cards: u64) {
    for card in 0..cards {
        let at_ms = MORNING_MS + card * MINUTE_MS;
        shop.clock.set(at_ms + 1000);
        let engine = 1 + (card % 2) as u32;
        let drafts = match card / 2 % 2 {
            0 => vec![wash.on(engine, disconnected("PS-1"), at_ms), wash.on(engine, disconnected("MV-2"), at_ms)],
            _ => vec![wash.on(engine, reconnected("PS-1"), at_ms)],
        };
        station.sign_card(&shop.technician.key, drafts).unwrap();
        all_well(&sync(station, 3).await.unwrap()).unwrap();
    }
}

/// A shop with a log of many segments, its service stopped; what it answered last.
async fn stopped() -> (Shop, Station, Wash, v1::Assessment) {
    let mut shop = Shop::open().await.unwrap();
    let mut station = shop.station("ramp-1").await.unwrap();
    let wash = Wash::of(shop.aircraft);
    let config = config(&shop);
    shop.restart_as(config, &mut [&mut station]).await.unwrap();
    station.sign_card(&shop.technician.key, vec![wash.opened(&shop, MORNING_MS)]).unwrap();
    all_well(&sync(&mut station, 3).await.unwrap()).unwrap();
    work(&shop, &mut station, &wash, 40).await;
    let answer = shop.assess().await.unwrap();
    shop.service.take().unwrap().stop().await.unwrap();
    (shop, station, wash, answer)
}

/// Starts it, compares the answer, stops it; how the start went.
async fn answers_alike(shop: &mut Shop, answer: &v1::Assessment) -> StartReport {
    let config = config(shop);
    shop.restart_as(config, &mut []).await.unwrap();
    let report = shop.service.as_ref().unwrap().start.clone();
    assert_eq!(&shop.assess().await.unwrap(), answer, "{report:?}");
    shop.service.take().unwrap().stop().await.unwrap();
    report
}

#[tokio::test(flavor = "multi_thread")]
async fn a_start_takes_them_in_place_of_the_entries_and_without_them_reads_these_and_makes_them_anew() {
    let (mut shop, _, _, answer) = stopped().await;
    assert!(segments(&shop).len() >= 5, "{:?}", segments(&shop));
    assert_eq!(registers(&shop).len(), segments(&shop).len());
    let made: Vec<Vec<u8>> = registers(&shop).iter().map(|file| std::fs::read(file).unwrap()).collect();

    let taken = answers_alike(&mut shop, &answer).await;
    assert_eq!((taken.from_registers, taken.resumed, taken.replayed), (taken.entries, taken.entries, 0));

    // Without the third, the entries are read from its segment on.
    let third = registers(&shop).remove(2);
    std::fs::remove_file(&third).unwrap();
    let read = answers_alike(&mut shop, &answer).await;
    assert!(read.from_registers > 0 && read.from_registers < read.entries, "{read:?}");
    assert_eq!((read.resumed, read.replayed), (read.entries, 0), "no signature is checked again");
    assert_eq!(answers_alike(&mut shop, &answer).await.from_registers, read.entries);

    // Without what sled keeps they vouch for nothing: every signature is checked.
    std::fs::remove_file(shop.data().join("derived/db")).unwrap();
    for file in files(&shop.data().join("derived")).iter().filter(|file| file.is_file()) {
        std::fs::remove_file(file).unwrap();
    }
    let checked = answers_alike(&mut shop, &answer).await;
    assert_eq!((checked.from_registers, checked.resumed, checked.replayed), (0, 0, checked.entries));
    let again: Vec<Vec<u8>> = registers(&shop).iter().map(|file| std::fs::read(file).unwrap()).collect();
    assert_eq!(again, made, "the same log, the same registers");
}

#[tokio::test(flavor = "multi_thread")]
async fn work_goes_on_behind_them_whether_the_service_stops_or_is_cut_off() {
    let (mut shop, mut station, wash, _) = stopped().await;
    let config = config(&shop);
    shop.restart_as(config.clone(), &mut [&mut station]).await.unwrap();
    // What is sent again is known: the places of the runs came from registers too.
    let before = shop.service.as_ref().unwrap().entries();
    all_well(&sync(&mut station, 3).await.unwrap()).unwrap();
    work(&shop, &mut station, &wash, 7).await;
    let answer = shop.assess().await.unwrap();
    copy_dir(&shop.data(), &shop.dir.join("cut off"));
    shop.service.take().unwrap().stop().await.unwrap();
    let whole = answers_alike(&mut shop, &answer).await;
    assert!(whole.entries > before + 7);
    assert_eq!(whole.from_registers, whole.entries);

    // As it lay on disk while the service ran: of what came last there is no register, or sled does not know of it yet.
    std::fs::remove_dir_all(shop.data()).unwrap();
    std::fs::rename(shop.dir.join("cut off"), shop.data()).unwrap();
    let cut = answers_alike(&mut shop, &answer).await;
    assert_eq!(cut.entries, whole.entries);
    assert!(cut.from_registers > 0 && cut.from_registers < cut.entries, "{cut:?}");
    assert_eq!(answers_alike(&mut shop, &answer).await.from_registers, cut.entries);
}

#[tokio::test(flavor = "multi_thread")]
async fn one_that_is_altered_cut_short_or_of_another_log_is_not_taken() {
    let (mut shop, _, _, answer) = stopped().await;
    let first = registers(&shop).remove(0);
    let whole = std::fs::read(&first).unwrap();
    let end = Register::read(whole.clone()).unwrap().stretch.end();
    for at in (0..whole.len()).step_by(whole.len() / 12) {
        let mut altered = whole.clone();
        altered[at] ^= 0x10;
        std::fs::write(&first, &altered).unwrap();
        assert_eq!(answers_alike(&mut shop, &answer).await.from_registers, 0, "byte {at}");
    }
    std::fs::write(&first, &whole[..whole.len() / 2]).unwrap();
    assert_eq!(answers_alike(&mut shop, &answer).await.from_registers, 0, "cut short");

    // Its check fitted, but its leaves are not those that the log signed; or its facts are not the log's.
    let fitted: [fn(&mut Register); 3] = [
        |register| {
            let mut leaves = register.leaves.to_vec();
            leaves[40] ^= 1;
            register.leaves = leaves.into();
        },
        |register| register.note = register.note.replace('1', "2"),
        |register| {
            let mut hashes = register.stretch.hashes.to_vec();
            hashes[0] ^= 1;
            register.stretch.hashes = hashes.into();
        },
    ];
    for (number, alter) in fitted.into_iter().enumerate() {
        let mut register = Register::read(whole.clone()).unwrap();
        alter(&mut register);
        std::fs::write(&first, register.bytes()).unwrap();
        assert_eq!(answers_alike(&mut shop, &answer).await.from_registers, 0, "{number}");
    }

    // One of the same length of time, of another shop.
    let (other, _, _, _) = stopped().await;
    std::fs::write(&first, std::fs::read(registers(&other).remove(0)).unwrap()).unwrap();
    assert_eq!(answers_alike(&mut shop, &answer).await.from_registers, 0, "of another log");
    assert!(answers_alike(&mut shop, &answer).await.from_registers > end, "made anew");
}

#[tokio::test(flavor = "multi_thread")]
async fn an_altered_byte_of_a_full_segment_is_found_at_the_start_and_told_where_though_nobody_reads_its_entries() {
    let (mut shop, _, _, answer) = stopped().await;
    let second = segments(&shop).remove(1);
    let whole = std::fs::read(&second).unwrap();
    for at in (0..whole.len()).step_by(whole.len() / 25) {
        let mut altered = whole.clone();
        altered[at] ^= 0x04;
        std::fs::write(&second, &altered).unwrap();
        let config = config(&shop);
        let refused = shop.restart_as(config, &mut []).await.err().unwrap_or_else(|| panic!("byte {at}")).to_string();
        let name = second.file_name().unwrap().to_string_lossy();
        assert!(refused.contains(&*name) && refused.contains("offset"), "byte {at}: {refused}");
    }
    std::fs::write(&second, &whole).unwrap();
    let mended = answers_alike(&mut shop, &answer).await;
    assert_eq!(mended.from_registers, mended.entries);
}

#[tokio::test(flavor = "multi_thread")]
async fn where_a_fact_cannot_be_read_back_nobody_is_answered_and_the_service_ends_with_the_reason() {
    let (mut shop, _, _, _) = stopped().await;
    let config = config(&shop);
    shop.restart_as(config, &mut []).await.unwrap();
    let second = segments(&shop).remove(1);
    let mut altered = std::fs::read(&second).unwrap();
    // Behind the segment's header and a group's beginning: whatever it hits, some entry of the aircraft is in there.
    altered[200..6000].iter_mut().step_by(97).for_each(|byte| *byte ^= 0x40);
    std::fs::write(&second, &altered).unwrap();
    assert!(shop.assess().await.is_err(), "an answer without it could say that nothing is open");
    let mut service = shop.service.take().unwrap();
    let why = service.failed().await.to_string();
    assert!(why.contains("cannot be read back") && why.contains("restore the log from a backup"), "{why}");
}

#[test]
fn a_register_begins_as_its_form_says() {
    let bytes = Register::default().bytes();
    assert_eq!(bytes[..12], *b"RINSEREG\0\0\0\x01");
    assert_eq!(bytes[12..HEAD_BYTES], crc32fast::hash(&bytes[HEAD_BYTES..]).to_be_bytes());
    assert!(Register::read(bytes).is_err(), "it holds nothing");
}
