//! Findings about the times that facts carry.

use super::findings::{Breach, Severity};
use super::order::{Act, View};

/// A fact may have happened this long after it was received before its time is in disorder.
const AHEAD_S: u64 = 120;
/// How far a clock may be off where no procedure says it: common practice, no source.
const CLOCK_OFF_S: u64 = 120;

/// All of them.
pub fn all(view: &View, out: &mut Vec<Breach>) {
    for act in view.acts.iter().filter(|a| !a.washes.is_empty()) {
        clock_adrift(view, act, out);
        time_disorder(view, act, out);
    }
}

/// clock-adrift: the device's clock was off by more than the procedure lets. Only shown.
fn clock_adrift(view: &View, act: &Act, out: &mut Vec<Breach>) {
    let most_s = view.procedure(act).map_or(CLOCK_OFF_S, |p| u64::from(p.record.clock_off_max_s));
    if act.fact.header().clock_offset_ms.is_some_and(|ms| ms.unsigned_abs() / 1000 > most_s) {
        out.push(Breach::new(view, "clock-adrift", Severity::Note, &[act]));
    }
}

/// time-disorder: happened before a fact that it names, or more than two minutes after it was received. Major if it changes
/// an item, else only shown.
fn time_disorder(view: &View, act: &Act, out: &mut Vec<Breach>) {
    let earlier = view.acts.iter().any(|n| act.fact.names(&n.fact) && act.fact.happened_s < n.fact.happened_s);
    let ahead = act.fact.happened_s > act.fact.received_s + AHEAD_S;
    if earlier || ahead {
        out.push(Breach::new(view, "time-disorder", Severity::Major, &[act]));
    }
}
