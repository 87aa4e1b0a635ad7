//! The log on disk: segment files through the journal, and reading single entries back for those who ask.

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};
use std::sync::{Arc, Mutex, RwLock};

use rinsebook_proto::bytes::Hash;
use rinsebook_proto::entry::Entry;
use rinsebook_proto::fact::{MAX_SERVICE_ENVELOPE_BYTES, Signed};
use rinsebook_proto::journal::{
    AppendError, Disk, Group, Journal, JournalError, Options, Placed, RecordFile, Recovered,
};

use crate::desk::Staged;
use crate::error::ServiceError;

/// The index and the fact that an entry's data holds.
///
/// # Errors
/// Why it holds none, in words.
pub fn fact_in(data: &[u8]) -> Result<(u64, Signed), String> {
    let entry = Entry::decode(data).map_err(|e| e.to_string())?;
    let fact = Signed::take(entry.envelope, MAX_SERVICE_ENVELOPE_BYTES).map_err(|e| e.to_string())?;
    Ok((entry.index, fact))
}

/// Segment files that stay open for reading.
const OPEN_FILES: usize = 64;

/// Where an entry stands: its segment's first index, and the offset of its frame in that file.
#[derive(Debug, Clone, Copy)]
struct Location {
    segment_first: u64,
    offset: u64,
}

/// The log, open for its one writer.
#[derive(Debug)]
pub struct Log {
    journal: Journal,
    locations: Locations,
}

/// Reads entries beside the writer.
#[derive(Clone)]
pub struct LogReader {
    disk: Arc<dyn Disk>,
    dir: PathBuf,
    locations: Locations,
    /// By the first index of their segments.
    files: Arc<Mutex<BTreeMap<u64, Arc<RecordFile>>>>,
}

#[derive(Debug, Clone, Default)]
struct Locations(Arc<RwLock<Vec<Location>>>);

impl Locations {
    fn extend(&self, segment_first: u64, offsets: &[u64]) {
        let mut list = self.0.write().expect("no holder of this lock panics");
        list.extend(offsets.iter().map(|&offset| Location { segment_first, offset }));
    }

    fn len(&self) -> u64 {
        self.0.read().expect("no holder of this lock panics").len() as u64
    }

    fn get(&self, index: u64) -> Option<Location> {
        let list = self.0.read().expect("no holder of this lock panics");
        list.get(usize::try_from(index).ok()?).copied()
    }
}

impl Log {
    /// Opens the log that this reader reads, mends its end, and shows every group to `visit` that the reader does not know
    /// of; what it shows can be read back. Segments before the one that begins at `from` are not looked at.
    pub fn open(
        reader: &LogReader,
        options: Options,
        from: u64,
        mut visit: impl FnMut(Group) -> Result<(), ServiceError>,
    ) -> Result<(Log, Recovered), JournalError> {
        let locations = reader.locations.clone();
        let known = locations.len();
        let (journal, recovered) = Journal::open_from(reader.disk.clone(), &reader.dir, options, from, |group| {
            if group.first < known {
                return Ok(());
            }
            locations.extend(group.segment_first, &group.record_offsets);
            visit(group)
        })?;
        Ok((Log { journal, locations }, recovered))
    }

    /// Makes room for a group of at most so many bytes, before anything of it is decided. Only this can find the disk full.
    pub fn make_room(&mut self, previous: Hash, bytes: u64) -> Result<(), AppendError> {
        self.journal.make_room(previous.0, bytes)
    }

    /// Writes one group and syncs it: acknowledged may be what this returned `Ok` for, and nothing else.
    pub fn append(&mut self, group: &[Staged], previous: Hash, note: &str) -> Result<Placed, AppendError> {
        let first = group.first().map_or(0, |staged| staged.recorded.index);
        let records: Vec<&[u8]> = group.iter().map(|staged| staged.data.as_slice()).collect();
        let placed = self.journal.append(first, previous.0, &records, note.as_bytes())?;
        self.locations.extend(placed.segment_first, &placed.record_offsets);
        Ok(placed)
    }

    /// Writes the durable mark, if anything was written since the last.
    pub fn mark(&mut self) -> Result<(), AppendError> {
        self.journal.mark()
    }

    /// Syncs made since the log was opened.
    pub fn syncs(&self) -> u64 {
        self.journal.syncs()
    }
}

impl LogReader {
    /// Of the log in this folder, which is not open yet: there is nothing to read before.
    pub fn new(disk: Arc<dyn Disk>, dir: &Path) -> LogReader {
        LogReader { disk, dir: dir.to_owned(), locations: Locations::default(), files: Arc::default() }
    }

    /// Takes note of where the next entries stand.
    pub fn knows(&self, segment_first: u64, offsets: &[u64]) {
        self.locations.extend(segment_first, offsets);
    }

    /// The entry's data as stored; none beyond the end.
    pub fn read(&self, index: u64) -> Result<Option<Vec<u8>>, JournalError> {
        let Some(at) = self.locations.get(index) else { return Ok(None) };
        self.file(at.segment_first)?.read(at.offset).map(Some)
    }

    /// The file of a segment, open for reading.
    pub fn file(&self, segment_first: u64) -> Result<Arc<RecordFile>, JournalError> {
        let mut files = self.files.lock().expect("no holder of this lock panics");
        if let Some(file) = files.get(&segment_first) {
            return Ok(file.clone());
        }
        let file = Arc::new(RecordFile::open(&*self.disk, &self.dir, segment_first)?);
        if files.len() >= OPEN_FILES {
            // Which one goes matters little: it is opened again where it is asked for.
            files.pop_first();
        }
        files.insert(segment_first, file.clone());
        Ok(file)
    }
}
