//! An entry taken apart, as far as its own bytes and the keys known when it is looked at tell: this is done for many at once.

use std::sync::Arc;

use rayon::prelude::*;
use rinsebook_proto::bytes::Hash;
use rinsebook_proto::entry::Entry;
use rinsebook_proto::fact::{MAX_SERVICE_ENVELOPE_BYTES, Signed};
use rinsebook_proto::key::KeysById;
use rinsebook_proto::note::Checkpoint;
use rinsebook_proto::succession::LogKeys;
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

/// The note that closes a group, opened before its turn; and the keys that it was opened with, which may not be the log's
/// any more when its turn comes.
pub(super) struct OpenedNote {
    keys: Arc<LogKeys>,
    opened: Result<Checkpoint, String>,
}

impl OpenedNote {
    /// Opened with these keys.
    pub(super) fn with(keys: Arc<LogKeys>, end: &[u8]) -> OpenedNote {
        OpenedNote { opened: open_note(&keys, end), keys }
    }

    /// What it says under these keys.
    pub(super) fn under(self, keys: &LogKeys, end: &[u8]) -> Result<Checkpoint, String> {
        if *self.keys == *keys { self.opened } else { open_note(keys, end) }
    }
}

/// Opens a checkpoint's note; an error says why none can be read from it.
pub(super) fn open_note(keys: &LogKeys, end: &[u8]) -> Result<Checkpoint, String> {
    let note = std::str::from_utf8(end).map_err(|_| "it is no text".to_owned())?;
    keys.open(note).map_err(|e| e.to_string())
}

/// Takes entries' bytes apart, each by itself, on all cores.
pub(super) fn open_all(records: &[Vec<u8>], keys: &KeysById) -> Vec<Result<Opened, Wrong>> {
    let holds = |fact: &Signed| keys.get(&fact.header().author_key).map(|key| fact.signed_by(key));
    records.par_iter().with_min_len(ENTRIES_A_THREAD).map(|data| open(data, holds)).collect()
}

/// Takes an entry's bytes apart; `holds` says whether its fact's signature does, where its key is known.
pub(super) fn open(data: &[u8], holds: impl Fn(&Signed) -> Option<bool>) -> Result<Opened, Wrong> {
    let mut entry = Entry::decode(data).map_err(Wrong::of("root", "entry"))?;
    let envelope = std::mem::take(&mut entry.envelope);
    let fact = Signed::take(envelope, MAX_SERVICE_ENVELOPE_BYTES).map_err(Wrong::of("signature", "fact"))?;
    let holds = holds(&fact);
    Ok(Opened { hash: leaf_hash(data), entry, fact: Arc::new(fact), holds })
}
