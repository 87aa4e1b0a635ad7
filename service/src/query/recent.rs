//! The newest answers about each aircraft, for as long as they are the answers: until a fact comes that may change them,
//! or the instant from which time alone may. Who asks for the whole fleet asks mostly about aircraft where nothing happened.

use std::collections::HashMap;
use std::sync::{Arc, Mutex, MutexGuard};

use rinsebook_proto::bytes::Id;
use rinsebook_proto::rules::{History, Look, Question, answer};
use rinsebook_proto::v1;

use super::AsOf;

/// After so many entries nothing is gone through: all is derived anew where it is asked for.
const MOST_ENTRIES: u64 = 10_000;

/// See the module.
#[derive(Debug, Default)]
pub(super) struct Recent(Mutex<Answers>);

#[derive(Debug, Default)]
struct Answers {
    /// All of them are as known at this size.
    size: u64,
    of: HashMap<Id, Answer>,
}

#[derive(Debug, Clone)]
struct Answer {
    open: Option<Arc<v1::AircraftItems>>,
    /// What stands in its way, once that was asked.
    assessment: Option<Arc<v1::Assessment>>,
    /// Unix milliseconds; the answer is the same from the first to before the last.
    from_ms: u64,
    until_ms: Option<u64>,
    /// Some device of its washes is not heard out.
    awaits: bool,
}

impl Recent {
    /// What is open on an aircraft and what was found; none where that is nothing.
    pub(super) fn items(&self, history: &History, aircraft: &Id, as_of: AsOf) -> Option<Arc<v1::AircraftItems>> {
        if let Some(answer) = self.kept(history, aircraft, as_of) {
            return answer.open;
        }
        let look = history.look(aircraft, as_of.size, as_of.time_ms);
        let open = message(history, aircraft, as_of.size, &look).map(Arc::new);
        let (from_ms, until_ms) = (as_of.time_ms, look.again_ms);
        let awaits = look.state.devices_heard_until_ms.is_some();
        self.keep(aircraft, as_of, Answer { open: open.clone(), assessment: None, from_ms, until_ms, awaits });
        open
    }

    /// What stands in the way of an aircraft, where the question supposes nothing.
    pub(super) fn assessment(&self, history: &History, question: &Question) -> v1::Assessment {
        let (aircraft, as_of) = (question.aircraft, AsOf { size: question.size, time_ms: question.time_ms });
        let told = v1::AsOf { epoch: question.epoch, size: question.size, time_ms: question.time_ms };
        if let Some(kept) = self.kept(history, &aircraft, as_of).and_then(|answer| answer.assessment) {
            return v1::Assessment { as_of: Some(told), ..Arc::unwrap_or_clone(kept) };
        }
        let (assessment, until_ms) = history.assess_until(question);
        let message = answer::assessment(&assessment);
        let open = !assessment.items.is_empty() || !assessment.findings.is_empty();
        let open = open.then(|| v1::AircraftItems {
            aircraft: message.aircraft.clone(),
            registration: message.registration.clone(),
            items: message.items.clone(),
            findings: message.findings.clone(),
        });
        let (assessed, from_ms) = (Some(Arc::new(message.clone())), as_of.time_ms);
        let awaits = assessment.devices_heard_until_ms.is_some();
        let answer = Answer { open: open.map(Arc::new), assessment: assessed, from_ms, until_ms, awaits };
        self.keep(&aircraft, as_of, answer);
        message
    }

    /// The answer given last, where it still is one.
    fn kept(&self, history: &History, aircraft: &Id, as_of: AsOf) -> Option<Answer> {
        let mut answers = self.answers();
        answers.advance(history, as_of.size);
        let kept = answers.of.get(aircraft).filter(|_| answers.size == as_of.size);
        kept.filter(|answer| answer.holds_at(as_of.time_ms)).cloned()
    }

    fn keep(&self, aircraft: &Id, as_of: AsOf, answer: Answer) {
        let mut answers = self.answers();
        if answers.size == as_of.size {
            answers.of.insert(*aircraft, answer);
        }
    }

    fn answers(&self) -> MutexGuard<'_, Answers> {
        self.0.lock().expect("no holder of this lock panics")
    }
}

impl Answers {
    /// Lets go what the entries up to this size may have changed. A question about an older size changes nothing.
    fn advance(&mut self, history: &History, size: u64) {
        if size <= self.size {
            return;
        }
        if self.of.is_empty() || size - self.size > MOST_ENTRIES {
            self.of.clear();
        } else {
            for index in self.size..size {
                if history.is_heard_again(index) {
                    self.of.retain(|_, answer| !answer.awaits);
                } else {
                    history.aircraft_touched(index).iter().for_each(|aircraft| drop(self.of.remove(aircraft)));
                }
            }
        }
        self.size = size;
    }
}

impl Answer {
    fn holds_at(&self, time_ms: u64) -> bool {
        self.from_ms <= time_ms && self.until_ms.is_none_or(|until| time_ms < until)
    }
}

fn message(history: &History, aircraft: &Id, size: u64, look: &Look) -> Option<v1::AircraftItems> {
    let state = &look.state;
    let open = !state.items.is_empty() || !state.findings.is_empty();
    open.then(|| v1::AircraftItems {
        aircraft: aircraft.to_vec(),
        registration: history.roster().registration(aircraft, size).unwrap_or_default().to_owned(),
        items: state.items.iter().map(answer::item).collect(),
        findings: state.findings.iter().map(answer::finding).collect(),
    })
}
