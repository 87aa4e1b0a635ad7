//! Lines: disconnected, reconnected as asked, inspected by another person who did not help, checked for leaks.
//!
//! ```text
//! disconnected ─► line-disconnected ─ reconnected ─► inspection-due ─ inspected ─► nothing
//!      ▲                                 │  ▲            │ not satisfactory
//!      └── any time, ends what follows   ▼  │ again      ▼
//!                                 line-unsecured     rework-due ─ reconnected again ─► inspection-due
//! ```
//!
//! Beside these stand leak-check-due, from a reconnection until a satisfactory check after it, and line-damaged, from
//! damage until its repair was inspected. A line's items speak of its newest reconnection. One whose signer does not
//! count cannot close anything; on a line that was connected it still asks for an inspection, for somebody touched the
//! joint.

mod hands;
mod items;
mod joint;
mod repairs;

use std::collections::BTreeMap;

use super::act::{Act, Context};
use super::finding::{Raised, Rule, Severity};
use super::item::Open;
use super::turns::{Ended, Turns};
use crate::fact::Kind;
use crate::v1::{CheckResult, ElementKind, EngineAt, LeakChecked, LineReconnected};
use hands::Hands;
use joint::{Joint, took_part};
pub(super) use joint::{Shortfall, tool_past, torque_short};
use repairs::Damage;

/// One line of one engine, by serial number and name.
#[derive(Debug)]
struct Line<'c> {
    engine: EngineAt,
    /// Who opened it, while it is open.
    disconnected: Option<Act<'c>>,
    /// The newest opening, whether or not it is open now.
    last_opened: Option<Act<'c>>,
    joint: Option<Joint<'c>>,
    /// The joint before it was opened: who looks at an older one yet looks at what is past.
    opened_joint: Option<Joint<'c>>,
    /// What was found not satisfactory since the newest reconnection.
    rework: Option<Act<'c>>,
    /// Each damage until its repair was inspected.
    damages: Vec<Damage<'c>>,
    turns: Turns,
}

/// All lines that a fact touched.
#[derive(Debug, Default)]
pub(super) struct Lines<'c> {
    lines: BTreeMap<(String, String), Line<'c>>,
    reconnections: Vec<(Act<'c>, &'c LineReconnected)>,
    repairs: Vec<Act<'c>>,
    self_inspected: Vec<(Act<'c>, Act<'c>)>,
    ended: Vec<Ended<'c>>,
    hands: Hands<'c>,
}

impl<'c> Lines<'c> {
    pub(super) fn take(&mut self, context: &Context<'c>, act: &Act<'c>) {
        match act.kind() {
            Some(Kind::LineDisconnected(b)) if !act.revived => self.disconnect(act, b.engine.as_ref(), &b.line),
            Some(Kind::LineReconnected(b)) => self.reconnect(context, act, b),
            Some(Kind::Inspected(b)) if !act.revived || act.counts() => {
                self.inspect(act, b.engine.as_ref(), &b.line, b.result == CheckResult::Satisfactory as i32);
            }
            Some(Kind::ReinspectedAlone(b))
                if !b.line.is_empty() && b.result == CheckResult::NotSatisfactory as i32 =>
            {
                self.fail(act, b.engine.as_ref(), &b.line);
            }
            Some(Kind::LeakChecked(b)) => self.leak_check(act, b),
            Some(Kind::DefectRaised(b)) if !act.revived && !b.line.is_empty() => {
                if let Some(line) = self.line(b.engine.as_ref(), &b.line) {
                    line.damages.push(Damage::raised(act));
                }
            }
            Some(Kind::LineRepaired(b)) if !b.data_reference.trim().is_empty() => {
                self.repair(act, b.engine.as_ref(), &b.line);
            }
            Some(Kind::PartReplaced(b)) => self.repair(act, b.engine.as_ref(), &b.line),
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
            opened_joint: None,
            rework: None,
            damages: Vec::new(),
            turns: Turns::default(),
        }))
    }

    fn disconnect(&mut self, act: &Act<'c>, engine: Option<&EngineAt>, name: &str) {
        let Some(line) = self.line(engine, name) else { return };
        line.disconnected.get_or_insert(*act);
        line.last_opened = Some(*act);
        line.turns.opened(act.happened_s());
        let Some(joint) = line.joint.take() else { return };
        if joint.act.wash() != act.wash() {
            self.hands.keep(name, &joint);
        }
        if let Some(line) = self.line(engine, name) {
            line.opened_joint = Some(joint);
        }
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
        let mut joint = Joint::new(act, body, asked);
        if act.counts() {
            let opened = line.disconnected.take();
            line.turns.closed(act.happened_s());
            // Only a new reconnection ends rework, and then the work done again is inspected.
            if line.rework.is_some() && !joint.inspection_due() {
                joint.unseen.push(*act);
            }
            line.rework = line.rework.filter(|found| act.leaves_rework || found.is_after(act));
            line.joint = Some(joint);
            self.ended.extend(opened.map(|opened| Ended::new(ElementKind::Line, &body.line, opened, *act)));
        } else if line.disconnected.is_none() && !act.revived {
            let before = line.joint.take();
            line.joint = Some(joint.touching(before));
        }
    }

    fn inspect(&mut self, act: &Act<'c>, engine: Option<&EngineAt>, name: &str, satisfactory: bool) {
        if !satisfactory {
            self.fail(act, engine, name);
            return;
        }
        let joints = self.reconnections.iter().filter(|(work, body)| took_part(act, work, body)).map(|(work, _)| work);
        let repairs =
            self.repairs.iter().filter(|work| act.fact.person.is_some() && act.fact.person == work.fact.person);
        if let Some(work) = joints.chain(repairs).find(|work| act.names(work)).copied() {
            if !act.revived {
                self.self_inspected.push((work, *act));
            }
            return;
        }
        let Some(line) = self.line(engine, name).filter(|_| act.counts()) else { return };
        if let Some(joint) = &mut line.joint {
            joint.seen(act);
        }
        line.damages.retain(|damage| !damage.is_mended_by(act));
    }

    /// What was found not satisfactory, whoever looked: of the repair of a damage, then it is no repair; of an older
    /// reconnection, then it is past.
    fn fail(&mut self, act: &Act<'c>, engine: Option<&EngineAt>, name: &str) {
        if act.revived {
            return;
        }
        let of_line = |body: &LineReconnected| body.line == name && body.engine.as_ref() == engine;
        let works = self.reconnections.iter().filter(|(work, body)| of_line(body) && act.names(work));
        let named: Vec<Act<'c>> = works.map(|(work, _)| *work).collect();
        let Some(line) = self.line(engine, name) else { return };
        // The damage stands: repairing it again is the work that is done again.
        let of_a_repair = line.damages.iter_mut().map(|damage| damage.refuse(act));
        if of_a_repair.fold(false, std::ops::BitOr::bitor) {
            return;
        }
        let newest = line.joint.as_ref().or(line.opened_joint.as_ref());
        let past = |work: &Act<'_>| newest.is_some_and(|joint| joint.act.is_after(work) && !joint.is_of(work));
        if named.is_empty() || !named.iter().all(past) {
            line.rework = Some(*act);
        }
    }

    fn leak_check(&mut self, act: &Act<'c>, body: &LeakChecked) {
        let satisfactory = body.result == CheckResult::Satisfactory as i32;
        if !satisfactory {
            self.fail(act, body.engine.as_ref(), &body.line);
        }
        let Some(line) = self.line(body.engine.as_ref(), &body.line) else { return };
        let Some(joint) = &mut line.joint else { return };
        if satisfactory && act.counts() && joint.leak_due.is_some_and(|since| act.is_after(&since)) {
            joint.leak_due = None;
        } else if !satisfactory && !act.revived && joint.leak_asked {
            joint.leak_due = Some(*act);
        }
    }

    fn repair(&mut self, act: &Act<'c>, engine: Option<&EngineAt>, name: &str) {
        if !act.revived {
            self.repairs.push(*act);
        }
        if let Some(line) = self.line(engine, name) {
            line.damages.iter_mut().for_each(|damage| damage.repair(act));
        }
    }

    /// One person's second look that its settlement lets count.
    pub(super) fn let_alone_count(&mut self, look: &Act<'c>, engine: Option<&EngineAt>, name: &str) {
        let joint = self.line(engine, name).and_then(|line| line.joint.as_mut());
        if let Some(joint) = joint {
            joint.unseen.retain(|work| !look.names(work));
        }
    }

    /// Whether no line of the engine is open at this place in the order.
    pub(super) fn connected(&self, serial: &str) -> bool {
        self.of(serial).all(|(_, line)| line.disconnected.is_none())
    }

    /// Whether no line of the engine was open at that instant, by what stands before this place.
    pub(super) fn connected_at(&self, serial: &str, at_s: u64) -> bool {
        self.of(serial).all(|(_, line)| !line.turns.open_at(at_s))
    }

    /// Whether every line of the engine is connected, secured and inspected at this place.
    pub(super) fn finished(&self, serial: &str) -> bool {
        let done = |j: &Joint<'_>| j.unsecured.is_none() && !j.inspection_due();
        self.of(serial).all(|(_, line)| {
            line.disconnected.is_none() && line.rework.is_none() && line.joint.as_ref().is_none_or(done)
        })
    }

    /// Lines of the engine that are open at this place, or were at that instant.
    pub(super) fn open_then<'s>(&'s self, serial: &'s str, at_s: u64) -> impl Iterator<Item = &'s str> {
        let open = move |line: &Line<'_>| line.disconnected.is_some() || line.turns.open_at(at_s);
        self.of(serial).filter(move |(_, line)| open(line)).map(|(name, _)| name)
    }

    /// Whether the line was open at that instant, by what stands before this place.
    pub(super) fn was_open_at(&self, serial: &str, name: &str, at_s: u64) -> bool {
        self.get(serial, name).is_some_and(|line| line.turns.open_at(at_s))
    }

    /// Who opened the line, while it is open.
    pub(super) fn opening_of(&self, serial: &str, name: &str) -> Option<Act<'c>> {
        self.get(serial, name)?.disconnected
    }

    /// Whether the line stands to be worked again: then it is reconnected without being opened.
    pub(super) fn stands_for_rework(&self, serial: &str, name: &str) -> bool {
        let unsecured = |line: &Line<'_>| line.joint.as_ref().is_some_and(|joint| joint.unsecured.is_some());
        self.get(serial, name).is_some_and(|line| line.rework.is_some() || unsecured(line))
    }

    /// The reconnections that the line's present joint was made by; none while it is open.
    pub(super) fn joints(&self) -> impl Iterator<Item = (&EngineAt, Act<'c>, &'c LineReconnected)> {
        let joints = self.lines.values().filter_map(|line| Some((&line.engine, line.joint.as_ref()?)));
        joints.flat_map(|(engine, joint)| joint.made.iter().map(move |(act, body)| (engine, *act, *body)))
    }

    pub(super) fn ended(&self) -> &[Ended<'c>] {
        &self.ended
    }

    fn get(&self, serial: &str, name: &str) -> Option<&Line<'c>> {
        self.lines.get(&(serial.to_owned(), name.to_owned()))
    }

    fn of<'s>(&'s self, serial: &'s str) -> impl Iterator<Item = (&'s str, &'s Line<'c>)> {
        let of_engine = self.lines.iter().filter(move |((engine, _), _)| engine == serial);
        of_engine.map(|((_, name), line)| (name.as_str(), line))
    }

    pub(super) fn open_items(&self, context: &Context<'c>) -> Vec<Open<'c>> {
        self.lines.iter().flat_map(|((_, name), line)| line.open_items(context, name)).collect()
    }

    pub(super) fn findings(&self, context: &Context<'c>) -> Vec<Raised<'c>> {
        let raise = |(work, inspection): &(Act<'c>, Act<'c>)| {
            let mut raised = Raised::new(Rule::SelfInspected, Severity::Major, context, vec![*work, *inspection]);
            if let Some(Kind::Inspected(b)) = inspection.kind() {
                raised.subject = b.line.clone();
            }
            raised
        };
        let mut raised: Vec<Raised<'c>> = self.self_inspected.iter().map(raise).collect();
        let standing = self.lines.iter().filter_map(|((_, name), line)| {
            let joint = line.joint.as_ref().filter(|_| line.disconnected.is_none() && line.rework.is_none())?;
            Some((name.as_str(), joint))
        });
        raised.extend(self.hands.findings(context, standing));
        raised
    }
}
