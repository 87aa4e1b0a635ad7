//! What was open, derived again from the facts in the pack; and every recorded answer, compared word for word.

use std::collections::BTreeSet;

use prost::Message;
use rinsebook_proto::RULES_VERSION;
use rinsebook_proto::bytes::{Hash, Id};
use rinsebook_proto::fact::Subject;
use rinsebook_proto::pack::Pack;
use rinsebook_proto::rules::{History, answer};
use rinsebook_proto::v1;

use super::heads::Head;
use super::{Found, Item, PackGood, answered, at, attachment};

/// What is open on one aircraft when the pack was issued.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Open {
    /// Its registration, or its id where none is listed.
    pub aircraft: String,
    /// One sentence an item.
    pub items: Vec<String>,
    /// One sentence a finding, with how it was settled.
    pub findings: Vec<String>,
}

pub(super) fn check(pack: &Pack, items: &[Item], head: &Head, good: &mut PackGood) -> Result<(), Found> {
    let attachment = attachment(pack);
    let mut history = History::new();
    items.iter().for_each(|item| history.add(item.recorded.clone(), &attachment));
    for item in items {
        let Some(given) = answered(item) else { continue };
        let wrong = at(item.index(), "assessment", "assessment");
        if given.rules_version != RULES_VERSION {
            good.answers_of_other_rules += 1;
            continue;
        }
        let digest = given.assessment.as_ref().and_then(|a| Hash::from_slice(&a.digest));
        let bytes = digest.and_then(|digest| attachment(&digest)).ok_or_else(|| wrong("its answer is not there"))?;
        let told = v1::Assessment::decode(bytes.as_slice()).map_err(|_| wrong("its answer cannot be read"))?;
        let question = answer::question(&told).ok_or_else(|| wrong("its answer names no aircraft or moment"))?;
        if (given.epoch, given.at_size, given.at_time_ms) != (question.epoch, question.size, question.time_ms) {
            return Err(wrong("the fact and the answer speak of different moments"));
        }
        if question.size > item.index() {
            return Err(wrong("it answers from entries that came after it"));
        }
        // An aircraft whose chain is not in the pack cannot be judged by it.
        if !head.subjects.contains(&Subject::Aircraft(question.aircraft)) {
            good.answers_elsewhere += 1;
            continue;
        }
        if answer::assessment(&history.assess(&question)).encode_to_vec() != bytes {
            return Err(wrong("the facts give another answer than the one recorded"));
        }
        good.answers += 1;
    }
    let aircraft: BTreeSet<Id> = head.subjects.iter().filter_map(aircraft).collect();
    good.open = aircraft.iter().map(|aircraft| open(&history, aircraft, head)).collect();
    Ok(())
}

fn aircraft(subject: &Subject) -> Option<Id> {
    if let Subject::Aircraft(id) = subject { Some(*id) } else { None }
}

fn open(history: &History, aircraft: &Id, head: &Head) -> Open {
    let size = head.index + 1;
    let state = history.state(aircraft, size, head.issued_ms);
    let of_wash =
        |wash: Option<Id>| head.issued.wash.is_empty() || wash.is_some_and(|w| w.0.as_slice() == head.issued.wash);
    let registration = history.roster().registration(aircraft, size);
    let settled = |finding: &rinsebook_proto::rules::Finding| match &finding.settled {
        Some((by, outcome)) => format!("; {outcome:?} by entry {}", by.index).to_lowercase(),
        None => "; not settled".to_owned(),
    };
    Open {
        aircraft: registration.map_or_else(|| aircraft.to_string(), str::to_owned),
        items: state.items.iter().filter(|item| of_wash(item.wash)).map(|item| item.text.clone()).collect(),
        findings: state
            .findings
            .iter()
            .filter(|finding| of_wash(finding.wash))
            .map(|finding| format!("{}: {}{}", finding.rule.name(), finding.text, settled(finding)))
            .collect(),
    }
}
