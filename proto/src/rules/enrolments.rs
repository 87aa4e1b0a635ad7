//! The roster as it grows: what the custodian's facts add up to after each of them. The rules and whoever admits facts
//! hold one each, so that they cannot differ on who is enrolled.

use std::borrow::Cow;
use std::collections::HashMap;
use std::sync::Arc;

use super::kinds::asked;
use super::procedure::Procedure;
use super::roster::{Revocation, Roster};
use super::{Recorded, SignatureState, judge};
use crate::bytes::Hash;
use crate::fact::Kind;

/// Procedures' texts by digest, read, or why they cannot be.
pub type Texts = HashMap<Hash, Result<Arc<Procedure>, String>>;

/// See the module.
#[derive(Debug, Default)]
pub struct Enrolments {
    facts: Vec<Recorded>,
    /// Each revocation's index, with the roster as it was before it.
    before: Vec<(u64, Roster)>,
    roster: Roster,
    /// Entries that the service marked: its clock was in doubt.
    unsure: Vec<u64>,
}

impl Enrolments {
    /// Takes the next entry; true where its signature holds and it is a fact that the roster is made of. Others change
    /// nothing but for the mark of an unsure clock. Whoever asks for no procedures gives no texts.
    pub fn add(&mut self, recorded: &Recorded, texts: &Texts) -> bool {
        if recorded.clock_unsure {
            self.unsure.push(recorded.index);
        }
        if recorded.signature != SignatureState::Good {
            return false;
        }
        let Some(kind) = recorded.fact.kind() else { return false };
        if !matches!(kind, Kind::RecordFounded(_)) && asked(kind) != judge::custody() {
            return false;
        }
        self.facts.push(recorded.clone());
        if matches!(kind, Kind::KeyRevoked(_)) {
            // It may reach back: what the key signed since then is to be judged anew.
            self.before.push((recorded.index, self.roster.clone()));
            self.roster = Roster::replay(self.facts.iter(), texts, &[]);
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
    pub fn at(&self, size: u64) -> &Roster {
        self.before.iter().find(|(index, _)| *index >= size).map_or(&self.roster, |(_, before)| before)
    }

    /// Since which entry the service's clock has been in doubt, as known at `size`: the first that it marked after the
    /// last doubt that a custodian answered. A confirmation answers only a doubt that its signer could know of.
    pub fn clock_unsure_since(&self, size: u64) -> Option<u64> {
        let marked_from = |from: u64| self.unsure.get(self.unsure.partition_point(|index| *index < from)).copied();
        let mut since = marked_from(0);
        for confirmed in self.at(size).clock_confirmations(size) {
            if since.is_some_and(|since| confirmed.answers(since)) {
                since = marked_from(confirmed.index + 1);
            }
        }
        since.filter(|index| *index < size)
    }

    /// The roster as known at `point`, but that keys are not trusted which a revocation known at `size` reaches back to
    /// from there: nothing that they signed ever counted.
    pub(super) fn at_less_revoked(&self, point: u64, size: u64, texts: &Texts) -> Cow<'_, Roster> {
        let reaches_back = |r: &&Revocation| (point..size).contains(&r.index) && r.untrusted_from_index < point;
        let since: Vec<Revocation> = self.at(size).revocations().iter().filter(reaches_back).copied().collect();
        if since.is_empty() {
            return Cow::Borrowed(self.at(point));
        }
        Cow::Owned(Roster::replay(self.facts.iter().filter(move |r| r.index < point), texts, &since))
    }
}
