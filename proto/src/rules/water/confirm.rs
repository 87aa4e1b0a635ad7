//! Planned starts of which nobody said whether they took place. The newest plan counts, whoever recorded it; only
//! somebody with the authority ends the question whether the engine ran.

use super::Engine;
use crate::fact::Kind;
use crate::rules::act::{Act, Context};
use crate::rules::instants::clock;
use crate::rules::item::{Blocks, ItemKind, Open};
use crate::rules::roster::Roster;

/// A planned start that was not confirmed, planned anew or cancelled by somebody who may.
#[derive(Debug)]
struct Expected<'c> {
    by: Act<'c>,
    start_s: u64,
}

/// The planned starts of one engine that are still expected.
#[derive(Debug, Default)]
pub(super) struct Starts<'c>(Vec<Expected<'c>>);

impl<'c> Starts<'c> {
    /// A plan by somebody who may takes the place of those before it; another one only stands beside them.
    pub(super) fn plan(&mut self, act: &Act<'c>, start_s: u64) {
        if act.counts() {
            self.0.retain(|expected| !act.is_after(&expected.by));
        }
        if !act.revived {
            self.0.push(Expected { by: *act, start_s });
        }
    }

    /// A start since a plan was recorded confirms it.
    pub(super) fn started(&mut self, act: &Act<'c>) {
        self.0.retain(|expected| !act.is_after(&expected.by));
    }

    pub(super) fn cancelled(&mut self, act: &Act<'c>) {
        if act.counts() {
            self.0.retain(|expected| !expected.by.is_among(&act.header().refers));
        }
    }
}

impl<'c> Engine<'c> {
    /// An item while the engine waits for its run and its window is not over.
    pub(super) fn start_unconfirmed(&self, context: &Context<'c>) -> Option<Open<'c>> {
        let wait = self.wait.as_ref()?;
        let after_s = u64::from(wait.procedure.as_ref()?.run_up.start_unconfirmed_after_s);
        if wait.window_end_s().is_some_and(|end_s| context.time_s >= end_s) {
            return None;
        }
        let overdue = |expected: &&Expected<'c>| context.time_s >= expected.start_s.saturating_add(after_s);
        let expected = self.starts.0.iter().filter(overdue).min_by_key(|expected| expected.start_s)?;
        let mut open = Open::new(ItemKind::StartUnconfirmed, expected.by, context.with_engine(&expected.by, &self.at))
            .of_engine(&self.at);
        (open.wash, open.blocks) = (wait.first.wash(), Blocks::No);
        open.detail = format!("planned for {}", clock(expected.start_s, Some(context.time_s)));
        Some(open)
    }
}

/// Instants from which a planned start may be asked for, by any procedure that is known.
pub(in crate::rules) fn asked_for_s(kind: Option<&Kind>, roster: &Roster) -> Vec<u64> {
    let Some(Kind::StartPlanned(plan)) = kind else { return Vec::new() };
    let Some(start_s) = plan.planned_start_ms.map(|ms| ms / 1000) else { return Vec::new() };
    let known = roster.procedures().iter().filter_map(|published| published.text.as_ref().ok());
    known.map(|procedure| start_s.saturating_add(procedure.run_up.start_unconfirmed_after_s.into())).collect()
}
