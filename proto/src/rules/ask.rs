//! What a history is asked.

use super::assess;
use super::case::Case;
use super::held;
use super::history::History;
use super::reach::{self, RestsOn};
use super::{Assessment, Deed, Look, Question, State, ahead, deeds};
use crate::bytes::Id;

impl History {
    /// What is open on an aircraft and what was found, as known at a size, judged at a time.
    pub fn state(&self, aircraft: &Id, size: u64, time_ms: u64) -> State {
        Case::new(self, aircraft, size).state(time_ms / 1000, None)
    }

    /// As [`History::state`], with the instant from which the same facts may say something else.
    pub fn look(&self, aircraft: &Id, size: u64, time_ms: u64) -> Look {
        ahead::look(&Case::new(self, aircraft, size), time_ms / 1000)
    }

    /// The answer to a question.
    pub fn assess(&self, question: &Question) -> Assessment {
        assess::assess(&Case::new(self, &question.aircraft, question.size), question)
    }

    /// As [`History::assess`], of a question that [supposes nothing](Question::supposes_nothing); with the instant from which
    /// the same facts may give another answer, Unix milliseconds. Until then only the time that it names is another.
    pub fn assess_until(&self, question: &Question) -> (Assessment, Option<u64>) {
        debug_assert!(question.supposes_nothing());
        assess::assess_until(&Case::new(self, &question.aircraft, question.size), question)
    }

    /// The facts in force that concern an aircraft, as known at a size, judged at a time.
    pub fn deeds(&self, aircraft: &Id, size: u64, time_ms: u64) -> Vec<Deed> {
        deeds::deeds(&Case::new(self, aircraft, size), time_ms / 1000)
    }

    /// What the answers about an aircraft rest on, as known at a size.
    pub fn rests_on(&self, aircraft: &Id, size: u64) -> RestsOn {
        reach::rests_on(self, aircraft, size)
    }

    /// Why a fact cannot be read, as known at a size; none where it can, or where there is none.
    pub fn unread_because(&self, index: u64, size: u64) -> Option<String> {
        let held = self.held(index)?;
        held::unread_because(held, self.roster_at(size), size)
    }
}
