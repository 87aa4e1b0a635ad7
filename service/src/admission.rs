//! The checks on a fact that depend on nothing before it but the keys that are known: size, exact form, signature.
//! They run in parallel; what they find is judged later, in order, by the sequencer.

use std::sync::atomic::{AtomicUsize, Ordering};
use std::sync::{Arc, RwLock};

use rayon::prelude::*;
use rinsebook_proto::bytes::{Hash, Id};
use rinsebook_proto::fact::{GivenBack, MAX_ENVELOPE_BYTES, Malformed, Signed, Verified};
use rinsebook_proto::key::{KeysById, VerifyingKey};
use rinsebook_proto::v1;

use crate::error::CallError;
use crate::work;

/// A message beyond this ends the stream: nothing that large can be a fact, and it has no place in our memory.
pub const MAX_STREAM_ENVELOPE_BYTES: usize = 1 << 20;

/// So few facts are checked sooner than other threads would begin.
const FEW: usize = 4;

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
    KeyUnknown(Arc<Signed>),
    /// A fact whose signature does not hold under the key that it names.
    BadSignature(Arc<Signed>),
    /// No fact.
    Malformed(Malformed),
    /// Too many bytes for a fact.
    TooLarge,
}

/// The keys enrolled so far, by key id: written by the sequencer, read by every check.
#[derive(Debug, Clone, Default)]
pub struct KnownKeys(Arc<RwLock<Arc<KeysById>>>);

impl KnownKeys {
    /// The key of this id.
    pub fn get(&self, id: &Hash) -> Option<VerifyingKey> {
        self.all().get(id).map(|key| *key.key())
    }

    /// Those that are known now.
    fn all(&self) -> Arc<KeysById> {
        self.0.read().expect("no holder of this lock panics").clone()
    }

    /// These, and no others.
    pub fn replace(&self, keys: impl Iterator<Item = VerifyingKey>) {
        *self.0.write().expect("no holder of this lock panics") = Arc::new(keys.collect());
    }
}

/// Checks messages as they come, beside each other.
#[derive(Debug, Clone)]
pub struct Checks {
    keys: KnownKeys,
    /// Messages of more than [`FEW`] facts that wait for their check, or are in it.
    messages: Arc<AtomicUsize>,
}

impl Checks {
    /// By these keys.
    pub fn new(keys: KnownKeys) -> Checks {
        Checks { keys, messages: Arc::default() }
    }

    /// Checks the items of one message, keeping their order.
    pub async fn of(&self, items: Vec<v1::IntakeItem>) -> Result<Vec<Candidate>, CallError> {
        if items.len() <= FEW {
            return check_all(items, &self.keys, Cut::No);
        }
        // Where others keep all cores busy, cutting this one up would do no more than wake threads.
        let cut = if self.take_all_cores() { Cut::No } else { Cut::ForAllCores };
        let (keys, under_way) = (self.keys.clone(), UnderWay::begin(&self.messages));
        let checked = work::computing(move || {
            let checked = check_all(items, &keys, cut);
            drop(under_way);
            checked
        });
        checked.await.map_err(|_| CallError::Stopping)?
    }

    /// Whether there is a message to check for every core: whatever else is done now holds one of them up.
    pub fn take_all_cores(&self) -> bool {
        self.messages.load(Ordering::Relaxed) >= rayon::current_num_threads()
    }
}

/// A message that is counted until this is dropped.
struct UnderWay(Arc<AtomicUsize>);

impl UnderWay {
    fn begin(messages: &Arc<AtomicUsize>) -> UnderWay {
        messages.fetch_add(1, Ordering::Relaxed);
        UnderWay(messages.clone())
    }
}

impl Drop for UnderWay {
    fn drop(&mut self) {
        self.0.fetch_sub(1, Ordering::Relaxed);
    }
}

/// Whether the items of a message are checked on several threads.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Cut {
    /// One after another.
    No,
    /// A few a thread.
    ForAllCores,
}

/// Checks the items of one message, keeping their order.
pub fn check_all(items: Vec<v1::IntakeItem>, keys: &KnownKeys, cut: Cut) -> Result<Vec<Candidate>, CallError> {
    let runs = items.iter().map(run_of).collect::<Result<Vec<Id>, CallError>>()?;
    let keys = keys.all();
    Ok(match cut {
        Cut::No => runs.into_iter().zip(items).map(|(run, item)| check(run, item, &keys)).collect(),
        Cut::ForAllCores => {
            let all = runs.into_par_iter().zip(items).with_min_len(FEW);
            all.map(|(run, item)| check(run, item, &keys)).collect()
        }
    })
}

/// The run that an item names, where the item may be looked at.
fn run_of(item: &v1::IntakeItem) -> Result<Id, CallError> {
    if item.envelope.len() > MAX_STREAM_ENVELOPE_BYTES {
        let why = format!("{} bytes are more than 1 MiB", item.envelope.len());
        return Err(CallError::Field { field: "items.envelope", why });
    }
    Id::from_slice(&item.run)
        .ok_or_else(|| CallError::Field { field: "items.run", why: "a run has 16 bytes".to_owned() })
}

fn check(run: Id, item: v1::IntakeItem, keys: &KeysById) -> Candidate {
    let received_bytes = item.envelope.len() as u64;
    let (digest, found) = look(item.envelope, keys);
    Candidate { run, counter: item.counter, digest, received_bytes, found }
}

/// The hash of the bytes, and what they are.
fn look(envelope: Vec<u8>, keys: &KeysById) -> (Hash, Found) {
    if envelope.len() > MAX_ENVELOPE_BYTES {
        return (Hash::of(&envelope), Found::TooLarge);
    }
    let fact = match Signed::take(envelope, MAX_ENVELOPE_BYTES) {
        Ok(fact) => Arc::new(fact),
        Err(GivenBack { why, bytes }) => return (Hash::of(&bytes), Found::Malformed(why)),
    };
    let hash = fact.hash();
    let found = match keys.get(&fact.header().author_key) {
        Some(key) => fact.verify(key).map_or_else(Found::BadSignature, Found::Good),
        None => Found::KeyUnknown(fact),
    };
    (hash, found)
}
