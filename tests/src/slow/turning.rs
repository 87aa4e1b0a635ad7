//! Breaches of the limits of motoring, one look at each act of it; and the cycles that a wash still lacks.

use std::collections::BTreeSet;

use rinsebook_proto::fact::Kind;
use rinsebook_proto::rules::procedure::Procedure;
use rinsebook_proto::v1::CycleRun;

use super::findings::{Breach, Severity};
use super::items::{OpenItem, Stops};
use super::order::{Act, NOW, View};
use super::water::{self, injection, motoring};

/// All of them.
pub fn all(view: &View, out: &mut Vec<Breach>) {
    for act in &view.acts {
        let (Some((begun_s, ended_s)), Some(procedure)) = (motoring(act), view.procedure(act)) else { continue };
        of_water(view, act, procedure, begun_s, out);
        let before = begun_before(view, act, begun_s);
        too_soon(view, act, begun_s, &before, out);
        starter(view, act, procedure, (begun_s, ended_s), &before, out);
    }
    for serial in &view.serials() {
        let waiting = water::waiting(view, serial, NOW);
        let over = waiting.window_end_s(view).is_some_and(|end_s| view.time_s >= end_s);
        let missed = waiting.missed.iter().copied().chain(waiting.first().filter(|_| over));
        // run-up-missed: the window ended with nothing recorded in time.
        missed.for_each(|first| out.push(Breach::new(view, "run-up-missed", Severity::Major, &[first.act])));
    }
}

/// Motoring of the same engine that began before, by its first instant and then by its place.
fn begun_before<'v>(view: &'v View, act: &Act, begun_s: u64) -> Vec<&'v Act> {
    let same = |a: &&Act| a.serials == act.serials && a.place != act.place;
    let earlier = |a: &&Act| motoring(a).is_some_and(|(s, _)| (s, a.place) < (begun_s, act.place));
    view.acts.iter().filter(same).filter(earlier).collect()
}

fn of_water(view: &View, act: &Act, procedure: &Procedure, begun_s: u64, out: &mut Vec<Breach>) {
    let mut raise = |rule, severity| out.push(Breach::new(view, rule, severity, &[act]));
    let started_s = |b: &CycleRun| b.injection_started_ms.map(|ms| ms / 1000);
    let injected_s = match &act.fact.kind {
        Some(Kind::CycleRun(b)) => started_s(b),
        Some(Kind::MotoringAborted(b)) => b.injection_started_ms.map(|ms| ms / 1000),
        _ => None,
    };
    // injected-early: before the wait was over.
    if injected_s.is_some_and(|at_s| at_s < begun_s + u64::from(procedure.motoring.injection_wait_s)) {
        raise("injected-early", Severity::Minor);
    }
    let Some(Kind::CycleRun(b)) = &act.fact.kind else { return };
    let Some(water) = injection(act) else { return };
    // rotation-unconfirmed: none seen, or after the injection began.
    let late = |seen_ms: u64| started_s(b).is_some_and(|at_s| seen_ms / 1000 > at_s);
    if b.rotation_confirmed_ms.is_none_or(late) {
        raise("rotation-unconfirmed", Severity::Major);
    }
    // speed-low and injection-short: under the minimum.
    if b.speed_tenths_percent.is_some_and(|s| s < procedure.motoring.speed_min_tenths_percent) {
        raise("speed-low", Severity::Minor);
    }
    let whole = b.injection_started_ms.is_some() && b.injection_ended_ms.is_some();
    if whole && water.end_s - water.start_s < u64::from(procedure.cycle.injection_min_s) {
        raise("injection-short", Severity::Minor);
    }
}

/// soak-short: the next cycle or dry crank before the soak was over.
fn too_soon(view: &View, act: &Act, begun_s: u64, before: &[&Act], out: &mut Vec<Breach>) {
    if !matches!(act.fact.kind, Some(Kind::CycleRun(_) | Kind::DryCrankRun(_))) {
        return;
    }
    let soaks = before.iter().filter_map(|a| Some((water::soak_end(view, &injection(a)?)?, *a)));
    if let Some((end_s, wet)) = soaks.max_by_key(|(end_s, _)| *end_s)
        && begun_s < end_s
    {
        out.push(Breach::new(view, "soak-short", Severity::Minor, &[wet, act]));
    }
}

/// starter-overrun: motoring over, or rest under, the duty table beyond its tolerance.
fn starter(
    view: &View,
    act: &Act,
    procedure: &Procedure,
    (begun_s, ended_s): (u64, u64),
    before: &[&Act],
    out: &mut Vec<Breach>,
) {
    let duty = &procedure.motoring;
    let tolerance_s = u64::from(duty.duty_tolerance_s);
    let longest_s = duty.starter_duty.iter().map(|row| u64::from(row.on_s)).max().unwrap_or_default();
    let over = ended_s - begun_s > longest_s + tolerance_s;
    let rested = |a: &Act| {
        let (start_s, end_s) = motoring(a)?;
        Some(end_s + water::rest_asked(view.procedure(a)?, end_s - start_s))
    };
    let rests = before.iter().filter_map(|a| Some((rested(a)?, *a)));
    let short = rests.max_by_key(|(end_s, _)| *end_s).filter(|(end_s, _)| begun_s + tolerance_s < *end_s);
    match short {
        Some((_, other)) => out.push(Breach::new(view, "starter-overrun", Severity::Major, &[other, act])),
        None if over => out.push(Breach::new(view, "starter-overrun", Severity::Major, &[act])),
        None => {}
    }
}

/// cycles-short: for each engine in scope of a wash that was opened, fewer valid cycles in it than the procedure asks. It
/// stops nothing, and stays with the aircraft.
pub fn items(view: &View, out: &mut Vec<OpenItem>) {
    let mut told = BTreeSet::new();
    for act in &view.acts {
        let Some(Kind::WashOpened(b)) = &act.fact.kind else { continue };
        let Some(wash) = act.washes.first() else { continue };
        for engine in b.engines.iter().filter_map(|e| e.engine.as_ref()) {
            let of_it = |a: &&Act| a.is_of(&engine.serial) && a.washes.contains(wash);
            let valid = view.acts.iter().filter(of_it).filter(|a| water::is_valid_cycle(view, a, NOW)).count();
            let asked = view.procedure(act).map_or(usize::MAX, |p| p.cycle.count as usize);
            if valid < asked && told.insert((*wash, engine.serial.clone())) {
                let mut item = OpenItem::of_aircraft(view, "cycles-short", act).stops(Stops::Nothing);
                item.serial = Some(engine.serial.clone());
                item.shows_on = act.fact.aircraft().into_iter().collect();
                out.push(item);
            }
        }
    }
}
