//! Proofs of single entries, and what a station holds of its own: offline, with a log key that the verifier brings.

use std::collections::HashMap;
use std::path::Path;
use std::sync::Arc;

use rinsebook_proto::bytes::Hash;
use rinsebook_proto::clock::SystemClock;
use rinsebook_proto::entry::Entry;
use rinsebook_proto::fact::{MAX_SERVICE_ENVELOPE_BYTES, Signed};
use rinsebook_proto::note::{Checkpoint, VerifierKey};
use rinsebook_proto::proof::Proof;
use serde_json::{Value, json};

use super::{Fault, Policy};
use crate::home::Home;
use crate::station::{Receipt, Station};

/// An entry that is proved to be in the log.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) struct Proved {
    /// Its place.
    pub index: u64,
    /// SHA-256 of the envelope in it.
    pub envelope: Hash,
    /// The checkpoint's size.
    pub size: u64,
    /// The log's name and epoch.
    pub origin: String,
    /// Witnesses, of those named, that cosigned the checkpoint.
    pub cosigned_by: Vec<String>,
}

impl Proved {
    pub(super) fn to_json(&self) -> Value {
        json!({
            "checked": true, "good": true, "index": self.index, "envelope": self.envelope.to_string(),
            "size": self.size, "origin": self.origin, "cosigned_by": self.cosigned_by,
        })
    }
}

impl std::fmt::Display for Proved {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        writeln!(f, "entry         {} of {} at {} entries", self.index, self.origin, self.size)?;
        writeln!(f, "envelope      {}", self.envelope)?;
        if !self.cosigned_by.is_empty() {
            writeln!(f, "cosigned      {}", self.cosigned_by.join(", "))?;
        }
        write!(f, "good: it is in the log; who signed it, the whole log or a pack tells")
    }
}

fn bad(part: &'static str, why: impl std::fmt::Display) -> Fault {
    Fault::Bad { check: "root", part, index: None, file: None, offset: None, why: why.to_string() }
}

/// Checks the proof of one entry.
pub(super) fn proof(bytes: &[u8], key: Option<&VerifierKey>, policy: Option<&Policy>) -> Result<Proved, Fault> {
    let key =
        key.ok_or_else(|| Fault::CouldNot("a proof says nothing without the log's key: give --log-key".to_owned()))?;
    let text = std::str::from_utf8(bytes).map_err(|_| bad("proof", "it is no text"))?;
    let proof = Proof::parse(text).map_err(|e| bad("proof", e))?;
    let data = proof
        .entry
        .as_deref()
        .ok_or_else(|| Fault::CouldNot("the proof is without its entry: nothing says of what it is one".to_owned()))?;
    let entry = Entry::decode(data).map_err(|e| bad("entry", e))?;
    if entry.index != proof.index {
        return Err(bad("entry", "the proof and its entry name different places"));
    }
    let fact = Signed::parse(&entry.envelope, MAX_SERVICE_ENVELOPE_BYTES).map_err(|e| bad("fact", e))?;
    let checkpoint = Checkpoint::open(&proof.note, std::slice::from_ref(key)).map_err(|e| bad("checkpoint", e))?;
    proof.verify(data, &checkpoint).map_err(|e| bad("inclusion", e))?;
    let cosigned = policy.map(|policy| policy.cosigned(&proof.note)).transpose();
    let cosigned = cosigned.map_err(|wrong| bad(wrong.part, wrong.why))?.unwrap_or_default();
    Ok(Proved {
        index: proof.index,
        envelope: fact.hash(),
        size: checkpoint.size,
        origin: checkpoint.origin,
        cosigned_by: cosigned.into_iter().map(|c| c.name).collect(),
    })
}

/// What a station's folder holds.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub(super) struct StationGood {
    /// Envelopes that it signed.
    pub signed: u64,
    /// Of them, acknowledged under a checkpoint that covers them.
    pub acknowledged: u64,
    /// Of them, proved to be in the log.
    pub proved: u64,
    /// Refused.
    pub refused: u64,
    /// Without an answer.
    pub unsent: u64,
}

impl StationGood {
    pub(super) fn to_json(&self) -> Value {
        json!({
            "checked": true, "good": true, "signed": self.signed, "acknowledged": self.acknowledged,
            "proved": self.proved, "refused": self.refused, "unsent": self.unsent,
        })
    }
}

impl std::fmt::Display for StationGood {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        writeln!(f, "journal       {} envelopes, every byte accounted for", self.signed)?;
        writeln!(f, "receipt       {} acknowledged under a checkpoint of the log that covers them", self.acknowledged)?;
        writeln!(f, "proof         {} proved to be in the log", self.proved)?;
        write!(f, "good: {} refused, {} not answered for yet", self.refused, self.unsent)
    }
}

/// Checks a station's journal, its receipts, and the proofs beside them. Without a key the station's own are used.
pub(super) fn station(dir: &Path, key: Option<&VerifierKey>, policy: Option<&Policy>) -> Result<StationGood, Fault> {
    let could_not = |e: crate::ClientError| Fault::CouldNot(e.to_string());
    let station = Station::open(Home::open(dir).map_err(could_not)?, Arc::new(SystemClock)).map_err(could_not)?;
    let keys = match key {
        Some(key) => vec![key.clone()],
        None => station.log_keys().map_err(could_not)?,
    };
    let mut good = StationGood { signed: station.outbox_items().len() as u64, ..StationGood::default() };
    let mut opened: HashMap<&str, u64> = HashMap::new();
    for item in station.outbox_items() {
        let envelope = item.hash();
        match station.receipt(&envelope) {
            None => good.unsent += 1,
            Some(Receipt::Refused(_)) => good.refused += 1,
            Some(Receipt::InLog(index, entry_hash)) => {
                if let Some(note) = station.acknowledged_under(&envelope) {
                    let size = match opened.get(note) {
                        Some(size) => *size,
                        None => {
                            Checkpoint::open(note, &keys).map_err(|e| bad("receipt", format!("{envelope}: {e}")))?.size
                        }
                    };
                    opened.insert(note, size);
                    if size <= *index {
                        return Err(bad("receipt", format!("{envelope}: its checkpoint does not cover entry {index}")));
                    }
                    good.acknowledged += 1;
                }
                good.proved += u64::from(kept_proof(&station, &envelope, *index, entry_hash, &keys, policy)?);
            }
        }
    }
    Ok(good)
}

fn kept_proof(
    station: &Station,
    envelope: &Hash,
    index: u64,
    entry_hash: &Hash,
    keys: &[VerifierKey],
    policy: Option<&Policy>,
) -> Result<bool, Fault> {
    let Ok(bytes) = std::fs::read(station.proof_file(envelope)) else { return Ok(false) };
    let told: Vec<Result<Proved, Fault>> = keys.iter().map(|key| proof(&bytes, Some(key), policy)).collect();
    let proved = match told.iter().find_map(|told| told.as_ref().ok()) {
        Some(proved) => proved,
        None => {
            return Err(told.into_iter().next_back().and_then(Result::err).unwrap_or_else(|| bad("proof", "no key")));
        }
    };
    let entry = Proof::parse(&String::from_utf8_lossy(&bytes)).ok().and_then(|proof| proof.entry);
    let same_entry = entry.is_some_and(|data| rinsebook_proto::tree::leaf_hash(&data) == *entry_hash);
    if proved.envelope != *envelope || proved.index != index || !same_entry {
        return Err(bad("proof", format!("{envelope}: the proof is of another entry than was acknowledged")));
    }
    Ok(true)
}
