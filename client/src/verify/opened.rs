//! An entry taken apart, as far as its own bytes and the keys known before its group tell: this can be done in parallel.

use std::sync::Arc;

use rinsebook_proto::entry::Entry;
use rinsebook_proto::fact::{MAX_SERVICE_ENVELOPE_BYTES, Signed};

use super::Wrong;
use super::keys::Keys;

/// See the module.
pub(super) struct Opened {
    pub(super) entry: Entry,
    pub(super) fact: Arc<Signed>,
    /// Whether the signature holds; none: its key was not enrolled before the group.
    pub(super) holds: Option<bool>,
}

/// Takes an entry's bytes apart.
pub(super) fn open(data: &[u8], keys: &Keys) -> Result<Opened, Wrong> {
    let entry = Entry::decode(data).map_err(Wrong::of("root", "entry"))?;
    let fact = Signed::parse(&entry.envelope, MAX_SERVICE_ENVELOPE_BYTES).map_err(Wrong::of("signature", "fact"))?;
    let holds = keys.get(&fact.header().author_key).map(|key| fact.signed_by(&key));
    Ok(Opened { entry, fact: Arc::new(fact), holds })
}
