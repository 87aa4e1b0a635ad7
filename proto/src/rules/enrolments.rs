//! The roster as it grows: what the custodian's facts add up to after each of them. The rules and whoever admits facts
//! hold one each, so that they cannot differ on who is enrolled.

use std::borrow::Cow;
use std::collections::HashMap;
use std::sync::Arc;

use super::kinds::asked;
use super::procedure::Procedure;
use super::roster::Roster;
use super::{Recorded, judge};
use crate::bytes::Hash;
use crate::fact::Kind;

/// Procedures' texts by digest, read, or why they cannot be.
pub type Texts = HashMap<Hash, Result<Arc<Procedure>, String>>;

/// See the module.
#[derive(Debug, Default)]
pub struct Enrolments {
    facts: Vec<Recorded>,
    last_revocation: Option<u64>,
    roster: Roster,
}

impl Enrolments {
    /// Takes the next fact whose signature holds; true where it is one that the roster is made of. Others change nothing.
    /// Whoever asks for no procedures gives no texts.
    pub fn add(&mut self, recorded: &Recorded, texts: &Texts) -> bool {
        let Some(kind) = recorded.fact.kind() else { return false };
        if !matches!(kind, Kind::RecordFounded(_)) && asked(kind) != judge::custody() {
            return false;
        }
        self.facts.push(recorded.clone());
        if matches!(kind, Kind::KeyRevoked(_)) {
            // It may reach back: what the key signed since then is to be judged anew.
            self.last_revocation = Some(recorded.index);
            self.roster = Roster::replay(self.facts.iter(), texts);
        } else {
            self.roster.apply(recorded, texts);
        }
        true
    }

    /// The roster as known now.
    pub fn roster(&self) -> &Roster {
        &self.roster
    }

    /// The roster as known at `size`. Only a revocation after it makes a difference that an index does not show.
    pub fn at(&self, size: u64, texts: &Texts) -> Cow<'_, Roster> {
        if self.last_revocation.is_some_and(|index| index >= size) {
            Cow::Owned(Roster::replay(self.facts.iter().filter(move |r| r.index < size), texts))
        } else {
            Cow::Borrowed(&self.roster)
        }
    }
}
