//! What the record holds, as lists of messages: aircraft, washes, people, devices, procedures, facts.

use super::erasures::Erasure;
use super::roster::{Installed, Person, Step};
use super::{FactRef, History, Recorded, Roster, answer, kind_name};
use crate::bytes::{Hash, Id};
use crate::v1;

/// An aircraft with its newest engines, as known at a size.
pub fn aircraft(history: &History, aircraft: &Id, size: u64) -> v1::Aircraft {
    let mut out = v1::Aircraft { aircraft: aircraft.to_vec(), ..v1::Aircraft::default() };
    for placing in history.roster().placings_as_they_came(aircraft, size) {
        match &placing.step {
            Step::Listed { registration, aircraft_type, engines } => {
                registration.clone_into(&mut out.registration);
                aircraft_type.clone_into(&mut out.aircraft_type);
                out.engines = engines.iter().map(installed).collect();
            }
            Step::Changed { removed, installed: fitted } => {
                if let Some((_, serial)) = removed {
                    out.engines.retain(|e| e.engine.as_ref().is_none_or(|at| at.serial != *serial));
                }
                out.engines.extend(fitted.iter().map(installed));
            }
        }
    }
    out
}

fn installed(engine: &Installed) -> v1::InstalledEngine {
    v1::InstalledEngine {
        engine: Some(v1::EngineAt { position: engine.position, serial: engine.serial.clone() }),
        engine_type: engine.engine_type.clone(),
    }
}

/// The washes of an aircraft, as known at a size and judged at a time.
pub fn washes(history: &History, aircraft: &Id, size: u64, time_ms: u64) -> Vec<v1::Wash> {
    let wash = |wash: &super::state::Wash| v1::Wash {
        wash: wash.wash.to_vec(),
        aircraft: wash.aircraft.to_vec(),
        work_order: wash.work_order.clone(),
        procedure: wash.procedure.map(|digest| v1::ProcedureRef { digest: digest.to_vec() }),
        station: wash.station.clone(),
        engines: wash.engines.clone(),
        opened_by: Some(answer::fact_ref(&wash.opened_by)),
        signed_off_by: wash.signed_off_by.as_ref().map(answer::fact_ref),
    };
    history.state(aircraft, size, time_ms).washes.iter().map(wash).collect()
}

/// A fact as the log holds it; the entry's hash is for whoever holds the log to add.
pub fn recorded_fact(history: &History, recorded: &Recorded, size: u64) -> v1::RecordedFact {
    let header = recorded.fact.header();
    let roster = history.roster();
    let signed_well = history.is_signed_well(recorded.index);
    let signer = roster.key(&header.author_key, size).filter(|_| signed_well);
    let fact = FactRef {
        index: recorded.index,
        hash: recorded.fact.hash(),
        happened_ms: header.happened_ms,
        kind: recorded.fact.kind().map_or("unread", kind_name),
    };
    v1::RecordedFact {
        fact: Some(answer::fact_ref(&fact)),
        received_ms: recorded.received_ms,
        entry_hash: Vec::new(),
        envelope: recorded.fact.bytes().to_vec(),
        person: signer.map(|key| key.person.to_vec()).unwrap_or_default(),
        unread_because: history.unread_because(recorded.index, size).unwrap_or_default(),
        text: answer::fact_text(recorded, roster),
    }
}

/// The people, by id.
pub fn people(roster: &Roster, size: u64) -> Vec<v1::Person> {
    let mut people: Vec<v1::Person> =
        roster.people().iter().filter(|p| p.index < size).map(|p| person(roster, p, size)).collect();
    people.sort_by(|a, b| a.person.cmp(&b.person));
    people
}

fn person(roster: &Roster, enrolled: &Person, size: u64) -> v1::Person {
    let person = enrolled.person;
    let annex = |digest: Option<Hash>| digest.map(|digest| v1::AnnexRef { digest: digest.to_vec() });
    let keys = roster.keys().iter().filter(|k| k.person == person && k.index < size);
    let grants = roster.grants().iter().filter(|g| g.person == person && g.index < size);
    v1::Person {
        person: person.to_vec(),
        name: annex(enrolled.name),
        staff_number: annex(enrolled.staff_number),
        licence: annex(enrolled.licence),
        keys: keys
            .map(|k| v1::PersonKey {
                key_id: k.key_id.to_vec(),
                public_key: k.public_key.as_bytes().to_vec(),
                enrolled_index: k.index,
                untrusted_from_index: roster.untrusted_from(&k.key_id, size),
            })
            .collect(),
        authorities: grants
            .map(|g| v1::PersonAuthority {
                authority: g.authority as i32,
                engine_type: g.engine_type.clone(),
                valid_from_ms: g.valid_from_s.map(|s| s.saturating_mul(1000)),
                valid_until_ms: g.valid_until_s.map(|s| s.saturating_mul(1000)),
                granted_index: g.index,
                withdrawn_index: g.withdrawn_index.filter(|i| *i < size),
            })
            .collect(),
    }
}

/// An erasure that has effect.
pub fn erasure(erasure: &Erasure) -> v1::Erasure {
    v1::Erasure {
        digest: erasure.digest.to_vec(),
        envelope_hash: erasure.fact.to_vec(),
        index: erasure.index,
        erased_ms: erasure.at_ms,
        person: erasure.by.to_vec(),
        reason: erasure.reason.clone(),
    }
}

/// The devices, by id, each with its newest report.
pub fn devices(history: &History, size: u64) -> Vec<v1::Device> {
    let device = |d: &super::roster::Device| {
        let heard = history.newest_report(&d.device, size);
        v1::Device {
            device: d.device.to_vec(),
            label: d.label.clone(),
            station: d.station.clone(),
            report_key: d.report_key.map(|key| key.as_bytes().to_vec()).unwrap_or_default(),
            enrolled_index: d.index,
            retired_index: d.retired_index.filter(|i| *i < size),
            last_reported_ms: heard.map(|h| h.received_ms),
            unsent: heard.map(|h| h.report.unsent),
        }
    };
    let mut devices: Vec<v1::Device> =
        history.roster().devices().iter().filter(|d| d.index < size).map(device).collect();
    devices.sort_by(|a, b| a.device.cmp(&b.device));
    devices
}

/// The procedures, by id and revision.
pub fn procedures(roster: &Roster, size: u64) -> Vec<v1::Procedure> {
    let mut procedures: Vec<v1::Procedure> = roster
        .procedures()
        .iter()
        .filter(|p| p.index < size)
        .map(|p| v1::Procedure {
            procedure: p.procedure.to_vec(),
            revision: p.revision,
            text: Some(v1::ProcedureRef { digest: p.digest.to_vec() }),
            engine_type: p.engine_type.clone(),
            title: p.title.clone(),
            published_index: p.index,
            withdrawn_index: p.withdrawn_index.filter(|i| *i < size),
        })
        .collect();
    procedures.sort_by(|a, b| (&a.procedure, a.revision).cmp(&(&b.procedure, b.revision)));
    procedures
}
