//! What custodians erased, as a verifier tells it: what, by whom, when, why, and whether it has effect. The judgement is
//! the rules' own, the very one that a service goes by.

use rinsebook_proto::bytes::{Hash, Id};
use rinsebook_proto::rules::Roster;
use rinsebook_proto::rules::erasures::{Effect, Erasure};
use serde_json::{Value, json};

use super::keys::Keys;
use crate::render;

/// An erasure that somebody with custody recorded, of one annex.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Erased {
    /// SHA-256(salt ‖ bytes).
    pub digest: Hash,
    /// What it was, where the roster tells: such as the name of a person.
    pub what: String,
    /// The entry by which it counts.
    pub index: u64,
    /// When that was received, Unix milliseconds.
    pub at_ms: u64,
    /// Who said so.
    pub by: Id,
    /// Their name, where it is at hand.
    pub by_name: Option<String>,
    /// Why.
    pub reason: String,
    /// Whether its bytes are there; none: not looked for.
    pub there: Option<bool>,
    /// Why it has no effect; none: it has.
    pub without_effect: Option<String>,
}

impl Erased {
    /// As one object, under stable names.
    pub fn to_json(&self) -> Value {
        json!({
            "digest": self.digest.to_string(),
            "what": self.what,
            "index": self.index,
            "erased_ms": self.at_ms,
            "person": self.by.to_string(),
            "name": self.by_name,
            "reason": self.reason,
            "there": self.there,
            "without_effect": self.without_effect,
        })
    }

    /// The check's word, and what it found.
    pub(super) fn line(&self) -> (&'static str, String) {
        let by = match &self.by_name {
            Some(name) => format!("{name} (person {})", self.by),
            None => format!("person {}", self.by),
        };
        let said =
            format!("{}, by {by}, {}, entry {}: {}", self.what, render::second(self.at_ms), self.index, self.reason);
        match (&self.without_effect, self.there) {
            (Some(why), _) => ("not erased", format!("{said} ({why})")),
            (None, Some(true)) => ("erased", format!("{said} (its bytes are still there)")),
            (None, _) => ("erased", said),
        }
    }
}

/// Where annexes are looked for.
pub(super) trait Annexes {
    /// Whether the bytes are there; none where nobody looks.
    fn there(&self, digest: &Hash) -> Option<bool>;
    /// The bytes as text, where they are there and are the ones named.
    fn text(&self, digest: &Hash) -> Option<String>;
}

/// Everything that somebody with custody wanted erased, in the order in which it counts.
pub(super) fn erased(keys: &Keys, keep_years: u32, annexes: &dyn Annexes) -> Vec<Erased> {
    let roster = keys.roster();
    let tell = |erasure: &Erasure| Erased {
        digest: erasure.digest,
        what: what(&erasure.digest, erasure.effect(keep_years), roster),
        index: erasure.index,
        at_ms: erasure.at_ms,
        by: erasure.by,
        by_name: name_of(&erasure.by, roster, annexes),
        reason: erasure.reason.clone(),
        there: annexes.there(&erasure.digest),
        without_effect: erasure.why_not(keep_years),
    };
    keys.erasures().all().iter().map(tell).collect()
}

fn what(digest: &Hash, effect: Effect, roster: &Roster) -> String {
    let of = |part: &str, person: &Id| format!("the {part} of person {person}");
    let found = roster.people().iter().find_map(|p| match Some(*digest) {
        named if named == p.name => Some(of("name", &p.person)),
        named if named == p.staff_number => Some(of("staff number", &p.person)),
        named if named == p.licence => Some(of("licence", &p.person)),
        _ => None,
    });
    let kind = if effect == Effect::Attachment { "attachment" } else { "annex" };
    found.unwrap_or_else(|| format!("{kind} {}…", digest.short()))
}

/// The newest name that is at hand.
fn name_of(person: &Id, roster: &Roster, annexes: &dyn Annexes) -> Option<String> {
    let names = roster.people().iter().rev().filter(|p| p.person == *person).filter_map(|p| p.name);
    names.into_iter().find_map(|digest| annexes.text(&digest))
}
