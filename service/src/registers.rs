//! Registers: of each segment file of the log, what the indices keep of its entries, so that a start reads these in place of
//! the entries. One is written when its segment is full, and one of the open segment when the service stops. All of it is
//! derived from the log, and built anew from it where it is missing or does not fit.
//!
//! A register is of use where its own check holds, where the segment file begins with the very bytes that it was made of
//! (their CRC-32), and where its leaf hashes lead to the root that the log signed in the checkpoint kept with them. So a
//! start still looks at every byte of the log: damage sends it back to reading the entries, which tells where it is.
//! Nothing is synced: what a power cut tears does not fit.

use std::io::ErrorKind;
use std::path::PathBuf;
use std::sync::Arc;
use std::thread::JoinHandle;

use rayon::prelude::*;
use rinsebook_proto::bytes::Hash;
use rinsebook_proto::journal::RecordFile;
use rinsebook_proto::rules::{Recorded, Stretch};

use crate::log::{self, LogReader};
use crate::register::{Loaded, Register};

/// Fewer facts than this are not worth another thread.
const FACTS_A_THREAD: usize = 64;

/// Where registers lie, beside the log that they are of.
#[derive(Clone)]
pub struct Folder {
    dir: PathBuf,
    reader: LogReader,
}

impl Folder {
    /// In this folder; it is made where something is put there.
    pub fn new(dir: PathBuf, reader: LogReader) -> Folder {
        Folder { dir, reader }
    }

    fn path(&self, first: u64) -> PathBuf {
        self.dir.join(format!("{first:020}.register"))
    }

    /// That of the segment which begins at this index, where it is of use; none where there is none.
    ///
    /// # Errors
    /// Why it is of none, in words.
    pub fn load(&self, first: u64) -> Result<Option<Loaded>, String> {
        let bytes = match std::fs::read(self.path(first)) {
            Ok(bytes) => bytes,
            Err(error) if error.kind() == ErrorKind::NotFound => return Ok(None),
            Err(error) => return Err(error.to_string()),
        };
        let register = Register::read(bytes)?;
        if register.stretch.first != first {
            return Err("it is that of another segment".to_owned());
        }
        let file = self.reader.file(first).map_err(|e| e.to_string())?;
        let (checksum, whole) = rayon::join(
            || file.checksum((!register.sealed).then_some(register.covered_bytes)).map_err(|e| e.to_string()),
            || whole(&file, &register),
        );
        if checksum? != (register.covered_bytes, register.crc32) {
            return Err("the segment file is not the one that it was made of".to_owned());
        }
        Ok(Some(Loaded { whole: whole?, register }))
    }

    fn write(&self, mut register: Register) -> Result<(), String> {
        let first = register.stretch.first;
        let file = self.reader.file(first).map_err(|e| e.to_string())?;
        let covered = (!register.sealed).then_some(register.covered_bytes);
        (register.covered_bytes, register.crc32) = file.checksum(covered).map_err(|e| e.to_string())?;
        let path = self.path(first);
        let part = path.with_extension("part");
        let put = || {
            std::fs::create_dir_all(&self.dir)?;
            std::fs::write(&part, register.bytes())?;
            std::fs::rename(&part, &path)
        };
        put().map_err(|e: std::io::Error| {
            // It is never read; removing it gives its space back.
            let _ = std::fs::remove_file(&part);
            e.to_string()
        })
    }
}

/// Facts that a start needs whole, read at their places.
fn whole(file: &RecordFile, register: &Register) -> Result<Vec<Recorded>, String> {
    let stretch = &register.stretch;
    let times_ms: Vec<u64> = stretch.times_ms().collect();
    let read = |at: &u32| {
        let data = file.read(register.offsets[*at as usize]).map_err(|e| e.to_string())?;
        let (index, fact) = log::fact_in(&data)?;
        if (index, fact.hash()) != (stretch.index(*at), stretch.hash(*at)) {
            return Err(format!("another entry stands where entry {} is said to", stretch.index(*at)));
        }
        Ok(stretch.recorded(*at, times_ms[*at as usize], Arc::new(fact)))
    };
    stretch.whole.par_iter().with_min_len(FACTS_A_THREAD).map(read).collect()
}

/// Makes registers of what is added, segment by segment.
pub struct Registers {
    folder: Folder,
    /// They are written on a thread beside whoever adds.
    beside: bool,
    open: Option<Open>,
    writing: Option<JoinHandle<()>>,
}

/// What the open segment's register will say beside the stretch.
#[derive(Default)]
struct Open {
    segment_first: u64,
    end_offset: u64,
    offsets: Vec<u64>,
    leaves: Vec<u8>,
    note: String,
    /// There is more in it than in the register on disk.
    grown: bool,
}

impl Registers {
    /// To be put there, by a thread beside whoever adds or by themselves.
    pub fn new(folder: Folder, beside: bool) -> Registers {
        Registers { folder, beside, open: None, writing: None }
    }

    /// Whether this segment is another than the one before.
    pub fn is_another(&self, segment_first: u64) -> bool {
        self.open.as_ref().is_none_or(|open| open.segment_first != segment_first)
    }

    /// What follows belongs to this segment.
    pub fn begin(&mut self, segment_first: u64) {
        self.open = Some(Open { segment_first, ..Open::default() });
    }

    /// What follows belongs to the segment of that register, behind what it holds; its stretch is the history's matter.
    pub fn go_on_with(&mut self, register: Register) -> Stretch {
        let Register { covered_bytes, offsets, leaves, note, stretch, .. } = register;
        let (segment_first, end_offset) = (stretch.first, covered_bytes);
        let leaves = leaves.to_vec();
        self.open = Some(Open { segment_first, end_offset, offsets, leaves, note, grown: false });
        stretch
    }

    /// Takes the next group of the segment.
    pub fn add(&mut self, offsets: &[u64], end_offset: u64, leaves: impl IntoIterator<Item = Hash>, note: &str) {
        let Some(open) = &mut self.open else { return };
        open.offsets.extend_from_slice(offsets);
        open.leaves.extend(leaves.into_iter().flat_map(|leaf| leaf.0));
        (open.end_offset, open.grown) = (end_offset, true);
        note.clone_into(&mut open.note);
    }

    /// Writes the register of what was added, where that is more than is on disk. What cannot be written is not lost: the
    /// next start reads the entries.
    pub fn end(&mut self, stretch: Option<Stretch>, sealed: bool) {
        let (Some(open), Some(stretch)) = (self.open.take(), stretch) else { return };
        // One that says all of it may still have to say that the segment is full.
        if !(open.grown || sealed) || stretch.entries() != open.offsets.len() as u64 {
            return;
        }
        let Open { end_offset, offsets, leaves, note, .. } = open;
        let leaves = leaves.into();
        let register = Register { covered_bytes: end_offset, crc32: 0, sealed, offsets, leaves, note, stretch };
        let folder = self.folder.clone();
        let write = move || {
            let first = register.stretch.first;
            if let Err(why) = folder.write(register) {
                tracing::warn!(first, why, "a register cannot be written; the next start reads these entries");
            }
        };
        self.wait();
        if self.beside {
            self.writing = std::thread::Builder::new().name("registers".to_owned()).spawn(write).ok();
        } else {
            write();
        }
    }

    /// Waits until what is being written is written.
    pub fn wait(&mut self) {
        if let Some(writing) = self.writing.take() {
            // A panic in it was said where it happened; what it left does not fit.
            let _ = writing.join();
        }
    }
}

impl Drop for Registers {
    fn drop(&mut self) {
        self.wait();
    }
}
