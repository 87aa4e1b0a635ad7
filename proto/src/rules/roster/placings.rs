//! Listings and engine changes, put where they are found again: by aircraft and by engine, so that no answer goes through
//! those of the whole fleet.

use super::{Installed, Placing, Roster, Step};
use crate::bytes::Id;
use crate::rules::Recorded;
use crate::v1;

impl Roster {
    /// Listings and engine changes of an aircraft known at `size`, as they came.
    pub fn placings_as_they_came(&self, aircraft: &Id, size: u64) -> Vec<&Placing> {
        let mut came = self.placings_of.get(aircraft).cloned().unwrap_or_default();
        came.sort_unstable();
        came.into_iter().map(|at| &self.placings[at]).filter(|p| p.index < size).collect()
    }

    /// Those of all aircraft that name the engine of this serial number, known at `size`, as they came.
    pub(in crate::rules) fn placings_naming(&self, serial: &str, size: u64) -> impl Iterator<Item = &Placing> {
        let naming = self.placings_naming.get(serial).map_or(&[][..], Vec::as_slice);
        naming.iter().map(|at| &self.placings[*at]).filter(move |p| p.index < size)
    }

    /// The newest registration recorded below `size`.
    pub fn registration(&self, aircraft: &Id, size: u64) -> Option<&str> {
        self.placings_on(aircraft, size)
            .filter_map(|p| match &p.step {
                Step::Listed { registration, .. } => Some((&p.order, registration.as_str())),
                Step::Changed { .. } => None,
            })
            .max()
            .map(|(_, registration)| registration)
    }

    /// Listings and engine changes of one aircraft known at `size`, in the rules' order.
    pub(in crate::rules) fn placings_on(&self, aircraft: &Id, size: u64) -> impl Iterator<Item = &Placing> {
        let of = self.placings_of.get(aircraft).map_or(&[][..], Vec::as_slice);
        of.iter().map(|at| &self.placings[*at]).filter(move |p| p.index < size)
    }

    pub(super) fn list(&mut self, recorded: &Recorded, b: &v1::AircraftListed) {
        let engines: Vec<Installed> = b.engines.iter().filter_map(installed).collect();
        let step = Step::Listed {
            registration: b.registration.clone(),
            aircraft_type: b.aircraft_type.clone(),
            engines: engines.clone(),
        };
        self.place(recorded, &b.aircraft, step, engines);
    }

    pub(super) fn change(&mut self, recorded: &Recorded, b: &v1::EngineChanged) {
        let fitted = b.installed.as_ref().and_then(installed);
        let removed = b.removed.as_ref().map(|e| (e.position, e.serial.clone()));
        self.place(
            recorded,
            &b.aircraft,
            Step::Changed { removed, installed: fitted.clone() },
            fitted.into_iter().collect(),
        );
    }

    fn place(&mut self, recorded: &Recorded, aircraft: &[u8], step: Step, engines: Vec<Installed>) {
        let Some(aircraft) = Id::from_slice(aircraft) else { return };
        let mut serials: Vec<String> = engines.iter().map(|engine| engine.serial.clone()).collect();
        if let Step::Changed { removed: Some((_, serial)), .. } = &step {
            serials.push(serial.clone());
        }
        for serial in serials {
            self.placings_naming.entry(serial).or_default().push(self.placings.len());
        }
        for engine in engines {
            self.engine_types.entry(engine.serial).or_default().push((recorded.index, engine.engine_type));
        }
        let order = recorded.order();
        let of = self.placings_of.entry(aircraft).or_default();
        of.insert(of.partition_point(|at| self.placings[*at].order <= order), self.placings.len());
        self.placings.push(Placing {
            index: recorded.index,
            aircraft,
            happened_s: order.0,
            counts_from_s: recorded.counts_from_s(),
            step,
            order,
        });
    }
}

fn installed(e: &v1::InstalledEngine) -> Option<Installed> {
    let at = e.engine.as_ref()?;
    Some(Installed { position: at.position, serial: at.serial.clone(), engine_type: e.engine_type.clone() })
}
