//! What concerns one aircraft, and the fold over it.

use std::borrow::Cow;
use std::cell::RefCell;
use std::collections::{BTreeMap, BTreeSet, HashMap, HashSet};

use super::act::{Act, Context, WashFacts, aircraft_named, as_wash};
use super::area::Area;
use super::corrections::{Corrections, InForce};
use super::facts::{self, Fact, judged, version};
use super::finding;
use super::fleet::Fleet;
use super::folded::Folded;
use super::forks::{Fork, Forks};
use super::history::History;
use super::item::ItemKind;
use super::judge::Standing;
use super::metal::Metal;
use super::motoring::Motoring;
use super::order;
use super::reach::scope;
use super::readings::Readings;
use super::revisions::{self, Revisions};
use super::roster::Roster;
use super::scope::Scope;
use super::shift::Shift;
use super::unsure::Unsure;
use super::water::{self, Water};
use super::{timing, unread, versions};
use crate::bytes::{Hash, Id};
use crate::fact::{Kind, Subject};
use crate::v1;

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
                let missing = || metal.tools.missing_at(context.aircraft(act), start_s);
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
        opens.extend(unread::unread(&context, &acts));
        Folded { context, acts, opens, findings }
    }
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
