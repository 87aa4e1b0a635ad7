//! What concerns one aircraft, and the fold over it.

use std::borrow::Cow;
use std::cell::RefCell;
use std::collections::{BTreeMap, BTreeSet, HashMap, HashSet};
use std::sync::Arc;

use super::area::Area;
use super::corrections::{Corrections, InForce};
use super::facts::{self, Fact, judged, version};
use super::finding::{self, Finding, Raised};
use super::fleet::{Belongs, Fleet};
use super::forks::{Fork, Forks};
use super::history::{Held, History};
use super::item::{FactRef, Item, ItemKind, Open};
use super::judge::{self, Standing, Types};
use super::kinds::{self, Asked};
use super::metal::Metal;
use super::motoring::Motoring;
use super::order;
use super::procedure::Procedure;
use super::reach::scope;
use super::readings::Readings;
use super::revisions::{self, Revisions};
use super::roster::Roster;
use super::scope::Scope;
use super::shift::Shift;
use super::unsure::Unsure;
use super::water::{self, Water};
use super::{devices, people, release, sentence, timing, versions};
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
    /// The entry since which the service's clock has been in doubt, until the custodian confirms it.
    pub clock_unsure_since: Option<u64>,
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

/// One fact at its place in the order.
#[derive(Debug, Clone, Copy)]
pub(super) struct Act<'c> {
    pub(super) fact: &'c Fact<'c>,
    /// A fact that it names is absent: what it would close waits.
    waits: bool,
    /// It closes nothing, whoever signed it: what it says is contested.
    withheld: bool,
    /// An act in doubt, let count by its settlement, at that place.
    pub(super) revived: bool,
    /// A reconnection of which nobody knows whether it came before what was found wanting: that stands.
    pub(super) leaves_rework: bool,
    /// Where it stands in the order by itself, its settlement apart.
    place: usize,
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
        let types = types_asked(&act.fact.held, self.roster, self.size);
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

/// The facts that concern one aircraft, as known at a size.
pub(super) struct Case<'h> {
    pub(super) history: &'h History,
    pub(super) aircraft: Id,
    pub(super) size: u64,
    pub(super) roster: Cow<'h, Roster>,
    /// Sorted by key.
    facts: Vec<Fact<'h>>,
    corrections: Corrections<'h>,
    forks: Forks<'h>,
    /// Instants at which a correction may begin or cease to take something away.
    pub(super) turns: RefCell<BTreeSet<u64>>,
    /// Why a sign-off that counts has no effect on a wash, by its version; the time asked for is not in it.
    pub(super) sign_offs: RefCell<HashMap<(Hash, Id), Result<(), String>>>,
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
        Self::with_roster(history, aircraft, size, Cow::Borrowed(history.roster_at(size)))
    }

    /// The case as it was known at `point`, an earlier size than this one's; keys revoked since are not trusted there
    /// either, from where the revocation says.
    pub(super) fn as_known_at(&self, point: u64) -> Case<'h> {
        let roster = self.history.roster_less_revoked(point, self.size);
        Self::with_roster(self.history, &self.aircraft, point, roster)
    }

    fn with_roster(history: &'h History, aircraft: &Id, size: u64, roster: Cow<'h, Roster>) -> Self {
        let mut indices = scope(history, aircraft, size);
        indices.extend(revisions::in_scope(history, &roster, size, &indices));
        let held = indices.into_iter().filter_map(|index| history.held(index));
        let mut facts: Vec<Fact<'h>> = held.map(|held| judged(held, &roster, size)).collect();
        facts.sort_by_key(|f| f.key);
        let version =
            |of: &Fact<'h>, by: &Fact<'h>, body: &v1::Corrected, elders| version(of, by, body, elders, &roster, size);
        let corrections = Corrections::new(&facts, &roster, size, version);
        let forks = forks(history, &facts, &roster, size);
        let (turns, sign_offs) = (RefCell::default(), RefCell::default());
        Case { history, aircraft: *aircraft, size, roster, facts, corrections, forks, turns, sign_offs }
    }

    /// Instants after `time_s` at which another fact begins to count, or to be in the past, or a planned start is asked
    /// for.
    pub(super) fn instants_after(&self, time_s: u64) -> impl Iterator<Item = u64> {
        let all = || self.facts.iter().chain(self.corrections.versions()).chain(self.forks.all_seconds());
        let own = all().flat_map(|f| [f.counts_from_s, f.key.0]);
        let asked = all().flat_map(|f| water::asked_for_s(f.kind(), &self.roster));
        own.chain(asked).filter(move |at| *at > time_s)
    }

    /// What its facts say, corrected or not.
    pub(super) fn kinds(&self) -> impl Iterator<Item = &Kind> {
        self.facts.iter().chain(self.corrections.versions()).filter_map(Fact::kind)
    }

    /// Devices that are named together with a wash of its facts.
    pub(super) fn devices(&self) -> BTreeSet<Id> {
        let subjects = self.facts.iter().flat_map(|fact| fact.header().subjects.iter());
        let washes = subjects.filter(|s| matches!(s, Subject::Wash(_))).cloned().collect();
        let near = self.history.near(&washes, |s| matches!(s, Subject::Device(_)));
        near.into_iter().filter_map(|s| if let Subject::Device(id) = s { Some(id) } else { None }).collect()
    }

    /// The facts in force in the order, those contested after all others.
    fn acts<'c>(&'c self, counted: &[bool], stand: &InForce<'c>) -> Vec<Act<'c>> {
        let all = self.facts.iter().zip(counted).filter(|(_, counted)| **counted);
        let mut present: HashSet<Hash> = all.map(|(f, _)| f.key.3).collect();
        present.extend(stand.facts.iter().filter(|f| !f.on_log).map(|f| f.key.3));
        let forked = self.forks.both(&self.facts, counted);
        let is_there = |h: &Hash| present.contains(h) || self.history.refusals(h).iter().any(|at| *at < self.size);
        let order = order::ordered(&stand.facts, |f| f.key, |f| f.header().refers.as_slice());
        let standing = order.into_iter().map(|at| (stand.facts[at], forked.contains(&stand.facts[at].key.3)));
        let contested = stand.contested.iter().map(|fact| (*fact, true));
        let act = |(place, (fact, withheld)): (usize, (&'c Fact<'c>, bool))| {
            let waits = !fact.header().refers.iter().all(is_there);
            Act { fact, waits, withheld, revived: false, leaves_rework: false, place }
        };
        let acts: Vec<Act<'c>> = standing.chain(contested).enumerate().map(act).collect();
        let aside = self.set_aside(&acts);
        let kept = acts
            .into_iter()
            .filter(|a| a.fact.unread.is_none() || !(aside.contains(&a.original()) || aside.contains(&a.hash())))
            .collect();
        with_revived(kept)
    }

    /// Folds the facts that `keep` lets pass, judged at a time.
    pub(super) fn fold<'c>(
        &'c self,
        time_s: u64,
        planned_s: Option<u64>,
        keep: &dyn Fn(&Fact<'_>) -> bool,
    ) -> Folded<'c> {
        let counted: Vec<bool> = self.facts.iter().map(|f| f.counts_from_s <= time_s && keep(f)).collect();
        if self.corrections.is_empty() {
            return self.fold_with(time_s, planned_s, &counted, &BTreeSet::new());
        }
        let fold = |chosen: &BTreeSet<usize>| {
            let folded = self.fold_with(time_s, planned_s, &counted, chosen);
            self.turns.borrow_mut().extend(versions::turns(&folded));
            folded
        };
        let (chosen, waiting) = self.corrections.taking_effect(&self.facts, &counted, fold);
        let mut folded = self.fold_with(time_s, planned_s, &counted, &chosen);
        waiting.into_iter().for_each(|under| versions::add_openings(&mut folded, under));
        folded
    }

    /// Folds the facts counted, with the corrections chosen in place.
    fn fold_with<'c>(
        &'c self,
        time_s: u64,
        planned_s: Option<u64>,
        counted: &[bool],
        chosen: &BTreeSet<usize>,
    ) -> Folded<'c> {
        let mut stand = self.corrections.in_force(&self.facts, counted, time_s, chosen);
        stand.facts.extend(self.forks.seconds(&self.facts, counted, time_s));
        stand.facts.sort_by_key(|f| f.key);
        let mut acts = self.acts(counted, &stand);
        let fleet = Fleet::new(&self.roster, self.size, time_s);
        let mut washes = washes(&acts, &self.roster, self.size);
        revisions::add_moves(&acts, &self.roster, self.size, &mut washes);
        let struck = |fact| Act { fact, waits: false, withheld: true, revived: false, leaves_rework: false, place: 0 };
        let struck = stand.struck.iter().copied().map(struck).collect();
        let context = Context { roster: &self.roster, size: self.size, fleet, washes, time_s, planned_s, struck };
        let unsure = Unsure::new(&context, &acts);
        acts.retain(|act| !(act.revived && unsure.withholds(act)));
        acts.iter_mut().for_each(|act| {
            act.withheld |= unsure.withholds(act);
            act.leaves_rework = unsure.leaves_rework(act);
        });
        let (mut metal, mut water) = (Metal::default(), Water::default());
        let (mut motoring, mut scope) = (Motoring::default(), Scope::default());
        let (mut readings, mut area, mut shift) = (Readings::default(), Area::default(), Shift::default());
        for act in &acts {
            // The run asks for the lines at its place: they take each act first.
            metal.take(&context, act, &water);
            readings.take(act);
            water.take(&context, act, &metal.lines, &readings);
            scope.take(&context, act);
            area.take(act);
            shift.take(&context, act);
            motoring.take(&context, act, |act, start_s| {
                let missing = || metal.tools.missing_since(context.aircraft(act), start_s);
                shift.bars(act, start_s).or_else(|| missing().then_some(ItemKind::ToolMissing))
            });
        }
        let mut findings = finding::of_each_act(&context, &acts);
        findings.extend(motoring.findings(&context));
        findings.extend(readings.findings(&context, &motoring));
        findings.extend(area.findings(&context, &motoring));
        findings.extend(scope.findings(&context));
        findings.extend(water.run_up_missed(&context));
        let revisions = Revisions::new(&context, &acts);
        findings.extend(revisions.findings(&context));
        findings.extend(metal.findings(&context));
        findings.extend(timing::findings(&context, &acts));
        findings.extend(unsure.findings(&context));
        findings.extend(self.forks.findings(&self.facts, counted, &context, &acts));
        findings.extend(self.corrections.faults(&context, &acts));
        findings.extend(stand.conflicts.iter().filter_map(|conflict| conflict.finding(&context, &acts)));
        finding::settle(&mut findings, &acts);
        let mut opens = metal.open_items(&context, &water);
        opens.extend(water.open_items(&context));
        opens.extend(motoring.open_items(&context));
        opens.extend(scope.open_items(&context));
        opens.extend(shift.open_items(&context));
        opens.extend(revisions.open_items(&context));
        opens.extend(finding::open_items(&findings));
        opens.extend(devices::unread(&context, &acts));
        Folded { context, acts, opens, findings }
    }

    /// All that is open on the aircraft, judged at a time.
    pub(super) fn state(&self, time_s: u64, planned_s: Option<u64>) -> State {
        let mut folded = self.fold(time_s, planned_s, &|_| true);
        let signed = people::sign_offs(self, &folded);
        folded.opens.extend(people::open_items(&folded, &signed));
        release::follow(self, &mut folded);
        // What was published since a sign-off that stands was not published while the wash was open.
        let stands = |wash: Id| signed.get(&wash).is_some_and(people::SignOffState::stands);
        folded.opens.retain(|open| open.kind != ItemKind::ProcedureRevised || !open.wash.is_some_and(stands));
        folded.opens.extend(devices::refused(self, &folded, Some(&signed)));
        let (outstanding, heard_until_ms) = devices::outstanding(self, &folded, &signed);
        folded.opens.extend(outstanding);
        let mut state = sentence::place(&folded, &self.aircraft);
        state.washes = people::washes_of(&folded, &signed, &self.aircraft);
        state.devices_heard_until_ms = heard_until_ms;
        state.clock_unsure_since = self.history.clock_unsure_since(self.size);
        state
    }
}

pub(super) fn types_asked(held: &Held, roster: &Roster, size: u64) -> Types {
    let Some(kind) = held.recorded.fact.kind() else { return Types::Any };
    if kinds::asked(kind) == Asked::Custody {
        return Types::Any;
    }
    let mut serials: Vec<&str> = engines_named(kind).into_iter().map(|e| e.serial.as_str()).collect();
    serials.dedup();
    if !serials.is_empty() {
        return Types::EachOf(serials.into_iter().map(|s| roster.engine_type(s, size).to_owned()).collect());
    }
    let aircraft = held.recorded.fact.header().subjects.iter().find_map(|s| match s {
        Subject::Aircraft(id) => Some(id),
        _ => None,
    });
    let happened_s = held.recorded.happened_s();
    Types::OneOf(aircraft.map(|a| roster.types_on(a, happened_s, size)).unwrap_or_default())
}

/// The forks that entries in scope saw.
fn forks<'h>(history: &'h History, facts: &[Fact<'h>], roster: &Roster, size: u64) -> Forks<'h> {
    let fork = |(at, fact): (usize, &Fact<'h>)| {
        let (second, first) = history.fork(fact.held.recorded.index)?;
        let first = first.and_then(|index| history.hash_of(index));
        Some(Fork { seen: at, first, second: facts::second(second, roster, size) })
    };
    Forks(facts.iter().enumerate().filter_map(fork).collect())
}

/// Puts each act in doubt, that its settlement lets count, behind that settlement once more: from there it closes.
fn with_revived(acts: Vec<Act<'_>>) -> Vec<Act<'_>> {
    let in_doubt: Vec<Act<'_>> =
        { acts.iter().filter(|a| a.fact.standing == Standing::InDoubt && !a.withheld).copied().collect() };
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
                moved: Vec::new(),
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
