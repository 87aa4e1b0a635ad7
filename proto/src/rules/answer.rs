//! Items, findings and assessments as messages: the only place where they are converted, so that the service, the
//! client and the verifier encode the same bytes.

use super::state::LatestStart;
use super::{Assessment, Blocks, FactRef, Finding, Item, Outcome, Question, Severity, Verdict};
use crate::bytes::Id;
use crate::v1;

pub use super::fact_text::fact_text;

/// Where a fact stands.
pub fn fact_ref(fact: &FactRef) -> v1::FactRef {
    v1::FactRef {
        index: fact.index,
        envelope_hash: fact.hash.to_vec(),
        happened_ms: fact.happened_ms,
        kind: fact.kind.to_owned(),
    }
}

/// An open item.
pub fn item(item: &Item) -> v1::OpenItem {
    let blocks = match item.blocks {
        Blocks::No => v1::Blocks::No,
        Blocks::Yes => v1::Blocks::Yes,
        Blocks::SignOff => v1::Blocks::SignOff,
        Blocks::Condition => v1::Blocks::Condition,
    };
    v1::OpenItem {
        kind: item.kind as i32,
        aircraft: item.aircraft.to_vec(),
        wash: item.wash.map(|w| w.to_vec()).unwrap_or_default(),
        engine: item.engine.clone(),
        subject: item.subject.clone(),
        opened_by: Some(fact_ref(&item.opened_by)),
        due_ms: item.due_ms,
        blocks: blocks as i32,
        text: item.text.clone(),
        closes: item.closes.clone(),
        who_may: item.who_may.iter().map(|a| *a as i32).collect(),
        name: item.kind.name().to_owned(),
    }
}

/// A finding.
pub fn finding(finding: &Finding) -> v1::Finding {
    let severity = match finding.severity {
        Severity::Note => v1::Severity::Note,
        Severity::Minor => v1::Severity::Minor,
        Severity::Major => v1::Severity::Major,
    };
    let outcome = finding.settled.as_ref().map(|(_, outcome)| match outcome {
        Outcome::Accepted => v1::FindingOutcome::Accepted as i32,
        Outcome::Rejected => v1::FindingOutcome::Rejected as i32,
    });
    v1::Finding {
        rule: finding.rule.name().to_owned(),
        severity: severity as i32,
        aircraft: finding.aircraft.to_vec(),
        wash: finding.wash.map(|w| w.to_vec()).unwrap_or_default(),
        engine: finding.engine.clone(),
        subject: finding.subject.clone(),
        rests_on: finding.rests_on.iter().map(fact_ref).collect(),
        text: finding.text.clone(),
        settled_by: finding.settled.as_ref().map(|(by, _)| fact_ref(by)),
        outcome,
    }
}

fn latest_start(start: &LatestStart) -> v1::LatestStart {
    v1::LatestStart {
        engine: Some(start.engine.clone()),
        latest_start_ms: start.latest_start_ms,
        window_end_ms: start.window_end_ms,
        air_source: start.air_source.clone(),
    }
}

/// The question that an assessment says it answers; none where it names no aircraft or no moment.
pub fn question(given: &v1::Assessment) -> Option<Question> {
    let as_of = given.as_of?;
    Some(Question {
        aircraft: Id::from_slice(&given.aircraft)?,
        planned_start_ms: given.planned_start_ms,
        assume_closed: given.assumed_closed.clone(),
        epoch: as_of.epoch,
        size: as_of.size,
        time_ms: as_of.time_ms,
    })
}

/// An assessment.
pub fn assessment(assessment: &Assessment) -> v1::Assessment {
    let verdict = match assessment.verdict {
        Verdict::Blocked => v1::Verdict::Blocked,
        Verdict::Conditions => v1::Verdict::Conditions,
        Verdict::NothingOpen => v1::Verdict::NothingOpen,
    };
    let question = &assessment.question;
    v1::Assessment {
        aircraft: question.aircraft.to_vec(),
        registration: assessment.registration.clone(),
        verdict: verdict as i32,
        first_line: assessment.first_line.clone(),
        items: assessment.items.iter().map(item).collect(),
        findings: assessment.findings.iter().map(finding).collect(),
        conditions: assessment.conditions.clone(),
        latest_starts: assessment.latest_starts.iter().map(latest_start).collect(),
        horizon_ms: assessment.horizon_ms,
        devices_heard_until_ms: assessment.devices_heard_until_ms,
        planned_start_ms: question.planned_start_ms,
        assumed_closed: question.assume_closed.clone(),
        as_of: Some(v1::AsOf { epoch: question.epoch, size: question.size, time_ms: question.time_ms }),
        rules_version: crate::RULES_VERSION,
        notice: assessment.notice.to_owned(),
    }
}
