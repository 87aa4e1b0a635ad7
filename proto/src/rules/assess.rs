//! The answer to: what stands in the way of this aircraft at that start? It is no release to service.

use std::collections::BTreeSet;

use super::case::Case;
use super::finding::Finding;
use super::item::{Blocks, Item, ItemKind};
use super::state::{LatestStart, NOTHING_OPEN_NOTICE, NOTICE, State, Verdict};
use super::{ahead, sentence, telephone};
use crate::bytes::Id;

/// What is asked. Instants are Unix milliseconds and are cut to whole seconds.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Question {
    /// Of which aircraft.
    pub aircraft: Id,
    /// The start that is supposed, for this answer only.
    pub planned_start_ms: Option<u64>,
    /// Items supposed closed: `inspection-due`, or `inspection-due:PS-1` for one subject.
    pub assume_closed: Vec<String>,
    /// The log's epoch.
    pub epoch: u32,
    /// As known at this size.
    pub size: u64,
    /// Judged at this time.
    pub time_ms: u64,
}

impl Question {
    /// Whether it asks for what is, and supposes no start and nothing closed.
    pub fn supposes_nothing(&self) -> bool {
        self.planned_start_ms.is_none() && self.assume_closed.is_empty()
    }
}

/// The whole answer.
#[derive(Debug, Clone, PartialEq)]
pub struct Assessment {
    /// What was asked.
    pub question: Question,
    /// The aircraft's registration; empty while it is not listed.
    pub registration: String,
    /// In a word.
    pub verdict: Verdict,
    /// As one would say it on the telephone.
    pub first_line: String,
    /// What is open.
    pub items: Vec<Item>,
    /// What was found.
    pub findings: Vec<Finding>,
    /// What has to be kept.
    pub conditions: Vec<String>,
    /// For each engine that waits for its run.
    pub latest_starts: Vec<LatestStart>,
    /// The first instant at which this answer differs with the same facts; none: never.
    pub horizon_ms: Option<u64>,
    /// Until when the awaited devices were heard.
    pub devices_heard_until_ms: Option<u64>,
    /// What must be read with it.
    pub notice: &'static str,
}

pub(super) fn assess(case: &Case<'_>, question: &Question) -> Assessment {
    let state = supposed(case, question, question.time_ms / 1000);
    answered(case, question, state)
}

/// As [`assess`], of a question that supposes nothing; and from when on time alone may make the answer another.
pub(super) fn assess_until(case: &Case<'_>, question: &Question) -> (Assessment, Option<u64>) {
    let time_s = question.time_ms / 1000;
    let state = case.state(time_s, None);
    let again_ms = ahead::again_ms(case, &state, time_s);
    (answered(case, question, state), again_ms)
}

fn answered(case: &Case<'_>, question: &Question, state: State) -> Assessment {
    let time_s = question.time_ms / 1000;
    let verdict = verdict(&state);
    let first_line = telephone::first_line(verdict, &state, time_s, &question.assume_closed);
    Assessment {
        question: question.clone(),
        registration: case.roster.registration(&question.aircraft, case.size).unwrap_or_default().to_owned(),
        verdict,
        first_line,
        horizon_ms: horizon(case, question, time_s, &state).map(|s| s.saturating_mul(1000)),
        items: state.items,
        findings: state.findings,
        conditions: state.conditions,
        latest_starts: state.latest_starts,
        devices_heard_until_ms: state.devices_heard_until_ms,
        notice: if verdict == Verdict::NothingOpen { NOTHING_OPEN_NOTICE } else { NOTICE },
    }
}

/// The state at a time, with the question's start, less what it supposes closed.
fn supposed(case: &Case<'_>, question: &Question, time_s: u64) -> State {
    let mut state = case.state(time_s, question.planned_start_ms.map(|ms| ms / 1000));
    if !question.assume_closed.is_empty() {
        state.items = without(state.items, &question.assume_closed);
        let stays = |kind: ItemKind, position: u32| {
            state.items.iter().any(|i| i.kind == kind && i.engine.as_ref().is_some_and(|e| e.position == position))
        };
        let waits = |position: u32| stays(ItemKind::StartAwaited, position) || stays(ItemKind::RunUpDue, position);
        state.latest_starts.retain(|start| waits(start.engine.position));
        let kept = |condition: &String| {
            state.latest_starts.iter().any(|s| condition.starts_with(&format!("start engine {} ", s.engine.position)))
        };
        state.conditions.retain(kept);
        let references = state.items.iter().filter(|i| i.kind == ItemKind::ReleaseReferenceDue);
        state.conditions.extend(references.map(|i| sentence::reference_condition(&i.subject)));
        state.conditions.sort();
    }
    state
}

fn matches(item: &Item, names: &[String]) -> bool {
    names.iter().any(|name| match name.split_once(':') {
        None => name == item.kind.name(),
        Some((kind, subject)) => kind == item.kind.name() && subject == item.subject,
    })
}

/// Items supposed closed go; what their closing would open comes, unless that is supposed closed too.
fn without(items: Vec<Item>, names: &[String]) -> Vec<Item> {
    let (closed, mut left): (Vec<Item>, Vec<Item>) = items.into_iter().partition(|item| matches(item, names));
    let mut opened: Vec<Item> =
        closed.iter().flat_map(|item| item.next.iter().map(|kind| sentence::supposed(item, *kind))).collect();
    opened.retain(|item| !matches(item, names));
    // Closing an item of a signed wash is a fact that its sign-off does not cover.
    for item in closed.iter().filter(|item| reopens_sign_off(item.kind) && item.wash.is_some()) {
        let due = |other: &Item| other.kind == ItemKind::SignOffDue && other.wash == item.wash;
        if !closed.iter().chain(&left).chain(&opened).any(due) {
            let mut due = sentence::supposed(item, ItemKind::SignOffDue);
            (due.engine, due.subject) = (None, String::new());
            due.short = "wash not signed off".to_owned();
            due.text = "Wash not signed off.".to_owned();
            if matches(&due, names) {
                opened.push(sentence::supposed(&due, ItemKind::ReleaseReferenceDue));
            } else {
                opened.push(due);
            }
        }
    }
    // One release reference a wash, whichever of its sign-offs lacks it.
    let known = |item: &Item, among: &[Item]| among.iter().any(|i| i.kind == item.kind && i.wash == item.wash);
    let references = |item: &Item| item.kind == ItemKind::ReleaseReferenceDue;
    opened.retain(|item| !(references(item) && (known(item, &left) || matches(item, names))));
    left.extend(opened);
    left
}

fn reopens_sign_off(kind: ItemKind) -> bool {
    !matches!(
        kind,
        ItemKind::SignOffDue
            | ItemKind::Soaking
            | ItemKind::MotoringRest
            | ItemKind::RunUpDue
            | ItemKind::StartAwaited
            | ItemKind::StartUnconfirmed
            | ItemKind::RunUpOverdue
            | ItemKind::FreezeWatch
            | ItemKind::FindingOpen
            | ItemKind::DefectOpen
            | ItemKind::UnreadFact
            | ItemKind::DeviceOutstanding
            | ItemKind::ReleaseReferenceDue
    )
}

fn verdict(state: &State) -> Verdict {
    if state.clock_unsure_since.is_some() || state.items.iter().any(|item| item.blocks == Blocks::Yes) {
        Verdict::Blocked
    } else if state.items.is_empty() {
        Verdict::NothingOpen
    } else {
        Verdict::Conditions
    }
}

/// What the horizon compares; devices not heard are left aside.
type Face = (Verdict, BTreeSet<String>, Vec<String>);

fn face(state: &State) -> Face {
    let heard = State {
        items: state.items.iter().filter(|i| i.kind != ItemKind::DeviceOutstanding).cloned().collect(),
        clock_unsure_since: state.clock_unsure_since,
        ..State::default()
    };
    let shown =
        heard.items.iter().map(|i| format!("{:?} {:?} {:?} {:?}", i.key(), i.blocks, i.due_ms, i.opened_by.hash));
    // Its words name the day only where it is not today's: the instants are compared instead.
    let starts = state.latest_starts.iter().map(|s| format!("{} {}", s.engine.position, s.window_end_ms));
    let condition = format!("{} conditions", state.conditions.len());
    (verdict(&heard), shown.collect(), starts.chain([condition]).collect())
}

/// The first instant after the time asked at which the answer differs: a fact begins to count, a soak or a window ends,
/// a latest start passes.
fn horizon(case: &Case<'_>, question: &Question, time_s: u64, now: &State) -> Option<u64> {
    let before = face(now);
    let mut ahead: BTreeSet<u64> = case.instants_after(time_s).collect();
    ahead.extend(turning_points(now));
    ahead.append(&mut case.turns.borrow_mut());
    let mut at_s = time_s;
    loop {
        at_s = *ahead.range(at_s + 1..).next()?;
        let then = supposed(case, question, at_s);
        if face(&then) != before {
            return Some(at_s);
        }
        ahead.extend(turning_points(&then));
        ahead.append(&mut case.turns.borrow_mut());
    }
}

/// A soak or window is over at its end; a start is too late from the second after the latest one.
pub(super) fn turning_points(state: &State) -> impl Iterator<Item = u64> {
    let due = state.items.iter().filter_map(|item| item.due_ms).map(|ms| ms / 1000);
    due.chain(state.latest_starts.iter().map(|start| start.latest_start_ms / 1000 + 1))
}
