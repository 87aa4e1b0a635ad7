//! The timeline of a wash: from facts in force to lanes, one an engine and one for the wash as a whole. Pure; the drawing
//! is in `svg`.

mod axis;
mod svg;

use std::collections::BTreeMap;

use rinsebook_proto::bytes::Id;
use rinsebook_proto::fact::Kind;
use rinsebook_proto::rules::procedure::Procedure;
use rinsebook_proto::rules::{Deed, Finding};
use rinsebook_proto::v1::{self, CheckResult, EngineAt};

use super::words;

/// What a bar is of; each has a pattern, none a colour.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub(super) enum Look {
    Access,
    Line,
    Fixture,
    Isolation,
    Motoring,
    Injection,
    Soak,
    DryCrank,
    RunUp,
    Window,
}

impl Look {
    pub(super) const ALL: [(Look, &'static str); 10] = [
        (Look::Access, "access open"),
        (Look::Line, "line open"),
        (Look::Fixture, "fixture fitted"),
        (Look::Isolation, "isolated"),
        (Look::Motoring, "motoring"),
        (Look::Injection, "injection"),
        (Look::Soak, "soak"),
        (Look::DryCrank, "dry crank"),
        (Look::RunUp, "run"),
        (Look::Window, "run-up window"),
    ];
}

/// From when to when.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) struct Bar {
    pub(super) look: Look,
    pub(super) from_ms: u64,
    /// None: it has not ended.
    pub(super) to_ms: Option<u64>,
    pub(super) text: String,
}

/// A moment: a letter in a ring; a finding's number stands in a triangle.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) struct Mark {
    pub(super) at_ms: u64,
    pub(super) sign: Sign,
    pub(super) text: String,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Sign {
    Inspected,
    LeakChecked,
    Latched,
    HandedOver,
    TakenOver,
    Waived,
    Started,
    SignedOff,
    Opened,
    Other,
    /// From 1, as the list below the drawing counts.
    Finding(usize),
}

impl Sign {
    pub(super) const ALL: [(Sign, &'static str); 9] = [
        (Sign::Inspected, "inspected"),
        (Sign::LeakChecked, "leak or function check"),
        (Sign::Latched, "latches seen"),
        (Sign::HandedOver, "handed over or interrupted"),
        (Sign::TakenOver, "taken over or resumed"),
        (Sign::Waived, "run-up waived"),
        (Sign::Started, "started"),
        (Sign::SignedOff, "signed off"),
        (Sign::Opened, "wash opened"),
    ];

    pub(super) fn letter(self) -> String {
        match self {
            Sign::Inspected => "I".to_owned(),
            Sign::LeakChecked => "L".to_owned(),
            Sign::Latched => "C".to_owned(),
            Sign::HandedOver => "H".to_owned(),
            Sign::TakenOver => "T".to_owned(),
            Sign::Waived => "W".to_owned(),
            Sign::Started => "S".to_owned(),
            Sign::SignedOff => "E".to_owned(),
            Sign::Opened => "B".to_owned(),
            Sign::Other => "·".to_owned(),
            Sign::Finding(number) => number.to_string(),
        }
    }
}

/// One thing through the time of the wash.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) struct Track {
    pub(super) label: String,
    pub(super) bars: Vec<Bar>,
    pub(super) marks: Vec<Mark>,
}

/// One engine, or the wash.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) struct Lane {
    pub(super) title: String,
    pub(super) tracks: Vec<Track>,
}

/// See the module.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) struct Timeline {
    pub(super) from_ms: u64,
    pub(super) to_ms: u64,
    pub(super) lanes: Vec<Lane>,
}

/// What a timeline is made from.
pub(super) struct Told<'a> {
    /// Facts in force about the aircraft, in order.
    pub(super) deeds: &'a [Deed],
    pub(super) wash: Id,
    /// Findings of the wash, as they are numbered below the drawing.
    pub(super) findings: &'a [&'a Finding],
    pub(super) procedure: Option<&'a Procedure>,
}

/// Families of tracks, in the order of the work.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
enum Family {
    Wash,
    Isolation,
    Access,
    Line,
    Fixture,
    Turning,
    Window,
}

type Key = (u32, Family, String);

#[derive(Default)]
struct Drawing {
    serials: BTreeMap<u32, String>,
    tracks: BTreeMap<Key, Track>,
}

impl Drawing {
    fn track(&mut self, engine: Option<&EngineAt>, family: Family, label: &str) -> &mut Track {
        let position = engine.map_or(0, |e| e.position);
        if let Some(engine) = engine {
            self.serials.entry(position).or_insert_with(|| words::line(&engine.serial));
        }
        let label = words::line(label);
        let key = (position, family, label.clone());
        self.tracks.entry(key).or_insert_with(|| Track { label, bars: Vec::new(), marks: Vec::new() })
    }

    fn opens(&mut self, engine: Option<&EngineAt>, family: Family, label: &str, look: Look, at_ms: u64) {
        let text = words::line(label);
        self.track(engine, family, label).bars.push(Bar { look, from_ms: at_ms, to_ms: None, text });
    }

    fn closes(&mut self, engine: Option<&EngineAt>, family: Family, label: &str, at_ms: u64) {
        let bars = &mut self.track(engine, family, label).bars;
        if let Some(open) = bars.iter_mut().rev().find(|bar| bar.to_ms.is_none()) {
            open.to_ms = Some(at_ms.max(open.from_ms));
        }
    }

    fn lasts(&mut self, engine: Option<&EngineAt>, look: Look, span: (Option<u64>, Option<u64>), text: &str) {
        if let (Some(from_ms), Some(to_ms)) = span {
            let bar = Bar { look, from_ms, to_ms: Some(to_ms.max(from_ms)), text: text.to_owned() };
            self.track(engine, Family::Turning, "turning").bars.push(bar);
        }
    }

    fn mark(&mut self, engine: Option<&EngineAt>, family: Family, label: &str, mark: Mark) {
        self.track(engine, family, label).marks.push(mark);
    }
}

impl Timeline {
    /// From facts in force to lanes. Soaks and the run-up window are drawn from the procedure.
    pub(super) fn of(told: &Told<'_>) -> Timeline {
        let mut drawing = Drawing::default();
        let mut instants: Vec<u64> = Vec::new();
        let mut first_injection: BTreeMap<u32, (EngineAt, u64)> = BTreeMap::new();
        for deed in told.deeds.iter().filter(|d| d.washes.contains(&told.wash) && !d.struck_out) {
            let Some(kind) = &deed.kind else { continue };
            instants.push(deed.reference.happened_ms);
            materials(&mut drawing, kind, deed);
            turning(&mut drawing, kind, told.procedure, &mut first_injection, &mut instants);
            people(&mut drawing, kind, deed);
        }
        let end_ms = instants.iter().max().copied().unwrap_or_default();
        for (engine, begun_ms) in first_injection.values() {
            let Some(procedure) = told.procedure else { continue };
            let ends_ms = begun_ms + u64::from(procedure.run_up.window_s) * 1000;
            let text = format!("run-up window until {}", words::minute(ends_ms));
            let bar = Bar { look: Look::Window, from_ms: *begun_ms, to_ms: Some(ends_ms), text };
            drawing.track(Some(engine), Family::Window, "run-up window").bars.push(bar);
        }
        findings(&mut drawing, told.findings);
        let from_ms = instants.iter().min().copied().unwrap_or_default();
        Timeline { from_ms, to_ms: end_ms.max(from_ms + 60_000), lanes: lanes(drawing) }
    }
}

fn lanes(drawing: Drawing) -> Vec<Lane> {
    let mut lanes: BTreeMap<u32, Lane> = BTreeMap::new();
    for ((position, _, _), track) in drawing.tracks {
        let serial = drawing.serials.get(&position);
        let title = serial.map_or_else(|| "The wash".to_owned(), |serial| format!("Engine {position}, {serial}"));
        lanes.entry(position).or_insert_with(|| Lane { title, tracks: Vec::new() }).tracks.push(track);
    }
    lanes.into_values().collect()
}

/// What is opened, fitted, isolated, and closed again.
fn materials(drawing: &mut Drawing, kind: &Kind, deed: &Deed) {
    let at_ms = deed.reference.happened_ms;
    let tagged = |name: &str, tag: &str| if tag.is_empty() { name.to_owned() } else { format!("{name} {tag}") };
    match kind {
        Kind::AccessOpened(b) => drawing.opens(b.engine.as_ref(), Family::Access, &b.access, Look::Access, at_ms),
        Kind::AccessClosed(b) => drawing.closes(b.engine.as_ref(), Family::Access, &b.access, at_ms),
        Kind::LineDisconnected(b) => drawing.opens(b.engine.as_ref(), Family::Line, &b.line, Look::Line, at_ms),
        Kind::LineReconnected(b) => drawing.closes(b.engine.as_ref(), Family::Line, &b.line, at_ms),
        Kind::FixtureFitted(b) => {
            drawing.opens(b.engine.as_ref(), Family::Fixture, &tagged(&b.fixture, &b.tag), Look::Fixture, at_ms);
        }
        Kind::FixtureRemoved(b) => {
            drawing.closes(b.engine.as_ref(), Family::Fixture, &tagged(&b.fixture, &b.tag), at_ms);
        }
        Kind::Isolated(b) => {
            drawing.opens(b.engine.as_ref(), Family::Isolation, &b.isolation, Look::Isolation, at_ms);
        }
        Kind::IsolationRestored(b) => drawing.closes(b.engine.as_ref(), Family::Isolation, &b.isolation, at_ms),
        _ => {}
    }
}

/// What turns, soaks and runs.
fn turning(
    drawing: &mut Drawing,
    kind: &Kind,
    procedure: Option<&Procedure>,
    first_injection: &mut BTreeMap<u32, (EngineAt, u64)>,
    instants: &mut Vec<u64>,
) {
    let mut injected = |engine: &Option<EngineAt>, from: Option<u64>, to: Option<u64>, drawing: &mut Drawing| {
        let (Some(engine), Some(begun_ms)) = (engine, from.or(to)) else { return };
        first_injection.entry(engine.position).or_insert_with(|| (engine.clone(), begun_ms));
        drawing.lasts(Some(engine), Look::Injection, (from, to), "injection");
        if let (Some(ended_ms), Some(procedure)) = (to, procedure) {
            let soaked_ms = ended_ms + u64::from(procedure.cycle.soak_s) * 1000;
            drawing.lasts(Some(engine), Look::Soak, (Some(ended_ms), Some(soaked_ms)), "soak");
            instants.push(soaked_ms);
        }
    };
    match kind {
        Kind::CycleRun(b) => {
            drawing.lasts(b.engine.as_ref(), Look::Motoring, (b.motoring_started_ms, b.motoring_ended_ms), "motoring");
            injected(&b.engine, b.injection_started_ms, b.injection_ended_ms, drawing);
        }
        Kind::MotoringAborted(b) => {
            let span = (b.motoring_started_ms, b.motoring_ended_ms);
            drawing.lasts(b.engine.as_ref(), Look::Motoring, span, "motoring, aborted");
            injected(&b.engine, b.injection_started_ms, b.injection_ended_ms, drawing);
        }
        Kind::DryCrankRun(b) => {
            let span = (b.motoring_started_ms, b.motoring_ended_ms);
            drawing.lasts(b.engine.as_ref(), Look::DryCrank, span, "dry crank");
        }
        Kind::RunUpDone(b) => {
            let span = (b.started_ms, b.ended_ms);
            drawing.lasts(b.engine.as_ref(), Look::RunUp, span, "run-up");
        }
        _ => return,
    }
    let begun = match kind {
        Kind::CycleRun(b) => b.motoring_started_ms,
        Kind::MotoringAborted(b) => b.motoring_started_ms,
        Kind::DryCrankRun(b) => b.motoring_started_ms,
        Kind::RunUpDone(b) => b.started_ms,
        _ => None,
    };
    instants.extend(begun);
}

/// What people looked at, handed over, decided.
fn people(drawing: &mut Drawing, kind: &Kind, deed: &Deed) {
    let mark = |sign| Mark { at_ms: deed.reference.happened_ms, sign, text: words::line(&deed.text) };
    let good = |result: i32| result == CheckResult::Satisfactory as i32;
    // A check that was not satisfactory is no check: it is told, with its own sign.
    let checked = |sign, result| if good(result) { sign } else { Sign::Other };
    match kind {
        Kind::Inspected(b) => {
            drawing.mark(b.engine.as_ref(), Family::Line, &b.line, mark(checked(Sign::Inspected, b.result)));
        }
        Kind::LeakChecked(b) => {
            drawing.mark(b.engine.as_ref(), Family::Line, &b.line, mark(checked(Sign::LeakChecked, b.result)));
        }
        Kind::LatchesSeen(b) => {
            let sign = if b.all_latched == Some(true) { Sign::Latched } else { Sign::Other };
            drawing.mark(b.engine.as_ref(), Family::Access, &b.access, mark(sign));
        }
        Kind::RunUpWaived(b) => {
            drawing.mark(b.engine.as_ref(), Family::Turning, "turning", mark(Sign::Waived));
        }
        Kind::EngineStarted(b) => {
            for engine in b.engines.iter().filter_map(|e| e.engine.as_ref()) {
                drawing.mark(Some(engine), Family::Turning, "turning", mark(Sign::Started));
            }
        }
        Kind::WashOpened(_) => drawing.mark(None, Family::Wash, "shifts and signatures", mark(Sign::Opened)),
        Kind::HandedOver(_) | Kind::WashInterrupted(_) => {
            drawing.mark(None, Family::Wash, "shifts and signatures", mark(Sign::HandedOver));
        }
        Kind::WashResumed(_) => drawing.mark(None, Family::Wash, "shifts and signatures", mark(Sign::TakenOver)),
        Kind::Countersigned(b) if b.purpose == v1::CountersignPurpose::HandoverAccepted as i32 => {
            drawing.mark(None, Family::Wash, "shifts and signatures", mark(Sign::TakenOver));
        }
        Kind::SignedOff(_) => drawing.mark(None, Family::Wash, "shifts and signatures", mark(Sign::SignedOff)),
        _ => {}
    }
}

fn findings(drawing: &mut Drawing, findings: &[&Finding]) {
    for (number, finding) in (1..).zip(findings) {
        let Some(on) = finding.rests_on.last() else { continue };
        let text = format!("{}: {}", words::spaced(finding.rule.name()), words::line(&finding.text));
        let mark = Mark { at_ms: on.happened_ms, sign: Sign::Finding(number), text };
        let family = if finding.engine.is_some() { Family::Turning } else { Family::Wash };
        let label = if finding.engine.is_some() { "turning" } else { "shifts and signatures" };
        drawing.mark(finding.engine.as_ref(), family, label, mark);
    }
}

#[cfg(test)]
mod tests;
