//! The log read again at a start: what of an entry needs nothing before it, for many at once; the rest in order.

use std::sync::Arc;

use rinsebook_proto::bytes::Hash;
use rinsebook_proto::entry::Entry;
use rinsebook_proto::fact::{self, Kind, Signed};
use rinsebook_proto::key;
use rinsebook_proto::rules::{Recorded, SignatureState};
use rinsebook_proto::tree::leaf_hash;

use super::{Desk, places_of};
use crate::admission::KnownKeys;

/// An entry taken apart.
#[derive(Debug)]
pub struct Read {
    entry: Entry,
    fact: Signed,
    hash: Hash,
    /// Whether the signature holds; none: it was not looked at, or its key was not known yet.
    holds: Option<bool>,
}

impl Read {
    /// Takes an entry's data apart, and checks its signature under these keys, if any are given.
    ///
    /// # Errors
    /// What is wrong with the data by itself, in words.
    pub fn new(data: &[u8], keys: Option<&KnownKeys>) -> Result<Read, String> {
        let entry = Entry::decode(data).map_err(|e| e.to_string())?;
        let fact = Signed::parse(&entry.envelope, fact::MAX_SERVICE_ENVELOPE_BYTES).map_err(|e| e.to_string())?;
        let key = keys.and_then(|keys| keys.get(&fact.header().author_key));
        let holds = key.map(|key| fact.signed_by(&key));
        Ok(Read { entry, fact, hash: leaf_hash(data), holds })
    }

    /// The leaf hash of the entry's data.
    pub fn hash(&self) -> Hash {
        self.hash
    }
}

impl Desk {
    /// Takes the next entry of the log, with every check that a stranger would make. Of one whose signature was checked
    /// when it came (`checked_before`) that alone is not done again.
    ///
    /// # Errors
    /// What is wrong with it, in words.
    pub fn replay(&mut self, read: Read, checked_before: bool) -> Result<Recorded, String> {
        let Read { entry, fact, hash, holds } = read;
        self.chain.check_hashed(&entry, hash, &fact.header().subjects).map_err(|e| e.to_string())?;
        let signature = self.signature(&fact, entry.index, if checked_before { Some(true) } else { holds })?;
        let recorded = Recorded {
            index: entry.index,
            received_ms: entry.received_ms,
            clock_unsure: entry.clock_unsure,
            fact: Arc::new(fact),
            signature,
        };
        self.hold(&places_of(&recorded, &self.identity.device));
        self.tree_mut().push(hash);
        self.remember(&recorded, hash);
        Ok(recorded)
    }

    fn signature(&self, fact: &Signed, index: u64, holds: Option<bool>) -> Result<SignatureState, String> {
        let founder = match fact.kind() {
            Some(Kind::RecordFounded(b)) if index == 0 => {
                b.custodian_key.as_ref().and_then(|k| key::public_key(&k.public_key).ok())
            }
            _ => None,
        };
        // A key may have come, or gone again, since others looked at the signature: the place decides.
        match founder.or_else(|| self.keys.get(&fact.header().author_key)) {
            Some(key) if holds.unwrap_or_else(|| fact.signed_by(&key)) => Ok(SignatureState::Good),
            // A bad signature by a key enrolled before would have been refused: this entry was never admitted by us.
            Some(_) => Err("signature: it does not hold under the key that it names".to_owned()),
            None => Ok(SignatureState::Unchecked),
        }
    }

    /// Takes a checkpoint that closes a replayed group: it must be ours, of this size and root.
    ///
    /// # Errors
    /// What is wrong with it, in words.
    pub fn replay_checkpoint(&mut self, note: &str) -> Result<(), String> {
        let checkpoint = self.signing.open(note).map_err(|e| e.to_string())?;
        let (size, root) = self.size_and_root();
        if checkpoint.size != size || checkpoint.root != root {
            return Err("root: the group's checkpoint has another size or root than the entries give".to_owned());
        }
        self.checkpoint = checkpoint;
        self.note = note.to_owned();
        Ok(())
    }
}
