//! Findings about the times that facts carry.

use rinsebook_proto::bytes::Id;
use rinsebook_proto::fact::Kind;

use super::findings::{Breach, Severity};
use super::order::{Act, View};

/// A fact may have happened this long after it was received before its time is in disorder.
const AHEAD_S: u64 = 120;
/// A second tap: invented.
const DOUBLED_WITHIN_S: u64 = 60;
/// How far a clock may be off where no procedure says it: common practice, no source.
const CLOCK_OFF_S: u64 = 120;

/// All of them.
pub fn all(view: &View, out: &mut Vec<Breach>) {
    for act in view.acts.iter().filter(|a| !a.washes.is_empty()) {
        clock_adrift(view, act, out);
        time_disorder(view, act, out);
        enrolled_late(view, act, out);
        doubled(view, act, out);
        wrong_engine(view, act, out);
    }
}

/// enrolled-late: the signer was enrolled after the fact came in. Minor.
fn enrolled_late(view: &View, act: &Act, out: &mut Vec<Breach>) {
    if act.person.is_some() && super::roster::enrolled_late(&view.book, &act.fact) {
        out.push(Breach::new(view, "enrolled-late", Severity::Minor, &[act]));
    }
}

/// doubled: the same step twice within a minute. Only shown; the newest of those before it is named.
fn doubled(view: &View, act: &Act, out: &mut Vec<Breach>) {
    let Some(kind) = act.fact.kind.as_ref().filter(|kind| is_step(kind)) else { return };
    let header = act.fact.header();
    let same = |other: &&Act| {
        other.place < act.place
            && other.fact.kind.as_ref() == Some(kind)
            && other.fact.header().subjects == header.subjects
            && other.fact.header().refers == header.refers
            && act.fact.happened_s.abs_diff(other.fact.happened_s) <= DOUBLED_WITHIN_S
            && other.person.is_some()
    };
    if let Some(first) = view.acts.iter().rfind(same).filter(|_| act.person.is_some()) {
        out.push(Breach::new(view, "doubled", Severity::Note, &[first, act]));
    }
}

/// What technicians, second persons and those who run engines record as done.
fn is_step(kind: &Kind) -> bool {
    matches!(
        kind,
        Kind::WashOpened(_)
            | Kind::LineDisconnected(_)
            | Kind::LineReconnected(_)
            | Kind::Inspected(_)
            | Kind::LeakChecked(_)
            | Kind::FixtureFitted(_)
            | Kind::FixtureRemoved(_)
            | Kind::AccessOpened(_)
            | Kind::AccessClosed(_)
            | Kind::LatchesSeen(_)
            | Kind::Isolated(_)
            | Kind::IsolationRestored(_)
            | Kind::CycleRun(_)
            | Kind::MotoringAborted(_)
            | Kind::DryCrankRun(_)
            | Kind::RunUpDone(_)
            | Kind::OutsideConditions(_)
            | Kind::MetalTemperature(_)
            | Kind::DefectRaised(_)
            | Kind::LineRepaired(_)
            | Kind::PartReplaced(_)
    )
}

/// wrong-engine: opening work or injection on an engine that is not in the scope of its wash. Major.
fn wrong_engine(view: &View, act: &Act, out: &mut Vec<Breach>) {
    let opens = matches!(
        act.fact.kind,
        Some(Kind::Isolated(_) | Kind::AccessOpened(_) | Kind::LineDisconnected(_) | Kind::FixtureFitted(_))
    ) || super::water::injection(act).is_some();
    let in_scope = |wash: &Id| {
        let Some(Kind::WashOpened(b)) = view.opening(*wash).and_then(|o| o.fact.kind.as_ref()) else { return true };
        b.engines.iter().filter_map(|e| e.engine.as_ref()).any(|e| act.is_of(&e.serial))
    };
    if opens && !act.washes.iter().all(in_scope) {
        out.push(Breach::new(view, "wrong-engine", Severity::Major, &[act]));
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
