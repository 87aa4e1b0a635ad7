//! The checks on a fact that depend on nothing before it but the keys that are known: size, exact form, signature.
//! They run in parallel; what they find is judged later, in order, by the sequencer.

use std::collections::HashMap;
use std::sync::{Arc, RwLock};

use rayon::prelude::*;
use rinsebook_proto::bytes::{Hash, Id};
use rinsebook_proto::fact::{MAX_ENVELOPE_BYTES, Malformed, Signed, Verified};
use rinsebook_proto::key::{VerifyingKey, key_id};
use rinsebook_proto::v1;

use crate::error::CallError;

/// A message beyond this ends the stream: nothing that large can be a fact, and it has no place in our memory.
pub const MAX_STREAM_ENVELOPE_BYTES: usize = 1 << 20;

/// So few facts are checked sooner than other threads would begin.
pub const FEW: usize = 4;

/// What came for one place of a run, and what its bytes are by themselves.
#[derive(Debug)]
pub struct Candidate {
    /// The run.
    pub run: Id,
    /// The place in it.
    pub counter: u64,
    /// SHA-256 of the bytes received.
    pub digest: Hash,
    /// How many they were.
    pub received_bytes: u64,
    /// What they are.
    pub found: Found,
}

/// What the bytes are.
#[derive(Debug)]
pub enum Found {
    /// A fact whose signature holds.
    Good(Verified),
    /// A fact whose signer was not known when it was checked.
    KeyUnknown(Signed),
    /// A fact whose signature does not hold under the key that it names.
    BadSignature(Signed),
    /// No fact.
    Malformed(Malformed),
    /// Too many bytes for a fact.
    TooLarge,
}

/// The keys enrolled so far, by key id: written by the sequencer, read by every check.
#[derive(Debug, Clone, Default)]
pub struct KnownKeys(Arc<RwLock<HashMap<Hash, VerifyingKey>>>);

impl KnownKeys {
    /// The key of this id.
    pub fn get(&self, id: &Hash) -> Option<VerifyingKey> {
        self.0.read().expect("no holder of this lock panics").get(id).copied()
    }

    /// These, and no others.
    pub fn replace(&self, keys: impl Iterator<Item = VerifyingKey>) {
        let keys = keys.map(|key| (key_id(&key), key)).collect();
        *self.0.write().expect("no holder of this lock panics") = keys;
    }
}

/// Checks the items of one message, in parallel where they are not [`FEW`], keeping their order.
pub fn check_all(items: Vec<v1::IntakeItem>, keys: &KnownKeys) -> Result<Vec<Candidate>, CallError> {
    if items.len() <= FEW {
        return items.into_iter().map(|item| check(item, keys)).collect();
    }
    items.into_par_iter().map(|item| check(item, keys)).collect()
}

fn check(item: v1::IntakeItem, keys: &KnownKeys) -> Result<Candidate, CallError> {
    let run = Id::from_slice(&item.run)
        .ok_or_else(|| CallError::Field { field: "items.run", why: "a run has 16 bytes".to_owned() })?;
    if item.envelope.len() > MAX_STREAM_ENVELOPE_BYTES {
        let why = format!("{} bytes are more than 1 MiB", item.envelope.len());
        return Err(CallError::Field { field: "items.envelope", why });
    }
    let found = look(&item.envelope, keys);
    let digest = match &found {
        Found::Good(fact) => fact.hash(),
        Found::KeyUnknown(fact) | Found::BadSignature(fact) => fact.hash(),
        Found::Malformed(_) | Found::TooLarge => Hash::of(&item.envelope),
    };
    Ok(Candidate { run, counter: item.counter, digest, received_bytes: item.envelope.len() as u64, found })
}

fn look(envelope: &[u8], keys: &KnownKeys) -> Found {
    if envelope.len() > MAX_ENVELOPE_BYTES {
        return Found::TooLarge;
    }
    match Signed::parse(envelope, MAX_ENVELOPE_BYTES) {
        Err(malformed) => Found::Malformed(malformed),
        Ok(fact) => match keys.get(&fact.header().author_key) {
            Some(key) => fact.verify(&key).map_or_else(Found::BadSignature, Found::Good),
            None => Found::KeyUnknown(fact),
        },
    }
}
