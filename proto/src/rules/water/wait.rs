//! An engine that waits for its run, and the waiver that may stand in for it.

use std::collections::BTreeSet;
use std::sync::Arc;

use super::injection::Injection;
use crate::bytes::Id;
use crate::rules::act::Act;
use crate::rules::procedure::{OverdueCloser, Procedure};

/// A waiver that stood where it was given.
#[derive(Debug, Clone)]
pub(super) struct Waiver {
    pub(super) start_s: u64,
    pub(super) air_source: String,
}

/// A window that ended with no run recorded: the injection that opened it, and every wash that put water in meanwhile.
#[derive(Debug, Clone)]
pub(super) struct Missed<'c> {
    pub(super) first: Act<'c>,
    pub(super) washes: BTreeSet<Id>,
}

/// A cycle that counts: when it began to turn the engine, and when its injection started.
#[derive(Debug, Clone, Copy)]
pub(super) struct Valid<'c> {
    pub(super) act: Act<'c>,
    pub(super) begun_s: u64,
    pub(super) injected_s: u64,
}

/// An engine that waits for its run.
#[derive(Debug)]
pub(super) struct Wait<'c> {
    pub(super) first: Act<'c>,
    /// Every wash that put water in since the engine last ran.
    pub(super) washes: BTreeSet<Id>,
    pub(super) first_started_s: u64,
    pub(super) last_ended_s: u64,
    pub(super) procedure: Option<Arc<Procedure>>,
    pub(super) waiver: Option<(Act<'c>, Waiver)>,
    /// What said first that water in it may freeze, and why.
    pub(super) freeze: Option<(Act<'c>, String)>,
    /// Valid cycles since the first injection.
    pub(super) cycles: Vec<Valid<'c>>,
}

impl<'c> Wait<'c> {
    pub(super) fn window_end_s(&self) -> Option<u64> {
        self.procedure.as_ref().map(|p| self.first_started_s + u64::from(p.run_up.window_s))
    }

    pub(super) fn margin_s(&self) -> u64 {
        self.procedure.as_ref().map_or(0, |p| p.run_up.start_margin_s.into())
    }

    /// Of several injections since the last run the one whose window ends first sets it: the safest reading.
    pub(super) fn take_earlier_end(&mut self, act: &Act<'c>, injection: &Injection, procedure: Option<Arc<Procedure>>) {
        let Some(procedure) = procedure else { return };
        let end_s = injection.started_s + u64::from(procedure.run_up.window_s);
        if self.window_end_s().is_none_or(|known| end_s < known) {
            // Where only the procedure was missing, the first injection keeps its place.
            self.first_started_s = self.first_started_s.min(injection.started_s);
            self.first = if injection.started_s == self.first_started_s { *act } else { self.first };
            self.procedure = Some(procedure);
        }
    }

    /// Takes a valid cycle; as many as the procedure asks, begun after the window's end, open the window anew from the
    /// first of them. What was missed
    /// so.
    pub(super) fn renew(&mut self, cycle: Valid<'c>) -> Vec<Missed<'c>> {
        self.cycles.push(cycle);
        let mut missed = Vec::new();
        while let (Some(end_s), true) = (self.window_end_s(), self.allows(OverdueCloser::NewCycles)) {
            self.cycles.retain(|cycle| cycle.begun_s > end_s);
            let asked = self.procedure.as_ref().map_or(u32::MAX, |p| p.cycle.count.max(1));
            let Some(first) = self.cycles.first().copied() else { break };
            if self.cycles.len() < asked as usize {
                break;
            }
            missed.push(self.missed());
            (self.first, self.first_started_s) = (first.act, first.injected_s);
        }
        missed
    }

    /// What was missed when its window ended with no run recorded.
    pub(super) fn missed(&self) -> Missed<'c> {
        Missed { first: self.first, washes: self.washes.clone() }
    }

    /// Whether a start then would leave the margin before the window's end.
    pub(super) fn reaches(&self, start_s: u64) -> bool {
        self.window_end_s().is_some_and(|end| start_s.saturating_add(self.margin_s()) <= end)
    }

    pub(super) fn allows(&self, closer: OverdueCloser) -> bool {
        self.procedure.as_ref().is_some_and(|p| p.run_up.overdue_closed_by.contains(&closer))
    }
}
