//! Devices whose facts say to have seen what this log never was.
//!
//! That is the word of whoever signed, no more: the state named bears no signature of the log's, and one enrolled device can
//! name any. So it leaves the log as good as it is, and is told beside the verdict. The proof that somebody was shown another
//! log is a checkpoint under the log's key, and stations keep those; a verifier compares the log with what it holds. The
//! service's own facts are another matter: there the log's keeper contradicts the log.

use std::collections::BTreeMap;

use rinsebook_proto::bytes::{Hash, Id};
use rinsebook_proto::fact::Signed;
use serde_json::{Value, json};

/// One device, with the first of these facts.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct SeenOtherwise {
    /// The device that the facts came from.
    pub device: Id,
    /// How many of them there are.
    pub facts: u64,
    /// The entry of the first.
    pub index: u64,
    /// Its envelope's hash.
    pub fact: Hash,
    /// What does not fit.
    pub why: String,
}

impl SeenOtherwise {
    pub(super) fn to_json(&self) -> Value {
        json!({
            "device": self.device.to_string(),
            "facts": self.facts,
            "index": self.index,
            "fact": self.fact.to_string(),
            "why": self.why,
        })
    }

    /// As a line below the checks.
    pub(super) fn line(&self) -> (&'static str, String) {
        let Self { device, facts, index, fact, why } = self;
        let count = if *facts == 1 { "a fact".to_owned() } else { format!("{facts} facts") };
        let told = format!("finding: {count} of device {device}, first entry {index} ({}): {why}", fact.short());
        ("", told)
    }
}

/// What to do about them.
pub(super) fn advice(found: &[SeenOtherwise]) -> Option<(&'static str, String)> {
    let what = "that is its signer's word and proves nothing against the log; a checkpoint that the station holds would: \
                ask for it, and audit the whole log against it with --holds";
    (!found.is_empty()).then(|| ("", what.to_owned()))
}

/// How many devices, for the last line; empty where there is none.
pub(super) fn counted(found: &[SeenOtherwise]) -> String {
    match found.len() {
        0 => String::new(),
        1 => "; 1 device says that it had seen another log: see the finding".to_owned(),
        n => format!("; {n} devices say that they had seen another log: see the findings"),
    }
}

/// All of them, by device: this grows with devices and not with facts.
#[derive(Debug, Clone, Default)]
pub(super) struct Otherwise(BTreeMap<Id, SeenOtherwise>);

impl Otherwise {
    /// Takes one more fact.
    pub(super) fn tell(&mut self, index: u64, fact: &Signed, why: String) {
        let device = fact.header().device;
        self.add(SeenOtherwise { device, facts: 1, index, fact: fact.hash(), why });
    }

    /// Takes what was found before, or elsewhere.
    pub(super) fn add(&mut self, found: SeenOtherwise) {
        match self.0.get_mut(&found.device) {
            None => {
                self.0.insert(found.device, found);
            }
            Some(known) => {
                let facts = known.facts + found.facts;
                if found.index < known.index {
                    *known = found;
                }
                known.facts = facts;
            }
        }
    }

    pub(super) fn join(&mut self, other: Otherwise) {
        other.0.into_values().for_each(|found| self.add(found));
    }

    pub(super) fn iter(&self) -> impl Iterator<Item = &SeenOtherwise> {
        self.0.values()
    }

    /// In the order of their first facts.
    pub(super) fn list(self) -> Vec<SeenOtherwise> {
        let mut list: Vec<SeenOtherwise> = self.0.into_values().collect();
        list.sort_by_key(|found| found.index);
        list
    }
}
