use rinsebook_proto::clock::Clock;
use rinsebook_proto::rules::answer;

use super::*;
use crate::demo::shop::{MORNING_MS, Shop, Wash, disconnected, name, reconnected};
use crate::remote;
use crate::sync::sync;

const MINUTE_MS: u64 = 60_000;

struct Ramp {
    shop: Shop,
    station: Station,
    wash: Wash,
}

/// A wash with one line off, sent and copied.
async fn ramp() -> (Ramp, Mirror) {
    let mut shop = Shop::open().await.unwrap();
    let mut station = shop.station("ramp-1").await.unwrap();
    let wash = Wash::of(shop.aircraft);
    let drafts = vec![wash.opened(&shop, MORNING_MS), wash.on(2, disconnected("PS-1"), MORNING_MS)];
    station.sign_card(&shop.technician.key, drafts).unwrap();
    let mut ramp = Ramp { shop, station, wash };
    let mut mirror = Mirror::open(&ramp.station.home).unwrap();
    ramp.copy(&mut mirror).await;
    // That nothing is left unsent the device reports last, behind the checkpoint: the next copy has it.
    ramp.copy(&mut mirror).await;
    (ramp, mirror)
}

impl Ramp {
    async fn copy(&mut self, mirror: &mut Mirror) {
        sync(&mut self.station, 3).await.unwrap();
        let channel = remote::connect(&self.station.home).await.unwrap();
        mirror.advance(&self.station, channel).await.unwrap();
    }

    fn open(&self, history: &History) -> Vec<String> {
        let state = history.state(&self.shop.aircraft, history.size(), self.shop.clock.wall_ms());
        let mut names: Vec<String> = state.items.iter().map(|item| name(&answer::item(item))).collect();
        names.sort();
        names
    }
}

#[tokio::test(flavor = "multi_thread")]
async fn what_is_derived_here_is_what_the_service_answers_and_still_is_when_the_service_is_gone() {
    let (mut ramp, mirror) = ramp().await;
    let told = ramp.shop.open_items().await.unwrap();
    assert!(told.contains(&"line-disconnected 2 PS-1".to_owned()), "{told:?}");
    assert_eq!(ramp.open(mirror.history()), told);
    ramp.shop.service.take().unwrap().stop().await.unwrap();
    let again = Mirror::open(&ramp.station.home).unwrap();
    assert_eq!((again.size(), again.put_away()), (mirror.size(), None));
    assert_eq!(ramp.open(again.history()), told);
}

#[tokio::test(flavor = "multi_thread")]
async fn what_this_station_signed_and_could_not_send_counts_here_behind_the_copy() {
    let (mut ramp, mut mirror) = ramp().await;
    ramp.shop.clock.set(MORNING_MS + MINUTE_MS);
    let closed = ramp.wash.on(2, reconnected("PS-1"), MORNING_MS + MINUTE_MS);
    ramp.station.sign_card(&ramp.shop.technician.key, vec![closed]).unwrap();
    assert!(ramp.open(mirror.history()).contains(&"line-disconnected 2 PS-1".to_owned()));
    let nothing = Brought::open(&ramp.station.home, mirror.history()).unwrap();
    let own = ramp.open(&mirror.with_own(&ramp.station, &nothing));
    assert!(own.contains(&"inspection-due 2 PS-1".to_owned()), "{own:?}");
    assert!(!own.contains(&"line-disconnected 2 PS-1".to_owned()), "{own:?}");
    ramp.copy(&mut mirror).await;
    assert_eq!(
        ramp.open(mirror.history()),
        ramp.open(&mirror.with_own(&ramp.station, &nothing)),
        "nothing counts twice"
    );
    assert!(ramp.open(mirror.history()).contains(&"inspection-due 2 PS-1".to_owned()));
}

#[tokio::test(flavor = "multi_thread")]
async fn a_copy_altered_at_any_of_many_places_is_put_away_and_made_again() {
    let (mut ramp, mirror) = ramp().await;
    let (told, size) = (ramp.open(mirror.history()), mirror.size());
    let (entries, checkpoint) = (ramp.station.home.path(ENTRIES), ramp.station.home.path(CHECKPOINT));
    let (good, note) = (std::fs::read(&entries).unwrap(), std::fs::read(&checkpoint).unwrap());
    for at in (0..good.len()).step_by(97) {
        let mut bad = good.clone();
        bad[at] ^= 0x10;
        std::fs::write(&entries, &bad).unwrap();
        let opened = Mirror::open(&ramp.station.home).unwrap();
        assert_eq!(opened.size(), 0, "byte {at} was altered");
        assert!(opened.put_away().is_some());
        std::fs::create_dir_all(entries.parent().unwrap()).unwrap();
        std::fs::write(&checkpoint, &note).unwrap();
    }
    std::fs::write(&entries, &good[..good.len() - 1]).unwrap();
    let mut cut = Mirror::open(&ramp.station.home).unwrap();
    assert_eq!((cut.size(), cut.put_away()), (0, Some("it is cut short")));
    ramp.copy(&mut cut).await;
    assert!(cut.size() > size, "each time that it is heard the device's report comes on top");
    assert_eq!(cut.put_away(), None);
    assert_eq!(ramp.open(cut.history()), told);
}

#[tokio::test(flavor = "multi_thread")]
async fn what_a_broken_off_copy_left_behind_its_checkpoint_is_cut_off() {
    let (mut ramp, mut mirror) = ramp().await;
    let entries = ramp.station.home.path(ENTRIES);
    let mut longer = std::fs::read(&entries).unwrap();
    longer.extend_from_slice(b"left over");
    std::fs::write(&entries, &longer).unwrap();
    let size = mirror.size();
    mirror = Mirror::open(&ramp.station.home).unwrap();
    assert_eq!((mirror.size(), mirror.put_away()), (size, None));
    let closed = ramp.wash.on(2, reconnected("PS-1"), MORNING_MS);
    ramp.station.sign_card(&ramp.shop.technician.key, vec![closed]).unwrap();
    ramp.copy(&mut mirror).await;
    assert!(mirror.size() > size);
    assert_eq!(Mirror::open(&ramp.station.home).unwrap().size(), mirror.size());
}

#[tokio::test(flavor = "multi_thread")]
async fn a_copy_of_another_past_than_the_one_proved_is_made_again() {
    let (mut ramp, mut mirror) = ramp().await;
    let size = mirror.size();
    // One entry less, under its own true root: only the checkpoint proved can tell.
    let mut shorter = Taken::default();
    let bytes = std::fs::read(ramp.station.home.path(ENTRIES)).unwrap();
    let mut rest = bytes.as_slice();
    for _ in 0..size {
        shorter.take(pull(&mut rest).unwrap(), &ramp.station.home).unwrap();
    }
    shorter.edge.push(Hash([7; 32]));
    mirror.taken = shorter;
    let closed = ramp.wash.on(2, reconnected("PS-1"), MORNING_MS);
    ramp.station.sign_card(&ramp.shop.technician.key, vec![closed]).unwrap();
    ramp.copy(&mut mirror).await;
    assert_eq!(mirror.taken.edge.root(), ramp.station.seen().root);
    assert!(mirror.size() > size);
}
