//! Breaches that show at an act's own place: how lines, accesses and tools stood when it was done. Each act is looked at
//! before it changes anything.

use std::collections::HashMap;

use super::access::Access;
use super::act::{Act, Context};
use super::finding::{Raised, Rule, Severity};
use super::fixtures::Fixtures;
use super::isolations::Isolations;
use super::kinds::{self, Asked};
use super::lines::{self, Lines, Shortfall};
use super::tools::Tools;
use super::water::Water;
use super::water::injection::{injection_of_aborted, injection_of_cycle};
use crate::bytes::Hash;
use crate::fact::{Kind, engines_named};
use crate::v1::{EngineAt, LineReconnected};

/// How everything stands before an act.
pub(super) struct Before<'a, 'c> {
    pub(super) lines: &'a Lines<'c>,
    pub(super) access: &'a Access<'c>,
    pub(super) fixtures: &'a Fixtures<'c>,
    pub(super) isolations: &'a Isolations<'c>,
    pub(super) tools: &'a Tools<'c>,
    pub(super) water: &'a Water<'c>,
}

/// What was found so far.
#[derive(Debug, Default)]
pub(super) struct Breaches<'c> {
    raised: Vec<Raised<'c>>,
    taken: HashMap<Hash, Act<'c>>,
}

impl<'c> Breaches<'c> {
    pub(super) fn take(&mut self, context: &Context<'c>, act: &Act<'c>, before: &Before<'_, 'c>) {
        let Some(kind) = act.kind().filter(|_| !act.revived) else { return };
        match kind {
            Kind::LineDisconnected(b) if context.procedure(act).is_some_and(|p| p.line(&b.line).is_none()) => {
                self.raise(Rule::LineOutsideProcedure, context, vec![*act], &b.line);
            }
            Kind::LineReconnected(b) => self.reconnected(context, act, b, before),
            Kind::CycleRun(b) => {
                let started_s = injection_of_cycle(b, act).map(|injection| injection.started_s);
                self.injected(context, act, started_s, before);
            }
            Kind::MotoringAborted(b) => {
                let started_s = injection_of_aborted(b, act).map(|injection| injection.started_s);
                self.injected(context, act, started_s, before);
            }
            Kind::RunUpDone(b) => {
                let started_s = b.started_ms.map_or(act.happened_s(), |ms| ms / 1000);
                self.ran(context, act, started_s, true, before);
            }
            Kind::EngineStarted(_) => self.ran(context, act, act.happened_s(), false, before),
            _ => {}
        }
        self.impossible(context, act, kind, before);
        self.taken.insert(act.hash(), *act);
    }

    pub(super) fn findings(self) -> Vec<Raised<'c>> {
        self.raised
    }

    fn raise(&mut self, rule: Rule, context: &Context<'c>, rests_on: Vec<Act<'c>>, subject: &str) {
        let mut raised = Raised::new(rule, Severity::Major, context, rests_on);
        subject.clone_into(&mut raised.subject);
        self.raised.push(raised);
    }

    fn reconnected(&mut self, context: &Context<'c>, act: &Act<'c>, body: &LineReconnected, before: &Before<'_, 'c>) {
        let procedure = context.procedure(act).map(|p| &**p);
        let asked = procedure.and_then(|p| p.line(&body.line));
        if matches!(lines::torque_short(asked, body), Some(Shortfall::TorqueOut { .. })) {
            self.raise(Rule::TorqueOut, context, vec![*act], &body.line);
        }
        if lines::tool_past(body, act.happened_s()).is_some() {
            self.raise(Rule::ToolUncalibrated, context, vec![*act], &body.line);
        }
        let wet = body.engine.as_ref().is_some_and(|engine| before.water.drying_due(&engine.serial));
        if wet && procedure.is_some_and(|p| !p.people.reconnect_before_dry_allowed) {
            self.raise(Rule::ReconnectedWet, context, vec![*act], &body.line);
        }
    }

    /// Water went in while a line was not recorded open that the procedure wants open.
    fn injected(&mut self, context: &Context<'c>, act: &Act<'c>, started_s: Option<u64>, before: &Before<'_, 'c>) {
        let (Some(started_s), Some(engine), Some(procedure)) = (started_s, act.engine(), context.procedure(act)) else {
            return;
        };
        let shut = |name: &str| !before.lines.was_open_at(&engine.serial, name, started_s);
        let asked = procedure.lines.iter().filter(|line| line.open_before_injection && shut(&line.name));
        let names: Vec<&str> = asked.map(|line| line.name.as_str()).collect();
        if !names.is_empty() {
            self.raise(Rule::LineNotOpened, context, vec![*act], &names.join(", "));
        }
    }

    /// An engine ran with something of it open, at its start or when it was over.
    fn ran(&mut self, context: &Context<'c>, act: &Act<'c>, started_s: u64, leak_run: bool, before: &Before<'_, 'c>) {
        let aircraft = context.aircraft(act);
        for engine in act.kind().map(engines_named).unwrap_or_default() {
            let (serial, position) = (engine.serial.as_str(), engine.position);
            let lines = before.lines.open_then(serial, started_s).map(|name| format!("line {name}"));
            let fixtures = before.fixtures.fitted_then(serial, started_s);
            let cowls = before.access.open_then(aircraft, position, started_s, leak_run).map(str::to_owned);
            let isolations = before.isolations.isolated_then(aircraft, position, started_s).map(str::to_owned);
            let tools = before.tools.missing_then(aircraft, started_s).into_iter().map(|tool| format!("tool {tool}"));
            let open: Vec<String> = lines.chain(fixtures).chain(cowls).chain(isolations).chain(tools).collect();
            if !open.is_empty() {
                let mut raised = Raised::new(Rule::RunWhileOpen, Severity::Major, context, vec![*act]);
                (raised.subject, raised.belongs) = (open.join(", "), context.with_engine(act, engine));
                raised.engine = Some(engine.clone());
                self.raised.push(raised);
            }
        }
    }

    /// One impossible step an act: the first that shows.
    fn impossible(&mut self, context: &Context<'c>, act: &Act<'c>, kind: &'c Kind, before: &Before<'_, 'c>) {
        if matches!(kinds::asked(kind), Asked::Custody | Asked::Service) {
            return;
        }
        let stranger = engines_named(kind).into_iter().find(|engine| !context.fleet.knows(&engine.serial));
        let (rests_on, subject) = if opens_on_no_engine(kind) {
            (vec![*act], NO_ENGINE)
        } else if let Some(engine) = stranger {
            (vec![*act], engine.serial.as_str())
        } else if let Some((first, line)) = opened_twice(kind, before) {
            (vec![first, *act], line)
        } else if let Some(line) = closed_unopened(kind, before) {
            (vec![*act], line)
        } else if self.names_more(act, kind) {
            (vec![*act], "")
        } else {
            return;
        };
        // Where it touches no item there is nothing to settle.
        let severity = if kinds::touches_items(kind) { Severity::Major } else { Severity::Note };
        let mut raised = Raised::new(Rule::ImpossibleStep, severity, context, rests_on);
        subject.clone_into(&mut raised.subject);
        self.raised.push(raised);
    }

    /// Whether it names a fact about more than it is about itself: then it does not act on it.
    fn names_more(&self, act: &Act<'c>, kind: &Kind) -> bool {
        let speaks_of_facts = matches!(kind, Kind::Corrected(_) | Kind::Countersigned(_));
        let named = act.header().refers.iter().filter_map(|hash| self.taken.get(hash));
        !speaks_of_facts && named.into_iter().any(|other| !act.names(other))
    }
}

/// Stands for the engine that is missing.
const NO_ENGINE: &str = "no engine";

/// Whether it opens something on an engine that it does not name: nothing could show as open.
fn opens_on_no_engine(kind: &Kind) -> bool {
    match kind {
        Kind::LineDisconnected(b) => b.engine.is_none(),
        Kind::AccessOpened(b) => b.engine.is_none(),
        Kind::FixtureFitted(b) => b.engine.is_none(),
        Kind::CycleRun(b) => b.engine.is_none(),
        Kind::MotoringAborted(b) => b.engine.is_none(),
        _ => false,
    }
}

/// The opening that still stood when a line was disconnected once more.
fn opened_twice<'k, 'c>(kind: &'k Kind, before: &Before<'_, 'c>) -> Option<(Act<'c>, &'k str)> {
    let Kind::LineDisconnected(b) = kind else { return None };
    Some((before.lines.opening_of(&b.engine.as_ref()?.serial, &b.line)?, &b.line))
}

/// A line that was reconnected without being open, nor standing to be worked again.
fn closed_unopened<'k>(kind: &'k Kind, before: &Before<'_, '_>) -> Option<&'k str> {
    let Kind::LineReconnected(b) = kind else { return None };
    let serial = &b.engine.as_ref()?.serial;
    let expected =
        before.lines.opening_of(serial, &b.line).is_some() || before.lines.stands_for_rework(serial, &b.line);
    (!expected).then_some(&b.line)
}

/// What an impossible step was, for people.
pub(super) fn why_impossible(raised: &Raised<'_>, engine: Option<&EngineAt>) -> &'static str {
    match raised.rests_on.last().and_then(Act::kind) {
        Some(Kind::LineDisconnected(_)) if raised.rests_on.len() == 2 => "it stood open already",
        Some(Kind::LineReconnected(b)) if b.line == raised.subject => "nothing shows that it was opened",
        _ if raised.subject == NO_ENGINE => "it names no engine",
        _ if raised.subject.is_empty() => "it names a fact that is about more than it is itself",
        _ if engine.is_none_or(|e| e.serial == raised.subject) => "nobody listed that engine",
        _ => "it does not follow from what was recorded before",
    }
}
