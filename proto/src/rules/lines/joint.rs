//! A joint: what the newest reconnection of a line left behind, and what it fell short of.

use crate::rules::act::Act;
use crate::rules::procedure;
use crate::v1::LineReconnected;

const SECONDS_A_DAY: u64 = 86_400;

/// What the newest reconnection left behind.
#[derive(Debug)]
pub(super) struct Joint<'c> {
    pub(super) act: Act<'c>,
    /// What is missing of torque, locking, tool; and the reconnection that left it so.
    pub(super) unsecured: Option<(Act<'c>, String)>,
    /// Its reconnections that another person has still to look at: the one that counts, and whoever touched it after.
    pub(super) unseen: Vec<Act<'c>>,
    /// Another person inspected it and found it satisfactory.
    pub(super) inspected: bool,
    /// The procedure asks for a leak or function check.
    pub(super) leak_asked: bool,
    /// Since when a check is due.
    pub(super) leak_due: Option<Act<'c>>,
    /// The reconnections that made it: one that counts, and whoever touched it after.
    pub(super) made: Vec<(Act<'c>, &'c LineReconnected)>,
}

impl<'c> Joint<'c> {
    pub(super) fn new(act: &Act<'c>, body: &'c LineReconnected, asked: Option<&procedure::Line>) -> Self {
        let unsecured = shortfall(asked, body, act.happened_s());
        Joint {
            act: *act,
            unsecured: unsecured.map(|short| (*act, short.to_string())),
            // A line that no procedure lists is inspected.
            unseen: asked.is_none_or(|line| line.inspection).then_some(*act).into_iter().collect(),
            inspected: false,
            leak_asked: asked.is_some_and(|line| line.leak_check),
            leak_due: asked.filter(|line| line.leak_check).map(|_| *act),
            made: vec![(*act, body)],
        }
    }

    pub(super) fn inspection_due(&self) -> bool {
        !self.unseen.is_empty()
    }

    /// A look that is good, by somebody who did not make what it names.
    pub(super) fn seen(&mut self, look: &Act<'c>) {
        let looked_at = |work: &Act<'c>| look.names(work) && look.by_another_than(work);
        self.unseen.retain(|work| !looked_at(work));
        // Somebody may look where the procedure does not ask for it.
        self.inspected |= self.unseen.is_empty() && self.made.iter().any(|(work, _)| looked_at(work));
    }

    /// Whether that reconnection is part of it, or one of those that it replaced.
    pub(super) fn is_of(&self, work: &Act<'_>) -> bool {
        self.made.iter().any(|(act, _)| act.hash() == work.hash())
    }

    /// As a reconnection that does not count leaves a joint that was there: nothing is closed, and it is inspected again.
    pub(super) fn touching(mut self, before: Option<Joint<'c>>) -> Self {
        self.unseen = vec![self.act];
        let Some(before) = before else { return self };
        self.unseen.splice(0..0, before.unseen);
        self.unsecured = self.unsecured.or(before.unsecured);
        self.leak_asked |= before.leak_asked;
        self.leak_due = self.leak_due.or(before.leak_due);
        self.made.splice(0..0, before.made);
        self
    }
}

/// What a reconnection falls short of.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub(in crate::rules) enum Shortfall {
    #[error("its torque is not recorded")]
    TorqueMissing,
    #[error("its torque of {torque} N·m lies outside {min} to {max} N·m", torque = newton_metres(*torque), min = newton_metres(*min), max = newton_metres(*max))]
    TorqueOut { torque: u32, min: u32, max: u32 },
    #[error("it is not locked as the procedure asks")]
    NotLocked,
    #[error("tool {0} was past its calibration date")]
    ToolPast(String),
}

/// What is missing of a reconnection: torque, locking, or a tool in calibration.
fn shortfall(asked: Option<&procedure::Line>, body: &LineReconnected, happened_s: u64) -> Option<Shortfall> {
    torque_short(asked, body)
        .or_else(|| {
            let locking = asked.and_then(|asked| asked.locking)?;
            (!locking.is(body.locking)).then_some(Shortfall::NotLocked)
        })
        .or_else(|| tool_past(body, happened_s))
}

/// What its torque falls short of, where the procedure gives a window.
pub(in crate::rules) fn torque_short(asked: Option<&procedure::Line>, body: &LineReconnected) -> Option<Shortfall> {
    let asked = asked?;
    let (min, max) = (asked.torque_min_millinewton_metres?, asked.torque_max_millinewton_metres?);
    match body.torque_millinewton_metres {
        None => Some(Shortfall::TorqueMissing),
        Some(torque) => (!(min..=max).contains(&torque)).then_some(Shortfall::TorqueOut { torque, min, max }),
    }
}

/// A tool is good on the last day of its calibration.
pub(in crate::rules) fn tool_past(body: &LineReconnected, happened_s: u64) -> Option<Shortfall> {
    let tool = body.tool.as_ref()?;
    let today = i64::try_from(happened_s / SECONDS_A_DAY).ok()?;
    let past = tool.calibration_due_unix_day.is_some_and(|due| i64::from(due) < today);
    past.then(|| Shortfall::ToolPast(tool.tool.clone()))
}

fn newton_metres(millinewton_metres: u32) -> String {
    let (whole, part) = (millinewton_metres / 1000, millinewton_metres % 1000);
    if part == 0 { whole.to_string() } else { format!("{whole}.{part:03}").trim_end_matches('0').to_owned() }
}

/// Whether the inspector reconnected, torqued, locked or helped.
pub(super) fn took_part(inspection: &Act<'_>, work: &Act<'_>, body: &LineReconnected) -> bool {
    inspection.fact.person.is_some_and(|inspector| {
        work.fact.person == Some(inspector) || body.helpers.iter().any(|helper| helper.as_slice() == inspector.as_ref())
    })
}
