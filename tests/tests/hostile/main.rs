//! Callers who mean harm, or are broken: what each of them may take, what they are told, and that nobody else is worse off.
#![allow(clippy::print_stdout)] // It prints its seeds and its figures.

mod attackers;
mod enemies;
mod limits;
mod nonsense;
mod raw;
mod secrets;

use rinsebook_client::station::{Receipt, Station};
use rinsebook_proto::key::SigningKey;
use rinsebook_service::Config;
use rinsebook_service::limits::Limits;
use rinsebook_tests::shop::{MORNING_MS, Shop, Wash, disconnected};

/// The longer forms.
fn nightly() -> bool {
    std::env::var_os("RINSEBOOK_NIGHTLY").is_some()
}

/// Starts the shop's service anew with these limits, and tells desk and stations where it is.
async fn with_limits(shop: &mut Shop, limits: Limits, stations: &mut [&mut Station]) {
    limits.check().unwrap();
    if let Some(running) = shop.service.take() {
        running.stop().await.unwrap();
    }
    let config = Config { limits, ..Config::local(&shop.data()) };
    let running = rinsebook_service::start(config, shop.clock.clone()).await.unwrap();
    let address = format!("https://localhost:{}", running.address.port());
    shop.desk.home.set_address(&address).unwrap();
    for station in stations {
        station.home.set_address(&address).unwrap();
    }
    shop.service = Some(running);
}

/// Signs so many facts, which nobody can take for others.
fn sign(station: &mut Station, signer: &SigningKey, wash: &Wash, of: &str, count: usize) {
    let drafts = (0..count).map(|n| wash.on(1, disconnected(&format!("L-{of}-{n}")), MORNING_MS)).collect();
    station.sign_card(signer, drafts).unwrap();
}

/// Every fact that this station signed has its place in the log, each another.
fn all_recorded(station: &Station) -> usize {
    let place = |item: &rinsebook_client::outbox::Item| match station.receipt(&item.hash()) {
        Some(Receipt::InLog(index, _)) => *index,
        other => panic!("a fact without its place in the log: {other:?}"),
    };
    let mut places: Vec<u64> = station.outbox_items().iter().map(place).collect();
    let signed = places.len();
    places.sort_unstable();
    places.dedup();
    assert_eq!(places.len(), signed, "two facts at one place");
    signed
}
