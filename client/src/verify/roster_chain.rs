//! The log's keys, from the entries about the roster alone: what a station needs to follow a log that changed its key.

use std::sync::Arc;

use rinsebook_proto::bytes::Hash;
use rinsebook_proto::entry::Entry;
use rinsebook_proto::fact::{Kind, MAX_SERVICE_ENVELOPE_BYTES, Signed, Subject};
use rinsebook_proto::rules::{Recorded, SignatureState};
use rinsebook_proto::succession::{Before, LogKeys};
use rinsebook_proto::tree::leaf_hash;

use super::keys::Keys;

/// Every entry about the roster, each linked to the one before.
pub struct RosterChain {
    keys: Keys,
    record: Hash,
    log_keys: Option<LogKeys>,
    /// How many there are; index and leaf hash of the last.
    last: (u64, u64, Hash),
}

impl RosterChain {
    /// The chain of this record, which its founding envelope begins.
    pub fn of(record: Hash) -> RosterChain {
        RosterChain { keys: Keys::default(), record, log_keys: None, last: (0, 0, Hash::ZERO) }
    }

    /// Takes the next entry.
    ///
    /// # Errors
    /// What is no entry, does not follow, or is not signed by whom it says.
    pub fn take(&mut self, data: &[u8]) -> Result<(), String> {
        let entry = Entry::decode(data).map_err(|e| e.to_string())?;
        let fact = Signed::parse(&entry.envelope, MAX_SERVICE_ENVELOPE_BYTES).map_err(|e| e.to_string())?;
        let link = entry.links.iter().find(|link| link.subject == Subject::Roster);
        let (count, last_index, last_hash) = self.last;
        let follows = link.is_some_and(|link| {
            (link.ordinal, link.previous_index, link.previous_hash) == (count, last_index, last_hash)
        });
        if !follows || !fact.header().subjects.contains(&Subject::Roster) {
            return Err(format!("entry {} is not the next about the roster", entry.index));
        }
        let recorded = Recorded {
            index: entry.index,
            received_ms: entry.received_ms,
            clock_unsure: false,
            fact: Arc::new(fact),
            signature: SignatureState::Unchecked,
        };
        if count == 0 {
            self.found(&recorded)?;
        } else {
            let key = self.keys.get(&recorded.fact.header().author_key);
            if key.is_some_and(|key| !recorded.fact.signed_by(&key)) {
                return Err(format!("the signature of entry {} does not hold", entry.index));
            }
            self.note(&recorded);
        }
        self.last = (count + 1, entry.index, leaf_hash(data));
        Ok(())
    }

    fn found(&mut self, recorded: &Recorded) -> Result<(), String> {
        let Some(Kind::RecordFounded(founded)) = recorded.fact.kind() else {
            return Err("it does not begin with the founding fact".to_owned());
        };
        if recorded.index != 0 || recorded.fact.hash() != self.record {
            return Err("it is the founding of another record".to_owned());
        }
        self.keys.found(recorded, founded);
        self.log_keys = Some(LogKeys::founded(founded).map_err(|e| e.to_string())?);
        Ok(())
    }

    fn note(&mut self, recorded: &Recorded) {
        let known = self.keys.successions().len();
        self.keys.note(recorded);
        for succession in self.keys.successions_since(known) {
            if let Some(log_keys) = &mut self.log_keys {
                // What does not fit changes nothing.
                let _ = log_keys.follow(succession, Before { size: recorded.index, root: None });
            }
        }
    }

    /// The keys that signed the log; none before the founding fact.
    pub fn log_keys(&self) -> Option<&LogKeys> {
        self.log_keys.as_ref()
    }

    /// Index and leaf hash of the last entry taken.
    pub fn last(&self) -> (u64, Hash) {
        (self.last.1, self.last.2)
    }
}
