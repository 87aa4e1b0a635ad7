//! When an answer has to be given again though no fact came: a fact begins to count, a soak or a window ends, a report
//! grows old, a day passes that a sentence names.

use std::collections::BTreeSet;

use super::case::Case;
use super::state::State;
use super::{assess, devices, instants};
use crate::fact::Kind;

const SECONDS_A_DAY: u64 = 86_400;

/// What is open, and until when that stays so unless facts come.
#[derive(Debug, Clone)]
pub struct Look {
    /// What is open and what was found.
    pub state: State,
    /// The same facts give the same state at every instant before this one, Unix milliseconds; at it they need not.
    /// None: they always do.
    pub again_ms: Option<u64>,
}

/// Looks at a time, and says when to look again.
pub(super) fn look(case: &Case<'_>, time_s: u64) -> Look {
    let state = case.state(time_s, None);
    let again_ms = again_ms(case, &state, time_s);
    Look { state, again_ms }
}

/// When a state at this time, where no start is planned, may be another: see [`Look::again_ms`].
pub(super) fn again_ms(case: &Case<'_>, state: &State, time_s: u64) -> Option<u64> {
    let mut ahead: BTreeSet<u64> = case.instants_after(time_s).collect();
    ahead.extend(assess::turning_points(state));
    ahead.extend(devices::turning_points(case, time_s));
    ahead.extend(named_days(case, state));
    ahead.extend(case.turns.borrow().iter());
    ahead.range(time_s + 1..).next().map(|s| s.saturating_mul(1000))
}

/// A sentence gives the date beside an instant of another day: it changes when that day begins and when it ends.
fn named_days(case: &Case<'_>, state: &State) -> BTreeSet<u64> {
    let due = state.items.iter().filter_map(|item| item.due_ms);
    let starts = state.latest_starts.iter().flat_map(|start| [start.latest_start_ms, start.window_end_ms]);
    let planned = case.kinds().filter_map(|kind| match kind {
        Kind::StartPlanned(b) => b.planned_start_ms,
        _ => None,
    });
    let instants = due.chain(starts).map(|ms| ms / 1000).chain(planned.map(|ms| ms / 1000));
    // A due time is said as the first full minute not before it.
    let instants = instants.flat_map(|at| [at, instants::minute_after(at)]);
    let day = instants.map(|at| at - at % SECONDS_A_DAY);
    day.flat_map(|begins| [begins, begins.saturating_add(SECONDS_A_DAY)]).collect()
}
