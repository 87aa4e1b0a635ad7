//! Turning an engine by its starter: when water went in, how long the starter turned, how long it rested.
//!
//! Whoever signed it, the engine turned. Instants that were not recorded break no rule: what they leave in doubt shows
//! as a cycle that does not count, or as the longest rest.

use std::cmp::Ordering;
use std::collections::BTreeMap;
use std::sync::Arc;

use super::act::{Act, Context};
use super::finding::{Raised, Rule, Severity};
use super::item::{Blocks, ItemKind, Open};
use super::procedure::Procedure;
use super::water::injection::{Injection, injection_of_aborted, injection_of_cycle};
use super::wording;
use crate::fact::Kind;
use crate::v1::{CycleRun, EngineAt};

/// One turning, its instants in whole seconds.
#[derive(Debug)]
pub(super) struct Turn<'c> {
    pub(super) act: Act<'c>,
    pub(super) engine: &'c EngineAt,
    /// When motoring started, where it was recorded.
    started_s: Option<u64>,
    /// The first instant known of it.
    pub(super) from_s: u64,
    /// When motoring ended; where that was not recorded, when the act was over.
    pub(super) until_s: u64,
    pub(super) injection: Option<Injection>,
    pub(super) procedure: Option<Arc<Procedure>>,
    barred_by: Option<ItemKind>,
}

/// Every turning, by the engine's serial number.
#[derive(Debug, Default)]
pub(super) struct Motoring<'c> {
    turns: BTreeMap<String, Vec<Turn<'c>>>,
}

impl<'c> Motoring<'c> {
    /// Takes the next act. `barred` says which item stood in the way of turning an engine in the act's wash, at the
    /// instant it began.
    pub(super) fn take(
        &mut self,
        context: &Context<'c>,
        act: &Act<'c>,
        barred: impl Fn(&Act<'c>, u64) -> Option<ItemKind>,
    ) {
        let Some(mut turn) = turn_of(act).filter(|_| !act.revived) else { return };
        turn.procedure = context.procedure(act).cloned();
        turn.barred_by = barred(act, turn.from_s);
        let turns = self.turns.entry(turn.engine.serial.clone()).or_default();
        let at = turns.partition_point(|other| starts_before(other, &turn));
        turns.insert(at, turn);
    }

    /// Every turning; those of one engine as they began.
    pub(super) fn turns(&self) -> impl Iterator<Item = &Turn<'c>> {
        self.turns.values().flatten()
    }

    /// An item for each engine whose starter rests.
    pub(super) fn open_items(&self, context: &Context<'c>) -> Vec<Open<'c>> {
        let resting = |turns: &Vec<Turn<'c>>| {
            let (turn, end_s) = last_rest(turns.iter())?;
            let mut open = Open::new(ItemKind::MotoringRest, turn.act, context.with_engine(&turn.act, turn.engine))
                .of_engine(turn.engine);
            (open.due_s, open.blocks) = (Some(end_s), Blocks::No);
            (context.time_s < end_s).then_some(open)
        };
        self.turns.values().filter_map(resting).collect()
    }

    pub(super) fn findings(&self, context: &Context<'c>) -> Vec<Raised<'c>> {
        let mut raised = Vec::new();
        for turns in self.turns.values() {
            for (at, turn) in turns.iter().enumerate() {
                let mut raise = |rule, severity, before: Option<Act<'c>>, detail: String| {
                    let rests_on = before.into_iter().chain([turn.act]).collect();
                    let mut finding = Raised::new(rule, severity, context, rests_on);
                    finding.detail = detail;
                    raised.push(finding);
                };
                if let Some(barred_by) = turn.barred_by {
                    raise(Rule::MotoredWhileBarred, Severity::Major, None, wording::barred_by(barred_by));
                }
                let Some(procedure) = &turn.procedure else { continue };
                // Versions of one turning that stand against each other are still one turning.
                let before = turns[..at].iter().filter(|other| other.act.original() != turn.act.original());
                of_injection(turn, procedure, &mut raise);
                of_soak(turn, before.clone(), &mut raise);
                of_starter(turn, procedure, before, &mut raise);
            }
        }
        raised
    }
}

/// When the turning that the act tells of began, as far as it is known.
fn turn_of<'c>(act: &Act<'c>) -> Option<Turn<'c>> {
    let (engine, motoring, more, injection) = match act.kind()? {
        Kind::CycleRun(b) => (
            b.engine.as_ref()?,
            [b.motoring_started_ms, b.motoring_ended_ms],
            [b.rotation_confirmed_ms, b.injection_started_ms],
            injection_of_cycle(b, act),
        ),
        Kind::MotoringAborted(b) => (
            b.engine.as_ref()?,
            [b.motoring_started_ms, b.motoring_ended_ms],
            [None, b.injection_started_ms],
            injection_of_aborted(b, act),
        ),
        Kind::DryCrankRun(b) => (b.engine.as_ref()?, [b.motoring_started_ms, b.motoring_ended_ms], [None, None], None),
        _ => return None,
    };
    let [started_s, ended_s] = motoring.map(|ms| ms.map(|ms| ms / 1000));
    let first_s = more.into_iter().flatten().map(|ms| ms / 1000).chain(started_s).min();
    let last_s = ended_s.unwrap_or_else(|| act.happened_s().max(injection.as_ref().map_or(0, |i| i.ended_s)));
    let from_s = first_s.unwrap_or_else(|| last_s.min(act.happened_s()));
    let until_s = last_s.max(from_s);
    Some(Turn { act: *act, engine, started_s, from_s, until_s, injection, procedure: None, barred_by: None })
}

fn starts_before(one: &Turn<'_>, other: &Turn<'_>) -> bool {
    let by_order = if one.act.is_after(&other.act) { Ordering::Greater } else { Ordering::Less };
    one.from_s.cmp(&other.from_s).then(by_order) == Ordering::Less
}

/// The rest asked after a turning: that of the first row which covers it; where none does, the longest.
fn rest_asked_s(turn: &Turn<'_>) -> Option<u64> {
    let duty = &turn.procedure.as_ref()?.motoring;
    let longest = duty.starter_duty.iter().map(|row| row.rest_s).max()?;
    let covers = |on_s: u64| duty.starter_duty.iter().find(|row| on_s <= u64::from(row.on_s + duty.duty_tolerance_s));
    let row = turn.started_s.and_then(|started| covers(turn.until_s.saturating_sub(started)));
    Some(row.map_or(longest, |row| row.rest_s).into())
}

/// Of several turnings the one whose rest ends last, and when.
fn last_rest<'t, 'c: 't>(turns: impl Iterator<Item = &'t Turn<'c>>) -> Option<(&'t Turn<'c>, u64)> {
    let end = |turn: &'t Turn<'c>| Some((turn, turn.until_s.saturating_add(rest_asked_s(turn)?)));
    turns.filter_map(end).max_by_key(|(_, end_s)| *end_s)
}

type Raise<'r, 'c> = dyn FnMut(Rule, Severity, Option<Act<'c>>, String) + 'r;

fn of_injection(turn: &Turn<'_>, procedure: &Procedure, raise: &mut Raise<'_, '_>) {
    let injected_s = match turn.act.kind() {
        Some(Kind::CycleRun(b)) => b.injection_started_ms,
        Some(Kind::MotoringAborted(b)) => b.injection_started_ms,
        _ => None,
    };
    if let (Some(started_s), Some(injected_s)) = (turn.started_s, injected_s.map(|ms| ms / 1000)) {
        let wait_s = u64::from(procedure.motoring.injection_wait_s);
        if injected_s < started_s.saturating_add(wait_s) {
            let waited_s = injected_s.saturating_sub(started_s);
            raise(Rule::InjectedEarly, Severity::Minor, None, format!("after {waited_s} s, not {wait_s} s"));
        }
    }
    if let (Some(Kind::CycleRun(cycle)), Some(injection)) = (turn.act.kind(), &turn.injection) {
        of_cycle(cycle, injection, procedure, raise);
    }
}

fn of_cycle(cycle: &CycleRun, injection: &Injection, procedure: &Procedure, raise: &mut Raise<'_, '_>) {
    let [seen_s, injected_s] =
        [cycle.rotation_confirmed_ms, cycle.injection_started_ms].map(|ms| ms.map(|ms| ms / 1000));
    if seen_s.is_none() {
        raise(Rule::RotationUnconfirmed, Severity::Major, None, "none was seen".to_owned());
    } else if injected_s.is_some_and(|injected| seen_s > Some(injected)) {
        raise(Rule::RotationUnconfirmed, Severity::Major, None, "it was seen after injection began".to_owned());
    }
    let least = procedure.motoring.speed_min_tenths_percent;
    if let Some(speed) = cycle.speed_tenths_percent.filter(|speed| *speed < least) {
        let [speed, least] = [speed, least].map(|t| format!("{}.{} %", t / 10, t % 10));
        raise(Rule::SpeedLow, Severity::Minor, None, format!("{speed} held, {least} asked"));
    }
    let least_s = u64::from(procedure.cycle.injection_min_s);
    let whole = cycle.injection_started_ms.is_some() && cycle.injection_ended_ms.is_some();
    let length_s = injection.ended_s - injection.started_s;
    if whole && length_s < least_s {
        raise(Rule::InjectionShort, Severity::Minor, None, format!("{length_s} s, not {least_s} s"));
    }
}

/// Aborted motoring begins no cycle: it leaves a soak as it is.
fn of_soak<'t, 'c: 't>(turn: &Turn<'c>, before: impl Iterator<Item = &'t Turn<'c>>, raise: &mut Raise<'_, 'c>) {
    if !matches!(turn.act.kind(), Some(Kind::CycleRun(_) | Kind::DryCrankRun(_))) {
        return;
    }
    let soak = |other: &'t Turn<'c>| {
        let (injection, procedure) = (other.injection.as_ref()?, other.procedure.as_ref()?);
        Some((other.act, injection.ended_s.saturating_add(procedure.cycle.soak_s.into())))
    };
    if let Some((wet, end_s)) = before.filter_map(soak).max_by_key(|(_, end_s)| *end_s)
        && turn.from_s < end_s
    {
        raise(Rule::SoakShort, Severity::Minor, Some(wet), format!("{} s before its end", end_s - turn.from_s));
    }
}

/// One finding, for turning too long, resting too short, or both.
fn of_starter<'t, 'c: 't>(
    turn: &Turn<'c>,
    procedure: &Procedure,
    before: impl Iterator<Item = &'t Turn<'c>>,
    raise: &mut Raise<'_, 'c>,
) {
    let tolerance_s = u64::from(procedure.motoring.duty_tolerance_s);
    let longest_on_s = procedure.motoring.starter_duty.iter().map(|row| u64::from(row.on_s)).max().unwrap_or(0);
    let mut said = Vec::new();
    if let Some(on_s) = turn.started_s.map(|started| turn.until_s.saturating_sub(started))
        && on_s > longest_on_s + tolerance_s
    {
        said.push(format!("turned for {on_s} s, {longest_on_s} s allowed"));
    }
    let short = last_rest(before).filter(|(_, end_s)| turn.from_s.saturating_add(tolerance_s) < *end_s);
    if let Some((_, end_s)) = short {
        said.push(format!("{} s before its rest was over", end_s - turn.from_s));
    }
    if !said.is_empty() {
        raise(Rule::StarterOverrun, Severity::Major, short.map(|(other, _)| other.act), said.join(", "));
    }
}
