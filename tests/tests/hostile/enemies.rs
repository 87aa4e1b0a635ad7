//! Everything at once against the program as it is shipped, while four honest stations record.

use std::io::Write;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::time::{Duration, Instant};

use rinsebook_client::station::Station;
use rinsebook_client::sync::sync;
use rinsebook_client::verify::log_dir;
use rinsebook_proto::key::SigningKey;
use rinsebook_proto::note::VerifierKey;
use rinsebook_tests::program::{Program, panics};
use rinsebook_tests::shop::{Shop, Wash};

use super::attackers::{ATTACKS, Enemy};
use super::{all_recorded, nightly, sign};

/// What the service may have resident at the most while all this goes on.
const MOST_RESIDENT_KIB: u64 = 256 << 10;
const FACTS_A_CARD: usize = 5;
/// Between two cards of a station: far less than people take. Each card leaves items open, so that the answers that enemies
/// leave unread grow with every one of them, to some six hundred items of one aircraft.
const BETWEEN_CARDS: Duration = Duration::from_secs(2);

/// Signs and sends until it is time; gives its station back.
async fn honest(mut station: Station, signer: SigningKey, wash: Wash, name: usize, until: Instant) -> Station {
    for card in 0.. {
        if Instant::now() > until {
            break;
        }
        sign(&mut station, &signer, &wash, &format!("{name}-{card}"), FACTS_A_CARD);
        let report = sync(&mut station, 5).await.unwrap_or_else(|error| panic!("station {name}, card {card}: {error}"));
        assert!(report.refused.is_empty() && report.left == 0, "station {name}, card {card}: {report:?}");
        tokio::time::sleep(BETWEEN_CARDS).await;
    }
    station
}

#[tokio::test(flavor = "multi_thread", worker_threads = 8)]
async fn four_honest_stations_record_while_five_enemies_do_what_they_can_and_memory_stays_bounded() {
    let mut shop = Shop::open().await.unwrap();
    let mut stations = Vec::new();
    for n in 0..4 {
        stations.push(shop.station(&format!("ramp-{n}")).await.unwrap());
    }
    let stolen = [shop.station("stolen-1").await.unwrap(), shop.station("stolen-2").await.unwrap()];
    let running = shop.service.take().unwrap();
    let key = VerifierKey::parse(&running.verifier_key).unwrap();
    running.stop().await.unwrap();
    let limits = "[limits]\nheader_seconds = 2\nreader_seconds = 3\nanswer_seconds = 5\n";
    let mut program = Program::start(&shop.dir, &shop.data(), limits, "info").unwrap();

    let enemy = Enemy {
        port: program.port,
        ca_pem: shop.desk.home.ca_pem().unwrap(),
        stolen: stolen.map(|station| station.home.tls_identity().unwrap()),
        stop: Arc::new(AtomicBool::new(false)),
        done: Arc::default(),
    };
    let enemies = [
        tokio::spawn(enemy.clone().knock()),
        tokio::spawn(enemy.clone().never_read()),
        tokio::spawn(enemy.clone().huge_messages()),
        tokio::spawn(enemy.clone().flood_headers()),
        tokio::spawn(enemy.clone().trickle()),
    ];
    let until = Instant::now() + Duration::from_secs(if nightly() { 60 } else { 20 });
    let runtime = tokio::runtime::Handle::current();
    let honest = stations.into_iter().enumerate().map(|(name, mut station)| {
        station.home.set_address(&program.address()).unwrap();
        let (signer, wash, runtime) = (shop.technician.key.clone(), Wash::of(shop.aircraft), runtime.clone());
        tokio::task::spawn_blocking(move || runtime.block_on(honest(station, signer, wash, name, until)))
    });
    let honest: Vec<_> = honest.collect();
    let mut recorded = 0;
    for station in honest {
        recorded += all_recorded(&station.await.unwrap());
    }
    enemy.stop.store(true, Ordering::SeqCst);
    for attacker in enemies {
        attacker.await.unwrap();
    }
    let resident_kib = program.most_resident_kib().unwrap();
    assert!(program.runs());
    assert_eq!(panics(&program.log().unwrap()), Vec::<&str>::new());
    drop(program);

    let done: Vec<u64> = enemy.done.iter().map(|done| done.load(Ordering::SeqCst)).collect();
    let told: Vec<String> = ATTACKS.iter().zip(&done).map(|(attack, done)| format!("{done} {attack}")).collect();
    let _ = writeln!(
        std::io::stderr(),
        "honest stations 4, facts recorded {recorded}, failed 0; enemies: {}; most resident {} MiB",
        told.join(", "),
        resident_kib >> 10
    );
    assert!(done.iter().all(|done| *done > 0), "an attack that did nothing proves nothing: {told:?}");
    assert!(recorded >= 4 * FACTS_A_CARD);
    assert!(resident_kib < MOST_RESIDENT_KIB, "{resident_kib} KiB");
    // Opening the log once cuts what the kill left unfinished.
    shop.restart(&mut []).await.unwrap();
    shop.service.take().unwrap().stop().await.unwrap();
    log_dir(&shop.data().join("log"), Some(&key)).unwrap();
}
