//! Which engine hangs where, by the time it happened.

use std::collections::{BTreeMap, BTreeSet};

use super::roster::{Placing, Roster, Step};
use crate::bytes::Id;
use crate::v1::EngineAt;

/// Listings and engine changes in order, as known at a size and counted at a time.
pub(super) struct Fleet<'a> {
    placings: Vec<&'a Placing>,
}

impl<'a> Fleet<'a> {
    pub(super) fn new(roster: &'a Roster, size: u64, time_s: u64) -> Self {
        let known = |p: &&Placing| p.index < size && p.counts_from_s <= time_s;
        let mut placings: Vec<&Placing> = roster.placings().iter().filter(known).collect();
        placings.sort_by_key(|p| p.order);
        Fleet { placings }
    }

    /// Serial numbers by position, on the aircraft at that time.
    pub(super) fn engines_on(&self, aircraft: &Id, at_s: u64) -> BTreeMap<u32, &'a str> {
        let mut engines = BTreeMap::new();
        for placing in self.placings.iter().filter(|p| p.aircraft == *aircraft && p.happened_s <= at_s) {
            match &placing.step {
                Step::Listed { engines: all, .. } => {
                    engines = all.iter().map(|e| (e.position, e.serial.as_str())).collect();
                }
                Step::Changed { removed, installed } => {
                    if let Some((_, serial)) = removed {
                        engines.retain(|_, hangs| *hangs != serial.as_str());
                    }
                    engines.extend(installed.iter().map(|e| (e.position, e.serial.as_str())));
                }
            }
        }
        engines
    }

    /// Whether an engine of that serial number was ever listed, on whatever aircraft.
    pub(super) fn knows(&self, serial: &str) -> bool {
        self.placings.iter().any(|placing| match &placing.step {
            Step::Listed { engines, .. } => engines.iter().any(|e| e.serial == serial),
            Step::Changed { removed, installed } => {
                removed.iter().any(|(_, out)| out == serial) || installed.iter().any(|e| e.serial == serial)
            }
        })
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
