//! Which engine hangs where, by the time it happened.

use std::collections::{BTreeMap, BTreeSet};

use super::roster::{Installed, Placing, Roster, Step};
use crate::bytes::Id;
use crate::v1::EngineAt;

/// The engines by position after these listings and changes of one aircraft, which come in order.
pub(super) fn hanging<'a>(placings: impl Iterator<Item = &'a Placing>) -> BTreeMap<u32, &'a Installed> {
    let mut engines = BTreeMap::new();
    for placing in placings {
        match &placing.step {
            Step::Listed { engines: all, .. } => engines = all.iter().map(|e| (e.position, e)).collect(),
            Step::Changed { removed, installed } => {
                if let Some((_, serial)) = removed {
                    engines.retain(|_, hangs: &mut &Installed| hangs.serial != *serial);
                }
                engines.extend(installed.iter().map(|e| (e.position, e)));
            }
        }
    }
    engines
}

/// Every aircraft's engines, as known at a size and counted at a time.
pub(super) struct Fleet<'a> {
    roster: &'a Roster,
    size: u64,
    time_s: u64,
}

impl<'a> Fleet<'a> {
    pub(super) fn new(roster: &'a Roster, size: u64, time_s: u64) -> Self {
        Fleet { roster, size, time_s }
    }

    /// Serial numbers by position, on the aircraft at that time.
    pub(super) fn engines_on(&self, aircraft: &Id, at_s: u64) -> BTreeMap<u32, &'a str> {
        let placings = self.roster.placings_on(aircraft, self.size);
        let counted = placings.filter(|p| p.counts_from_s <= self.time_s && p.happened_s <= at_s);
        hanging(counted).into_iter().map(|(position, engine)| (position, engine.serial.as_str())).collect()
    }

    /// Whether an engine of that serial number was ever listed, on whatever aircraft.
    pub(super) fn knows(&self, serial: &str) -> bool {
        self.roster.placings_naming(serial, self.size).any(|placing| placing.counts_from_s <= self.time_s)
    }

    /// Where the engine hangs on the aircraft at that time.
    pub(super) fn position(&self, serial: &str, aircraft: &Id, at_s: u64) -> Option<u32> {
        self.engines_on(aircraft, at_s).into_iter().find(|(_, hangs)| *hangs == serial).map(|(position, _)| position)
    }
}

/// Whose an open item is: it shows on every aircraft named, and on every one that carries an engine named.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub(super) struct Belongs {
    pub(super) aircraft: BTreeSet<Id>,
    pub(super) engines: BTreeSet<String>,
}

impl Belongs {
    pub(super) fn to_aircraft(aircraft: Option<Id>) -> Self {
        Belongs { aircraft: aircraft.into_iter().collect(), engines: BTreeSet::new() }
    }

    /// An engine's item goes with its serial number; where it was not listed on the aircraft named then, that one too.
    pub(super) fn to_engine(fleet: &Fleet<'_>, engine: &EngineAt, named: Option<Id>, happened_s: u64) -> Self {
        let elsewhere = named.filter(|a| fleet.position(&engine.serial, a, happened_s).is_none());
        Belongs { aircraft: elsewhere.into_iter().collect(), engines: BTreeSet::from([engine.serial.clone()]) }
    }

    pub(super) fn shows_on(&self, fleet: &Fleet<'_>, aircraft: &Id, at_s: u64) -> bool {
        self.aircraft.contains(aircraft)
            || (!self.engines.is_empty()
                && fleet.engines_on(aircraft, at_s).values().any(|serial| self.engines.contains(*serial)))
    }
}
