//! What the times and the order of enrolment tell of a fact: it happened before what it must follow, it was written
//! down late, it stands there twice, its signer was enrolled after it.

use std::collections::HashMap;

use super::act::{Act, Context};
use super::finding::{Raised, Rule, Severity, may_change_items};
use super::kinds::{self, Asked};
use crate::bytes::{Hash, Id};
use crate::fact::Kind;

/// Where no procedure says it: invented.
const LATE_ENTRY_AFTER_S: u64 = 3600;
/// The same step twice within it is doubled: invented.
const DOUBLED_WITHIN_S: u64 = 60;

pub(super) fn findings<'c>(context: &Context<'c>, acts: &[Act<'c>]) -> Vec<Raised<'c>> {
    let own: Vec<Act<'c>> = acts.iter().filter(|act| !act.revived && act.fact.person.is_some()).copied().collect();
    let mut raised = disorders(context, acts, &own);
    raised.extend(doubled(context, &own));
    for act in &own {
        let one = |rule, severity| Raised::new(rule, severity, context, vec![*act]);
        let key = context.roster.key(&act.header().author_key, u64::MAX);
        if act.fact.unread.is_none() && key.is_some_and(|key| key.index > act.index()) {
            raised.push(one(Rule::EnrolledLate, Severity::Minor));
        }
        let late_after_s = context.procedure(act).map_or(LATE_ENTRY_AFTER_S, |p| p.record.late_entry_after_s.into());
        if (act.header().recorded_ms / 1000).saturating_sub(act.happened_s()) > late_after_s {
            raised.push(one(Rule::LateEntry, Severity::Note));
        }
    }
    raised
}

/// Acts that happened before a fact that they name. One that happened after it was received is found for that.
fn disorders<'c>(context: &Context<'c>, acts: &[Act<'c>], own: &[Act<'c>]) -> Vec<Raised<'c>> {
    let mut by_hash: HashMap<Hash, &Act<'c>> = HashMap::new();
    for act in acts.iter().filter(|act| !act.revived) {
        by_hash.extend(act.fact.elders.iter().map(|elder| (*elder, act)));
        by_hash.insert(act.hash(), act);
    }
    let before = |act: &Act<'c>| {
        let named = act.header().refers.iter().filter_map(|h| by_hash.get(h)).filter(|named| {
            // A correction follows what it corrects, not the time that it or another gives it.
            let corrects = matches!(act.kind(), Some(Kind::Corrected(_))) && named.hash() != named.original();
            !corrects && act.happened_s() < named.happened_s()
        });
        let mut rests_on: Vec<Act<'c>> = named.map(|named| **named).collect();
        rests_on.push(*act);
        rests_on
    };
    let in_time =
        |act: &&Act<'c>| act.happened_s() <= act.fact.held.recorded.received_ms / 1000 + context.clock_off_max_s(act);
    own.iter()
        .filter(in_time)
        .map(before)
        .filter(|rests_on| rests_on.len() > 1)
        .map(|rests_on| {
            let severity = if rests_on.last().is_some_and(may_change_items) { Severity::Major } else { Severity::Note };
            Raised::new(Rule::TimeDisorder, severity, context, rests_on)
        })
        .collect()
}

/// The same step, word for word, on the same things within a minute: a second tap.
fn doubled<'c>(context: &Context<'c>, own: &[Act<'c>]) -> Vec<Raised<'c>> {
    let mut seen: HashMap<(&str, Option<Id>), Vec<Act<'c>>> = HashMap::new();
    let mut raised = Vec::new();
    for act in own {
        let Some(kind) = act.kind().filter(|k| is_step(k)) else { continue };
        let earlier = seen.entry((kinds::kind_name(kind), act.wash())).or_default();
        let same = |other: &&Act<'c>| {
            other.kind() == Some(kind)
                && other.original() != act.original()
                && other.header().subjects == act.header().subjects
                && other.header().refers == act.header().refers
                && other.happened_s().abs_diff(act.happened_s()) <= DOUBLED_WITHIN_S
        };
        if let Some(first) = earlier.iter().rfind(same) {
            raised.push(Raised::new(Rule::Doubled, Severity::Note, context, vec![*first, *act]));
        }
        earlier.push(*act);
    }
    raised
}

fn is_step(kind: &Kind) -> bool {
    matches!(kinds::asked(kind), Asked::Perform | Asked::Inspect | Asked::Run) && !matches!(kind, Kind::Remark(_))
}
