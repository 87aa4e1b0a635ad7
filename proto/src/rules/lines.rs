//! Lines: disconnected, reconnected as asked, inspected by another person who did not help.
//!
//! ```text
//! disconnected ─► line-disconnected ─ reconnected ─► inspection-due ─ inspected ─► nothing
//!      ▲                                 │  ▲            │ not satisfactory
//!      └── any time, ends what follows   ▼  │ again      ▼
//!                                 line-unsecured     rework-due ─ reconnected again ─► …
//! ```
//!
//! A line's items speak of its newest reconnection. One whose signer does not count cannot close anything; on a line
//! that was connected it still asks for an inspection, for somebody touched the joint.

use std::collections::BTreeMap;

use super::case::{Act, Context};
use super::finding::{Raised, Rule, Severity};
use super::item::{ItemKind, Open};
use super::procedure;
use crate::fact::Kind;
use crate::v1::{CheckResult, EngineAt, LineReconnected};

const SECONDS_A_DAY: u64 = 86_400;

/// One line of one engine, by serial number and name.
#[derive(Debug)]
struct Line<'c> {
    engine: EngineAt,
    /// Who opened it, while it is open.
    disconnected: Option<Act<'c>>,
    /// The newest opening, whether or not it is open now.
    last_opened: Option<Act<'c>>,
    joint: Option<Joint<'c>>,
    /// Found not satisfactory while no reconnection of it is known.
    found_bad: Option<Act<'c>>,
    /// What happened to it: when, and whether it was connected from then on.
    turns: Vec<(u64, bool)>,
}

/// What the newest reconnection left behind.
#[derive(Debug)]
struct Joint<'c> {
    act: Act<'c>,
    /// What is missing of torque, locking, tool; and the reconnection that left it so.
    unsecured: Option<(Act<'c>, String)>,
    inspection_due: bool,
    rework: Option<Act<'c>>,
}

/// All lines that a fact touched.
#[derive(Debug, Default)]
pub(super) struct Lines<'c> {
    lines: BTreeMap<(String, String), Line<'c>>,
    reconnections: Vec<(Act<'c>, &'c LineReconnected)>,
    self_inspected: Vec<(Act<'c>, Act<'c>)>,
}

impl<'c> Lines<'c> {
    pub(super) fn take(&mut self, context: &Context<'c>, act: &Act<'c>) {
        match act.kind() {
            Some(Kind::LineDisconnected(b)) if !act.revived => {
                if let Some(line) = self.line(b.engine.as_ref(), &b.line) {
                    line.disconnected.get_or_insert(*act);
                    line.last_opened = Some(*act);
                    line.joint = None;
                    line.found_bad = None;
                    line.turns.push((act.happened_s(), false));
                }
            }
            Some(Kind::LineReconnected(b)) => self.reconnect(context, act, b),
            Some(Kind::Inspected(b)) if !act.revived || act.counts() => {
                self.inspect(act, b.engine.as_ref(), &b.line, b.result == CheckResult::Satisfactory as i32);
            }
            _ => {}
        }
    }

    fn line(&mut self, engine: Option<&EngineAt>, name: &str) -> Option<&mut Line<'c>> {
        let engine = engine?;
        let key = (engine.serial.clone(), name.to_owned());
        Some(self.lines.entry(key).or_insert_with(|| Line {
            engine: engine.clone(),
            disconnected: None,
            last_opened: None,
            joint: None,
            found_bad: None,
            turns: Vec::new(),
        }))
    }

    fn reconnect(&mut self, context: &Context<'c>, act: &Act<'c>, body: &'c LineReconnected) {
        if !act.revived {
            self.reconnections.push((*act, body));
        }
        let procedure = context.procedure(act).map(|p| &**p);
        let asked = procedure.and_then(|p| p.line(&body.line));
        let Some(line) = self.line(body.engine.as_ref(), &body.line) else { return };
        let newer = line.last_opened.iter().chain(line.joint.iter().map(|joint| &joint.act));
        if act.revived && newer.clone().any(|other| other.is_after(act)) {
            return;
        }
        if act.counts() {
            line.disconnected = None;
            line.found_bad = None;
            line.turns.push((act.happened_s(), true));
            let unsecured = missing(asked, body, act.happened_s()).map(|why| (*act, why));
            // A line that no procedure lists is inspected.
            let inspection_due = asked.is_none_or(|a| a.inspection);
            line.joint = Some(Joint { act: *act, unsecured, inspection_due, rework: None });
        } else if line.disconnected.is_none() && !act.revived {
            let (before, found_bad) = (line.joint.take(), line.found_bad.take());
            let (unsecured, rework) = before.map_or((None, found_bad), |j| (j.unsecured, j.rework));
            line.joint = Some(Joint { act: *act, unsecured, inspection_due: true, rework });
        }
    }

    fn inspect(&mut self, act: &Act<'c>, engine: Option<&EngineAt>, name: &str, satisfactory: bool) {
        let own_work = self.reconnections.iter().find(|(work, body)| act.names(work) && took_part(act, work, body));
        if let Some((work, _)) = own_work {
            if satisfactory && !act.revived {
                self.self_inspected.push((*work, *act));
            }
            if satisfactory {
                return;
            }
        }
        if !satisfactory && act.revived {
            return;
        }
        let Some(line) = self.line(engine, name) else { return };
        match &mut line.joint {
            // Found bad it is to be worked again, whatever the finder named, or nothing at all.
            Some(joint) if !satisfactory => joint.rework = Some(*act),
            Some(joint) if act.names(&joint.act) && act.counts() && act.by_another_than(&joint.act) => {
                joint.inspection_due = false;
            }
            None if !satisfactory && line.disconnected.is_none() => line.found_bad = Some(*act),
            _ => {}
        }
    }

    /// Whether no line of the engine is open at this place in the order.
    pub(super) fn connected(&self, serial: &str) -> bool {
        self.of(serial).all(|line| line.disconnected.is_none())
    }

    /// Whether no line of the engine was open at that instant, by what stands before this place.
    pub(super) fn connected_at(&self, serial: &str, at_s: u64) -> bool {
        self.of(serial).all(|line| line.turns.iter().rfind(|(when, _)| *when <= at_s).is_none_or(|(_, on)| *on))
    }

    /// Whether every line of the engine is connected, secured and inspected at this place.
    pub(super) fn finished(&self, serial: &str) -> bool {
        let done = |j: &Joint<'_>| j.unsecured.is_none() && j.rework.is_none() && !j.inspection_due;
        self.of(serial)
            .all(|line| line.disconnected.is_none() && line.found_bad.is_none() && line.joint.as_ref().is_none_or(done))
    }

    fn of<'s>(&'s self, serial: &'s str) -> impl Iterator<Item = &'s Line<'c>> {
        self.lines.iter().filter(move |((engine, _), _)| engine == serial).map(|(_, line)| line)
    }

    pub(super) fn open_items(&self, context: &Context<'c>) -> Vec<Open<'c>> {
        self.lines.iter().filter_map(|((_, name), line)| line.open_item(context, name)).collect()
    }

    pub(super) fn self_inspected(&self, context: &Context<'c>) -> Vec<Raised<'c>> {
        let raise = |(work, inspection): &(Act<'c>, Act<'c>)| {
            let mut raised = Raised::new(Rule::SelfInspected, Severity::Major, context, vec![*work, *inspection]);
            if let Some(Kind::Inspected(b)) = inspection.kind() {
                raised.subject = b.line.clone();
            }
            raised
        };
        self.self_inspected.iter().map(raise).collect()
    }
}

impl<'c> Line<'c> {
    fn open_item(&self, context: &Context<'c>, name: &str) -> Option<Open<'c>> {
        let (kind, by, detail) = match (&self.disconnected, &self.joint) {
            (Some(by), _) => (ItemKind::LineDisconnected, *by, String::new()),
            (None, Some(Joint { rework: Some(by), .. })) => (ItemKind::ReworkDue, *by, String::new()),
            (None, Some(Joint { unsecured: Some((by, why)), .. })) => (ItemKind::LineUnsecured, *by, why.clone()),
            (None, Some(Joint { inspection_due: true, act, .. })) => (ItemKind::InspectionDue, *act, String::new()),
            (None, None) => (ItemKind::ReworkDue, self.found_bad?, String::new()),
            _ => return None,
        };
        let mut open = Open::new(kind, by, context.with_engine(&by, &self.engine)).of_engine(&self.engine).about(name);
        open.detail = detail;
        let inspected = context.procedure(&by).and_then(|p| p.line(name)).is_none_or(|l| l.inspection);
        if kind != ItemKind::InspectionDue && inspected {
            open.next.push(ItemKind::InspectionDue);
        }
        Some(open)
    }
}

/// What is missing of a reconnection: torque, locking, or a tool in calibration.
fn missing(asked: Option<&procedure::Line>, body: &LineReconnected, happened_s: u64) -> Option<String> {
    if let Some(asked) = asked {
        if let (Some(min), Some(max)) = (asked.torque_min_millinewton_metres, asked.torque_max_millinewton_metres) {
            match body.torque_millinewton_metres {
                None => return Some("its torque is not recorded".to_owned()),
                Some(torque) if !(min..=max).contains(&torque) => {
                    let [torque, min, max] = [torque, min, max].map(newton_metres);
                    return Some(format!("its torque of {torque} N·m lies outside {min} to {max} N·m"));
                }
                Some(_) => {}
            }
        }
        if asked.locking.is_some_and(|locking| !locking.is(body.locking)) {
            return Some("it is not locked as the procedure asks".to_owned());
        }
    }
    let tool = body.tool.as_ref()?;
    let today = i64::try_from(happened_s / SECONDS_A_DAY).ok()?;
    let past = tool.calibration_due_unix_day.is_some_and(|due| i64::from(due) < today);
    past.then(|| format!("tool {} was past its calibration date", tool.tool))
}

fn newton_metres(millinewton_metres: u32) -> String {
    let (whole, part) = (millinewton_metres / 1000, millinewton_metres % 1000);
    if part == 0 { whole.to_string() } else { format!("{whole}.{part:03}").trim_end_matches('0').to_owned() }
}

/// Whether the inspector reconnected, torqued, locked or helped.
fn took_part(inspection: &Act<'_>, work: &Act<'_>, body: &LineReconnected) -> bool {
    inspection.fact.person.is_some_and(|inspector| {
        work.fact.person == Some(inspector) || body.helpers.iter().any(|helper| helper.as_slice() == inspector.as_ref())
    })
}
