//! One who records, remembers what was acknowledged, and holds the journal to it.

use rinsebook_proto::journal::{AppendError, Journal, JournalError, Kind, Options, Recovered, Scan, scan};
use rinsebook_tests::world::{Dice, disk::SimDisk};
use sha2::{Digest, Sha256};
use std::{error::Error, path::Path, sync::Arc};

/// Small enough that a story of some groups grows files, fills them and begins new ones.
pub(crate) const OPTIONS: Options = Options { kind: Kind::Log, grow_bytes: 1024, segment_bytes: 2500 };

/// The folder of the journal.
pub(crate) fn dir() -> &'static Path {
    Path::new("/log")
}

pub(crate) fn leaf_hash(record: &[u8]) -> [u8; 32] {
    Sha256::new().chain_update([0]).chain_update(record).finalize().into()
}

/// Opens the journal and gives all its records.
pub(crate) fn open(disk: &SimDisk, options: Options) -> Result<(Journal, Recovered, Vec<Vec<u8>>), JournalError> {
    let mut records = Vec::new();
    let (journal, recovered) = Journal::create_or_open(Arc::new(disk.clone()), dir(), options, |group| {
        if group.first == group.segment_first && group.segment_previous != previous_of(&records) {
            return Err(Box::<dyn Error + Send + Sync>::from(
                "the header names another hash than that of the record before",
            ));
        }
        records.extend(group.records.iter().cloned());
        Ok(())
    })?;
    Ok((journal, recovered, records))
}

pub(crate) fn scan_all(disk: &SimDisk) -> Result<Scan, JournalError> {
    scan(disk, dir(), OPTIONS.kind, |group| {
        group.records.last().map(|record| leaf_hash(record)).ok_or("a group without records")
    })
}

fn previous_of(records: &[Vec<u8>]) -> [u8; 32] {
    records.last().map_or([0; 32], |record| leaf_hash(record))
}

pub(crate) struct Recorder {
    pub(crate) disk: SimDisk,
    pub(crate) options: Options,
    pub(crate) dice: Dice,
    pub(crate) journal: Option<Journal>,
    /// What was acknowledged, or read back after a recovery: it has to be there for ever.
    pub(crate) acknowledged: Vec<Vec<u8>>,
    /// The group whose end is not known.
    pub(crate) in_flight: Vec<Vec<u8>>,
}

impl Recorder {
    /// Nothing is opened yet.
    pub(crate) fn new(seed: u64) -> Self {
        let mut dice = Dice::new(seed);
        let disk = SimDisk::new(dice.number());
        Self { disk, options: OPTIONS, dice, journal: None, acknowledged: Vec::new(), in_flight: Vec::new() }
    }

    /// Opens the journal and compares: all that was acknowledged, in order, then the group in flight whole or not at all.
    pub(crate) fn reopen(&mut self) -> Result<Recovered, ReopenError> {
        self.journal = None;
        let (journal, recovered, records) = open(&self.disk, self.options).map_err(ReopenError::Refused)?;
        if !records.starts_with(&self.acknowledged) {
            return Err(ReopenError::Lost { acknowledged: self.acknowledged.len(), found: records.len() });
        }
        let extra = &records[self.acknowledged.len()..];
        if !extra.is_empty() && extra != self.in_flight {
            return Err(ReopenError::Invented);
        }
        self.acknowledged = records;
        self.in_flight.clear();
        self.journal = Some(journal);
        Ok(recovered)
    }

    /// Records a group of one to four records of up to 300 bytes.
    pub(crate) fn record(&mut self) -> Result<(), AppendError> {
        let group = (0..=self.dice.below(4)).map(|_| {
            let length = self.dice.below(300);
            self.dice.bytes(length)
        });
        let group = group.collect();
        self.record_these(group)
    }

    pub(crate) fn record_these(&mut self, group: Vec<Vec<u8>>) -> Result<(), AppendError> {
        let journal = self.journal.as_mut().expect("opened before");
        let first = self.acknowledged.len() as u64;
        let done = journal.append(first, previous_of(&self.acknowledged), &group, b"note").map(|_placed| ());
        match &done {
            Ok(()) => self.acknowledged.extend(group),
            // A journal that was broken before writes nothing more: the group in doubt is the one that broke it.
            Err(AppendError::Broken { .. }) if self.in_flight.is_empty() => self.in_flight = group,
            Err(_) => {}
        }
        done
    }

    pub(crate) fn mark(&mut self) -> Result<(), AppendError> {
        self.journal.as_mut().expect("opened before").mark()
    }
}

/// Why a journal does not hold what it has to.
#[derive(Debug)]
pub(crate) enum ReopenError {
    Refused(JournalError),
    Lost {
        acknowledged: usize,
        found: usize,
    },
    /// Records that were neither acknowledged nor in flight.
    Invented,
}
