//! Water in an engine: soaking, resting, drying, and the run that it waits for.

use rinsebook_proto::fact::Kind;
use rinsebook_proto::rules::procedure::{OverdueCloser, Procedure};
use rinsebook_proto::v1::CheckResult;

use super::items::{OpenItem, Stops};
use super::lines;
use super::order::{Act, NOW, View};

/// Water that went in.
#[derive(Debug, Clone, Copy)]
pub struct Injection<'v> {
    /// The cycle or aborted motoring.
    pub act: &'v Act,
    /// Its first instant.
    pub start_s: u64,
    /// Its last.
    pub end_s: u64,
}

/// The injection of an act, counted cycle or not.
pub fn injection(act: &Act) -> Option<Injection<'_>> {
    let (start, end) = match act.fact.kind.as_ref()? {
        Kind::CycleRun(b) => (b.injection_started_ms, b.injection_ended_ms),
        Kind::MotoringAborted(b) => (b.injection_started_ms, b.injection_ended_ms),
        _ => return None,
    };
    let start_ms = start.or(end)?;
    Some(Injection { act, start_s: start_ms / 1000, end_s: end.unwrap_or(act.fact.happened_s * 1000) / 1000 })
}

/// First and last instant of motoring, of whatever kind.
pub fn motoring(act: &Act) -> Option<(u64, u64)> {
    let (start, end) = match act.fact.kind.as_ref()? {
        Kind::CycleRun(b) => (b.motoring_started_ms, b.motoring_ended_ms),
        Kind::MotoringAborted(b) => (b.motoring_started_ms, b.motoring_ended_ms),
        Kind::DryCrankRun(b) => (b.motoring_started_ms, b.motoring_ended_ms),
        _ => return None,
    };
    let end_s = end.map_or(act.fact.happened_s, |ms| ms / 1000);
    Some((start.map_or(end_s, |ms| ms / 1000), end_s))
}

/// The rest that the duty table asks after motoring for that long: by the first row that covers it, else the longest.
pub fn rest_asked(procedure: &Procedure, motored_s: u64) -> u64 {
    let table = &procedure.motoring.starter_duty;
    let covers = |on_s: u32| motored_s <= u64::from(on_s + procedure.motoring.duty_tolerance_s);
    let row = table.iter().find(|row| covers(row.on_s)).map(|row| row.rest_s);
    u64::from(row.or(table.iter().map(|row| row.rest_s).max()).unwrap_or_default())
}

/// When the soak after an injection is over.
pub fn soak_end(view: &View, injection: &Injection<'_>) -> Option<u64> {
    Some(injection.end_s + u64::from(view.procedure(injection.act)?.cycle.soak_s))
}

/// Signer counts, minimum speed and injection time reached.
pub fn is_valid_cycle(view: &View, act: &Act, upto: usize) -> bool {
    let Some(Kind::CycleRun(b)) = &act.fact.kind else { return false };
    let (Some(procedure), Some(injection)) = (view.procedure(act), injection(act)) else { return false };
    act.counts(upto)
        && b.speed_tenths_percent.is_some_and(|s| s >= procedure.motoring.speed_min_tenths_percent)
        && b.injection_started_ms.is_some()
        && b.injection_ended_ms.is_some()
        && injection.end_s.saturating_sub(injection.start_s) >= u64::from(procedure.cycle.injection_min_s)
}

/// The same speed, its length, started after the end of the last soak.
fn is_valid_dry_crank(view: &View, serial: &str, act: &Act, upto: usize) -> bool {
    let Some(Kind::DryCrankRun(b)) = &act.fact.kind else { return false };
    let (Some(procedure), Some(start_ms), Some(end_ms)) =
        (view.procedure(act), b.motoring_started_ms, b.motoring_ended_ms)
    else {
        return false;
    };
    let (start_s, end_s) = (start_ms / 1000, end_ms / 1000);
    // Water by a procedure that is not known soaks nobody knows how long; what was dried since is dry.
    let dried_at = waiting(view, serial, act.place).dried_at;
    let dried = |i: &Injection<'_>| dried_at.iter().any(|place| *place > i.act.place);
    let soaked = injections(view, serial, act.place)
        .iter()
        .all(|i| soak_end(view, i).map_or_else(|| dried(i), |end_s| start_s >= end_s));
    act.counts(upto)
        && soaked
        && b.speed_tenths_percent.is_some_and(|s| s >= procedure.motoring.speed_min_tenths_percent)
        && end_s.saturating_sub(start_s) >= u64::from(procedure.dry_crank.length_min_s)
}

/// All injections of an engine before a place.
pub fn injections<'v>(view: &'v View, serial: &'v str, upto: usize) -> Vec<Injection<'v>> {
    view.of_engine(serial, upto).filter_map(injection).collect()
}

/// A run of the engine by its own power.
#[derive(Debug, Clone, Copy)]
pub struct Run {
    /// When it began.
    pub begun_s: u64,
    /// Long enough at idle or above, and found good.
    pub good: bool,
    /// A ground run and no start of the engine.
    pub ground: bool,
}

/// The run that an act records for an engine, by the minutes that the procedure of the water asks.
pub fn run_of(act: &Act, serial: &str, procedure: Option<&Procedure>) -> Option<Run> {
    let long =
        |seconds: Option<u32>| procedure.is_some_and(|p| seconds.is_some_and(|s| s >= p.run_up.idle_or_above_min_s));
    match act.fact.kind.as_ref()? {
        Kind::RunUpDone(b) if act.is_of(serial) => Some(Run {
            begun_s: b.started_ms? / 1000,
            good: long(b.idle_or_above_seconds) && b.result == CheckResult::Satisfactory as i32,
            ground: true,
        }),
        Kind::EngineStarted(b) => {
            let start = b.engines.iter().find(|s| s.engine.as_ref().is_some_and(|e| e.serial == serial))?;
            Some(Run { begun_s: act.fact.happened_s, good: long(start.idle_or_above_seconds), ground: false })
        }
        _ => None,
    }
}

/// The engine's water as the acts before a place tell.
#[derive(Debug, Clone, Default)]
pub struct Waiting<'v> {
    /// Injections that nothing has closed, in their order.
    pub open: Vec<Injection<'v>>,
    /// Places of runs and other drying that closed what was open then.
    pub dried_at: Vec<usize>,
    /// First injections whose window ended with nothing recorded in time.
    pub missed: Vec<Injection<'v>>,
    /// Injections whose being overdue was decided: what would have closed them still dries them.
    pub decided: Vec<Injection<'v>>,
    /// The first injection since the engine ran or was dried: new cycles do not move it.
    since: Option<Injection<'v>>,
}

impl<'v> Waiting<'v> {
    /// The end of the window: from the start of the first injection that nothing closed.
    pub fn window_end_s(&self, view: &View) -> Option<u64> {
        let first = self.first()?;
        Some(first.start_s + u64::from(self.procedure(view)?.run_up.window_s))
    }

    /// The procedure of the first injection whose wash was opened as far as the record knows: what is not known of one wash
    /// is judged by what is known of the next.
    pub fn procedure(&self, view: &'v View) -> Option<&'v Procedure> {
        let mut open = self.open.clone();
        open.sort_by_key(|i| (i.start_s, i.act.place));
        open.into_iter().find_map(|i| view.procedure(i.act))
    }

    /// The injection that the window runs from.
    pub fn first(&self) -> Option<Injection<'v>> {
        self.open.iter().copied().min_by_key(|i| (i.start_s, i.act.place))
    }

    /// The newest of them.
    pub fn last(&self) -> Option<Injection<'v>> {
        self.open.last().copied()
    }
}

/// Goes through the engine's acts in their order: water opens, and what closes it takes all of it away.
pub fn waiting<'v>(view: &'v View, serial: &'v str, upto: usize) -> Waiting<'v> {
    let mut state = Waiting::default();
    let own: Vec<&Act> = view.of_engine(serial, upto).collect();
    for place in 0..view.acts.len().min(upto) {
        state.open.extend(own.iter().filter(|a| a.place == place).filter_map(|a| injection(a)));
        state.since = state.since.or(state.open.first().copied());
        if !state.open.is_empty() {
            state.decided.clear();
        }
        for act in own.iter().filter(|a| a.closes_from == Some(place)) {
            if state.open.is_empty() && !state.decided.is_empty() {
                let mut decided = Waiting { open: state.decided.clone(), ..Waiting::default() };
                close(view, serial, &mut decided, act, place);
                if !decided.dried_at.is_empty() {
                    state.dried_at.push(place);
                    state.decided.clear();
                }
                continue;
            }
            close(view, serial, &mut state, act, place);
        }
    }
    state
}

fn close(view: &View, serial: &str, state: &mut Waiting<'_>, act: &Act, place: usize) {
    let (Some(first), Some(last)) = (state.first(), state.last()) else { return };
    // While the wash's opening is missing no window is known, and so none is over.
    let procedure = state.procedure(view);
    let end_s = state.window_end_s(view).unwrap_or(u64::MAX);
    let allowed = |closer| procedure.is_some_and(|p| p.run_up.overdue_closed_by.contains(&closer));
    if is_valid_cycle(view, act, place + 1)
        && let Some(procedure) = procedure
    {
        new_cycles(view, state, place, procedure);
        return;
    }
    let injected: Vec<&Act> = state.open.iter().map(|i| i.act).collect();
    if act.place < last.act.place || !act.is_sure_against(&injected, drying_acts(view, serial)) {
        return;
    }
    let (in_time, late_allowed, dries) = match &act.fact.kind {
        Some(Kind::DriedOtherwise(_)) => (act.fact.happened_s <= end_s, allowed(OverdueCloser::DriedOtherwise), true),
        Some(Kind::OverdueDecided(_)) => {
            (false, allowed(OverdueCloser::Decision) && act.fact.happened_s >= end_s, false)
        }
        _ => {
            let Some(run) = run_of(act, serial, procedure) else { return };
            let connected = lines::all_connected(view, serial, act.place)
                && lines::all_connected_at(view, serial, run.begun_s, act.place);
            if !run.good || !connected {
                return;
            }
            (run.begun_s <= end_s, run.ground && allowed(OverdueCloser::RunUp), true)
        }
    };
    if !in_time && !late_allowed {
        return;
    }
    if !in_time {
        state.missed.push(first);
    }
    if dries {
        state.dried_at.push(place);
    } else {
        state.decided.clone_from(&state.open);
    }
    state.open.clear();
    state.since = None;
}

/// All that may dry the engine: two tablets may disagree whether it came before or after the water.
fn drying_acts<'v>(view: &'v View, serial: &'v str) -> impl Iterator<Item = &'v Act> + Clone {
    view.of_engine(serial, NOW).filter(|a| match &a.fact.kind {
        Some(Kind::RunUpDone(b)) => b.result == CheckResult::Satisfactory as i32,
        Some(Kind::DryCrankRun(_) | Kind::EngineStarted(_) | Kind::DriedOtherwise(_) | Kind::OverdueDecided(_)) => true,
        _ => false,
    })
}

/// As many valid cycles as the procedure asks, begun after the window's end, take an overdue run away: the window is anew
/// from their first injection. That one may be over too by then, and enough of them begun after its end.
fn new_cycles(view: &View, state: &mut Waiting<'_>, place: usize, procedure: &Procedure) {
    while procedure.run_up.overdue_closed_by.contains(&OverdueCloser::NewCycles) {
        let end_s = state.window_end_s(view).unwrap_or(u64::MAX);
        let begun_after = |i: &&Injection<'_>| motoring(i.act).map_or(i.start_s, |(start, _)| start) > end_s;
        let cycles = state.open.iter().filter(|i| is_valid_cycle(view, i.act, place + 1));
        let valid: Vec<_> = cycles.filter(begun_after).copied().collect();
        if valid.len() < procedure.cycle.count as usize {
            return;
        }
        let anew = valid[0].act.place;
        state.missed.extend(state.first());
        state.open.retain(|i| i.act.place >= anew);
    }
}

/// The newest injection, where one stands that no drying follows: no valid dry cranks after the last of them, no run, no other drying.
fn not_dried<'v>(view: &'v View, serial: &'v str, upto: usize) -> Option<Injection<'v>> {
    let dried_at = waiting(view, serial, upto).dried_at;
    let all = injections(view, serial, upto);
    let wet = all.iter().any(|i| {
        let injected: Vec<&Act> = all.iter().map(|i| i.act).collect();
        let sure = |c: &&Act| c.is_sure_against(&injected, drying_acts(view, serial));
        let cranks = view.of_engine(serial, upto).filter(|c| c.closes(i.act, upto)).filter(sure);
        let valid = cranks.filter(|c| is_valid_dry_crank(view, serial, c, upto)).count();
        let asked = view.procedure(i.act).map_or(usize::MAX, |p| p.dry_crank.count as usize);
        valid < asked && !dried_at.iter().any(|place| *place > i.act.place)
    });
    all.last().copied().filter(|_| wet)
}

/// A waiver in force: the decision to rely on a planned start.
#[derive(Debug, Clone, Copy)]
pub struct Waiver<'v> {
    /// The decision.
    pub act: &'v Act,
    /// The start that it relies on itself.
    pub own_start_s: Option<u64>,
}

/// The newest waiver that was valid where it stands and that nothing voided or lapsed since.
pub fn waiver<'v>(view: &'v View, serial: &'v str) -> Option<Waiver<'v>> {
    let valid = view.of_engine(serial, NOW).filter_map(|act| {
        let Some(Kind::RunUpWaived(b)) = &act.fact.kind else { return None };
        let from = act.closes_from?;
        let own_start_s = b.planned_start_ms.map(|ms| ms / 1000);
        let good = valid_where_it_stands(view, serial, act, own_start_s, from);
        (good && !void(view, serial, act)).then_some(Waiver { act, own_start_s })
    });
    valid.last()
}

/// After the last injection and a valid dry crank, lines closed and inspected, no freezing; in time, and for a start in
/// time.
fn valid_where_it_stands(view: &View, serial: &str, act: &Act, own_start_s: Option<u64>, from: usize) -> bool {
    let state = waiting(view, serial, from);
    let Some(last) = state.last() else { return false };
    let (Some(end_s), Some(procedure)) = (state.window_end_s(view), state.procedure(view)) else { return false };
    let margin_s = u64::from(procedure.run_up.start_margin_s);
    last.act.place < act.place
        && act.fact.happened_s <= end_s
        && own_start_s.is_none_or(|start| start + margin_s <= end_s)
        && not_dried(view, serial, from).is_none()
        && lines::all_closed_and_inspected(view, serial, from)
        && freezing(view, serial, from).is_none()
}

/// A later injection, disconnection, reconnection, freezing or engine change voids it; a recorded plan that is too late, or
/// a cancelled one, lapses it for good. Whoever signed those: they open.
fn void(view: &View, serial: &str, act: &Act) -> bool {
    let end_s = waiting(view, serial, act.place).window_end_s(view);
    let later = view.acts.iter().filter(|a| a.place > act.place);
    let by_act = later.clone().any(|a| match &a.fact.kind {
        Some(Kind::LineDisconnected(_) | Kind::LineReconnected(_) | Kind::EngineChanged(_)) => a.is_of(serial),
        Some(Kind::StartPlanned(b)) => {
            a.is_of(serial) && too_late(view, serial, act.place, b.planned_start_ms.map(|ms| ms / 1000), end_s)
        }
        Some(Kind::StartCancelled(_)) => {
            newest_plan(view, serial, a.place).is_some_and(|plan| a.fact.names(&plan.fact))
        }
        _ => a.is_of(serial) && injection(a).is_some(),
    });
    by_act || freezing(view, serial, NOW).is_some_and(|f| f.place > act.place)
}

fn too_late(view: &View, serial: &str, upto: usize, start_s: Option<u64>, end_s: Option<u64>) -> bool {
    let first = waiting(view, serial, upto).first();
    let margin_s = first.and_then(|f| view.procedure(f.act)).map_or(0, |p| u64::from(p.run_up.start_margin_s));
    match (start_s, end_s) {
        (Some(start), Some(end)) => start + margin_s > end,
        _ => true,
    }
}

/// The newest recorded plan for an engine, whoever signed it, that nobody who may had cancelled before a place.
fn newest_plan<'v>(view: &'v View, serial: &'v str, upto: usize) -> Option<&'v Act> {
    let plans = view.of_engine(serial, upto).filter(|a| matches!(a.fact.kind, Some(Kind::StartPlanned(_))));
    let cancels = |c: &Act| matches!(c.fact.kind, Some(Kind::StartCancelled(_))) && c.place < upto && c.counts(upto);
    let cancelled = |plan: &Act| view.acts.iter().any(|c| cancels(c) && c.fact.names(&plan.fact));
    plans.filter(|p| !cancelled(p)).last()
}

fn planned_start_s(plan: &Act) -> Option<u64> {
    let Some(Kind::StartPlanned(b)) = &plan.fact.kind else { return None };
    b.planned_start_ms.map(|ms| ms / 1000)
}

/// The first reading under the limit, or water put in with such a reading before it, while the engine waits for its run.
fn freezing<'v>(view: &'v View, serial: &'v str, upto: usize) -> Option<&'v Act> {
    let since = waiting(view, serial, upto).since?;
    // What is not known of one wash is judged by what is known of the next, as with the window.
    let limit_at =
        |place: usize| waiting(view, serial, place).procedure(view).map(|p| p.limits.freeze_below_tenths_celsius);
    view.acts.iter().filter(|a| a.place >= since.act.place && a.place < upto).find(|act| {
        let mut wet = injections(view, serial, act.place);
        wet.retain(|water| water.act.place >= since.act.place);
        let in_wash = wet.iter().find_map(|water| reading(serial, act, water.act));
        if let Some(tenths) = in_wash.or_else(|| air_there(view, serial, act)) {
            return limit_at(act.place).is_some_and(|limit| tenths < limit);
        }
        let Some(water) = injection(act).filter(|_| act.is_of(serial)) else { return false };
        let Some(limit) = limit_at(act.place + 1) else { return false };
        let newest_is_cold = |of: fn(&Act) -> bool| {
            let cold = |a: &Act| reading(serial, a, act).map(|tenths| tenths < limit);
            // A cold reading opens whoever took it; a warm one takes its place only from somebody who may.
            let speaks = |a: &Act| cold(a) == Some(true) || (cold(a) == Some(false) && a.counts(act.place));
            // The newest when the water began to go in, or one while it did.
            let before = || view.acts.iter().filter(|a| a.place < act.place && of(a) && speaks(a));
            let newest = before().rfind(|a| a.fact.happened_s <= water.start_s);
            let since = before().any(|a| a.fact.happened_s > water.start_s && cold(a) == Some(true));
            since || newest.is_some_and(|a| cold(a) == Some(true))
        };
        newest_is_cold(|a| matches!(a.fact.kind, Some(Kind::OutsideConditions(_))))
            || newest_is_cold(|a| matches!(a.fact.kind, Some(Kind::MetalTemperature(_))))
    })
}

/// The temperature that an act reads of the water's engine, or in the water's wash.
fn reading(serial: &str, act: &Act, water: &Act) -> Option<i32> {
    match act.fact.kind.as_ref()? {
        Kind::OutsideConditions(b) if act.washes.iter().any(|w| water.washes.contains(w)) => b.air_tenths_celsius,
        Kind::MetalTemperature(b) if act.is_of(serial) => b.metal_tenths_celsius,
        _ => None,
    }
}

/// The air at the aircraft that the engine hangs on is its air, in whichever wash it was measured.
fn air_there(view: &View, serial: &str, act: &Act) -> Option<i32> {
    let Some(Kind::OutsideConditions(b)) = act.fact.kind.as_ref() else { return None };
    let there = super::items::installed_on(view, serial, act.fact.happened_s);
    let at_it = super::items::aircraft_named(view, act).iter().any(|aircraft| there.contains(aircraft));
    b.air_tenths_celsius.filter(|_| at_it)
}

/// All items of an engine's water, in the order of the table.
pub fn items(view: &View, serial: &str, out: &mut Vec<OpenItem>) {
    // soaking: from the end of injection until the soak time passed.
    let soaking = injections(view, serial, NOW).into_iter().filter_map(|i| Some((soak_end(view, &i)?, i)));
    if let Some((end_s, i)) = soaking.filter(|(end_s, _)| view.time_s < *end_s).max_by_key(|(e, i)| (*e, i.act.place)) {
        out.push(OpenItem::of_engine(view, "soaking", i.act, serial).due(Some(end_s)).stops(Stops::Nothing));
    }
    // motoring-rest: from the end of motoring until the rest passed.
    let rests = view.of_engine(serial, NOW).filter_map(|act| {
        let (start_s, end_s) = motoring(act)?;
        Some((end_s + rest_asked(view.procedure(act)?, end_s.saturating_sub(start_s)), act))
    });
    if let Some((end_s, act)) = rests.filter(|(end_s, _)| view.time_s < *end_s).max_by_key(|(e, a)| (*e, a.place)) {
        out.push(OpenItem::of_engine(view, "motoring-rest", act, serial).due(Some(end_s)).stops(Stops::Nothing));
    }
    // drying-due: any injection, until a valid dry crank or whatever closes run-up-due, a waiver apart.
    if let Some(wet) = not_dried(view, serial, NOW) {
        out.push(OpenItem::of_engine(view, "drying-due", wet.act, serial));
    }
    run_items(view, serial, out);
}

fn run_items(view: &View, serial: &str, out: &mut Vec<OpenItem>) {
    let state = waiting(view, serial, NOW);
    let Some(first) = state.first() else { return };
    let end_s = state.window_end_s(view);
    let overdue = end_s.is_some_and(|end| view.time_s >= end);
    let waiver = waiver(view, serial);
    if overdue {
        // run-up-overdue: the window's end with the run still awaited, which it replaces.
        out.push(OpenItem::of_engine(view, "run-up-overdue", first.act, serial).due(end_s));
    } else if let (Some(waiver), Some(end_s), Some(procedure)) = (waiver, end_s, view.procedure(first.act)) {
        // start-awaited: while a valid waiver stands. It blocks from the second after the latest start, and where the start
        // that is planned leaves too little before the window's end.
        let latest_s = end_s - u64::from(procedure.run_up.start_margin_s);
        let recorded = newest_plan(view, serial, NOW).map_or(waiver.own_start_s, planned_start_s);
        let planned_s = view.planned_start_s.or(recorded);
        let kept = planned_s.is_some_and(|p| p <= latest_s) && view.time_s <= latest_s;
        let stops = if kept { Stops::OnCondition } else { Stops::Going };
        out.push(OpenItem::of_engine(view, "start-awaited", waiver.act, serial).due(Some(end_s)).stops(stops));
    } else {
        // run-up-due: any injection, until the engine ran or was dried otherwise.
        out.push(OpenItem::of_engine(view, "run-up-due", first.act, serial).due(end_s));
    }
    if !overdue && let Some(plan) = unconfirmed(view, serial, first) {
        out.push(OpenItem::of_engine(view, "start-unconfirmed", plan, serial).stops(Stops::Nothing));
    }
    // freeze-watch: it bars the waiver and stands in the way of nothing else.
    if let Some(by) = freezing(view, serial, NOW) {
        out.push(OpenItem::of_engine(view, "freeze-watch", by, serial).stops(Stops::Nothing));
    }
}

/// start-unconfirmed: the planned start is over by the time the procedure gives, and no start was recorded that began since
/// the plan, no new plan, no cancelling, each by somebody who may.
fn unconfirmed<'v>(view: &'v View, serial: &'v str, first: Injection<'_>) -> Option<&'v Act> {
    let after_s = u64::from(view.procedure(first.act)?.run_up.start_unconfirmed_after_s);
    let plans = view.of_engine(serial, NOW).filter(|a| matches!(a.fact.kind, Some(Kind::StartPlanned(_))));
    // A start of which nobody can tell whether it came before the water is no answer.
    let water: Vec<Injection<'_>> = injections(view, serial, NOW);
    let injected: Vec<&Act> = water.iter().map(|i| i.act).collect();
    let sure = |a: &Act| a.is_sure_against(&injected, drying_acts(view, serial));
    let ended = |plan: &Act| {
        view.acts.iter().any(|a| {
            a.counts(NOW)
                && a.place > plan.place
                && match &a.fact.kind {
                    Some(Kind::EngineStarted(_)) => {
                        a.is_of(serial) && sure(a) && a.fact.happened_s >= plan.fact.happened_s
                    }
                    Some(Kind::StartPlanned(_)) => a.is_of(serial),
                    Some(Kind::StartCancelled(_)) => a.fact.names(&plan.fact),
                    _ => false,
                }
        })
    };
    let unanswered = plans.filter(|p| !ended(p) && planned_start_s(p).is_some_and(|s| s + after_s <= view.time_s));
    unanswered.min_by_key(|p| (planned_start_s(p), p.place))
}
