//! The outbox: every envelope that this device signed, in order, in a journal of its own. An envelope is synced before
//! the screen says "saved", and stays after it was sent.

use std::path::Path;
use std::sync::Arc;

use rinsebook_proto::bytes::{Hash, Id};
use rinsebook_proto::fact::{MAX_SERVICE_ENVELOPE_BYTES, Signed};
use rinsebook_proto::journal::{self, Disk, Journal, Kind, Options, RealDisk};

use crate::ClientError;

/// An envelope at its place.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Item {
    /// The run.
    pub run: Id,
    /// Its place.
    pub counter: u64,
    /// The bytes, as signed.
    pub envelope: Vec<u8>,
}

impl Item {
    /// SHA-256 of the envelope.
    pub fn hash(&self) -> Hash {
        Hash::of(&self.envelope)
    }
}

/// See the module.
pub struct Outbox {
    journal: Journal,
    items: Vec<Item>,
    last: Hash,
    _lock: journal::Lock,
}

/// How a record is kept: run, counter, envelope. The place stands beside the envelope, so that bytes that are no fact
/// keep theirs.
fn record(item: &Item) -> Vec<u8> {
    [&item.run.0[..], &item.counter.to_be_bytes(), &item.envelope].concat()
}

impl Outbox {
    /// Opens the outbox, or begins one.
    pub fn open(dir: &Path) -> Result<Outbox, ClientError> {
        Outbox::open_on(dir, Arc::new(RealDisk))
    }

    /// As [`Outbox::open`], on a disk of the caller's.
    pub fn open_on(dir: &Path, disk: Arc<dyn Disk>) -> Result<Outbox, ClientError> {
        let failed = |e: journal::JournalError| ClientError::Outbox(e.to_string());
        let lock = journal::lock(dir).map_err(failed)?;
        let mut items = Vec::new();
        let options = Options::small(Kind::Outbox);
        let (mut journal, _) = Journal::create_or_open(disk, dir, options, |group| {
            for record in &group.records {
                items.push(parse(record).ok_or("a record is too short")?);
            }
            Ok::<(), &'static str>(())
        })
        .map_err(failed)?;
        journal.mark().map_err(|e| ClientError::Outbox(e.to_string()))?;
        let last = items.last().map_or(Hash::ZERO, Item::hash);
        Ok(Outbox { journal, items, last, _lock: lock })
    }

    /// Saves envelopes as they are, in one synced write. What they say is not looked at: tests put forged ones in here.
    pub fn append(&mut self, items: Vec<Item>) -> Result<(), ClientError> {
        let records: Vec<Vec<u8>> = items.iter().map(record).collect();
        let first = self.journal.next_index();
        self.journal.append(first, self.last.0, &records, &[]).map_err(|e| ClientError::Outbox(e.to_string()))?;
        self.last = items.last().map_or(self.last, Item::hash);
        self.items.extend(items);
        Ok(())
    }

    /// All envelopes, in the order in which they were signed.
    pub fn items(&self) -> &[Item] {
        &self.items
    }

    /// The fact of an item; none where its bytes are no fact.
    pub fn fact(item: &Item) -> Option<Signed> {
        Signed::parse(&item.envelope, MAX_SERVICE_ENVELOPE_BYTES).ok()
    }
}

fn parse(record: &[u8]) -> Option<Item> {
    let (run, rest) = record.split_at_checked(16)?;
    let (counter, envelope) = rest.split_at_checked(8)?;
    Some(Item {
        run: Id::from_slice(run)?,
        counter: u64::from_be_bytes(counter.try_into().ok()?),
        envelope: envelope.to_vec(),
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_reopened_outbox_has_everything_that_was_saved_and_its_second_user_is_turned_away() {
        let dir = tempfile::tempdir().unwrap();
        let path = dir.path().join("outbox");
        let item = |counter| Item { run: Id([1; 16]), counter, envelope: vec![counter as u8; 30] };
        let mut outbox = Outbox::open(&path).unwrap();
        outbox.append(vec![item(0), item(1)]).unwrap();
        outbox.append(vec![item(2)]).unwrap();
        assert!(matches!(Outbox::open(&path), Err(ClientError::Outbox(_))));
        drop(outbox);
        assert_eq!(Outbox::open(&path).unwrap().items(), [item(0), item(1), item(2)]);
    }
}
