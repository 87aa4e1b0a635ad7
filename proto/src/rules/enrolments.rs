//! The roster as it grows: what the custodian's facts add up to after each of them. The rules and whoever admits facts
//! hold one each, so that they cannot differ on who is enrolled.

use std::borrow::Cow;
use std::collections::{BTreeMap, HashMap};
use std::sync::Arc;

use super::erasures::{Erasure, Erasures, Known};
use super::kinds::asked;
use super::procedure::Procedure;
use super::roster::{Revocation, Roster};
use super::{Recorded, judge};
use crate::bytes::Hash;
use crate::fact::Kind;
use crate::v1::CountersignPurpose;

/// Procedures' texts by digest, read, or why they cannot be.
pub type Texts = HashMap<Hash, Result<Arc<Procedure>, String>>;

/// See the module.
#[derive(Debug, Clone, Default)]
pub struct Enrolments {
    facts: Vec<Recorded>,
    /// Each revocation's index, with the roster as it was before it.
    before: Vec<(u64, Roster)>,
    roster: Roster,
    /// Entries that the service marked: its clock was in doubt.
    unsure: Vec<u64>,
    erasures: Erasures,
}

impl Enrolments {
    /// Takes the next entry; true where it is a fact that the roster is made of, now or once its signer's key is known.
    /// Others change nothing but for the mark of an unsure clock. Whoever asks for no procedures gives no texts.
    pub fn add(&mut self, recorded: &Recorded, texts: &Texts) -> bool {
        self.hear(recorded);
        self.take(recorded, texts)
    }

    /// As [`add`](Self::add), of an entry that was [heard](Self::hear) before.
    pub fn take(&mut self, recorded: &Recorded, texts: &Texts) -> bool {
        if !recorded.fact.kind().is_some_and(concerns_roster) {
            return false;
        }
        let revocations = self.roster.revocations().len();
        self.roster.apply(recorded, texts);
        if self.roster.revocations().len() > revocations {
            // It may reach back: what the key signed since then is to be judged anew.
            self.before.push((recorded.index, Roster::replay(self.facts.iter(), texts, &[])));
            self.facts.push(recorded.clone());
            self.roster = Roster::replay(self.facts.iter(), texts, &[]);
        } else {
            self.facts.push(recorded.clone());
        }
        self.erasures.judge(recorded, &self.roster);
        true
    }

    /// Takes note of an entry that adds nothing to the roster, for whoever gives such entries no other way in.
    pub fn hear(&mut self, recorded: &Recorded) {
        if recorded.clock_unsure {
            self.unsure.push(recorded.index);
        }
        self.erasures.hear(recorded);
    }

    /// As if all entries of a stretch had been heard, and its erasures judged.
    pub fn hear_stretch(&mut self, unsure: impl IntoIterator<Item = u64>, known: Known) {
        self.unsure.extend(unsure);
        self.erasures.go_on(known);
    }

    /// What custodians wanted erased, and what came of it.
    pub fn erasures(&self) -> &Erasures {
        &self.erasures
    }

    /// Puts erasures where they stood: whoever was given the roster's facts alone cannot judge by the entries between.
    pub fn resume_erasures(&mut self, known: Known) {
        self.erasures = Erasures::resume(known);
    }

    /// What is erased as known now, by digest, where signers' names are kept for so many years.
    pub fn erased(&self, keep_years: u32) -> BTreeMap<Hash, &Erasure> {
        self.erasures.in_force(&self.roster, keep_years)
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

/// Whether the roster is made of facts of this kind.
pub(super) fn concerns_roster(kind: &Kind) -> bool {
    match kind {
        Kind::RecordFounded(_) | Kind::CustodyReestablished(_) => true,
        Kind::Countersigned(b) => b.purpose == CountersignPurpose::CustodyRecovery as i32,
        other => asked(other) == judge::custody(),
    }
}
