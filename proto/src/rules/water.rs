//! Water in an engine: soak, drying, and the run that must follow within its window.
//!
//! An engine's story is a state machine over its acts in order. Any injection opens drying and run-up, whoever signed
//! it, counted cycle or not. The window runs from the start of the first injection that no run, start or drying
//! otherwise follows. A waiver stands in for the run-up only until something it rested on changes.

mod confirm;
mod freeze;
pub(super) mod injection;
mod wait;

use std::collections::{BTreeMap, BTreeSet};

use super::act::{Act, Context};
use super::finding::{Raised, Rule, Severity};
use super::item::{Blocks, ItemKind, Open, StartLimit};
use super::lines::Lines;
use super::procedure::OverdueCloser;
use super::readings::Readings;
use crate::bytes::Id;
use crate::fact::{Kind, engines_named};
use crate::v1::{CheckResult, CycleRun, DryCrankRun, EngineAt, RunUpWaived};
use confirm::Starts;
pub(super) use confirm::asked_for_s;
use injection::{Injection, injection_of_aborted, injection_of_cycle, is_valid};
use wait::{Missed, Valid, Wait, Waiver};

#[derive(Debug)]
struct Plan<'c> {
    by: Act<'c>,
    start_s: u64,
}

/// One engine, by serial number.
#[derive(Debug)]
struct Engine<'c> {
    at: EngineAt,
    soak: Option<(Act<'c>, u64)>,
    /// Water went in by a procedure that is not known: nobody can tell when its soak is over.
    soaks_unknown: bool,
    drying: Option<Act<'c>>,
    /// Every wash whose water is to be dried.
    wet: BTreeSet<Id>,
    dry_cranks: u32,
    wait: Option<Wait<'c>>,
    /// What it waited for until its being overdue was decided: the water may still be in it, and a run would dry it.
    decided: Option<Wait<'c>>,
    plans: Vec<Plan<'c>>,
    starts: Starts<'c>,
    missed: Vec<Missed<'c>>,
    /// The newest injection, dried since or not.
    last_water: Option<Act<'c>>,
    /// The newest fact that ended whatever waiver there was.
    last_void: Option<Act<'c>>,
}

/// All engines that a fact put water in, or planned.
#[derive(Debug, Default)]
pub(super) struct Water<'c> {
    engines: BTreeMap<String, Engine<'c>>,
}

impl<'c> Water<'c> {
    /// Takes the next act, which `lines` and `readings` have taken.
    pub(super) fn take(&mut self, context: &Context<'c>, act: &Act<'c>, lines: &Lines<'c>, readings: &Readings<'c>) {
        match act.kind() {
            Some(Kind::StartCancelled(_)) => self.cancel(act),
            Some(Kind::OutsideConditions(_)) => self.engines.values_mut().for_each(|engine| engine.feel(context, act)),
            Some(kind) => {
                for at in engines_named(kind) {
                    let engine = self.engines.entry(at.serial.clone()).or_insert_with(|| Engine::new(at));
                    engine.take(context, act, kind, lines, readings);
                }
            }
            None => {}
        }
    }

    /// Whether the engine is still to be dried at this place.
    pub(super) fn drying_due(&self, serial: &str) -> bool {
        self.engines.get(serial).is_some_and(|engine| engine.drying.is_some())
    }

    /// The start of an engine's newest recorded plan.
    pub(super) fn planned_s(&self, serial: &str) -> Option<u64> {
        self.engines.get(serial)?.plans.last().map(|plan| plan.start_s)
    }

    fn cancel(&mut self, act: &Act<'c>) {
        for engine in self.engines.values_mut() {
            engine.starts.cancelled(act);
            let named = |plan: &Plan<'_>| plan.by.is_among(&act.header().refers);
            if engine.plans.last().is_some_and(named) {
                engine.void_waiver(act);
            }
            // Whoever signed, the waiver lapses; but the plan stands until somebody who may plan cancels it.
            engine.plans.retain(|plan| !(act.counts() && act.names(&plan.by)));
        }
    }

    /// Each window that ended with no run recorded, whatever closed it later.
    pub(super) fn run_up_missed(&self, context: &Context<'c>) -> Vec<Raised<'c>> {
        let ended = |wait: &&Wait<'c>| wait.window_end_s().is_some_and(|end_s| context.time_s >= end_s);
        let missed = |engine: &Engine<'c>| {
            let waiting = engine.wait.as_ref().filter(ended).map(Wait::missed);
            engine.missed.iter().cloned().chain(waiting).collect::<Vec<Missed<'c>>>()
        };
        let raise = |Missed { first, washes }| {
            let raised = Raised::new(Rule::RunUpMissed, Severity::Major, context, vec![first]);
            Raised { also: washes, ..raised }
        };
        self.engines.values().flat_map(missed).map(raise).collect()
    }

    pub(super) fn open_items(&self, context: &Context<'c>) -> Vec<Open<'c>> {
        self.engines.values().flat_map(|engine| engine.open_items(context)).collect()
    }
}

impl<'c> Engine<'c> {
    fn new(at: &EngineAt) -> Self {
        Engine {
            at: at.clone(),
            soak: None,
            soaks_unknown: false,
            drying: None,
            wet: BTreeSet::new(),
            dry_cranks: 0,
            wait: None,
            decided: None,
            plans: Vec::new(),
            starts: Starts::default(),
            missed: Vec::new(),
            last_water: None,
            last_void: None,
        }
    }

    fn take(&mut self, context: &Context<'c>, act: &Act<'c>, kind: &Kind, lines: &Lines<'c>, readings: &Readings<'c>) {
        match kind {
            Kind::CycleRun(b) if !act.revived => {
                if let Some(injection) = injection_of_cycle(b, act) {
                    self.inject(context, act, &injection, Some(b));
                    self.chill(act, &injection, readings);
                }
            }
            Kind::MotoringAborted(b) if !act.revived => {
                if let Some(injection) = injection_of_aborted(b, act) {
                    self.inject(context, act, &injection, None);
                    self.chill(act, &injection, readings);
                }
            }
            Kind::DryCrankRun(b) if act.counts() => self.dry_crank(context, act, b),
            Kind::LineDisconnected(_) | Kind::LineReconnected(_) | Kind::EngineChanged(_) => self.void_waiver(act),
            Kind::RunUpDone(b) if act.counts() && b.result == CheckResult::Satisfactory as i32 => {
                let begun_s = b.started_ms.map(|ms| ms / 1000);
                self.run(begun_s, b.idle_or_above_seconds, true, lines);
            }
            Kind::EngineStarted(b) if act.counts() => {
                let own = b.engines.iter().find(|e| e.engine.as_ref().is_some_and(|at| at.serial == self.at.serial));
                self.starts.started(act);
                self.run(Some(act.happened_s()), own.and_then(|e| e.idle_or_above_seconds), false, lines);
            }
            Kind::DriedOtherwise(b)
                if act.counts()
                    && !b.data_reference.is_empty()
                    && self.last_water.is_none_or(|water| act.is_after(&water)) =>
            {
                self.dried_otherwise(act.happened_s());
            }
            Kind::OverdueDecided(_) if act.counts() && self.last_water.is_none_or(|water| act.is_after(&water)) => {
                self.decide_overdue(act.happened_s());
            }
            Kind::RunUpWaived(b) if act.counts() && self.last_void.is_none_or(|void| act.is_after(&void)) => {
                self.waive(act, b, lines);
            }
            Kind::StartPlanned(b) => {
                if let Some(ms) = b.planned_start_ms {
                    self.starts.plan(act, ms / 1000);
                    self.plan(act, ms / 1000);
                }
            }
            Kind::MetalTemperature(_) => self.feel(context, act),
            _ => {}
        }
    }

    fn inject(&mut self, context: &Context<'c>, act: &Act<'c>, injection: &Injection, cycle: Option<&CycleRun>) {
        let procedure = context.procedure(act).cloned();
        let soak_end_s = injection.ended_s + procedure.as_ref().map_or(0, |p| u64::from(p.cycle.soak_s));
        if self.soak.is_none_or(|(_, end)| end <= soak_end_s) {
            self.soak = Some((*act, soak_end_s));
        }
        self.soaks_unknown |= procedure.is_none();
        self.drying = Some(*act);
        self.wet.extend(act.washes());
        (self.last_water, self.last_void) = (Some(*act), Some(*act));
        self.dry_cranks = 0;
        let valid = cycle.filter(|c| act.counts() && is_valid(c, procedure.as_deref(), injection)).map(|c| Valid {
            act: *act,
            begun_s: c.motoring_started_ms.map_or(injection.started_s, |ms| ms / 1000),
            injected_s: injection.started_s,
        });
        self.decided = None;
        let Some(wait) = &mut self.wait else {
            self.wait = Some(Wait {
                first: *act,
                washes: act.washes().collect(),
                first_started_s: injection.started_s,
                last_ended_s: injection.ended_s,
                procedure,
                waiver: None,
                freeze: None,
                cycles: Vec::new(),
            });
            return;
        };
        wait.washes.extend(act.washes());
        wait.last_ended_s = wait.last_ended_s.max(injection.ended_s);
        wait.waiver = None;
        wait.take_earlier_end(act, injection, procedure);
        self.missed.extend(valid.into_iter().flat_map(|cycle| wait.renew(cycle)));
    }

    fn dry_crank(&mut self, context: &Context<'c>, act: &Act<'c>, b: &DryCrankRun) {
        let (Some(procedure), Some(speed)) = (context.procedure(act), b.speed_tenths_percent) else { return };
        let (Some(started_ms), Some(ended_ms)) = (b.motoring_started_ms, b.motoring_ended_ms) else { return };
        let (started_s, ended_s) = (started_ms / 1000, ended_ms / 1000);
        let long_enough = ended_s.saturating_sub(started_s) >= procedure.dry_crank.length_min_s.into();
        let after_soak = !self.soaks_unknown && self.soak.is_none_or(|(_, end)| started_s >= end);
        if speed >= procedure.motoring.speed_min_tenths_percent && long_enough && after_soak {
            self.dry_cranks += 1;
            if self.dry_cranks >= procedure.dry_crank.count {
                self.dried();
            }
        }
    }

    /// A run-up, or a start by the planner, that dries: long enough at idle or above, begun after the last injection
    /// with the engine's lines connected. A start never closes an overdue run-up.
    fn run(&mut self, begun_s: Option<u64>, idle_or_above_s: Option<u32>, run_up: bool, lines: &Lines<'c>) {
        let (Some(begun_s), Some(minutes_s)) = (begun_s, idle_or_above_s) else { return };
        let Some(wait) = self.wait.as_ref().or(self.decided.as_ref()) else { return };
        let Some(procedure) = &wait.procedure else { return };
        let in_time = wait.window_end_s().is_some_and(|end| begun_s <= end);
        let dries = minutes_s >= procedure.run_up.idle_or_above_min_s
            && begun_s >= wait.last_ended_s
            && lines.connected(&self.at.serial)
            && lines.connected_at(&self.at.serial, begun_s);
        if dries && (in_time || (run_up && wait.allows(OverdueCloser::RunUp))) {
            // That the run was missed was found when its being overdue was decided.
            self.missed.extend(self.wait.take().filter(|_| !in_time).as_ref().map(Wait::missed));
            self.dried();
        }
    }

    fn dried(&mut self) {
        self.drying = None;
        self.soaks_unknown = false;
        self.decided = None;
        self.wet.clear();
    }

    fn dried_otherwise(&mut self, happened_s: u64) {
        let in_time = |wait: &Wait<'_>| wait.window_end_s().is_none_or(|end| happened_s <= end);
        if self.wait.as_ref().is_none_or(|w| in_time(w) || w.allows(OverdueCloser::DriedOtherwise)) {
            self.missed.extend(self.wait.as_ref().filter(|wait| !in_time(wait)).map(Wait::missed));
            self.wait = None;
            self.dried();
        }
    }

    fn decide_overdue(&mut self, happened_s: u64) {
        let decided =
            |w: &Wait<'_>| w.window_end_s().is_some_and(|end| happened_s >= end) && w.allows(OverdueCloser::Decision);
        if self.wait.as_ref().is_some_and(decided) {
            self.missed.extend(self.wait.as_ref().map(Wait::missed));
            self.decided = self.wait.take();
        }
    }

    /// Too early, too late or for too late a start, a waiver has no effect.
    fn waive(&mut self, act: &Act<'c>, b: &RunUpWaived, lines: &Lines<'c>) {
        let dried = self.drying.is_none();
        let finished = lines.finished(&self.at.serial);
        let (Some(wait), Some(ms)) = (&mut self.wait, b.planned_start_ms) else { return };
        let start_s = ms / 1000;
        let in_time = wait.window_end_s().is_some_and(|end| act.happened_s() <= end);
        let after_last = act.happened_s() >= wait.last_ended_s;
        let warm = wait.freeze.is_none();
        if dried && finished && in_time && after_last && warm && wait.reaches(start_s) {
            wait.waiver = Some((*act, Waiver { start_s, air_source: b.air_source.clone() }));
        }
    }

    /// The newest recorded plan is what counts, whoever signed it; one that comes too late ends the waiver for good.
    fn plan(&mut self, act: &Act<'c>, start_s: u64) {
        if act.revived {
            return;
        }
        self.plans.push(Plan { by: *act, start_s });
        if self.wait.as_ref().is_some_and(|wait| !wait.reaches(start_s)) {
            self.void_waiver(act);
        }
    }

    fn void_waiver(&mut self, by: &Act<'c>) {
        // What a settlement lets count stands further back than what came meanwhile.
        if self.last_void.is_none_or(|known| by.is_after(&known)) {
            self.last_void = Some(*by);
        }
        if let Some(wait) = &mut self.wait {
            wait.waiver = None;
        }
    }

    fn open_items(&self, context: &Context<'c>) -> Vec<Open<'c>> {
        let open = |kind, by: Act<'c>| Open::new(kind, by, context.with_engine(&by, &self.at)).of_engine(&self.at);
        let mut opens = Vec::new();
        if let Some((by, end_s)) = self.soak
            && context.time_s < end_s
        {
            let mut soaking = open(ItemKind::Soaking, by);
            (soaking.due_s, soaking.blocks) = (Some(end_s), Blocks::No);
            opens.push(soaking);
        }
        opens.extend(self.drying.map(|by| Open { also: self.wet.clone(), ..open(ItemKind::DryingDue, by) }));
        if let Some(wait) = &self.wait {
            let (kind, blocks) = self.waiting(context, wait);
            let by = match (&wait.waiver, kind) {
                (Some((waived, _)), ItemKind::StartAwaited) => *waived,
                _ => wait.first,
            };
            let mut item = open(kind, by);
            // The wash that put the water in, not the card that waived the run.
            item.wash = wait.first.wash();
            item.also = wait.washes.clone();
            (item.due_s, item.blocks) = (wait.window_end_s(), blocks);
            item.start =
                wait.window_end_s().filter(|_| kind != ItemKind::RunUpOverdue).map(|window_end_s| StartLimit {
                    latest_s: window_end_s.saturating_sub(wait.margin_s()),
                    window_end_s,
                    air_source: wait.waiver.as_ref().map(|(_, w)| w.air_source.clone()).unwrap_or_default(),
                });
            opens.push(item);
        }
        opens.extend(self.freeze_watch(context));
        opens.extend(self.start_unconfirmed(context));
        opens
    }

    /// Which item a waiting engine shows, and whether it blocks: with a valid waiver not while the planned start
    /// leaves the margin and the latest start is not past.
    fn waiting(&self, context: &Context<'_>, wait: &Wait<'_>) -> (ItemKind, Blocks) {
        let window_end_s = wait.window_end_s();
        if window_end_s.is_some_and(|end| context.time_s >= end) {
            return (ItemKind::RunUpOverdue, Blocks::Yes);
        }
        let Some((_, waiver)) = &wait.waiver else { return (ItemKind::RunUpDue, Blocks::Yes) };
        let recorded = self.plans.last().map_or(waiver.start_s, |plan| plan.start_s);
        let planned_s = context.planned_s.unwrap_or(recorded);
        let still = wait.reaches(planned_s) && wait.reaches(context.time_s);
        (ItemKind::StartAwaited, if still { Blocks::Condition } else { Blocks::Yes })
    }
}
