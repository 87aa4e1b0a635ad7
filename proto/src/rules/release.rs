//! What follows from a sign-off: a reference to record where it has effect, a finding where it came too early. None of
//! it stands in the way of a sign-off.

use std::collections::BTreeMap;

use super::act::Act;
use super::case::Case;
use super::finding::{self, Raised, Rule, Severity};
use super::fleet::Belongs;
use super::folded::Folded;
use super::item::{Blocks, ItemKind, Open};
use super::people;
use crate::bytes::Id;
use crate::fact::Kind;

/// The sign-offs of one wash.
#[derive(Default)]
struct SignOffs<'c> {
    effective: Vec<Act<'c>>,
    /// With what stood in the way, or what was missing.
    early: Vec<(Act<'c>, String)>,
}

/// Adds what the sign-offs open and break; takes away the counts of cycles that they state.
pub(super) fn follow<'c>(case: &Case<'_>, folded: &mut Folded<'c>) {
    let washes = judged(case, folded);
    folded.opens.retain(|open| {
        let stated = |signed: &SignOffs<'c>| signed.effective.iter().any(|act| states_cycles(act, open));
        open.kind != ItemKind::CyclesShort || !open.wash.and_then(|wash| washes.get(&wash)).is_some_and(stated)
    });
    let references: Vec<Act<'c>> = folded.acts.iter().filter(|act| records_reference(act)).copied().collect();
    let due = washes.iter().filter_map(|(wash, signed)| reference_due(folded, &references, *wash, signed));
    let due: Vec<Open<'c>> = due.collect();
    folded.opens.extend(due);
    let mut raised: Vec<Raised<'c>> = washes.values().flat_map(|signed| early(folded, signed)).collect();
    finding::settle(&mut raised, &folded.acts);
    folded.opens.extend(finding::open_items(&raised));
    folded.findings.extend(raised);
}

fn judged<'c>(case: &Case<'_>, folded: &Folded<'c>) -> BTreeMap<Id, SignOffs<'c>> {
    let mut washes: BTreeMap<Id, SignOffs<'c>> = BTreeMap::new();
    // One in doubt comes twice, and has effect where its settlement lets it count.
    for act in &folded.acts {
        let Some(Kind::SignedOff(body)) = act.kind() else { continue };
        for wash in act.washes() {
            let signed = washes.entry(wash).or_default();
            match people::effect(case, folded, act, body, wash) {
                Ok(()) => signed.effective.push(*act),
                // Whoever may not sign off did something else than signing off early.
                Err(why) if act.counts() => signed.early.push((*act, why)),
                Err(_) => {}
            }
        }
    }
    washes
}

fn states_cycles(sign_off: &Act<'_>, open: &Open<'_>) -> bool {
    let Some(Kind::SignedOff(body)) = sign_off.kind() else { return false };
    let serial = open.engine.as_ref().map(|engine| &engine.serial);
    let states = |stated: &crate::v1::CyclesStated| {
        stated.cycles.is_some() && stated.engine.as_ref().map(|engine| &engine.serial) == serial
    };
    body.cycles_stated.iter().any(states)
}

fn records_reference(act: &Act<'_>) -> bool {
    matches!(act.kind(), Some(Kind::ReleaseReferenceRecorded(b)) if !b.reference.trim().is_empty()) && act.counts()
}

/// One item a wash, opened by the first sign-off that still has no reference.
fn reference_due<'c>(folded: &Folded<'c>, references: &[Act<'c>], wash: Id, signed: &SignOffs<'c>) -> Option<Open<'c>> {
    let recorded = |sign_off: &Act<'c>| references.iter().any(|reference| reference.names(sign_off));
    let without: Vec<&Act<'c>> = signed.effective.iter().filter(|act| !recorded(act)).collect();
    let facts = folded.context.washes.get(&wash)?;
    let mut open = Open::new(ItemKind::ReleaseReferenceDue, **without.first()?, Belongs::to_aircraft(facts.aircraft));
    open.wash = Some(wash);
    open.subject = facts.opened.map(|opened| opened.work_order.clone()).unwrap_or_default();
    open.blocks = Blocks::Condition;
    if without.len() > 1 {
        open.detail = format!("{} sign-offs have none", without.len());
    }
    Some(open)
}

/// Grave until a later sign-off of the same wash has effect.
fn early<'c>(folded: &Folded<'c>, signed: &SignOffs<'c>) -> Vec<Raised<'c>> {
    let raise = |(act, why): &(Act<'c>, String)| {
        let good = signed.effective.iter().any(|later| later.is_after(act));
        let severity = if good { Severity::Minor } else { Severity::Major };
        let mut raised = Raised::new(Rule::SignedOffEarly, severity, &folded.context, vec![*act]);
        (raised.engine, raised.belongs) = (None, folded.context.with_aircraft(act));
        raised.detail.clone_from(why);
        raised
    };
    signed.early.iter().map(raise).collect()
}
