//! What concerns one aircraft, and the fold over it.
//!
//! In its scope are the facts of the aircraft, of the engines ever on it, and of their washes, with these washes'
//! devices; of a wash on another aircraft also that aircraft's and its other engines' facts, so that its sign-off can
//! be judged; and every fact that one of these names, since the order rests on them.

use std::borrow::Cow;
use std::cell::RefCell;
use std::collections::{BTreeMap, BTreeSet, HashMap, HashSet};
use std::sync::Arc;

use super::finding::{self, Finding, Raised};
use super::fleet::{Belongs, Fleet};
use super::history::{Held, History};
use super::item::{FactRef, Item, Open};
use super::judge::{self, Standing, Types};
use super::kinds::{self, Asked};
use super::metal::Metal;
use super::order::{self, Key};
use super::procedure::Procedure;
use super::roster::Roster;
use super::water::Water;
use super::{devices, people, sentence};
use crate::bytes::{Hash, Id};
use crate::fact::{Header, Kind, Subject, engines_named};
use crate::v1::{self, EngineAt};

/// How far a clock may be off where no procedure says it: common practice, no source.
const CLOCK_OFF_MAX_S: u64 = 120;

/// What is open on one aircraft, and what was found.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct State {
    /// Open items, by kind, engine, subject.
    pub items: Vec<Item>,
    /// Findings, settled ones included.
    pub findings: Vec<Finding>,
    /// Washes of this aircraft.
    pub washes: Vec<Wash>,
    /// For each engine that waits for its run.
    pub latest_starts: Vec<LatestStart>,
    /// What has to be kept for the aircraft to go.
    pub conditions: Vec<String>,
    /// Until when the awaited devices were heard; none: no device is awaited.
    pub devices_heard_until_ms: Option<u64>,
}

/// A wash, as its opening says.
#[derive(Debug, Clone, PartialEq)]
pub struct Wash {
    /// Its id.
    pub wash: Id,
    /// The aircraft.
    pub aircraft: Id,
    /// The work order.
    pub work_order: String,
    /// SHA-256 of the procedure's text.
    pub procedure: Option<Hash>,
    /// The station.
    pub station: String,
    /// The engines in scope.
    pub engines: Vec<EngineAt>,
    /// The opening.
    pub opened_by: FactRef,
    /// The last sign-off that has effect.
    pub signed_off_by: Option<FactRef>,
}

/// The newest instant at which an engine may be started without a run-up before it. Unix milliseconds.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct LatestStart {
    /// The engine, at its position on this aircraft.
    pub engine: EngineAt,
    /// Window end less the margin.
    pub latest_start_ms: u64,
    /// The end of its run-up window.
    pub window_end_ms: u64,
    /// Where the air comes from, where a waiver says it.
    pub air_source: String,
}

/// One fact in scope, judged once: its standing depends on the size, not on the time.
#[derive(Debug)]
pub(super) struct Fact<'h> {
    pub(super) held: &'h Held,
    pub(super) key: Key,
    pub(super) counts_from_s: u64,
    /// Entries below it were seen by its signer.
    pub(super) seen_point: u64,
    pub(super) standing: Standing,
    pub(super) person: Option<Id>,
    pub(super) unread: Option<String>,
}

/// One fact at its place in the order.
#[derive(Debug, Clone, Copy)]
pub(super) struct Act<'c> {
    pub(super) fact: &'c Fact<'c>,
    /// A fact that it names is absent: what it would close waits.
    waits: bool,
    /// An act in doubt, let count by its settlement, at that place.
    pub(super) revived: bool,
    /// Where it stands in the order by itself, its settlement apart.
    place: usize,
}

impl<'c> Act<'c> {
    pub(super) fn index(&self) -> u64 {
        self.fact.held.recorded.index
    }

    pub(super) fn hash(&self) -> Hash {
        self.fact.held.hash
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
        good && !self.waits && self.fact.unread.is_none()
    }

    pub(super) fn wash(&self) -> Option<Id> {
        self.header().subjects.iter().find_map(|s| match s {
            Subject::Wash(id) => Some(*id),
            _ => None,
        })
    }

    pub(super) fn engine(&self) -> Option<&'c EngineAt> {
        engines_named(self.kind()?).into_iter().next()
    }

    /// Whether it acts on the other: it names it, and is about all that the other is about.
    pub(super) fn names(&self, other: &Act<'_>) -> bool {
        let header = self.header();
        header.refers.contains(&other.hash()) && other.header().subjects.iter().all(|s| header.subjects.contains(s))
    }

    /// Whether it stands after the other in the order, by itself. A settlement lets an act close from its own place on, but
    /// what was opened after the act was never closed by it.
    pub(super) fn is_after(&self, other: &Act<'_>) -> bool {
        self.place > other.place
    }

    /// Whether two known and different persons signed the two.
    pub(super) fn by_another_than(&self, other: &Act<'_>) -> bool {
        self.fact.person.is_some() && self.fact.person != other.fact.person
    }

    pub(super) fn reference(&self) -> FactRef {
        FactRef {
            index: self.index(),
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
    pub(super) procedure: Option<Arc<Procedure>>,
}

/// What every family of rules needs to know beside the acts.
pub(super) struct Context<'c> {
    pub(super) roster: &'c Roster,
    pub(super) fleet: Fleet<'c>,
    pub(super) washes: BTreeMap<Id, WashFacts<'c>>,
    pub(super) time_s: u64,
    /// The start that a question supposes.
    pub(super) planned_s: Option<u64>,
}

impl<'c> Context<'c> {
    pub(super) fn procedure(&self, act: &Act<'_>) -> Option<&Arc<Procedure>> {
        self.washes.get(&act.wash()?)?.procedure.as_ref()
    }

    /// The aircraft that the act names, itself or by its wash.
    pub(super) fn aircraft(&self, act: &Act<'_>) -> Option<Id> {
        aircraft_named(act).or_else(|| self.washes.get(&act.wash()?)?.aircraft)
    }

    pub(super) fn with_engine(&self, act: &Act<'_>, engine: &EngineAt) -> Belongs {
        Belongs::to_engine(&self.fleet, engine, self.aircraft(act), act.happened_s())
    }

    pub(super) fn with_aircraft(&self, act: &Act<'_>) -> Belongs {
        Belongs::to_aircraft(self.aircraft(act))
    }

    pub(super) fn clock_off_max_s(&self, act: &Act<'_>) -> u64 {
        self.procedure(act).map_or(CLOCK_OFF_MAX_S, |p| p.record.clock_off_max_s.into())
    }
}

fn aircraft_named(act: &Act<'_>) -> Option<Id> {
    act.header().subjects.iter().find_map(|s| match s {
        Subject::Aircraft(id) => Some(*id),
        _ => None,
    })
}

/// The facts that concern one aircraft, as known at a size.
pub(super) struct Case<'h> {
    pub(super) history: &'h History,
    pub(super) aircraft: Id,
    pub(super) size: u64,
    pub(super) roster: Cow<'h, Roster>,
    /// Sorted by key.
    facts: Vec<Fact<'h>>,
    /// Why a sign-off has no effect, by its index; it does not depend on the time asked for.
    pub(super) sign_offs: RefCell<HashMap<u64, Result<(), String>>>,
}

/// The fold's result: everything but sign-offs and devices.
pub(super) struct Folded<'c> {
    pub(super) context: Context<'c>,
    pub(super) acts: Vec<Act<'c>>,
    pub(super) opens: Vec<Open<'c>>,
    pub(super) findings: Vec<Raised<'c>>,
}

impl<'h> Case<'h> {
    pub(super) fn new(history: &'h History, aircraft: &Id, size: u64) -> Self {
        let roster = history.roster_at(size);
        let indices = scope(history, aircraft, size);
        let held = indices.into_iter().filter_map(|index| history.held(index));
        let mut facts: Vec<Fact<'h>> = held.map(|held| judged(held, &roster, size)).collect();
        facts.sort_by_key(|f| f.key);
        Case { history, aircraft: *aircraft, size, roster, facts, sign_offs: RefCell::default() }
    }

    /// Instants after `time_s` at which another fact begins to count, or to be in the past.
    pub(super) fn instants_after(&self, time_s: u64) -> impl Iterator<Item = u64> {
        self.facts.iter().flat_map(|f| [f.counts_from_s, f.key.0]).filter(move |at| *at > time_s)
    }

    /// Whether a fact's signer has another authority than its kind asks.
    fn holds(&self, act: &Act<'_>, asked: Asked) -> bool {
        let types = types_asked(act.fact.held, &self.roster);
        judge::standing(&self.roster, self.size, &act.fact.held.recorded, asked, &types).0 == Standing::Counts
    }

    fn acts<'c>(&'c self, time_s: u64, keep: &dyn Fn(&Fact<'_>) -> bool) -> Vec<Act<'c>> {
        let counted: Vec<&Fact<'c>> = self.facts.iter().filter(|f| f.counts_from_s <= time_s && keep(f)).collect();
        let present: HashSet<Hash> = counted.iter().map(|f| f.key.3).collect();
        let is_there = |h: &Hash| present.contains(h) || self.history.refusals(h).iter().any(|at| *at < self.size);
        let refers = |f: &&'c Fact<'c>| f.held.recorded.fact.header().refers.as_slice();
        let order = order::ordered(&counted, |f| f.key, |f| f.held.recorded.fact.header().refers.as_slice());
        let acts: Vec<Act<'c>> = order
            .into_iter()
            .enumerate()
            .map(|(place, at)| {
                let waits = !refers(&counted[at]).iter().all(is_there);
                Act { fact: counted[at], waits, revived: false, place }
            })
            .collect();
        let aside = self.set_aside(&acts);
        let kept = acts.into_iter().filter(|a| a.fact.unread.is_none() || !aside.contains(&a.hash())).collect();
        with_revived(kept)
    }

    /// Hashes of the facts that custody and certifying staff, two persons, set aside.
    pub(super) fn set_aside(&self, acts: &[Act<'_>]) -> HashSet<Hash> {
        let of = |act: &&Act<'_>| matches!(act.kind(), Some(Kind::FactSetAside(_))) && act.counts();
        let agreed = |act: &&Act<'_>| {
            acts.iter().any(|by| {
                matches!(by.kind(), Some(Kind::Countersigned(b))
                    if b.purpose == v1::CountersignPurpose::SetAsideAgreed as i32)
                    && by.names(act)
                    && by.by_another_than(act)
                    && by.counts()
                    && self.holds(by, Asked::Certify)
            })
        };
        acts.iter().filter(of).filter(agreed).flat_map(|a| a.header().refers.iter().copied()).collect()
    }

    /// Folds the facts that `keep` lets pass, judged at a time.
    pub(super) fn fold<'c>(
        &'c self,
        time_s: u64,
        planned_s: Option<u64>,
        keep: &dyn Fn(&Fact<'_>) -> bool,
    ) -> Folded<'c> {
        let acts = self.acts(time_s, keep);
        let fleet = Fleet::new(&self.roster, self.size, time_s);
        let washes = washes(&acts, &self.roster, self.size);
        let context = Context { roster: &self.roster, fleet, washes, time_s, planned_s };
        let (mut metal, mut water) = (Metal::default(), Water::default());
        for act in &acts {
            // The run asks for the lines at its place: they take each act first.
            metal.take(&context, act, &water);
            water.take(&context, act, &metal.lines);
        }
        let mut findings = finding::of_each_act(&context, &acts);
        findings.extend(metal.findings(&context));
        finding::settle(&mut findings, &acts);
        let mut opens = metal.open_items(&context, &water);
        opens.extend(water.open_items(&context));
        opens.extend(finding::open_items(&findings));
        opens.extend(devices::unread(&context, &acts));
        Folded { context, acts, opens, findings }
    }

    /// All that is open on the aircraft, judged at a time.
    pub(super) fn state(&self, time_s: u64, planned_s: Option<u64>) -> State {
        let mut folded = self.fold(time_s, planned_s, &|_| true);
        let signed = people::sign_offs(self, &folded);
        folded.opens.extend(people::open_items(&folded, &signed));
        folded.opens.extend(devices::refused(self, &folded, Some(&signed)));
        let (outstanding, heard_until_ms) = devices::outstanding(self, &folded, &signed);
        folded.opens.extend(outstanding);
        let mut state = sentence::place(&folded, &self.aircraft);
        state.washes = people::washes_of(&folded, &signed, &self.aircraft);
        state.devices_heard_until_ms = heard_until_ms;
        state
    }
}

fn judged<'h>(held: &'h Held, roster: &Roster, size: u64) -> Fact<'h> {
    let recorded = &held.recorded;
    let types = types_asked(held, roster);
    let asked = recorded.fact.kind().map_or(Asked::Anyone, kinds::asked);
    let (standing, person) = judge::standing(roster, size, recorded, asked, &types);
    let (standing, person) = match (recorded.index, held.good) {
        // A name without a good signature is nobody's: anyone could have written it there.
        (_, None | Some(false)) => (Standing::KeyUnknown, None),
        // The founding fact is the custodian's own beginning.
        (0, _) => (Standing::Counts, person),
        _ => (standing, person),
    };
    let header = recorded.fact.header();
    Fact {
        held,
        key: (recorded.happened_s(), header.run, header.counter, held.hash),
        counts_from_s: recorded.counts_from_s(),
        seen_point: roster.seen_point(recorded),
        standing,
        person,
        unread: devices::unread_because(held, roster, size),
    }
}

fn types_asked(held: &Held, roster: &Roster) -> Types {
    let Some(kind) = held.recorded.fact.kind() else { return Types::Any };
    if kinds::asked(kind) == Asked::Custody {
        return Types::Any;
    }
    let mut serials: Vec<&str> = engines_named(kind).into_iter().map(|e| e.serial.as_str()).collect();
    serials.dedup();
    if !serials.is_empty() {
        return Types::EachOf(serials.into_iter().map(|s| roster.engine_type(s).to_owned()).collect());
    }
    let aircraft = held.recorded.fact.header().subjects.iter().find_map(|s| match s {
        Subject::Aircraft(id) => Some(id),
        _ => None,
    });
    Types::OneOf(aircraft.map(|a| roster.types_on(a)).unwrap_or_default())
}

/// Puts each act in doubt, that its settlement lets count, behind that settlement once more: from there it closes.
fn with_revived(acts: Vec<Act<'_>>) -> Vec<Act<'_>> {
    let in_doubt: Vec<Act<'_>> = acts.iter().filter(|a| a.fact.standing == Standing::InDoubt).copied().collect();
    let mut all = Vec::with_capacity(acts.len());
    for act in acts {
        all.push(act);
        let Some(Kind::FindingSettled(b)) = act.kind() else { continue };
        if b.rule == finding::Rule::InDoubt.name() && b.act_counts == Some(true) && act.counts() {
            let let_count = in_doubt.iter().filter(|a| act.names(a) && act.by_another_than(a));
            all.extend(let_count.map(|a| Act { revived: true, ..*a }));
        }
    }
    all
}

fn washes<'c>(acts: &[Act<'c>], roster: &Roster, size: u64) -> BTreeMap<Id, WashFacts<'c>> {
    let mut washes: BTreeMap<Id, WashFacts<'c>> = BTreeMap::new();
    for act in acts {
        for wash in act.header().subjects.iter().filter_map(as_wash) {
            let facts = washes.entry(wash).or_insert_with(|| WashFacts {
                aircraft: aircraft_named(act),
                first: *act,
                opened: None,
                procedure: None,
            });
            // The first opening that counts; while there is none, the first whoever signed it.
            let better = facts.opened.is_none() || (!facts.first.counts() && act.counts());
            if let (Some(Kind::WashOpened(opened)), true) = (act.kind(), better) {
                let digest = opened.procedure.as_ref().and_then(|p| Hash::from_slice(&p.digest));
                let published = digest.and_then(|d| roster.procedure(&d, size));
                facts.procedure = published.and_then(|p| p.text.as_ref().ok()).cloned();
                facts.aircraft = aircraft_named(act).or(facts.aircraft);
                (facts.first, facts.opened) = (*act, Some(opened));
            }
        }
    }
    washes
}

fn as_wash(subject: &Subject) -> Option<Id> {
    match subject {
        Subject::Wash(id) => Some(*id),
        _ => None,
    }
}

/// Indices of the facts in scope, ascending.
fn scope(history: &History, aircraft: &Id, size: u64) -> Vec<u64> {
    let is_engine = |s: &Subject| matches!(s, Subject::Engine(_));
    let is_wash = |s: &Subject| matches!(s, Subject::Wash(_));
    let own = BTreeSet::from([Subject::Aircraft(*aircraft)]);
    let engines = history.near(&own, is_engine);
    let first: BTreeSet<Subject> = own.into_iter().chain(engines).collect();
    let washes = history.near(&first, is_wash);
    let second = history.near(&washes, |s| is_engine(s) || matches!(s, Subject::Aircraft(_) | Subject::Device(_)));
    let subjects: BTreeSet<Subject> = first.into_iter().chain(washes).chain(second).collect();
    let mut indices = BTreeSet::new();
    for subject in &subjects {
        // Of the facts about a device only the refusals concern a wash; its reports are looked up one by one.
        let about = match subject {
            Subject::Device(device) => history.refusals_of(device),
            other => history.facts_of(other),
        };
        indices.extend(about.iter().take_while(|i| **i < size));
    }
    // A tool may have made joints elsewhere than where its recall was recorded.
    indices.extend(history.recalls().iter().take_while(|i| **i < size));
    // What these name comes too: their order rests on it.
    let mut open: Vec<u64> = indices.iter().copied().collect();
    while let Some(index) = open.pop() {
        let Some(held) = history.held(index) else { continue };
        let named = held.recorded.fact.header().refers.iter().filter_map(|h| history.by_hash(h));
        open.extend(named.filter(|at| *at < size && indices.insert(*at)).collect::<Vec<u64>>());
    }
    indices.into_iter().collect()
}
