//! Opening the log: what sled kept is taken where it fits, everything beyond it is replayed with every check, and what
//! does not fit is moved aside and the whole log replayed. There is no other way in: a start after a crash and a start
//! after a clean stop are the same.

use std::path::Path;
use std::sync::Arc;

use rinsebook_proto::clock::Clock;
use rinsebook_proto::entry::Entry;
use rinsebook_proto::fact::{MAX_SERVICE_ENVELOPE_BYTES, Signed};
use rinsebook_proto::journal::{Disk, Group, Kind, Options, Recovered};
use rinsebook_proto::rules::{Recorded, SignatureState};

use crate::admission::KnownKeys;
use crate::blobs::Blobs;
use crate::config::Config;
use crate::desk::Desk;
use crate::erasing::Erasing;
use crate::error::ServiceError;
use crate::identity::Identity;
use crate::log::{Log, LogReader};
use crate::projection::Projection;
use crate::sequencer::Committed;
use crate::snapshot::{Kept, Snapshot};
use crate::standstill::Standstill;

/// What the start found.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct StartReport {
    /// Entries in the log.
    pub entries: u64,
    /// Of those, covered by what sled kept: read, not checked again.
    pub resumed: u64,
    /// Of those, replayed with every check.
    pub replayed: u64,
    /// Bytes of an unfinished write that were cut; nobody was told of them.
    pub torn_bytes_cut: u64,
    /// Annexes removed that custodians had erased before: a folder of blobs was put back, or the last stop came between.
    pub annexes_erased: u64,
    /// Why what sled kept was moved aside, if it was.
    pub rebuilt_because: Option<String>,
}

/// Everything that was opened.
pub struct Opened {
    /// For the sequencer.
    pub desk: Desk,
    /// For the sequencer.
    pub log: Log,
    /// For those who read entries.
    pub reader: LogReader,
    /// Knows everything in the log.
    pub projection: Projection,
    /// How it went.
    pub report: StartReport,
}

/// Opens the log.
pub fn open(
    config: &Config,
    disk: Arc<dyn Disk>,
    identity: Arc<Identity>,
    clock: Arc<dyn Clock>,
    blobs: Blobs,
    keys: KnownKeys,
) -> Result<Opened, ServiceError> {
    let dir = config.data.join("derived");
    let standstill = Standstill::open(&config.data)?;
    let (snapshot, kept, because) = open_snapshot(&dir);
    let fresh = || {
        let erasing = Erasing::new(blobs.clone(), config.keep_signer_name_years);
        let desk = Desk::new(identity.clone(), clock.clone(), erasing, keys.clone(), standstill.clone());
        Replay::new(desk, Projection::new(blobs.clone()))
    };
    let mut replay = fresh();
    replay.resume(kept);
    let (replay, opened, snapshot, because) = match replay.read(config, disk.clone()) {
        Ok((replay, opened)) => (replay, opened, snapshot, because),
        Err(Failed::Misfit(why)) => {
            tracing::warn!(why, "what sled keeps does not fit the log; it is moved aside and built anew");
            let snapshot = snapshot.and_then(|s| s.replace().ok());
            let (replay, opened) = fresh().read(config, disk).map_err(Failed::into_service)?;
            (replay, opened, snapshot, Some(why.to_owned()))
        }
        Err(Failed::Service(error)) => return Err(error),
    };
    Ok(replay.finish(opened, snapshot, because))
}

fn open_snapshot(dir: &Path) -> (Option<Snapshot>, Kept, Option<String>) {
    match Snapshot::open(dir) {
        Ok((snapshot, kept)) => (Some(snapshot), kept, None),
        Err(error) => {
            tracing::warn!(%error, "what sled keeps cannot be used; it is moved aside and built anew");
            (Snapshot::anew(dir).ok(), Kept::default(), Some(error.to_string()))
        }
    }
}

enum Failed {
    /// sled and the log disagree; the log is right.
    Misfit(&'static str),
    Service(ServiceError),
}

impl Failed {
    fn into_service(self) -> ServiceError {
        match self {
            Failed::Service(error) => error,
            Failed::Misfit(why) => ServiceError::Key { what: "a replay from nothing".to_owned(), why: why.to_owned() },
        }
    }
}

/// One pass over the log.
struct Replay {
    desk: Desk,
    projection: Projection,
    applied: u64,
    applied_hash: rinsebook_proto::bytes::Hash,
    unchecked: std::collections::HashSet<u64>,
    report: StartReport,
    misfit: Option<&'static str>,
}

impl Replay {
    fn new(desk: Desk, projection: Projection) -> Replay {
        Replay {
            desk,
            projection,
            applied: 0,
            applied_hash: rinsebook_proto::bytes::Hash::ZERO,
            unchecked: std::collections::HashSet::new(),
            report: StartReport::default(),
            misfit: None,
        }
    }

    fn resume(&mut self, kept: Kept) {
        self.applied = kept.applied;
        self.applied_hash = kept.chain.last_hash();
        self.unchecked = kept.unchecked;
        self.desk.resume(kept.chain, kept.runs, kept.tree);
    }

    fn read(mut self, config: &Config, disk: Arc<dyn Disk>) -> Result<(Replay, (Log, LogReader, Recovered)), Failed> {
        let options = Options { kind: Kind::Log, grow_bytes: config.grow_bytes, segment_bytes: config.segment_bytes };
        let opened =
            Log::open(
                disk,
                &config.log_dir(),
                options,
                |group| {
                    if self.misfit.is_some() { Ok(()) } else { self.group(group) }
                },
            );
        if let Some(why) = self.misfit {
            return Err(Failed::Misfit(why));
        }
        let opened = opened.map_err(|e| Failed::Service(e.into()))?;
        if self.report.entries < self.applied {
            return Err(Failed::Misfit("it covers more entries than the log has"));
        }
        Ok((self, opened))
    }

    fn group(&mut self, group: &Group) -> Result<(), ServiceError> {
        let bad = |index: u64, why: String| ServiceError::BadEntry {
            index,
            file: group.file.clone(),
            offset: group.offset,
            why,
        };
        let end = group.first + group.records.len() as u64;
        let note = std::str::from_utf8(&group.end).map_err(|_| bad(end, "its checkpoint is no text".to_owned()))?;
        self.report.entries = end;
        if end <= self.applied {
            for (index, data) in (group.first..).zip(&group.records) {
                self.resumed(index, data).map_err(|why| bad(index, why))?;
            }
            if end == self.applied && (self.last_hash_differs(group) || self.desk.replay_checkpoint(note).is_err()) {
                self.misfit = Some("its hashes are not those of the log");
            }
            self.projection.announce(end, note);
            return Ok(());
        }
        if group.first < self.applied {
            self.misfit = Some("it ends inside a group");
            return Ok(());
        }
        let mut entries = Vec::with_capacity(group.records.len());
        for (index, data) in (group.first..).zip(&group.records) {
            entries.push(self.desk.replay(data).map_err(|why| bad(index, why))?);
        }
        self.desk.replay_checkpoint(note).map_err(|why| bad(end - 1, why))?;
        self.report.replayed += entries.len() as u64;
        self.projection.apply(Committed { entries, note: note.to_owned() });
        Ok(())
    }

    fn last_hash_differs(&self, group: &Group) -> bool {
        group.records.last().is_none_or(|data| rinsebook_proto::tree::leaf_hash(data) != self.applied_hash)
    }

    fn resumed(&mut self, index: u64, data: &[u8]) -> Result<(), String> {
        let entry = Entry::decode(data).map_err(|e| e.to_string())?;
        let fact = Signed::parse(&entry.envelope, MAX_SERVICE_ENVELOPE_BYTES).map_err(|e| e.to_string())?;
        let unchecked = self.unchecked.contains(&index);
        let recorded = Recorded {
            index: entry.index,
            received_ms: entry.received_ms,
            clock_unsure: entry.clock_unsure,
            fact: Arc::new(fact),
            signature: if unchecked { SignatureState::Unchecked } else { SignatureState::Good },
        };
        self.desk.remember(&recorded, rinsebook_proto::bytes::Hash::ZERO);
        self.projection.add_resumed(recorded);
        self.report.resumed += 1;
        Ok(())
    }

    fn finish(
        mut self,
        (log, reader, recovered): (Log, LogReader, Recovered),
        snapshot: Option<Snapshot>,
        because: Option<String>,
    ) -> Opened {
        self.projection.keep_in(snapshot);
        self.projection.put();
        self.report.annexes_erased = self.desk.erase();
        self.report.torn_bytes_cut = recovered.torn_bytes_cut;
        self.report.rebuilt_because = because;
        Opened { desk: self.desk, log, reader, projection: self.projection, report: self.report }
    }
}
