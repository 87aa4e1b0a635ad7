//! What the model answers with: open items in the table's words.

use std::collections::BTreeSet;

use rinsebook_proto::bytes::{Hash, Id};
use rinsebook_proto::fact::Kind;

use super::order::{Act, NOW, View};
use super::roster;

/// What an item stands in the way of.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Stops {
    /// Nothing.
    Nothing,
    /// The aircraft's going.
    Going,
    /// The sign-off.
    SignOff,
    /// Nothing while a condition is kept.
    OnCondition,
}

/// One thing that is not finished.
#[derive(Debug, Clone)]
pub struct OpenItem {
    /// Its name in the table.
    pub kind: &'static str,
    /// The engine's serial number, where it is one engine's.
    pub serial: Option<String>,
    /// Line, access, isolation, fixture, tool; empty for the rest.
    pub about: String,
    /// The fact that opened it.
    pub opened_by: Hash,
    /// The washes of that fact.
    pub washes: Vec<Id>,
    /// When it falls due.
    pub due_s: Option<u64>,
    /// What it stands in the way of.
    pub stops: Stops,
    /// The aircraft that it shows on.
    pub shows_on: BTreeSet<Id>,
}

impl OpenItem {
    /// A blocking item that follows the engine's serial number.
    pub fn of_engine(view: &View, kind: &'static str, by: &Act, serial: &str) -> OpenItem {
        let shows_on = aircraft_of_engine(view, by, serial);
        OpenItem { serial: Some(serial.to_owned()), shows_on, ..Self::of_aircraft(view, kind, by) }
    }

    /// A blocking item that stays with the aircraft named; it shows as well where the engine is that the act names, if that
    /// was not listed there then.
    pub fn of_aircraft(view: &View, kind: &'static str, by: &Act) -> OpenItem {
        OpenItem {
            kind,
            serial: None,
            about: String::new(),
            opened_by: by.fact.newest_hash(),
            washes: by.washes.clone(),
            due_s: None,
            stops: Stops::Going,
            shows_on: aircraft_named(view, by),
        }
    }

    /// What it is about.
    pub fn about(self, about: &str) -> OpenItem {
        OpenItem { about: about.to_owned(), ..self }
    }

    /// When it falls due.
    pub fn due(self, due_s: Option<u64>) -> OpenItem {
        OpenItem { due_s, ..self }
    }

    /// What it stands in the way of.
    pub fn stops(self, stops: Stops) -> OpenItem {
        OpenItem { stops, ..self }
    }
}

/// The aircraft that an engine's item shows on: those that the engine hangs on now; and the one that the act names too, if
/// the engine was not listed there when it happened.
pub fn aircraft_of_engine(view: &View, by: &Act, serial: &str) -> BTreeSet<Id> {
    let mut shows_on = installed_on(view, serial, u64::MAX);
    if let Some(named) = by.fact.aircraft()
        && !installed_on(view, serial, by.fact.happened_s).contains(&named)
    {
        shows_on.insert(named);
    }
    shows_on
}

/// The aircraft that an act names, and those that its engines hang on now which were not listed there then.
pub fn aircraft_named(view: &View, by: &Act) -> BTreeSet<Id> {
    let mut shows_on: BTreeSet<Id> = by.fact.aircraft().into_iter().collect();
    for serial in &by.serials {
        if !shows_on.is_subset(&installed_on(view, serial, by.fact.happened_s)) {
            shows_on.extend(installed_on(view, serial, u64::MAX));
        }
    }
    shows_on
}

/// The aircraft that an engine hung on at an instant, by the listings and changes that happened by then.
pub fn installed_on(view: &View, serial: &str, instant_s: u64) -> BTreeSet<Id> {
    let mut on = BTreeSet::new();
    for act in view.acts.iter().filter(|a| a.fact.happened_s <= instant_s) {
        if !roster::custody_signed(&view.book, &act.fact) {
            continue;
        }
        match &act.fact.kind {
            Some(Kind::AircraftListed(b)) => {
                let Some(aircraft) = Id::from_slice(&b.aircraft) else { continue };
                on.remove(&aircraft);
                if b.engines.iter().filter_map(|e| e.engine.as_ref()).any(|e| e.serial == serial) {
                    on.insert(aircraft);
                }
            }
            Some(Kind::EngineChanged(b)) => {
                let Some(aircraft) = Id::from_slice(&b.aircraft) else { continue };
                if b.removed.as_ref().is_some_and(|e| e.serial == serial) {
                    on.remove(&aircraft);
                }
                if b.installed.as_ref().and_then(|i| i.engine.as_ref()).is_some_and(|e| e.serial == serial) {
                    on.insert(aircraft);
                }
            }
            _ => {}
        }
    }
    on
}

/// Whether an engine change after an act touches that engine.
pub fn engine_changed_after(view: &View, serial: &str, act: &Act) -> bool {
    let mut changes = view.of_engine(serial, NOW).filter(|a| matches!(a.fact.kind, Some(Kind::EngineChanged(_))));
    changes.any(|change| change.place > act.place)
}
