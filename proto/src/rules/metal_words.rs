//! Words for the items and findings of work on metal; nothing for others.

use super::breaches::why_impossible;
use super::finding::{Raised, Rule};
use super::item::ItemKind;
use crate::fact::Kind;
use crate::v1::{Authority, EngineAt};

/// In a few words; `on` is "engine 1 " or empty.
pub(super) fn short(kind: ItemKind, on: &str, subject: &str) -> Option<String> {
    Some(match kind {
        ItemKind::LeakCheckDue => format!("{on}line {subject} not checked for leaks"),
        ItemKind::LineDamaged => format!("{on}line {subject} damaged"),
        ItemKind::IsolationOpen => format!("{on}{subject} isolated"),
        ItemKind::LatchCheckDue => format!("{on}{subject} latches not seen"),
        ItemKind::ToolCheckDue => "tools not counted in".to_owned(),
        ItemKind::ToolMissing => format!("tool {subject} missing"),
        ItemKind::Unaccounted => format!("{on}{subject} not accounted for"),
        ItemKind::ToolRecalled => format!("joints made with tool {subject} in doubt"),
        ItemKind::DefectOpen => format!("{on}defect {subject} open"),
        ItemKind::FinalCheckDue => "final check not done".to_owned(),
        _ => return None,
    })
}

pub(super) fn closes(kind: ItemKind) -> Option<&'static str> {
    Some(match kind {
        ItemKind::LeakCheckDue => "A satisfactory leak or function check after the reconnection; it is never waived.",
        ItemKind::LineDamaged => {
            "The line is repaired to data or the part replaced; another person then inspects it, naming that."
        }
        ItemKind::IsolationOpen => "It is restored, and tested where the procedure asks.",
        ItemKind::LatchCheckDue => {
            "A person who neither opened nor closed it sees all its latches, naming the closing."
        }
        ItemKind::ToolCheckDue => "What went out is in again, by identity; or it is said that none are used.",
        ItemKind::ToolMissing => "It comes in; or it is searched for, and another person accepts the search.",
        ItemKind::Unaccounted => {
            "It is opened and closed; or said not to be used, with the reason; or found deferred already."
        }
        ItemKind::ToolRecalled => "Certifying staff disposition each joint, naming the recall and the reconnection.",
        ItemKind::DefectOpen => "It is rectified; deferred it stays open, and blocks from the deferral's limit.",
        ItemKind::FinalCheckDue => {
            "After the last close: clear of tools, equipment and loose material, and panels refitted."
        }
        _ => return None,
    })
}

pub(super) fn who_may(kind: ItemKind) -> Option<Vec<Authority>> {
    Some(match kind {
        ItemKind::LeakCheckDue | ItemKind::IsolationOpen | ItemKind::ToolCheckDue | ItemKind::FinalCheckDue => {
            vec![Authority::Perform]
        }
        ItemKind::LineDamaged => vec![Authority::Perform, Authority::Inspect],
        ItemKind::LatchCheckDue => vec![Authority::Inspect],
        ItemKind::ToolMissing => vec![Authority::Perform, Authority::Certify],
        ItemKind::Unaccounted => vec![Authority::Perform],
        ItemKind::ToolRecalled | ItemKind::DefectOpen => vec![Authority::Certify],
        _ => return None,
    })
}

/// A finding in a sentence; `on` is " on engine 1" or empty.
pub(super) fn finding(raised: &Raised<'_>, engine: Option<&EngineAt>, on: &str) -> Option<String> {
    let subject = &raised.subject;
    Some(match raised.rule {
        Rule::LineNotOpened => format!("Water went in{on} with line {subject} not recorded open."),
        Rule::LineOutsideProcedure => {
            format!("Line {subject}{on} was disconnected, which the procedure does not list.")
        }
        Rule::ReconnectedWet => format!("Line {subject}{on} was reconnected before the engine was dried."),
        Rule::TorqueOut => format!("Line {subject}{on} was torqued outside the procedure's window."),
        Rule::ToolUncalibrated => format!("Line {subject}{on} was torqued by a tool past its calibration date."),
        Rule::ReinspectedAlone => {
            format!("{subject}{on} had its second look by one person alone; that counts only once it is settled so.")
        }
        Rule::SameHands => {
            format!("One person closed line {subject} on two engines, and not each was inspected by another.")
        }
        Rule::RunWhileOpen => {
            format!("The engine{} ran with {subject} open, fitted or missing.", &on.replace(" on engine", ""))
        }
        Rule::ImpossibleStep => {
            let why = why_impossible(raised, engine);
            let step = match raised.rests_on.last().and_then(super::act::Act::kind) {
                Some(Kind::LineDisconnected(b)) => format!("Disconnecting line {}{on}", b.line),
                Some(Kind::LineReconnected(b)) => format!("Reconnecting line {}{on}", b.line),
                kind => format!("\"{}\"{on}", kind.map_or("unread", super::kinds::kind_name).replace('-', " ")),
            };
            format!("{step} cannot be: {why}.")
        }
        _ => return None,
    })
}
