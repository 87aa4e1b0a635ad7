//! An assessment's first line, as one would say it on the telephone.

use super::instants::{clock, minute_after};
use super::item::{Blocks, Item, ItemKind};
use super::sentence::capital;
use super::state::{LatestStart, NOTHING_OPEN_NOTICE, State, Verdict};

/// How many items are named before the rest is counted.
const NAMED: usize = 3;

pub(super) fn first_line(verdict: Verdict, state: &State, time_s: u64, assumed: &[String]) -> String {
    let answer = match verdict {
        Verdict::Blocked => blocked(&state.items, state.clock_unsure_since, time_s),
        Verdict::Conditions => conditions(&state.items, &state.latest_starts, time_s),
        Verdict::NothingOpen => capital(NOTHING_OPEN_NOTICE) + ".",
    };
    if assumed.is_empty() { answer } else { format!("Assuming {} closed: {answer}", assumed.join(", ")) }
}

fn blocked(items: &[Item], clock_unsure_since: Option<u64>, time_s: u64) -> String {
    let blocking: Vec<&Item> = items.iter().filter(|i| i.blocks == Blocks::Yes).collect();
    // What every wash ends with is said when nothing else is left to say.
    let ends = |i: &&Item| matches!(i.kind, ItemKind::SignOffDue | ItemKind::ToolCheckDue | ItemKind::FinalCheckDue);
    let cowls_only = blocking.iter().filter(|i| !ends(i)).all(|i| i.kind == ItemKind::AccessOpen);
    let mut named: Vec<&Item> = blocking.iter().filter(|i| !ends(i)).copied().collect();
    if named.is_empty() {
        named = blocking.iter().filter(|i| i.kind != ItemKind::SignOffDue).copied().collect();
    }
    if named.is_empty() {
        named = blocking;
    }
    let unsure = clock_unsure_since
        .map(|index| format!("the service's clock is in doubt since entry {index}, the custodian has to confirm it"));
    let lead = if unsure.is_none() && cowls_only && named.iter().any(|i| i.kind == ItemKind::AccessOpen) {
        "Not to be towed"
    } else {
        "No"
    };
    let mut said: Vec<&str> = unsure.as_deref().into_iter().collect();
    said.extend(named.iter().take(NAMED).map(|i| i.short.as_str()));
    let rest = format!("{} more", named.len().saturating_sub(NAMED));
    if named.len() > NAMED {
        said.push(&rest);
    }
    let timers = items.iter().filter(|i| matches!(i.kind, ItemKind::Soaking | ItemKind::MotoringRest));
    let allowed = timers.filter_map(|i| i.due_ms).max();
    let timers =
        allowed.map(|ms| format!("; timers allow {} at the earliest", clock(minute_after(ms / 1000), Some(time_s))));
    format!("{lead}: {}{}.", said.join(", "), timers.unwrap_or_default())
}

fn conditions(items: &[Item], starts: &[LatestStart], time_s: u64) -> String {
    let conditional = |s: &&LatestStart| {
        let same = |i: &Item| i.engine.as_ref() == Some(&s.engine) && i.blocks == Blocks::Condition;
        items.iter().any(same)
    };
    let due: Vec<&LatestStart> = starts.iter().filter(conditional).collect();
    if due.is_empty() {
        let open: Vec<&str> = items.iter().take(NAMED).map(|i| i.short.as_str()).collect();
        return format!("Open, but nothing blocks: {}.", open.join(", "));
    }
    let said: Vec<String> = due
        .iter()
        .map(|s| format!("engine {} {}", s.engine.position, clock(s.latest_start_ms / 1000, Some(time_s))))
        .collect();
    let mut air: Vec<&str> = due.iter().map(|s| s.air_source.as_str()).filter(|a| !a.is_empty()).collect();
    air.dedup();
    let needs = if air.is_empty() { String::new() } else { format!("; needs {}", air.join(" and ")) };
    format!("Latest start: {}{needs}.", said.join(", "))
}
