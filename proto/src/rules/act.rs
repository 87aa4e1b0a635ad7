//! One fact at its place in the order, and what every family of rules needs to know beside it.

use std::collections::BTreeMap;
use std::sync::Arc;

use super::facts::Fact;
use super::fleet::{Belongs, Fleet};
use super::judge::{self, Standing, types_asked};
use super::kinds::{self, Asked};
use super::procedure::Procedure;
use super::roster::Roster;
use crate::bytes::{Hash, Id};
use crate::fact::{Header, Kind, Subject, engines_named};
use crate::v1::{self, EngineAt};

/// How far a clock may be off where no procedure says it: common practice, no source.
const CLOCK_OFF_MAX_S: u64 = 120;

/// One fact, where it stands.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct FactRef {
    /// Its entry.
    pub index: u64,
    /// SHA-256 of its envelope.
    pub hash: Hash,
    /// When it happened, Unix milliseconds.
    pub happened_ms: u64,
    /// Its kind's name; "unread" where the kind is not known.
    pub kind: &'static str,
}

/// One fact at its place in the order.
#[derive(Debug, Clone, Copy)]
pub(super) struct Act<'c> {
    pub(super) fact: &'c Fact<'c>,
    /// A fact that it names is absent: what it would close waits.
    pub(super) waits: bool,
    /// It closes nothing, whoever signed it: what it says is contested.
    pub(super) withheld: bool,
    /// An act in doubt, let count by its settlement, at that place.
    pub(super) revived: bool,
    /// A reconnection of which nobody knows whether it came before what was found wanting: that stands.
    pub(super) leaves_rework: bool,
    /// Where it stands in the order by itself, its settlement apart.
    pub(super) place: usize,
}

impl<'c> Act<'c> {
    pub(super) fn index(&self) -> u64 {
        self.fact.held.recorded.index
    }

    /// The hash of the version in force.
    pub(super) fn hash(&self) -> Hash {
        self.fact.held.hash
    }

    /// The hash of the fact as it was first signed.
    pub(super) fn original(&self) -> Hash {
        self.fact.key.3
    }

    /// Whether one of those hashes names it, or an older version of it.
    pub(super) fn is_among(&self, hashes: &[Hash]) -> bool {
        hashes.contains(&self.hash()) || self.fact.elders.iter().any(|elder| hashes.contains(elder))
    }

    pub(super) fn header(&self) -> &'c Header {
        self.fact.held.recorded.fact.header()
    }

    pub(super) fn kind(&self) -> Option<&'c Kind> {
        self.fact.held.recorded.fact.kind()
    }

    pub(super) fn happened_s(&self) -> u64 {
        self.fact.key.0
    }

    /// Whether it may close something.
    pub(super) fn counts(&self) -> bool {
        let good = self.fact.standing == Standing::Counts || self.revived;
        good && !self.waits && !self.withheld && self.fact.unread.is_none()
    }

    /// The wash that it is about; of several the first.
    pub(super) fn wash(&self) -> Option<Id> {
        self.washes().next()
    }

    /// All washes that it is about.
    pub(super) fn washes(&self) -> impl Iterator<Item = Id> + use<'c> {
        self.header().subjects.iter().filter_map(as_wash)
    }

    pub(super) fn is_of(&self, wash: Id) -> bool {
        self.header().subjects.contains(&Subject::Wash(wash))
    }

    pub(super) fn engine(&self) -> Option<&'c EngineAt> {
        engines_named(self.kind()?).into_iter().next()
    }

    /// Whether it acts on the other: it names it, and is about all that the other is about.
    pub(super) fn names(&self, other: &Act<'_>) -> bool {
        other.is_among(&self.header().refers) && self.is_about_all_of(other)
    }

    pub(super) fn is_about_all_of(&self, other: &Act<'_>) -> bool {
        other.header().subjects.iter().all(|s| self.header().subjects.contains(s))
    }

    /// Whether it records that bytes with this digest were refused.
    pub(super) fn refuses(&self, digest: &Hash) -> bool {
        matches!(self.kind(), Some(Kind::FactRefused(b)) if b.received_digest == digest.0)
    }

    /// Whether it stands after the other in the order, by itself. A settlement lets an act close from its own place on, but
    /// what was opened after the act was never closed by it.
    pub(super) fn is_after(&self, other: &Act<'_>) -> bool {
        self.place > other.place
    }

    /// Whether a known person signed it, who did not sign the other: an unknown signer may be the same one.
    pub(super) fn by_another_than(&self, other: &Act<'_>) -> bool {
        let not_theirs = other.fact.by_service || other.fact.person.is_some();
        self.fact.person.is_some() && not_theirs && self.fact.person != other.fact.person
    }

    pub(super) fn reference(&self) -> FactRef {
        FactRef {
            index: self.fact.shown_index,
            hash: self.hash(),
            happened_ms: self.header().happened_ms,
            kind: self.kind().map_or("unread", kinds::kind_name),
        }
    }
}

/// A wash as its facts tell.
#[derive(Debug)]
pub(super) struct WashFacts<'c> {
    pub(super) aircraft: Option<Id>,
    /// Its opening, or while that is missing the first fact that names it.
    pub(super) first: Act<'c>,
    pub(super) opened: Option<&'c v1::WashOpened>,
    /// As it was opened.
    pub(super) procedure: Option<Arc<Procedure>>,
    /// Newer revisions that it was moved to, in order: they hold for what stands after.
    pub(super) moved: Vec<(Act<'c>, Arc<Procedure>)>,
}

/// What every family of rules needs to know beside the acts.
pub(super) struct Context<'c> {
    pub(super) roster: &'c Roster,
    pub(super) size: u64,
    pub(super) fleet: Fleet<'c>,
    pub(super) washes: BTreeMap<Id, WashFacts<'c>>,
    pub(super) time_s: u64,
    /// The start that a question supposes.
    pub(super) planned_s: Option<u64>,
    /// Struck out: what they say is void, that their devices signed them is not.
    pub(super) struck: Vec<Act<'c>>,
}

impl<'c> Context<'c> {
    /// The revision that held in the act's wash at its place.
    pub(super) fn procedure(&self, act: &Act<'_>) -> Option<&Arc<Procedure>> {
        act.washes().find_map(|wash| {
            let facts = self.washes.get(&wash)?;
            let moved = facts.moved.iter().rev().find(|(by, _)| act.is_after(by));
            moved.map(|(_, procedure)| procedure).or(facts.procedure.as_ref())
        })
    }

    /// The revision that holds in the wash now.
    pub(super) fn procedure_now(&self, wash: Id) -> Option<&Arc<Procedure>> {
        let facts = self.washes.get(&wash)?;
        facts.moved.last().map(|(_, procedure)| procedure).or(facts.procedure.as_ref())
    }

    /// Whether an act's signer has another authority than its kind asks.
    pub(super) fn holds(&self, act: &Act<'_>, asked: Asked) -> bool {
        let types = types_asked(&act.fact.held.recorded, self.roster, self.size);
        judge::standing(self.roster, self.size, &act.fact.held.recorded, asked, &types).0 == Standing::Counts
    }

    /// The aircraft that the act names, itself or by its wash.
    pub(super) fn aircraft(&self, act: &Act<'_>) -> Option<Id> {
        aircraft_named(act).or_else(|| act.washes().find_map(|wash| self.washes.get(&wash)?.aircraft))
    }

    pub(super) fn with_engine(&self, act: &Act<'_>, engine: &EngineAt) -> Belongs {
        Belongs::to_engine(&self.fleet, engine, self.aircraft(act), act.happened_s())
    }

    /// What stays with the aircraft; where the engine was not listed there then, it shows wherever that engine is too.
    pub(super) fn at_engine(&self, act: &Act<'_>, engine: &EngineAt) -> Belongs {
        let aircraft = self.aircraft(act);
        let here = |a: Id| self.fleet.position(&engine.serial, &a, act.happened_s()).is_some();
        let elsewhere = (!aircraft.is_some_and(here)).then(|| engine.serial.clone());
        Belongs { aircraft: aircraft.into_iter().collect(), engines: elsewhere.into_iter().collect() }
    }

    pub(super) fn with_aircraft(&self, act: &Act<'_>) -> Belongs {
        Belongs::to_aircraft(self.aircraft(act))
    }

    pub(super) fn clock_off_max_s(&self, act: &Act<'_>) -> u64 {
        self.procedure(act).map_or(CLOCK_OFF_MAX_S, |p| p.record.clock_off_max_s.into())
    }
}

pub(super) fn aircraft_named(act: &Act<'_>) -> Option<Id> {
    act.header().subjects.iter().find_map(|s| match s {
        Subject::Aircraft(id) => Some(*id),
        _ => None,
    })
}

pub(super) fn as_wash(subject: &Subject) -> Option<Id> {
    match subject {
        Subject::Wash(id) => Some(*id),
        _ => None,
    }
}
