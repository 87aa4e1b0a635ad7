//! How far the work on a wash is, from the facts that were signed and those that are only noted: enough to say what comes
//! next. What is open in the record's sense is for the rules alone to say.

use std::collections::BTreeMap;

use rinsebook_proto::bytes::{Hash, Id};
use rinsebook_proto::fact::Kind;
use rinsebook_proto::rules::procedure::Procedure;
use rinsebook_proto::v1::{CheckResult, CycleRun, EngineAt, ToolUsed};

/// A fact of the wash.
#[derive(Debug, Clone)]
pub(crate) struct Act {
    /// Its envelope's hash; none: it is noted here and not signed.
    pub(crate) hash: Option<Hash>,
    /// What.
    pub(crate) kind: Kind,
    /// When, Unix milliseconds.
    pub(crate) happened_ms: u64,
    /// Who signed it, where that is known.
    pub(crate) person: Option<Id>,
}

/// Something that is opened, fitted or locked, and undone again.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub(crate) struct Element {
    /// As the procedure calls it.
    pub(crate) name: String,
    /// Whether it is open, fitted or locked now.
    pub(crate) open: bool,
    /// Whether anything was said of it at all.
    pub(crate) touched: bool,
    /// The tag given when it was opened.
    pub(crate) tag: String,
    /// Who opened or closed it.
    pub(crate) hands: Vec<Id>,
    /// The newest closing; none inside: it is not signed yet.
    pub(crate) closed_by: Option<Option<Hash>>,
    /// Another person has seen that closing, and it was good.
    pub(crate) seen: bool,
    /// Leak-checked since, and good.
    pub(crate) checked: bool,
    /// A look or check since then was not good.
    pub(crate) rework: bool,
}

impl Element {
    fn named(name: &str) -> Element {
        Element { name: name.to_owned(), ..Element::default() }
    }

    fn opens(&mut self, tag: &str, by: Option<Id>) {
        (self.open, self.touched, self.closed_by) = (true, true, None);
        (self.seen, self.checked, self.rework) = (false, false, false);
        self.hands = by.into_iter().collect();
        tag.clone_into(&mut self.tag);
    }

    fn closes(&mut self, act: &Act, helpers: impl Iterator<Item = Id>) {
        (self.open, self.touched, self.closed_by) = (false, true, Some(act.hash));
        (self.seen, self.checked, self.rework) = (false, false, false);
        self.hands.extend(act.person);
        self.hands.extend(helpers);
    }
}

/// How far one engine is.
#[derive(Debug, Clone, Default, PartialEq)]
#[allow(missing_docs)]
pub(crate) struct EngineProgress {
    pub(crate) isolations: Vec<Element>,
    pub(crate) accesses: Vec<Element>,
    pub(crate) lines: Vec<Element>,
    pub(crate) fixtures: Vec<Element>,
    /// Cycles that reached speed and time.
    pub(crate) cycles: u32,
    pub(crate) last_cycle: Option<CycleRun>,
    pub(crate) injected: bool,
    pub(crate) soak_until_ms: Option<u64>,
    /// Motoring rests until then.
    pub(crate) rest_until_ms: Option<u64>,
    pub(crate) dried: bool,
    pub(crate) ran: bool,
    pub(crate) waived: bool,
    /// Metal was measured.
    pub(crate) metal: bool,
    /// The area counts as cleared until then.
    pub(crate) area_until_ms: Option<u64>,
    pub(crate) last_tool: Option<ToolUsed>,
    pub(crate) dropped: bool,
}

/// How far the wash is in what is not of one engine.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
#[allow(missing_docs)]
pub(crate) struct WashProgress {
    /// Tools were counted out, or none are used.
    pub(crate) tools_counted: bool,
    pub(crate) tools_out: Vec<String>,
    pub(crate) tools_complete: bool,
    pub(crate) water: bool,
    pub(crate) outside: bool,
    /// Clear and refitted, after everything else was closed.
    pub(crate) final_check: bool,
    /// The sign-off, once it is signed.
    pub(crate) signed_off: Option<Hash>,
    pub(crate) referenced: bool,
    pub(crate) interrupted: bool,
}

/// The whole wash.
#[derive(Debug, Clone, Default)]
#[allow(missing_docs)]
pub(crate) struct Progress {
    pub(crate) wash: WashProgress,
    /// By serial number.
    pub(crate) engines: BTreeMap<String, EngineProgress>,
}

impl Progress {
    /// Replays the acts, in order, over what the procedure names.
    pub(crate) fn of(procedure: &Procedure, engines: &[EngineAt], acts: &[Act]) -> Progress {
        let mut progress = Progress::default();
        for engine in engines {
            progress.engines.insert(engine.serial.clone(), EngineProgress::new(procedure));
        }
        for act in acts {
            progress.wash.take(act);
            if matches!(act.kind, Kind::HandedOver(_) | Kind::WashInterrupted(_)) {
                progress.engines.values_mut().for_each(|engine| engine.area_until_ms = None);
            }
            if let Some(engine) = engine_of(&act.kind)
                && let Some(one) = progress.engines.get_mut(&engine.serial)
            {
                one.take(procedure, act);
            }
        }
        progress
    }
}

/// The engine that a fact names.
pub(crate) fn engine_of(kind: &Kind) -> Option<&EngineAt> {
    rinsebook_proto::fact::engines_named(kind).into_iter().next().filter(|_| !matches!(kind, Kind::WashOpened(_)))
}

impl WashProgress {
    fn take(&mut self, act: &Act) {
        match &act.kind {
            Kind::ToolsOut(b) => {
                self.tools_counted = true;
                self.tools_complete = b.none_used && self.tools_out.is_empty();
                self.tools_out.extend(b.tools.iter().cloned());
            }
            Kind::ToolsIn(b) => {
                self.tools_out.retain(|tool| !b.tools.contains(tool));
                self.tools_complete = b.complete;
            }
            Kind::WaterReady(_) => self.water = true,
            Kind::OutsideConditions(_) => self.outside = true,
            Kind::AccessOpened(_) | Kind::AccessClosed(_) | Kind::FixtureFitted(_) | Kind::FixtureRemoved(_) => {
                self.final_check = false;
            }
            Kind::FinalCheckDone(b) => self.final_check = b.clear == Some(true) && b.panels_refitted == Some(true),
            Kind::SignedOff(_) => (self.signed_off, self.referenced) = (act.hash, false),
            Kind::ReleaseReferenceRecorded(_) => self.referenced = true,
            Kind::WashInterrupted(_) => self.interrupted = true,
            Kind::WashResumed(_) => self.interrupted = false,
            _ => {}
        }
    }
}

impl EngineProgress {
    fn new(procedure: &Procedure) -> EngineProgress {
        EngineProgress {
            isolations: procedure.isolations.iter().map(|e| Element::named(&e.name)).collect(),
            accesses: procedure.access.iter().map(|e| Element::named(&e.name)).collect(),
            lines: procedure.lines.iter().map(|e| Element::named(&e.name)).collect(),
            fixtures: procedure.fixtures.iter().map(|e| Element::named(&e.name)).collect(),
            ..EngineProgress::default()
        }
    }

    fn take(&mut self, procedure: &Procedure, act: &Act) {
        let no_one = std::iter::empty;
        match &act.kind {
            Kind::Isolated(b) => at(&mut self.isolations, &b.isolation).opens(&b.tag, act.person),
            Kind::IsolationRestored(b) => at(&mut self.isolations, &b.isolation).closes(act, no_one()),
            Kind::FoundDeferred(b) => at(&mut self.isolations, &b.isolation).touched = true,
            Kind::AccessOpened(b) => at(&mut self.accesses, &b.access).opens("", act.person),
            Kind::AccessClosed(b) => at(&mut self.accesses, &b.access).closes(act, no_one()),
            Kind::LatchesSeen(b) => at(&mut self.accesses, &b.access).seen = b.all_latched == Some(true),
            Kind::LineDisconnected(b) => at(&mut self.lines, &b.line).opens(&b.tag, act.person),
            Kind::LineReconnected(b) => {
                let helpers = b.helpers.iter().filter_map(|id| Id::from_slice(id));
                at(&mut self.lines, &b.line).closes(act, helpers);
                self.last_tool = b.tool.clone().or(self.last_tool.take());
            }
            Kind::Inspected(b) => looked(at(&mut self.lines, &b.line), b.result),
            Kind::LeakChecked(b) => checked(at(&mut self.lines, &b.line), b.result),
            Kind::FixtureFitted(b) => at(&mut self.fixtures, &b.fixture).opens(&b.tag, act.person),
            Kind::FixtureRemoved(b) => at(&mut self.fixtures, &b.fixture).closes(act, no_one()),
            Kind::ElementNotUsed(b) => {
                for all in [&mut self.lines, &mut self.accesses, &mut self.fixtures, &mut self.isolations] {
                    all.iter_mut().filter(|e| e.name == b.element).for_each(|e| e.touched = true);
                }
            }
            Kind::MetalTemperature(_) => self.metal = true,
            Kind::EngineDropped(_) => self.dropped = true,
            _ => self.turned(procedure, act),
        }
        // Hands on the engine end the clearance of the area around it.
        let hands = matches!(
            act.kind,
            Kind::LineDisconnected(_)
                | Kind::LineReconnected(_)
                | Kind::AccessOpened(_)
                | Kind::AccessClosed(_)
                | Kind::FixtureFitted(_)
                | Kind::FixtureRemoved(_)
        );
        if hands {
            self.area_until_ms = None;
        }
    }

    fn turned(&mut self, procedure: &Procedure, act: &Act) {
        match &act.kind {
            Kind::AreaCleared(_) => {
                self.area_until_ms = Some(act.happened_ms + u64::from(procedure.motoring.area_clear_max_s) * 1000);
            }
            Kind::AreaReleased(_) => self.area_until_ms = None,
            Kind::CycleRun(b) => {
                self.motored(procedure, b.motoring_started_ms, b.motoring_ended_ms);
                self.wetted(procedure, b.injection_started_ms, b.injection_ended_ms);
                let long = b
                    .injection_started_ms
                    .zip(b.injection_ended_ms)
                    .is_some_and(|(from, to)| to / 1000 >= from / 1000 + u64::from(procedure.cycle.injection_min_s));
                let fast = b.speed_tenths_percent.is_some_and(|v| v >= procedure.motoring.speed_min_tenths_percent);
                self.cycles += u32::from(long && fast);
                self.last_cycle = Some(b.clone());
            }
            Kind::MotoringAborted(b) => {
                self.motored(procedure, b.motoring_started_ms, b.motoring_ended_ms);
                self.wetted(procedure, b.injection_started_ms, b.injection_ended_ms);
            }
            Kind::DryCrankRun(b) => {
                self.motored(procedure, b.motoring_started_ms, b.motoring_ended_ms);
                let long = b
                    .motoring_started_ms
                    .zip(b.motoring_ended_ms)
                    .is_some_and(|(from, to)| to / 1000 >= from / 1000 + u64::from(procedure.dry_crank.length_min_s));
                let fast = b.speed_tenths_percent.is_some_and(|v| v >= procedure.motoring.speed_min_tenths_percent);
                self.dried |= long && fast;
            }
            Kind::RunUpDone(b) => {
                let long = b.idle_or_above_seconds.is_some_and(|s| s >= procedure.run_up.idle_or_above_min_s);
                self.ran |= long && b.result == CheckResult::Satisfactory as i32;
            }
            Kind::DriedOtherwise(_) => (self.dried, self.ran) = (true, true),
            Kind::RunUpWaived(_) => self.waived = true,
            _ => {}
        }
    }

    /// Takes note of motoring that may still go on: what it asks of the next one.
    pub(crate) fn motored(&mut self, procedure: &Procedure, from_ms: Option<u64>, to_ms: Option<u64>) {
        let Some((from_ms, to_ms)) = from_ms.zip(to_ms) else { return };
        let on_s = (to_ms / 1000).saturating_sub(from_ms / 1000);
        let tolerance_s = u64::from(procedure.motoring.duty_tolerance_s);
        let duty = &procedure.motoring.starter_duty;
        let row = duty.iter().find(|row| u64::from(row.on_s) + tolerance_s >= on_s).or(duty.last());
        let rest_ms = row.map_or(0, |row| u64::from(row.rest_s) * 1000);
        self.rest_until_ms = self.rest_until_ms.max(Some(to_ms + rest_ms));
    }

    /// Takes note of water that went in.
    pub(crate) fn wetted(&mut self, procedure: &Procedure, from_ms: Option<u64>, to_ms: Option<u64>) {
        if from_ms.is_none() {
            return;
        }
        (self.injected, self.dried, self.ran, self.waived) = (true, false, false, false);
        if let Some(to_ms) = to_ms {
            self.soak_until_ms = Some(to_ms + u64::from(procedure.cycle.soak_s) * 1000);
        }
    }

    /// From when the engine may be motored again; none: now.
    pub(crate) fn motoring_from_ms(&self, now_ms: u64) -> Option<u64> {
        self.soak_until_ms.max(self.rest_until_ms).filter(|until| *until > now_ms)
    }
}

fn looked(line: &mut Element, result: i32) {
    (line.seen, line.rework) = (result == CheckResult::Satisfactory as i32, result != CheckResult::Satisfactory as i32);
}

fn checked(line: &mut Element, result: i32) {
    line.checked = result == CheckResult::Satisfactory as i32;
    line.rework |= !line.checked;
}

/// The element of that name; one that the procedure does not name is added.
fn at<'e>(all: &'e mut Vec<Element>, name: &str) -> &'e mut Element {
    let place = all.iter().position(|element| element.name == name).unwrap_or_else(|| {
        all.push(Element::named(name));
        all.len() - 1
    });
    &mut all[place]
}
