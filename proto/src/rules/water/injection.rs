//! Water that went in: when, and whether the cycle that it was part of counts.

use crate::rules::act::Act;
use crate::rules::procedure::Procedure;
use crate::v1::{CycleRun, MotoringAborted};

/// Injection of water: its instants in whole seconds.
#[derive(Debug)]
pub(in crate::rules) struct Injection {
    pub(in crate::rules) started_s: u64,
    pub(in crate::rules) ended_s: u64,
}

/// What was not recorded is taken from what was: an injection without a start began at its motoring's start at the
/// earliest, one without an end ended with the motoring, or when the act was over.
fn injection(motoring: [Option<u64>; 2], injection: [Option<u64>; 2], act: &Act<'_>) -> Option<Injection> {
    let [started_ms, ended_ms] = injection;
    let known_ms = started_ms.or(ended_ms)?;
    let started_s = started_ms.or(motoring[0]).unwrap_or(known_ms) / 1000;
    let ended_s = ended_ms.or(motoring[1]).map_or(act.happened_s(), |ms| ms / 1000);
    Some(Injection { started_s, ended_s: ended_s.max(started_s) })
}

pub(in crate::rules) fn injection_of_cycle(b: &CycleRun, act: &Act<'_>) -> Option<Injection> {
    injection([b.motoring_started_ms, b.motoring_ended_ms], [b.injection_started_ms, b.injection_ended_ms], act)
}

pub(in crate::rules) fn injection_of_aborted(b: &MotoringAborted, act: &Act<'_>) -> Option<Injection> {
    injection([b.motoring_started_ms, b.motoring_ended_ms], [b.injection_started_ms, b.injection_ended_ms], act)
}

/// Least speed and injection time reached.
pub(in crate::rules) fn is_valid(cycle: &CycleRun, procedure: Option<&Procedure>, injection: &Injection) -> bool {
    let whole = cycle.injection_started_ms.is_some() && cycle.injection_ended_ms.is_some();
    procedure.is_some_and(|p| {
        let length_s = injection.ended_s - injection.started_s;
        let fast = cycle.speed_tenths_percent.is_some_and(|s| s >= p.motoring.speed_min_tenths_percent);
        whole && fast && length_s >= p.cycle.injection_min_s.into()
    })
}
