//! What can go wrong with a journal: it could not be read, it was read and is bad, or it cannot take a group now.

use std::{error::Error, fmt, io, path::PathBuf};

/// Any error that a visitor of groups may hand back.
pub(super) type BoxError = Box<dyn Error + Send + Sync>;

/// What is wrong with the bytes, or with the folder.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[non_exhaustive]
pub enum Fault {
    /// No header where one is due.
    #[error("the file does not begin with a segment header")]
    NotASegment,
    /// The header was altered.
    #[error("the header's checksum does not fit")]
    HeaderChecksum,
    /// The file is of a layout that this program does not know.
    #[error("layout version {0} is not known here; use a program that knows it")]
    Version(u32),
    /// The header names a kind that does not exist.
    #[error("kind {0} is not known here")]
    UnknownKind(u32),
    /// A log was opened as an outbox, or the other way round.
    #[error("this is {found}, where {expected} was expected")]
    WrongKind {
        /// What the caller asked for.
        expected: super::Kind,
        /// What the header says.
        found: super::Kind,
    },
    /// The file was renamed, or holds another segment.
    #[error("the header says first index {0}, the file name another")]
    HeaderFirst(u64),
    /// A length that no frame has.
    #[error("the frame claims {0} bytes, more than any frame has")]
    FrameTooLong(u32),
    /// The file ends inside a frame.
    #[error("the frame runs past the end of the file")]
    PastEnd,
    /// The frame was altered, moved, or only partly written.
    #[error("the frame's checksum does not fit")]
    FrameChecksum,
    /// Well written, but not known.
    #[error("frame type {0} is not known here")]
    UnknownType(u8),
    /// Well written, but not what a frame of this type holds.
    #[error("the body of this frame of type {0} is not well formed")]
    BadBody(u8),
    /// Well written, but not in this position.
    #[error("a frame of type {0} does not belong here")]
    OutOfPlace(u8),
    /// Records are missing before this group, or doubled.
    #[error("a group begins at index {found}, where {expected} was due")]
    GroupFirst {
        /// The index that was due.
        expected: u64,
        /// The index that the group gives.
        found: u64,
    },
    /// A mark that vouches for more or fewer records than stand before it: it is written when all of them are synced.
    #[error("a mark vouches for {0} records, which is not how many stand before it")]
    MarkAmiss(u64),
    /// The group has no end.
    #[error("the group breaks off before its end")]
    TornGroup,
    /// Something stands where nothing was written.
    #[error("unused space is not zero")]
    UnusedNotZero,
    /// A segment follows one that does not say that it is complete.
    #[error("the segment is not sealed, yet another follows")]
    NotSealed,
    /// A file is gone.
    #[error("the segment {0} is missing; put it back from a copy")]
    MissingSegment(String),
    /// Two files claim the same records.
    #[error("the segment begins at an index that the one before already holds")]
    Overlap,
    /// The chain does not carry on from file to file.
    #[error("the header's previous hash is not that of the record before")]
    PreviousHash,
    /// Neither a segment nor the start of one.
    #[error("this is no file of a journal; move it out of the folder")]
    ForeignFile,
    /// The program stopped while it began a new segment. Nothing is lost; the next opening clears it.
    #[error("a new segment was begun and not finished; opening the journal clears it")]
    UnfinishedSegment,
    /// The folder holds no journal at all.
    #[error("the folder holds no segment")]
    NoSegment,
}

impl Fault {
    /// Whether a write that was cut short can leave this. All else was written so, or happened to bytes that were whole.
    pub(super) fn could_be_torn(&self) -> bool {
        matches!(
            self,
            Self::FrameTooLong(_) | Self::PastEnd | Self::FrameChecksum | Self::TornGroup | Self::UnusedNotZero
        )
    }

    /// Whether a header that was synced has changed since; a header of another kind or version was written so.
    pub(super) fn is_rotten_header(&self) -> bool {
        matches!(self, Self::NotASegment | Self::HeaderChecksum | Self::HeaderFirst(_))
    }
}

/// Something bad, and where.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Damage {
    /// Name of the file, without its folder.
    pub file: String,
    /// Byte in that file.
    pub offset: u64,
    /// Index of the record that stands, or was due, there; where that is known.
    pub index: Option<u64>,
    /// What is wrong.
    pub fault: Fault,
}

impl fmt::Display for Damage {
    fn fmt(&self, out: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(out, "{}, offset {}", self.file, self.offset)?;
        if let Some(index) = self.index {
            write!(out, ", index {index}")?;
        }
        write!(out, ": {}", self.fault)
    }
}

/// Why a journal could not be opened or scanned.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum JournalError {
    /// Could not be read (or written, while opening). It says nothing about what the journal holds: never taken for
    /// an empty one.
    #[error("{file}: could not {doing}: {source}; look at the disk, then try again")]
    Io {
        /// What was tried.
        doing: &'static str,
        /// The file or folder.
        file: String,
        /// The system's answer.
        source: io::Error,
    },
    /// Bytes that had been synced are bad. Nothing was changed.
    #[error("{0}; this had been synced, so it is rot and is not cut: put the file back from a copy")]
    Rot(Damage),
    /// Checked and found bad.
    #[error("{0}")]
    Damaged(Damage),
    /// Another program has it open.
    #[error("{} is locked: another program has the journal beside it open; stop that one first", .0.display())]
    Locked(PathBuf),
    /// The one who was shown the groups objected. The source is the visitor's own error.
    #[error("{file}, offset {offset}, group from index {first}: {source}")]
    Visit {
        /// Name of the file, without its folder.
        file: String,
        /// Where the group begins in it.
        offset: u64,
        /// Index of the group's first record.
        first: u64,
        /// The visitor's error.
        source: BoxError,
    },
}

impl JournalError {
    pub(super) fn io(doing: &'static str, file: &str, source: io::Error) -> Self {
        Self::Io { doing, file: file.to_owned(), source }
    }

    /// What was found bad, if that is what happened; `None` says that the check could not be made, or was not about bytes.
    pub fn damage(&self) -> Option<&Damage> {
        match self {
            Self::Rot(damage) | Self::Damaged(damage) => Some(damage),
            _ => None,
        }
    }
}

/// Why a group or a mark was not recorded.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum AppendError {
    /// No space; nothing of the group was written. The same call may be made again when there is space.
    #[error("{file}: no space to grow: {source}; nothing was recorded; free space and try again")]
    Full {
        /// Name of the file that should have grown.
        file: String,
        /// The system's answer.
        source: io::Error,
    },
    /// A write or sync failed, now or earlier: whether the group is on disk is not known, and only reading can tell. Every
    /// later call answers the same; the journal has to be opened anew.
    #[error("the journal is broken and records nothing more: {what}; open it anew to learn what is on disk")]
    Broken {
        /// The first failure.
        what: String,
    },
    /// The file system takes no writes any more, as Linux does with one that it found damaged; otherwise as `Broken`.
    #[error(
        "the file system is read-only and nothing more is recorded: {what}; make it writable, then open the journal anew"
    )]
    ReadOnly {
        /// The write that was refused.
        what: String,
    },
    /// The caller's group cannot be written as it is. Nothing was written; the journal goes on.
    #[error("the group cannot be recorded: {0}")]
    Refused(Refusal),
}

/// What is wrong with a group that was handed in.
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
#[non_exhaustive]
pub enum Refusal {
    /// The group does not follow the last one.
    #[error("it begins at index {given}, the next one is {expected}")]
    NotNext {
        /// The next index.
        expected: u64,
        /// The index given.
        given: u64,
    },
    /// No records.
    #[error("it has no records")]
    Empty,
    /// More than 65,536 records.
    #[error("it has {0} records, more than 65,536")]
    TooMany(usize),
    /// A record or the group's end is longer than 66,000 bytes.
    #[error("a part of it has {0} bytes, more than 66,000")]
    TooLong(usize),
    /// An outbox's groups end with nothing.
    #[error("a group of an outbox ends with an empty body")]
    EndNotEmpty,
}
