//! The device's chain: facts in runs, each at its place, each naming the one before.
//!
//! A run is 16 random bytes made at each start of a station program; its counters start at 0. The first fact of a run
//! names the device's last envelope of any run, or zeros; any value is admitted there. Every later one names what
//! holds the place before it: an admitted envelope, or the bytes of a refused one, so that a refusal never stalls what
//! stands behind it. A place that the device's own report calls lost says nothing of what stood there, so that the
//! fact after it may name anything.

use hashbrown::HashMap;

use crate::bytes::{Hash, Id};
use crate::v1::RefusalReason;

/// The most places that one report may call lost: a bound on what a broken device can make us keep.
pub const MAX_LOST_PLACES: u64 = 100_000;

/// What holds a place in a run.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Place {
    /// The entry that holds it: the fact's own, or the service fact that speaks of it.
    pub index: u64,
    /// SHA-256 of the bytes received for it; zeros for a lost place.
    pub digest: Hash,
    /// How it is held.
    pub held: Held,
}

/// How a place is held.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Held {
    /// By an admitted fact.
    Admitted,
    /// By a refused one.
    Refused(RefusalReason),
    /// By nothing: the device lost it.
    Lost,
}

/// Where bytes sent for a place stand against the chain.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Position {
    /// It is the run's next place.
    Next,
    /// These very bytes hold it already.
    Taken(Place),
    /// Other bytes hold it.
    Other(Place),
    /// Places before it are missing; this one is expected.
    Gap(u64),
}

/// All runs of all devices.
#[derive(Debug, Clone, Default)]
pub struct Runs(HashMap<(Id, Id), Vec<Place>>);

impl Runs {
    /// Where the bytes of this digest stand at this place.
    pub fn position(&self, device: Id, run: Id, counter: u64, digest: &Hash) -> Position {
        let places = self.places(device, run);
        match usize::try_from(counter).ok().and_then(|at| places.get(at)) {
            Some(place) if place.digest == *digest && place.held != Held::Lost => Position::Taken(*place),
            Some(place) => Position::Other(*place),
            None if counter == places.len() as u64 => Position::Next,
            None => Position::Gap(places.len() as u64),
        }
    }

    /// What the fact at the run's next place must name as previous; none: it may name anything.
    pub fn expected_previous(&self, device: Id, run: Id) -> Option<Hash> {
        let last = self.places(device, run).last()?;
        (last.held != Held::Lost).then_some(last.digest)
    }

    /// The run's next counter.
    pub fn next_counter(&self, device: Id, run: Id) -> u64 {
        self.places(device, run).len() as u64
    }

    /// Holds the run's next place.
    pub fn hold(&mut self, device: Id, run: Id, place: Place) {
        self.0.entry((device, run)).or_default().push(place);
    }

    /// Holds the run's next places.
    pub fn hold_all(&mut self, device: Id, run: Id, places: impl IntoIterator<Item = Place>) {
        self.0.entry((device, run)).or_default().extend(places);
    }

    /// The places of one run, by counter.
    pub fn places(&self, device: Id, run: Id) -> &[Place] {
        self.0.get(&(device, run)).map_or(&[], Vec::as_slice)
    }

    /// The runs of one device.
    pub fn of_device(&self, device: Id) -> impl Iterator<Item = (Id, &[Place])> {
        self.0.iter().filter(move |((d, _), _)| *d == device).map(|((_, run), places)| (*run, places.as_slice()))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const DEVICE: Id = Id([1; 16]);
    const RUN: Id = Id([2; 16]);

    fn held(runs: &mut Runs, index: u64, digest: Hash, held: Held) {
        runs.hold(DEVICE, RUN, Place { index, digest, held });
    }

    #[test]
    fn the_next_place_follows_and_a_later_one_is_a_gap() {
        let mut runs = Runs::default();
        assert_eq!(runs.position(DEVICE, RUN, 0, &Hash::of(b"a")), Position::Next);
        held(&mut runs, 7, Hash::of(b"a"), Held::Admitted);
        assert_eq!(runs.position(DEVICE, RUN, 1, &Hash::of(b"b")), Position::Next);
        assert_eq!(runs.position(DEVICE, RUN, 3, &Hash::of(b"b")), Position::Gap(1));
        assert_eq!(runs.expected_previous(DEVICE, RUN), Some(Hash::of(b"a")));
    }

    #[test]
    fn the_same_bytes_are_taken_and_others_are_another() {
        let mut runs = Runs::default();
        held(&mut runs, 7, Hash::of(b"a"), Held::Refused(RefusalReason::Malformed));
        assert!(matches!(runs.position(DEVICE, RUN, 0, &Hash::of(b"a")), Position::Taken(p) if p.index == 7));
        assert!(matches!(runs.position(DEVICE, RUN, 0, &Hash::of(b"x")), Position::Other(_)));
    }

    #[test]
    fn after_a_lost_place_any_previous_is_admitted() {
        let mut runs = Runs::default();
        held(&mut runs, 7, Hash::ZERO, Held::Lost);
        assert_eq!(runs.expected_previous(DEVICE, RUN), None);
        assert_eq!(runs.next_counter(DEVICE, RUN), 1);
    }
}
