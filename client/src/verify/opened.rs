//! An entry taken apart, as far as its own bytes and the keys known when it is looked at tell: this is done for many at once.

use std::collections::HashMap;
use std::sync::Arc;

use rayon::prelude::*;
use rinsebook_proto::bytes::Hash;
use rinsebook_proto::entry::Entry;
use rinsebook_proto::fact::{MAX_SERVICE_ENVELOPE_BYTES, Signed};
use rinsebook_proto::key::VerifyingKey;
use rinsebook_proto::tree::leaf_hash;

use super::Wrong;

/// Fewer entries than this are not worth another thread.
const ENTRIES_A_THREAD: usize = 8;

/// See the module.
pub(super) struct Opened {
    pub(super) entry: Entry,
    pub(super) fact: Arc<Signed>,
    /// The leaf hash of its data.
    pub(super) hash: Hash,
    /// Whether the signature holds; none: its key was not enrolled when it was looked at.
    pub(super) holds: Option<bool>,
}

/// Takes entries' bytes apart, each by itself, on all cores.
pub(super) fn open_all(records: &[Vec<u8>], keys: &HashMap<Hash, VerifyingKey>) -> Vec<Result<Opened, Wrong>> {
    let known = |id: &Hash| keys.get(id).copied();
    records.par_iter().with_min_len(ENTRIES_A_THREAD).map(|data| open(data, known)).collect()
}

/// Takes an entry's bytes apart.
pub(super) fn open(data: &[u8], known: impl Fn(&Hash) -> Option<VerifyingKey>) -> Result<Opened, Wrong> {
    let mut entry = Entry::decode(data).map_err(Wrong::of("root", "entry"))?;
    let envelope = std::mem::take(&mut entry.envelope);
    let fact = Signed::take(envelope, MAX_SERVICE_ENVELOPE_BYTES).map_err(Wrong::of("signature", "fact"))?;
    let holds = known(&fact.header().author_key).map(|key| fact.signed_by(&key));
    Ok(Opened { hash: leaf_hash(data), entry, fact: Arc::new(fact), holds })
}
