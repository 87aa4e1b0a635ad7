//! Words for people: what is open on an engine that turned or waits, on a wash that changes hands, procedure or
//! signature; and which rules were broken.

use super::finding::{Raised, Rule};
use super::item::ItemKind;
use crate::v1::Authority;

/// In a few words; `on` is empty or names the engine.
pub(super) fn short(kind: ItemKind, on: &str, subject: &str) -> Option<String> {
    Some(match kind {
        ItemKind::CyclesShort => format!("{on}too few cycles"),
        ItemKind::MotoringRest => format!("{on}starter resting"),
        ItemKind::StartUnconfirmed => format!("{on}start not confirmed, ask whether it ran"),
        ItemKind::FreezeWatch => format!("{on}may freeze"),
        ItemKind::HandoverDue => "work not taken over".to_owned(),
        ItemKind::ProcedureRevised => format!("{subject} of the procedure to be decided on"),
        ItemKind::ReleaseReferenceDue if subject.is_empty() => "release reference not recorded".to_owned(),
        ItemKind::ReleaseReferenceDue => format!("release reference of work order {subject} not recorded"),
        _ => return None,
    })
}

pub(super) fn closes(kind: ItemKind) -> Option<&'static str> {
    Some(match kind {
        ItemKind::CyclesShort => {
            "As many valid cycles as the procedure asks; or the engine is dropped, the wash abandoned, or the sign-off \
             states how many there were."
        }
        ItemKind::MotoringRest => "The starter's rest passes.",
        ItemKind::StartUnconfirmed => "The start is recorded, planned anew or cancelled.",
        ItemKind::FreezeWatch => "The engine is run up, started long enough, or dried otherwise; warmer air does not.",
        ItemKind::HandoverDue => {
            "Another person accepts it with their signature; or whoever interrupted the work resumes it."
        }
        ItemKind::ProcedureRevised => {
            "Certifying staff decide: go on with the revision that the wash was opened with, and why; or move to the \
             newer one."
        }
        ItemKind::ReleaseReferenceDue => "The log page or release number is recorded, naming the sign-off.",
        _ => return None,
    })
}

pub(super) fn who_may(kind: ItemKind) -> Option<Vec<Authority>> {
    Some(match kind {
        ItemKind::CyclesShort => vec![Authority::Perform, Authority::Certify],
        ItemKind::MotoringRest => Vec::new(),
        ItemKind::StartUnconfirmed => vec![Authority::Plan],
        ItemKind::FreezeWatch => vec![Authority::Run, Authority::Certify, Authority::Plan],
        ItemKind::HandoverDue => vec![Authority::Perform],
        ItemKind::ProcedureRevised | ItemKind::ReleaseReferenceDue => vec![Authority::Certify],
        _ => return None,
    })
}

/// What stood in the way of turning an engine.
pub(super) fn barred_by(kind: ItemKind) -> String {
    match kind {
        ItemKind::HandoverDue => "the work had been left and nobody had taken it over".to_owned(),
        ItemKind::ToolMissing => "a tool was missing".to_owned(),
        other => format!("{} was open", other.name().replace('-', " ")),
    }
}

/// What was broken, in a sentence; `on` is empty or says on which engine.
pub(super) fn finding(raised: &Raised<'_>, on: &str) -> Option<String> {
    let said = said(raised.rule, on)?;
    Some(if raised.detail.is_empty() { format!("{said}.") } else { format!("{said}: {}.", raised.detail) })
}

fn said(rule: Rule, on: &str) -> Option<String> {
    Some(match rule {
        Rule::InjectedEarly => format!("Water was injected{on} too soon after the starter began to turn it"),
        Rule::RotationUnconfirmed => format!("Water was injected{on} without rotation confirmed before"),
        Rule::SpeedLow => format!("A cycle{on} was too slow and does not count; its water does"),
        Rule::InjectionShort => format!("A cycle{on} injected for too short a time and does not count; its water does"),
        Rule::SoakShort => format!("Motoring{on} cut the soak short"),
        Rule::WaterHot => format!("The water injected{on} was too hot"),
        Rule::WaterCold => format!("The water injected{on} was too cold"),
        Rule::VolumeShort => "There was too little water".to_owned(),
        Rule::ReadingMissing => format!("Water was injected{on} with no reading before it"),
        Rule::TooColdOutside => format!("Water was injected{on} in air too cold for it"),
        Rule::EngineTooCold => format!("Water was injected{on} into an engine too cold for it"),
        Rule::EngineTooHot => format!("Water was injected{on} into an engine too hot for it"),
        Rule::StarterOverrun => format!("The starter{on} was overrun"),
        Rule::MotoredWhileBarred => format!("The starter turned{on} while something stood in its way"),
        Rule::AreaNotCleared => format!("The starter turned{on} without the area cleared for it all the while"),
        Rule::WrongEngine => format!("Work was begun{on}, which the wash is not about"),
        Rule::RunUpMissed => format!("The run-up window{on} ended with no run recorded"),
        Rule::ProcedureWithdrawn => "The wash was opened against a procedure that was withdrawn".to_owned(),
        Rule::ProcedureSuperseded => {
            "The wash was opened against a procedure that a newer revision replaced".to_owned()
        }
        Rule::SignedOffEarly => "The wash was signed off too early; that has no effect".to_owned(),
        _ => return None,
    })
}
