//! The journal: an append-only sequence of records in files, durable before it is acknowledged. It knows nothing of what
//! the records mean: the service's log keeps its entries in one, a station's outbox its envelopes.
//!
//! # Layout
//! A folder holds segments and nothing else. A segment is named by the index of its first record, `<20 digits>.seg`. All
//! integers are big-endian.
//!
//! ```text
//! segment = header frame* zeros
//! header  = "RINSEJNL"  u32 1  u32 kind  u64 first index  32-byte previous leaf hash  u32 CRC      (60 bytes)
//! frame   = u32 body length  u32 CRC  u8 type  body
//! ```
//!
//! - Kind 1 is a log, 2 an outbox. The previous leaf hash is that of the record before the segment's first one, zeros in the
//!   first segment.
//! - A CRC is CRC-32/IEEE; the header's over the 56 bytes before it, a frame's over the u64 offset of the frame in the
//!   file, the u64 first index of the segment, the type byte and the body. A frame copied elsewhere does not check.
//! - A body has at most 66,000 bytes, a group at most 65,536 records and at least one.
//!
//! ```text
//! type 1  group begins   u64 first index  u32 count  u64 synced before: all records below it were synced by then
//!      2  record         the record (log: an entry; outbox: an envelope), exactly `count` of them
//!      3  group ends     log: the checkpoint note over it; outbox: empty
//!      4  durable mark   u64: all records below it are synced; between groups only
//!      5  sealed         empty; the last frame of a segment, and another segment follows
//! ```
//!
//! Nine zeros where a frame is due end the used part of a segment; from there on every byte is zero, and that is checked. A
//! group without its matching end is torn. A reader refuses all else.
//!
//! # Example
//! An outbox with one record `wash` (index 0) and the durable mark 1, up to the unused space:
//!
//! ```text
//! hex: 52494e53454a4e4c 00000001 00000002 0000000000000000
//! hex: 0000000000000000000000000000000000000000000000000000000000000000 11fc0203
//! hex: 00000014 f4b13e9e 01 0000000000000000 00000001 0000000000000000
//! hex: 00000004 4a1f585b 02 77617368
//! hex: 00000000 8c1fd430 03
//! hex: 00000008 d290032d 04 0000000000000001
//! ```
//!
//! How this stays true when the power fails is told in `journal/frame.rs`, and how a journal is opened after that in
//! `journal/recover.rs`.

mod bytes;
mod copy;
mod disk;
mod error;
mod folder;
mod frame;
mod read;
mod recover;
mod scan;
#[cfg(test)]
mod tests;
mod window;

pub use bytes::{MAX_BODY_BYTES, MAX_GROUP_RECORDS};
pub use copy::copy;
pub use disk::{Disk, DiskFile, Lock, RealDisk, lock};
pub use error::{AppendError, Damage, Fault, JournalError, Refusal};
pub use read::RecordFile;
pub use recover::Recovered;
pub use scan::{Scan, scan, scan_giving};

use bytes::{Begin, FrameType, Header, encode_group, group_bytes, push_frame, record_offsets};
use error::BoxError;
use frame::{Segment, Trouble};
use std::{
    fmt,
    path::{Path, PathBuf},
    sync::Arc,
};

/// What a journal is for.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Kind {
    /// The service's log: groups end with a checkpoint note.
    Log,
    /// A station's outbox: groups end with nothing.
    Outbox,
}

impl Kind {
    fn number(self) -> u32 {
        match self {
            Self::Log => 1,
            Self::Outbox => 2,
        }
    }

    fn from_number(number: u32) -> Option<Self> {
        [Self::Log, Self::Outbox].into_iter().find(|kind| kind.number() == number)
    }
}

impl fmt::Display for Kind {
    fn fmt(&self, out: &mut fmt::Formatter<'_>) -> fmt::Result {
        out.write_str(match self {
            Self::Log => "a log",
            Self::Outbox => "an outbox",
        })
    }
}

/// How a journal is kept. Only `kind` has to be the same at every opening.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Options {
    /// What it is for.
    pub kind: Kind,
    /// Files grow to multiples of this, in written zeros.
    pub grow_bytes: u64,
    /// The group after the one that reaches this goes to a new file.
    pub segment_bytes: u64,
}

impl Options {
    /// For use: grows by 1 MiB, files of about 64 MiB (a choice of ours; a reader takes any size).
    pub fn new(kind: Kind) -> Self {
        Self { kind, grow_bytes: 1 << 20, segment_bytes: 64 << 20 }
    }

    /// For demonstrations and tests: grows by 64 KiB, files of about 1 MiB.
    pub fn small(kind: Kind) -> Self {
        Self { kind, grow_bytes: 64 << 10, segment_bytes: 1 << 20 }
    }
}

/// Records that were written, and synced, together.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Group {
    /// Index of the first record.
    pub first: u64,
    /// All records below this index were synced before this group was written.
    pub synced_before: u64,
    /// The records, at least one.
    pub records: Vec<Vec<u8>>,
    /// Log: the checkpoint note. Outbox: empty.
    pub end: Vec<u8>,
    /// Name of the file, without its folder.
    pub file: String,
    /// Where in it the group begins.
    pub offset: u64,
    /// Where in it the frame of each record begins.
    pub record_offsets: Vec<u64>,
    /// Where in it the group ends.
    pub end_offset: u64,
    /// First index of the segment: when it equals `first`, this is the segment's first group.
    pub segment_first: u64,
    /// The previous leaf hash in the segment's header: that of the record before `segment_first`.
    pub segment_previous: [u8; 32],
}

/// Where a group was written.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Placed {
    /// First index of its segment.
    pub segment_first: u64,
    /// Where in that file the frame of each record begins.
    pub record_offsets: Vec<u64>,
    /// Where in it the group ends.
    pub end_offset: u64,
}

/// A journal open for writing. One writer at a time: hold its [`lock`] as long as this.
pub struct Journal {
    disk: Arc<dyn Disk>,
    dir: PathBuf,
    options: Options,
    segment: Segment,
    next_index: u64,
    marked: u64,
    syncs: u64,
    /// The first failure that left the disk's state unknown. Nothing is written after it.
    broken: Option<String>,
}

impl fmt::Debug for Journal {
    fn fmt(&self, out: &mut fmt::Formatter<'_>) -> fmt::Result {
        out.debug_struct("Journal")
            .field("dir", &self.dir)
            .field("next_index", &self.next_index)
            .finish_non_exhaustive()
    }
}

impl Journal {
    /// Opens the journal in `dir`, or begins one there; the folder above has to exist. A write that was cut short is cut and
    /// reported; what may be in memory only is written again and synced; then every group is shown to `visit`, in order.
    ///
    /// # Errors
    /// [`JournalError::Rot`] when something that had been synced is bad, [`JournalError::Damaged`] when the folder is not that
    /// of a whole journal of this kind; nothing was changed in either case. [`JournalError::Io`] when the disk failed.
    /// [`JournalError::Visit`] with the visitor's own error.
    pub fn create_or_open<E: Into<BoxError>>(
        disk: Arc<dyn Disk>,
        dir: &Path,
        options: Options,
        mut visit: impl FnMut(&Group) -> Result<(), E>,
    ) -> Result<(Self, Recovered), JournalError> {
        Self::open_from(disk, dir, options, 0, |group| visit(&group))
    }

    /// As [`create_or_open`](Self::create_or_open), but that files before the one which begins at index `from` are not looked
    /// at: the caller vouches for them; and each group is given away.
    ///
    /// # Errors
    /// As there.
    pub fn open_from<E: Into<BoxError>>(
        disk: Arc<dyn Disk>,
        dir: &Path,
        options: Options,
        from: u64,
        mut visit: impl FnMut(Group) -> Result<(), E>,
    ) -> Result<(Self, Recovered), JournalError> {
        let mut visit = |group: Group| visit(group).map(|()| None).map_err(Into::into);
        let mended = recover::mend(&*disk, dir, &options, from, &mut visit)?;
        let from = mended.unseen.first().copied().unwrap_or(from);
        scan::walk_to_end(&*disk, dir, options.kind, from, &mended.unseen, &mut visit)?;
        let journal = Self {
            disk,
            dir: dir.to_owned(),
            options,
            segment: mended.segment,
            next_index: mended.next_index,
            marked: mended.marked,
            syncs: mended.syncs,
            broken: None,
        };
        Ok((journal, mended.recovered))
    }

    /// Records one group, which begins at index `first`. When this returns `Ok`, the group survives a power cut.
    /// `previous` is the leaf hash of the record before it; it goes into the header of a new file, should the group begin one.
    ///
    /// # Errors
    /// [`AppendError::Full`]: nothing of the group was written, try again when there is space. [`AppendError::Broken`]: not
    /// known whether it was written; this journal answers nothing else from now on. [`AppendError::Refused`]: the group is
    /// not one that can be written; nothing happened.
    pub fn append<R: AsRef<[u8]>>(
        &mut self,
        first: u64,
        previous: [u8; 32],
        records: &[R],
        end: &[u8],
    ) -> Result<Placed, AppendError> {
        self.refuse_if_broken()?;
        self.check(first, records, end).map_err(AppendError::Refused)?;
        let done = self.write_group(previous, records, end);
        self.settle(done)
    }

    /// Makes room for a group of at most `bytes`, frames included, so that the [`append`](Self::append) that follows cannot
    /// find the disk full. A caller whose decisions cannot be taken back asks here before it decides.
    ///
    /// # Errors
    /// As [`append`](Self::append).
    pub fn make_room(&mut self, previous: [u8; 32], bytes: u64) -> Result<(), AppendError> {
        self.refuse_if_broken()?;
        let done = self.room_for(previous, bytes);
        self.settle(done)
    }

    /// Writes the durable mark, unless nothing was recorded since the last one. To be called when the journal is idle: from
    /// then on damage to the last group is told from a torn write.
    ///
    /// # Errors
    /// As [`append`](Self::append).
    pub fn mark(&mut self) -> Result<(), AppendError> {
        self.refuse_if_broken()?;
        if !self.needs_mark() {
            return Ok(());
        }
        let done = self.write_mark();
        self.settle(done)
    }

    /// Whether a group was recorded since the last mark.
    pub fn needs_mark(&self) -> bool {
        self.next_index > self.marked
    }

    /// Index of the record that comes next: the number of records.
    pub fn next_index(&self) -> u64 {
        self.next_index
    }

    /// Number of file syncs since the journal was opened, those of the opening included.
    pub fn syncs(&self) -> u64 {
        self.syncs
    }

    fn check<R: AsRef<[u8]>>(&self, first: u64, records: &[R], end: &[u8]) -> Result<(), Refusal> {
        if first != self.next_index {
            return Err(Refusal::NotNext { expected: self.next_index, given: first });
        }
        if records.is_empty() {
            return Err(Refusal::Empty);
        }
        if records.len() > MAX_GROUP_RECORDS {
            return Err(Refusal::TooMany(records.len()));
        }
        let longest = records.iter().map(|record| record.as_ref().len()).fold(end.len(), usize::max);
        if longest > MAX_BODY_BYTES {
            return Err(Refusal::TooLong(longest));
        }
        if self.options.kind == Kind::Outbox && !end.is_empty() {
            return Err(Refusal::EndNotEmpty);
        }
        Ok(())
    }

    fn write_group<R: AsRef<[u8]>>(
        &mut self,
        previous: [u8; 32],
        records: &[R],
        end: &[u8],
    ) -> Result<Placed, Trouble> {
        self.room_for(previous, group_bytes(records, end))?;
        let count = u32::try_from(records.len()).expect("checked against MAX_GROUP_RECORDS");
        let begin = Begin { first: self.next_index, count, synced_before: self.next_index };
        let start = self.segment.place();
        self.segment.put(&encode_group(start, &begin, records, end))?;
        self.syncs += 1;
        self.next_index += u64::from(count);
        let record_offsets = record_offsets(start.offset, records);
        Ok(Placed { segment_first: start.segment_first, record_offsets, end_offset: self.segment.used_bytes })
    }

    fn room_for(&mut self, previous: [u8; 32], need_bytes: u64) -> Result<(), Trouble> {
        let is_full = self.segment.used_bytes >= self.options.segment_bytes;
        if is_full && self.next_index > self.segment.first {
            self.roll(previous, need_bytes)?;
        } else if self.segment.make_room(need_bytes, self.options.grow_bytes)? {
            self.syncs += 1;
        }
        Ok(())
    }

    /// Goes on in a new file. Should there be no space for it, the old one stays as it is.
    fn roll(&mut self, previous: [u8; 32], need_bytes: u64) -> Result<(), Trouble> {
        let header = Header { kind: self.options.kind, first: self.next_index, previous };
        let next = Segment::create(&*self.disk, &self.dir, &header, need_bytes, self.options.grow_bytes)?;
        self.segment.seal()?;
        self.segment = next;
        self.syncs += 2;
        Ok(())
    }

    fn write_mark(&mut self) -> Result<(), Trouble> {
        if self.segment.make_room(0, self.options.grow_bytes)? {
            self.syncs += 1;
        }
        let mut frame = Vec::new();
        push_frame(&mut frame, self.segment.place(), FrameType::DurableMark, &self.next_index.to_be_bytes());
        self.segment.put(&frame)?;
        self.syncs += 1;
        self.marked = self.next_index;
        Ok(())
    }

    fn refuse_if_broken(&self) -> Result<(), AppendError> {
        match &self.broken {
            Some(what) => Err(AppendError::Broken { what: what.clone() }),
            None => Ok(()),
        }
    }

    fn settle<T>(&mut self, done: Result<T, Trouble>) -> Result<T, AppendError> {
        let done = done.map_err(AppendError::from);
        if let Err(AppendError::Broken { what } | AppendError::ReadOnly { what }) = &done {
            self.broken = Some(what.clone());
        }
        done
    }
}
