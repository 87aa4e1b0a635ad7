//! Opening the log. Of segments that have a register of use, what it holds is taken; every entry behind them is read,
//! chained, linked and put into the tree. What sled says was checked before has its signatures not checked again. Where sled
//! or a register does not fit the log both are moved aside and everything checked. There is no other way in: a start after
//! a crash and a start after a clean stop are the same.
//!
//! ```text
//! registers ─► each compared with its segment ─► taken: indices, chain, tree, places; its root is what the log signed
//! journal   ─► groups gather ─► each entry taken apart, hashed, its signature checked: all cores
//!                               while those before are chained, held, projected in order: one
//! ```

use std::path::Path;
use std::sync::Arc;

use rayon::prelude::*;
use rinsebook_proto::clock::Clock;
use rinsebook_proto::journal::{Disk, Group, Kind, Options, Recovered};
use rinsebook_proto::rules::Recorded;

use crate::admission::KnownKeys;
use crate::blobs::Blobs;
use crate::config::Config;
use crate::desk::{Desk, Read};
use crate::erasing::Erasing;
use crate::error::ServiceError;
use crate::identity::Identity;
use crate::log::{Log, LogReader};
use crate::projection::Projection;
use crate::register::Loaded;
use crate::registers::{Folder, Registers};
use crate::shelf::{Shelf, Unreadable};
use crate::snapshot::{Keeper, Kept, Snapshot};
use crate::standstill::Standstill;
use crate::work;

/// Entries that are taken apart at once: enough to keep all cores busy, and no burden on memory.
const GATHERED: usize = 2048;
/// Groups that may be read before they are taken.
const GROUPS_AHEAD: usize = 64;
/// Fewer entries than this are not worth another thread.
const ENTRIES_A_THREAD: usize = 32;

/// What the start found.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct StartReport {
    /// Entries in the log.
    pub entries: u64,
    /// Of those, checked before, as sled says: read and chained, their signatures not checked again.
    pub resumed: u64,
    /// Of those, taken from registers: their bytes were compared, and not read entry by entry.
    pub from_registers: u64,
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
    /// Learns where the log cannot be read back.
    pub unreadable: Unreadable,
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
    let unreadable = Unreadable::default();
    let beside = !work::is_alone();
    let fresh = || {
        let reader = LogReader::new(disk.clone(), &config.log_dir());
        let shelf = Arc::new(Shelf::new(reader.clone(), unreadable.clone()));
        let registers = Folder::new(dir.join("registers"), reader.clone());
        let erasing = Erasing::new(blobs.clone(), config.keep_signer_name_years);
        let desk = Desk::new(identity.clone(), clock.clone(), erasing, keys.clone(), standstill.clone());
        let projection = Projection::new(blobs.clone(), shelf, Registers::new(registers.clone(), beside));
        Replay::new(desk, reader, registers, projection, keys.clone(), beside)
    };
    let mut replay = fresh();
    replay.kept = kept;
    let (replay, opened, snapshot, because) = match replay.read(config) {
        Ok((replay, opened)) => (replay, opened, snapshot, because),
        Err(Failed::Misfit(why)) => {
            tracing::warn!(why, "what sled keeps does not fit the log; it is moved aside and built anew");
            let snapshot = snapshot.and_then(|s| s.replace().ok());
            let (replay, opened) = fresh().read(config).map_err(Failed::into_service)?;
            (replay, opened, snapshot, Some(why.to_owned()))
        }
        Err(Failed::Service(error)) => return Err(error),
    };
    Ok(replay.finish(opened, snapshot, because, unreadable))
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
    reader: LogReader,
    registers: Folder,
    projection: Projection,
    keys: KnownKeys,
    kept: Kept,
    /// The log is read on a thread of its own.
    beside: bool,
    /// Groups as they came from the journal.
    gathered: Vec<Group>,
    /// Those before them, taken apart.
    apart: Vec<Apart>,
    /// Entries that were taken: they are given back while others are taken apart.
    spent: Vec<Recorded>,
    report: StartReport,
    misfit: Option<&'static str>,
}

/// A group with its entries taken apart.
struct Apart {
    group: Group,
    entries: Vec<Result<Read, String>>,
}

impl Replay {
    fn new(
        desk: Desk,
        reader: LogReader,
        registers: Folder,
        projection: Projection,
        keys: KnownKeys,
        beside: bool,
    ) -> Replay {
        let (kept, report) = (Kept::default(), StartReport::default());
        let (gathered, apart, spent, misfit) = (Vec::new(), Vec::new(), Vec::new(), None);
        Replay { desk, reader, registers, projection, keys, kept, beside, gathered, apart, spent, report, misfit }
    }

    fn read(mut self, config: &Config) -> Result<(Replay, (Log, Recovered)), Failed> {
        let options = Options { kind: Kind::Log, grow_bytes: config.grow_bytes, segment_bytes: config.segment_bytes };
        let from = self.resume()?;
        let opened = if self.beside { self.read_beside(options, from) } else { self.read_here(options, from) };
        if let Some(why) = self.misfit {
            return Err(Failed::Misfit(why));
        }
        let opened = opened.map_err(Failed::Service)?;
        if self.report.entries < self.kept.checked {
            return Err(Failed::Misfit("it covers more entries than the log has"));
        }
        Ok((self, opened))
    }

    /// Reads and takes in turn.
    fn read_here(&mut self, options: Options, from: u64) -> Result<(Log, Recovered), ServiceError> {
        let opened = Log::open(&self.reader.clone(), options, from, |group| self.gather(group))?;
        self.finish_gathering()?;
        Ok(opened)
    }

    /// Reads while what was read before is taken.
    fn read_beside(&mut self, options: Options, from: u64) -> Result<(Log, Recovered), ServiceError> {
        let reader = self.reader.clone();
        let (read, groups) = std::sync::mpsc::sync_channel(GROUPS_AHEAD);
        std::thread::scope(|scope| {
            let taking = scope.spawn(move || {
                groups.into_iter().try_for_each(|group| self.gather(group))?;
                self.finish_gathering()
            });
            // Where the taker has ended, its error is the one that counts.
            let ended = |_| ServiceError::Unreadable("reading ended before its time".to_owned());
            let opened = Log::open(&reader, options, from, |group| read.send(group).map_err(ended));
            drop(read);
            taking.join().unwrap_or_else(|panic| std::panic::resume_unwind(panic))?;
            Ok(opened?)
        })
    }

    /// Once to take the last groups apart, once to take them.
    fn finish_gathering(&mut self) -> Result<(), ServiceError> {
        self.go_on()?;
        self.go_on()
    }

    /// Takes what registers hold in place of the entries; the first index of the segment where reading begins.
    fn resume(&mut self) -> Result<u64, Failed> {
        let registers = of_use(self.registers.clone(), self.kept.checked);
        if !self.beside {
            return registers.into_iter().try_fold(0, |_, loaded| self.take_register(loaded));
        }
        let (loaded, taken) = std::sync::mpsc::sync_channel(1);
        std::thread::scope(|scope| {
            // The next ones are read while one is taken; where that fails, nobody waits for more.
            scope.spawn(move || registers.into_iter().try_for_each(|register| loaded.send(register).ok()));
            taken.into_iter().try_fold(0, |_, loaded| self.take_register(loaded))
        })
    }

    fn take_register(&mut self, loaded: Loaded) -> Result<u64, Failed> {
        let register = &loaded.register;
        if register.stretch.first == 0 {
            self.projection.reserve(usize::try_from(self.kept.checked).unwrap_or_default());
        }
        let from = register.read_from();
        let end = register.stretch.end();
        let kept = Kept { checked: end, last: register.last_leaf() };
        self.reader.knows(register.stretch.first, &register.offsets);
        let (taken, ()) = rayon::join(|| self.desk.resume(&loaded), || self.projection.resume(&loaded));
        if let Err(why) = taken {
            tracing::warn!(why, "a register does not fit the log");
            return Err(Failed::Misfit("a register that does not go on from the one before"));
        }
        if end == self.kept.checked && kept.last != self.kept.last {
            return Err(Failed::Misfit("its hashes are not those of the log"));
        }
        self.report = StartReport { entries: end, resumed: end, from_registers: end, ..self.report.clone() };
        self.projection.go_on(loaded.register, kept);
        Ok(from)
    }

    fn gather(&mut self, group: Group) -> Result<(), ServiceError> {
        if self.misfit.is_some() {
            return Ok(());
        }
        self.gathered.push(group);
        let entries: usize = self.gathered.iter().map(|group| group.records.len()).sum();
        if entries >= GATHERED { self.go_on() } else { Ok(()) }
    }

    /// Takes what has gathered apart, while what was taken apart before is taken in order.
    fn go_on(&mut self) -> Result<(), ServiceError> {
        let (gathered, apart) = (std::mem::take(&mut self.gathered), std::mem::take(&mut self.apart));
        let (keys, checked, spent) = (self.keys.clone(), self.kept.checked, std::mem::take(&mut self.spent));
        let (next, taken) = rayon::join(
            || {
                spent.into_par_iter().with_min_len(ENTRIES_A_THREAD).for_each(drop);
                take_apart(gathered, &keys, checked)
            },
            || apart.into_iter().try_for_each(|apart| self.group(apart)),
        );
        self.apart = next;
        taken
    }

    fn group(&mut self, Apart { group, entries }: Apart) -> Result<(), ServiceError> {
        if self.misfit.is_some() {
            return Ok(());
        }
        let bad = |index: u64, why: String| ServiceError::BadEntry {
            index,
            file: group.file.clone(),
            offset: group.offset,
            why,
        };
        let end = group.first + group.records.len() as u64;
        let note = std::str::from_utf8(&group.end).map_err(|_| bad(end, "its checkpoint is no text".to_owned()))?;
        self.report.entries = end;
        let checked_before = end <= self.kept.checked;
        if !checked_before && group.first < self.kept.checked {
            self.misfit = Some("it ends inside a group");
            return Ok(());
        }
        let mut kept = Kept { checked: end, ..Kept::default() };
        let (mut leaves, mut recorded) = (Vec::with_capacity(entries.len()), Vec::with_capacity(entries.len()));
        for (index, read) in (group.first..).zip(entries) {
            let read = read.map_err(|why| bad(index, why))?;
            kept.last = read.hash();
            leaves.push(read.hash());
            recorded.push(self.desk.replay(read, checked_before).map_err(|why| bad(index, why))?);
        }
        if checked_before && end == self.kept.checked && kept.last != self.kept.last {
            self.misfit = Some("its hashes are not those of the log");
            return Ok(());
        }
        // The last that was checked vouches for all before it: each entry names the hash of the one before.
        if end >= self.kept.checked {
            self.desk.replay_checkpoint(note).map_err(|why| bad(end - 1, why))?;
        }
        let entries = group.records.len() as u64;
        *if checked_before { &mut self.report.resumed } else { &mut self.report.replayed } += entries;
        let note = note.to_owned();
        self.projection.replay(&group, leaves, &mut recorded, kept, note);
        self.spent.append(&mut recorded);
        Ok(())
    }

    fn finish(
        mut self,
        (log, recovered): (Log, Recovered),
        snapshot: Option<Snapshot>,
        because: Option<String>,
        unreadable: Unreadable,
    ) -> Opened {
        self.projection.keep_in(snapshot.map(|snapshot| Keeper::new(snapshot, self.beside)));
        self.projection.put();
        self.report.annexes_erased = self.desk.erase();
        self.report.torn_bytes_cut = recovered.torn_bytes_cut;
        self.report.rebuilt_because = because;
        let Replay { desk, reader, projection, report, .. } = self;
        Opened { desk, log, reader, projection, unreadable, report }
    }
}

/// The registers from the log's beginning on, as far as they are of use. Beyond what sled says was checked they vouch for
/// nothing.
fn of_use(folder: Folder, checked: u64) -> impl IntoIterator<Item = Loaded> + Send {
    let mut first = Some(0);
    std::iter::from_fn(move || {
        let begin = first.take()?;
        let loaded = folder.load(begin).unwrap_or_else(|why| {
            tracing::warn!(first = begin, why, "a register is of no use; the entries are read from here on");
            None
        })?;
        first = loaded.register.sealed.then_some(loaded.register.stretch.end());
        (loaded.register.stretch.end() <= checked).then_some(loaded)
    })
}

/// Every entry by itself, on all cores; signatures only from where they were not checked before.
fn take_apart(groups: Vec<Group>, keys: &KnownKeys, checked: u64) -> Vec<Apart> {
    let entries = |group: &Group| -> Vec<Result<Read, String>> {
        let keys = (group.first >= checked).then_some(keys);
        let records = group.records.par_iter().with_min_len(ENTRIES_A_THREAD);
        records.map(|data| Read::new(data, keys)).collect()
    };
    groups.into_par_iter().map(|group| Apart { entries: entries(&group), group }).collect()
}
