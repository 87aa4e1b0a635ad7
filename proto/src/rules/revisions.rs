//! Revisions of a procedure: a newer one published while a wash is open, moved to by certifying staff; one that was
//! superseded or withdrawn before a wash was opened against it.

use std::collections::{BTreeMap, BTreeSet};

use super::act::{Act, Context, WashFacts};
use super::finding::{Raised, Rule, Severity};
use super::fleet::Belongs;
use super::history::History;
use super::instants::clock;
use super::item::{Blocks, ItemKind, Open};
use super::roster::{Published, Roster};
use crate::bytes::{Hash, Id};
use crate::fact::{Kind, Subject};
use crate::v1::{ProcedureRef, RevisionDecided, RevisionOutcome};

/// Entries that publish or withdraw a revision of a procedure that one of these entries opened a wash against.
pub(super) fn in_scope(history: &History, roster: &Roster, size: u64, indices: &[u64]) -> Vec<u64> {
    let kind = |index: &u64| history.held(*index).and_then(|held| held.recorded.fact.kind());
    let opened = indices.iter().filter_map(|index| match kind(index) {
        Some(Kind::WashOpened(b)) => named(b.procedure.as_ref(), roster, size).map(|published| published.procedure),
        _ => None,
    });
    let procedures: BTreeSet<Id> = opened.collect();
    let concerns = |index: &&u64| {
        let procedure = match kind(index) {
            Some(Kind::ProcedurePublished(b)) => Id::from_slice(&b.procedure),
            Some(Kind::ProcedureWithdrawn(b)) => Id::from_slice(&b.procedure),
            _ => None,
        };
        procedure.is_some_and(|procedure| procedures.contains(&procedure))
    };
    let by_custody = |index: &&u64| {
        history.held(**index).is_some_and(|held| held.recorded.fact.header().subjects.contains(&Subject::Roster))
    };
    let known = history.revisions().iter().take_while(|index| **index < size).filter(by_custody);
    known.filter(concerns).filter(|index| indices.binary_search(index).is_err()).copied().collect()
}

fn named<'r>(procedure: Option<&ProcedureRef>, roster: &'r Roster, size: u64) -> Option<&'r Published> {
    roster.procedure(&Hash::from_slice(&procedure?.digest)?, size)
}

/// The procedure and revision that a wash was opened against.
fn opened_against(facts: &WashFacts<'_>, roster: &Roster, size: u64) -> Option<(Id, u32)> {
    let published = named(facts.opened?.procedure.as_ref(), roster, size)?;
    Some((published.procedure, published.revision))
}

/// Puts every move beside its wash: by certifying staff, to a newer revision of the same procedure that can be read.
pub(super) fn add_moves<'c>(acts: &[Act<'c>], roster: &Roster, size: u64, washes: &mut BTreeMap<Id, WashFacts<'c>>) {
    for act in acts.iter().filter(|act| act.counts()) {
        let Some(Kind::RevisionDecided(b)) = act.kind() else { continue };
        let Some(next) = named(b.procedure.as_ref(), roster, size) else { continue };
        let Some(text) = next.text.as_ref().ok().filter(|_| b.outcome == RevisionOutcome::Move as i32) else {
            continue;
        };
        for wash in act.washes() {
            let Some(facts) = washes.get_mut(&wash) else { continue };
            let Some((procedure, opened)) = opened_against(facts, roster, size) else { continue };
            let current = facts.moved.last().map_or(opened, |(_, moved)| moved.revision);
            if next.procedure == procedure && next.revision > current {
                facts.moved.push((*act, text.clone()));
            }
        }
    }
}

/// What the revisions of the procedures say of washes.
pub(super) struct Revisions<'c> {
    published: Vec<(Act<'c>, Id, u32)>,
    /// With the last instant, in whole seconds, of the grace that it leaves.
    withdrawn: Vec<(Act<'c>, Id, u32, Option<u64>)>,
    decided: Vec<(Act<'c>, &'c RevisionDecided)>,
    opened: Vec<(Act<'c>, Id, u32)>,
}

impl<'c> Revisions<'c> {
    pub(super) fn new(context: &Context<'c>, acts: &[Act<'c>]) -> Self {
        let mut all = Revisions { published: vec![], withdrawn: vec![], decided: vec![], opened: vec![] };
        let in_roster = |act: &Act<'c>| {
            let procedures = context.roster.procedures();
            procedures.iter().find(|p| p.index == act.index() && p.index < context.size)
        };
        for act in acts {
            match act.kind() {
                Some(Kind::ProcedurePublished(_)) if !act.revived => {
                    all.published.extend(in_roster(act).map(|p| (*act, p.procedure, p.revision)));
                }
                Some(Kind::ProcedureWithdrawn(b))
                    if act.counts() && act.header().subjects.contains(&Subject::Roster) =>
                {
                    let grace_s = b.grace_until_ms.map(|ms| ms / 1000);
                    all.withdrawn.extend(Id::from_slice(&b.procedure).map(|id| (*act, id, b.revision, grace_s)));
                }
                Some(Kind::RevisionDecided(b)) if act.counts() => all.decided.push((*act, b)),
                Some(Kind::WashOpened(b)) if !act.revived => {
                    let against = named(b.procedure.as_ref(), context.roster, context.size);
                    all.opened.extend(against.map(|p| (*act, p.procedure, p.revision)));
                }
                _ => {}
            }
        }
        all
    }

    /// One item a wash: the newest revision that came while it was open and that nobody decided on.
    pub(super) fn open_items(&self, context: &Context<'c>) -> Vec<Open<'c>> {
        let undecided = |(wash, facts): (&Id, &WashFacts<'c>)| {
            let (procedure, opened) = opened_against(facts, context.roster, context.size)?;
            let newer = |(act, id, revision): &&(Act<'c>, Id, u32)| {
                let moved = facts.moved.iter().rev().find(|(by, _)| act.is_after(by));
                let current = moved.map_or(opened, |(_, moved)| moved.revision);
                let came = *id == procedure && *revision > current && act.is_after(&facts.first);
                came && !self.is_decided(context, *wash, act, procedure, *revision)
            };
            let (by, _, revision) = self.published.iter().filter(newer).max_by_key(|(_, _, revision)| *revision)?;
            let mut open = Open::new(ItemKind::ProcedureRevised, *by, Belongs::to_aircraft(facts.aircraft));
            (open.wash, open.blocks) = (Some(*wash), Blocks::SignOff);
            Some(open.about(format!("revision {revision}")))
        };
        context.washes.iter().filter_map(undecided).collect()
    }

    /// Whether somebody decided after that publication on this revision or a newer one: a move that took place, or to
    /// go on and why.
    fn is_decided(&self, context: &Context<'c>, wash: Id, published: &Act<'c>, procedure: Id, revision: u32) -> bool {
        let moved = |act: &Act<'c>| {
            context.washes.get(&wash).is_some_and(|facts| facts.moved.iter().any(|(by, _)| by.hash() == act.hash()))
        };
        self.decided.iter().any(|(act, b)| {
            let on = named(b.procedure.as_ref(), context.roster, context.size);
            let goes_on = b.outcome == RevisionOutcome::GoOn as i32 && !b.reason.trim().is_empty();
            act.washes().any(|of| of == wash)
                && act.is_after(published)
                && on.is_some_and(|on| on.procedure == procedure && on.revision >= revision)
                && (goes_on || moved(act))
        })
    }

    /// Withdrawn goes before superseded; either is grave but in the grace that a withdrawal of that revision leaves.
    pub(super) fn findings(&self, context: &Context<'c>) -> Vec<Raised<'c>> {
        let breach = |(opened, procedure, revision): &(Act<'c>, Id, u32)| {
            let of_it = |id: &Id, of: &u32| id == procedure && of == revision;
            let withdrawals = || self.withdrawn.iter().filter(|(_, id, of, _)| of_it(id, of));
            let withdrawn = withdrawals().rev().find(|(act, ..)| opened.is_after(act));
            let newer = |(act, id, of): &&(Act<'c>, Id, u32)| id == procedure && of > revision && opened.is_after(act);
            let superseded = self.published.iter().filter(newer).max_by_key(|(_, _, of)| *of);
            let (rule, detail, grace_s) = match (withdrawn, superseded) {
                (Some((act, _, _, grace_s)), _) => {
                    let at = clock(act.happened_s(), Some(opened.happened_s()));
                    (Rule::ProcedureWithdrawn, format!("revision {revision}, withdrawn {at}"), *grace_s)
                }
                (None, Some((_, _, newer))) => {
                    let grace_s = withdrawals().filter_map(|(.., grace_s)| *grace_s).max();
                    (Rule::ProcedureSuperseded, format!("revision {revision}, not {newer}"), grace_s)
                }
                (None, None) => return None,
            };
            let in_grace = grace_s.is_some_and(|until_s| opened.happened_s() <= until_s);
            let severity = if in_grace { Severity::Minor } else { Severity::Major };
            let mut raised = Raised::new(rule, severity, context, vec![*opened]);
            (raised.engine, raised.belongs) = (None, context.with_aircraft(opened));
            raised.detail = detail;
            Some(raised)
        };
        self.opened.iter().filter_map(breach).collect()
    }
}
