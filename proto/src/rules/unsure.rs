//! Whose clock is right? Where one device records that something was opened and another that it was closed, so near
//! that their clocks may be wrong about which came first, nothing is closed until somebody closes it again, after both
//! and with no doubt.
//!
//! A clock's doubt is 5 s and its last measured offset; 120 s where none was measured within 24 h (all common
//! practice, no source). A lasting act stands from its first instant to its last: a cycle from the start of motoring to
//! its end, a run from its start.

use std::collections::{BTreeMap, HashSet};

use super::act::{Act, Context};
use super::finding::{Raised, Rule, Severity};
use crate::bytes::{Hash, Id};
use crate::fact::{Kind, engines_named};
use crate::v1::{CheckResult, EngineAt};

const LEAST_DOUBT_S: u64 = 5;
const UNMEASURED_DOUBT_S: u64 = 120;
const MEASURED_WITHIN_MS: u64 = 24 * 3600 * 1000;

/// What can be opened and closed.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord)]
enum Thing {
    /// By serial number and name.
    Line(String, String),
    LeakCheck(String, String),
    Rework(String, String),
    Damage(String, String),
    /// By aircraft, position and name.
    Access(Option<Id>, u32, String),
    Latches(Option<Id>, u32, String),
    Isolation(Option<Id>, u32, String),
    /// By serial number, name and tag.
    Fixture(String, String, String),
    /// By serial number.
    Water(String),
    /// By wash.
    Tools(Option<Id>),
    FinalCheck(Option<Id>),
    Interruption(Option<Id>),
}

impl Thing {
    fn subject(&self) -> &str {
        match self {
            Thing::Line(_, name) | Thing::LeakCheck(_, name) | Thing::Rework(_, name) | Thing::Damage(_, name) => name,
            Thing::Access(_, _, name) | Thing::Latches(_, _, name) => name,
            Thing::Isolation(_, _, name) | Thing::Fixture(_, name, _) => name,
            Thing::Water(_) | Thing::Tools(_) | Thing::FinalCheck(_) | Thing::Interruption(_) => "",
        }
    }
}

/// One act's part in one thing.
struct Part<'c> {
    act: Act<'c>,
    opens: bool,
    from_s: u64,
    to_s: u64,
}

impl Part<'_> {
    /// Time between the two; none where they overlap.
    fn apart_s(&self, other: &Part<'_>) -> u64 {
        other.from_s.saturating_sub(self.to_s).max(self.from_s.saturating_sub(other.to_s))
    }
}

/// Pairs whose order nobody can tell, and the closings that close nothing for it.
#[derive(Default)]
pub(super) struct Unsure<'c> {
    pairs: Vec<(Thing, Act<'c>, Act<'c>)>,
    withheld: HashSet<Hash>,
    /// Reconnections that may have come before what was found wanting: the line is connected, and to be worked again.
    not_rework: HashSet<Hash>,
}

impl<'c> Unsure<'c> {
    pub(super) fn new(context: &Context<'c>, acts: &[Act<'c>]) -> Self {
        let let_count: HashSet<Hash> = acts.iter().filter(|act| act.revived).map(Act::hash).collect();
        let mut things: BTreeMap<Thing, Vec<Part<'c>>> = BTreeMap::new();
        for act in acts.iter().filter(|act| !act.revived) {
            for (thing, part) in parts(context, act) {
                if part.opens || act.counts() || let_count.contains(&act.hash()) {
                    things.entry(thing).or_default().push(part);
                }
            }
        }
        let mut unsure = Unsure::default();
        for (thing, parts) in &things {
            for opening in parts.iter().filter(|p| p.opens) {
                unsure.judge(thing, opening, parts);
            }
        }
        unsure
    }

    fn judge(&mut self, thing: &Thing, opening: &Part<'c>, parts: &[Part<'c>]) {
        let near = |p: &&Part<'c>| {
            let (a, b) = (&opening.act, &p.act);
            let named = a.is_among(&b.header().refers) || b.is_among(&a.header().refers);
            !p.opens && a.header().device != b.header().device && !named && opening.apart_s(p) < doubt_s(a) + doubt_s(b)
        };
        let near: Vec<&Part<'c>> = parts.iter().filter(near).collect();
        self.pairs.extend(near.iter().map(|p| (thing.clone(), opening.act, p.act)));
        // What closes again stands after the opening and after every closing that may have come before it.
        let is_last = |act: &Act<'c>| near.iter().all(|p| p.act.hash() == act.hash() || !p.act.is_after(act));
        let Some(last) = near.iter().map(|p| p.act).find(is_last) else { return };
        let void = |p: &&Part<'c>| !p.opens && p.act.is_after(&opening.act) && !p.act.is_after(&last);
        let void = parts.iter().filter(void).map(|p| p.act.hash());
        match thing {
            Thing::Rework(..) => self.not_rework.extend(void),
            _ => self.withheld.extend(void),
        }
    }

    /// Whether the act closes nothing for it.
    pub(super) fn withholds(&self, act: &Act<'_>) -> bool {
        self.withheld.contains(&act.hash())
    }

    /// Whether the reconnection does not do for work done again.
    pub(super) fn leaves_rework(&self, act: &Act<'_>) -> bool {
        self.not_rework.contains(&act.hash())
    }

    pub(super) fn findings(&self, context: &Context<'c>) -> Vec<Raised<'c>> {
        let raise = |(thing, opening, closing): &(Thing, Act<'c>, Act<'c>)| {
            let raised = Raised::new(Rule::OrderUnsure, Severity::Major, context, vec![*opening, *closing]);
            Raised { subject: thing.subject().to_owned(), ..raised }
        };
        // One pair may be unsure of several things, such as water of an engine's lines: it is one breach.
        let mut told = HashSet::new();
        let new = |(_, a, b): &&(Thing, Act<'c>, Act<'c>)| told.insert((a.hash(), b.hash()));
        self.pairs.iter().filter(new).map(raise).collect()
    }
}

/// How far its device's clock may be off, in whole seconds.
fn doubt_s(act: &Act<'_>) -> u64 {
    let header = act.header();
    let recent = |at: &u64| at.abs_diff(header.happened_ms) <= MEASURED_WITHIN_MS;
    match (header.clock_offset_ms, header.clock_measured_ms.filter(recent)) {
        (Some(offset_ms), Some(_)) => LEAST_DOUBT_S + offset_ms.unsigned_abs() / 1000,
        _ => UNMEASURED_DOUBT_S,
    }
}

fn parts<'c>(context: &Context<'c>, act: &Act<'c>) -> Vec<(Thing, Part<'c>)> {
    let Some(kind) = act.kind() else { return Vec::new() };
    let (from_s, to_s) = span_s(kind, act.happened_s());
    let part = |(thing, opens)| (thing, Part { act: *act, opens, from_s, to_s });
    things(context, act, kind).into_iter().map(part).collect()
}

/// From when to when it lasted, in whole seconds.
fn span_s(kind: &Kind, happened_s: u64) -> (u64, u64) {
    let from_ms = match kind {
        Kind::CycleRun(b) => b.motoring_started_ms.or(b.injection_started_ms),
        Kind::MotoringAborted(b) => b.motoring_started_ms.or(b.injection_started_ms),
        Kind::DryCrankRun(b) => b.motoring_started_ms,
        Kind::RunUpDone(b) => b.started_ms,
        _ => None,
    };
    (from_ms.map_or(happened_s, |ms| ms / 1000).min(happened_s), happened_s)
}

/// What an act opens (true) and closes (false).
fn things(context: &Context<'_>, act: &Act<'_>, kind: &Kind) -> Vec<(Thing, bool)> {
    let named = |at: &Option<EngineAt>| at.as_ref().map(|e| e.serial.clone()).unwrap_or_default();
    let place = |at: &Option<EngineAt>| (context.aircraft(act), at.as_ref().map_or(0, |e| e.position));
    let line = |at: &Option<EngineAt>, line: &str| Thing::Line(named(at), line.to_owned());
    let leak = |at: &Option<EngineAt>, line: &str| Thing::LeakCheck(named(at), line.to_owned());
    let rework = |at: &Option<EngineAt>, line: &str| Thing::Rework(named(at), line.to_owned());
    let damage = |at: &Option<EngineAt>, line: &str| Thing::Damage(named(at), line.to_owned());
    let access = |at: &Option<EngineAt>, name: &str| {
        let (aircraft, position) = place(at);
        Thing::Access(aircraft, position, name.to_owned())
    };
    let latches = |at: &Option<EngineAt>, name: &str| {
        let (aircraft, position) = place(at);
        Thing::Latches(aircraft, position, name.to_owned())
    };
    let isolation = |at: &Option<EngineAt>, name: &str| {
        let (aircraft, position) = place(at);
        Thing::Isolation(aircraft, position, name.to_owned())
    };
    let fixture =
        |at: &Option<EngineAt>, name: &str, tag: &str| Thing::Fixture(named(at), name.to_owned(), tag.to_owned());
    let (tools, check) = (Thing::Tools(act.wash()), Thing::FinalCheck(act.wash()));
    let (good, bad) = (CheckResult::Satisfactory as i32, CheckResult::NotSatisfactory as i32);
    match kind {
        Kind::LineDisconnected(b) => vec![(line(&b.engine, &b.line), true)],
        Kind::LineReconnected(b) => vec![
            (line(&b.engine, &b.line), false),
            (leak(&b.engine, &b.line), true),
            (rework(&b.engine, &b.line), false),
        ],
        Kind::LeakChecked(b) if b.result == good => vec![(leak(&b.engine, &b.line), false)],
        Kind::LeakChecked(b) => vec![(leak(&b.engine, &b.line), true), (rework(&b.engine, &b.line), true)],
        Kind::Inspected(b) if b.result != good => vec![(rework(&b.engine, &b.line), true)],
        Kind::ReinspectedAlone(b) if b.result == bad && !b.line.is_empty() => vec![(rework(&b.engine, &b.line), true)],
        Kind::ReinspectedAlone(b) if b.result == bad => vec![(latches(&b.engine, &b.access), true)],
        Kind::DefectRaised(b) if !b.line.is_empty() => vec![(damage(&b.engine, &b.line), true)],
        Kind::LineRepaired(b) => vec![(damage(&b.engine, &b.line), false)],
        Kind::PartReplaced(b) => vec![(damage(&b.engine, &b.line), false)],
        Kind::AccessOpened(b) => vec![(access(&b.engine, &b.access), true), (check, true)],
        Kind::AccessClosed(b) => vec![(access(&b.engine, &b.access), false)],
        Kind::LatchesSeen(b) if b.all_latched.is_some() => {
            vec![(latches(&b.engine, &b.access), b.all_latched == Some(false))]
        }
        Kind::Isolated(b) => vec![(isolation(&b.engine, &b.isolation), true)],
        Kind::IsolationRestored(b) => vec![(isolation(&b.engine, &b.isolation), false)],
        Kind::FixtureFitted(b) => vec![(fixture(&b.engine, &b.fixture, &b.tag), true), (check, true)],
        Kind::FixtureRemoved(b) => vec![(fixture(&b.engine, &b.fixture, &b.tag), false)],
        Kind::ToolsOut(_) => vec![(tools, true), (check, true)],
        Kind::ToolsIn(_) => vec![(tools, false)],
        Kind::FinalCheckDone(_) => vec![(check, false)],
        Kind::WashInterrupted(_) => vec![(Thing::Interruption(act.wash()), true)],
        Kind::WashResumed(_) => vec![(Thing::Interruption(act.wash()), false)],
        Kind::CycleRun(b) if b.injection_started_ms.or(b.injection_ended_ms).is_some() => water(kind, true),
        Kind::MotoringAborted(b) if b.injection_started_ms.or(b.injection_ended_ms).is_some() => water(kind, true),
        Kind::RunUpDone(b) if b.result == good => water(kind, false),
        // A waiver is none of these: it has no effect before a dry crank, which itself comes after the soak.
        Kind::DryCrankRun(_) | Kind::EngineStarted(_) | Kind::DriedOtherwise(_) | Kind::OverdueDecided(_) => {
            water(kind, false)
        }
        _ => Vec::new(),
    }
}

fn water(kind: &Kind, opens: bool) -> Vec<(Thing, bool)> {
    engines_named(kind).into_iter().map(|e| (Thing::Water(e.serial.clone()), opens)).collect()
}
