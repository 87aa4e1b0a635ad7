//! Real file systems that take no more: full, given up by the kernel, mounted read-only. Nothing is acknowledged that is not
//! kept, everybody is told why, reading goes on, and with space recording does so by itself.

use std::io::Write;

use rinsebook_client::ClientError;
use rinsebook_client::station::{Receipt, Station};
use rinsebook_client::sync::sync;
use rinsebook_client::verify::log_dir;
use rinsebook_proto::note::VerifierKey;
use rinsebook_service::Config;
use rinsebook_service::blobs::{Blob, Blobs};
use rinsebook_service::error::CallError;
use rinsebook_tests::mounted::Mounted;
use rinsebook_tests::shop::{MORNING_MS, Shop, Wash, all_well, disconnected};

macro_rules! or_skip {
    ($what:literal, $mounted:expr) => {
        match $mounted {
            Ok(mounted) => mounted,
            Err(why) => {
                let _ = writeln!(std::io::stderr(), concat!("SKIPPED: ", $what, " cannot be mounted here: {}"), why);
                return;
            }
        }
    };
}

/// Signs cards and sends them until the service takes no more; what it says then, and how many facts it took.
async fn until_refused(shop: &Shop, station: &mut Station, wash: &Wash, of: &str) -> ClientError {
    for card in 0..2000 {
        let drafts = (0..20).map(|n| wash.on(1, disconnected(&format!("L-{of}-{card}-{n}")), MORNING_MS)).collect();
        station.sign_card(&shop.technician.key, drafts).unwrap();
        match sync(station, 1).await {
            Ok(report) => all_well(&report).unwrap(),
            Err(error) => return error,
        }
    }
    panic!("the disk is not full");
}

fn files(dir: &std::path::Path) -> usize {
    std::fs::read_dir(dir).unwrap().count()
}

/// What is acknowledged is in the log at its place, and nothing is left over.
fn holds(station: &Station, log: &std::path::Path, key: &VerifierKey) {
    let entries = log_dir(log, Some(key)).unwrap().entries;
    for item in station.outbox_items() {
        let receipt = station.receipt(&item.hash());
        assert!(matches!(receipt, Some(Receipt::InLog(index, _)) if *index < entries), "{receipt:?}");
    }
}

#[tokio::test(flavor = "multi_thread")]
async fn on_a_full_disk_nothing_is_acknowledged_reading_goes_on_and_with_space_so_does_recording() {
    let temporary = tempfile::tempdir().unwrap();
    let dir = temporary.path().to_owned();
    let mounted = or_skip!("a tmpfs", Mounted::tmpfs(&dir.join("service"), 48));
    let mut shop = Shop::open_in(dir, None).await.unwrap();
    let mut station = shop.station("ramp-1").await.unwrap();
    let key = VerifierKey::parse(&shop.service.as_ref().unwrap().verifier_key).unwrap();
    let wash = Wash::of(shop.aircraft);
    station.sign_card(&shop.technician.key, vec![wash.opened(&shop, MORNING_MS)]).unwrap();
    sync(&mut station, 3).await.unwrap();

    for round in 0..3 {
        let filler = mounted.fill();
        let told = until_refused(&shop, &mut station, &wash, &round.to_string()).await;
        assert!(matches!(&told, ClientError::Busy { why, .. } if why.contains("disk is full")), "{told:?}");
        let unsent = station.unsent().len();
        assert!(unsent > 0);
        assert!(sync(&mut station, 1).await.is_err());
        assert_eq!(station.unsent().len(), unsent, "nothing of it is acknowledged");
        // A blob finds no room either, and leaves nothing.
        let blobs = Blobs::open(&shop.data().join("blobs")).unwrap();
        let before = files(&shop.data().join("blobs"));
        let picture = Blob { salt: vec![], content: vec![round; 900_000] };
        assert_eq!(blobs.keep(&picture), Err(CallError::DiskFull));
        assert_eq!(files(&shop.data().join("blobs")), before);
        assert!(!shop.open_items().await.unwrap().is_empty(), "reading goes on");

        std::fs::remove_file(filler).unwrap();
        all_well(&sync(&mut station, 3).await.unwrap()).unwrap();
    }
    shop.service.take().unwrap().stop().await.unwrap();
    holds(&station, &shop.data().join("log"), &key);
    // The next start has nothing to mend.
    shop.restart(&mut [&mut station]).await.unwrap();
    assert_eq!(shop.service.as_ref().unwrap().start.torn_bytes_cut, 0);
    shop.service.take().unwrap().stop().await.unwrap();
}

#[tokio::test(flavor = "multi_thread")]
async fn a_file_system_that_the_kernel_gives_up_records_nothing_more_and_is_read_on() {
    let temporary = tempfile::tempdir().unwrap();
    let dir = temporary.path().to_owned();
    let mounted = or_skip!("an ext4 in a file", Mounted::ext4(&dir.join("service"), 64));
    let mut shop = Shop::open_in(dir, None).await.unwrap();
    let mut station = shop.station("ramp-1").await.unwrap();
    let wash = Wash::of(shop.aircraft);
    station.sign_card(&shop.technician.key, vec![wash.opened(&shop, MORNING_MS)]).unwrap();
    all_well(&sync(&mut station, 3).await.unwrap()).unwrap();
    let before = shop.open_items().await.unwrap();
    or_skip!("`remount,abort`", mounted.give_up());

    let opened = wash.on(1, disconnected("PS-1"), MORNING_MS);
    let opened = station.sign_card(&shop.technician.key, vec![opened]).unwrap();
    // The first to write finds out; whoever comes later is told at once.
    let _ = sync(&mut station, 1).await;
    for _ in 0..3 {
        let told = sync(&mut station, 1).await.unwrap_err();
        let says_why = |why: &str| why.contains("takes nothing") && why.contains("Read-only file system");
        assert!(matches!(&told, ClientError::Busy { why, .. } if says_why(why)), "{told:?}");
        assert_eq!(station.receipt(&opened[0]), None);
        assert_eq!(shop.open_items().await.unwrap(), before, "reading goes on");
    }
    let _ = shop.service.take().unwrap().stop().await;
}

#[tokio::test(flavor = "multi_thread")]
async fn a_service_does_not_start_on_a_read_only_file_system_and_says_why() {
    let temporary = tempfile::tempdir().unwrap();
    let dir = temporary.path().to_owned();
    let mounted = or_skip!("a tmpfs", Mounted::tmpfs(&dir.join("service"), 32));
    let mut shop = Shop::open_in(dir, None).await.unwrap();
    shop.service.take().unwrap().stop().await.unwrap();
    or_skip!("a read-only tmpfs", mounted.make_read_only());
    let refused = rinsebook_service::start(Config::local(&shop.data()), shop.clock.clone()).await.err();
    let told = refused.expect("it did not start").to_string();
    assert!(told.contains("Read-only file system"), "{told}");
}
