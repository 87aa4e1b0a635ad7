//! The newest answers about each aircraft, for as long as they are the answers: until a fact comes that may change them,
//! or the instant from which time alone may. Who asks for the whole fleet asks mostly about aircraft where nothing happened.

use std::collections::HashMap;
use std::sync::{Arc, Mutex, MutexGuard};

use rinsebook_proto::bytes::Id;
use rinsebook_proto::rules::{History, Look, answer};
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
    /// Unix milliseconds; the answer is the same from the first to before the last.
    from_ms: u64,
    until_ms: Option<u64>,
    /// Some device of its washes is not heard out.
    awaits: bool,
}

impl Recent {
    /// What is open on an aircraft and what was found; none where that is nothing.
    pub(super) fn items(&self, history: &History, aircraft: &Id, as_of: AsOf) -> Option<Arc<v1::AircraftItems>> {
        {
            let mut answers = self.answers();
            answers.advance(history, as_of.size);
            let kept = answers.of.get(aircraft).filter(|_| answers.size == as_of.size);
            if let Some(answer) = kept.filter(|answer| answer.holds_at(as_of.time_ms)) {
                return answer.open.clone();
            }
        }
        let look = history.look(aircraft, as_of.size, as_of.time_ms);
        let open = message(history, aircraft, as_of.size, &look).map(Arc::new);
        let mut answers = self.answers();
        if answers.size == as_of.size {
            let (from_ms, until_ms) = (as_of.time_ms, look.again_ms);
            let awaits = look.state.devices_heard_until_ms.is_some();
            answers.of.insert(*aircraft, Answer { open: open.clone(), from_ms, until_ms, awaits });
        }
        open
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
