//! Reads one segment, group by group. Opening and scanning both stand on this; it judges bytes and decides nothing.
//! Memory is bounded by one group.

use super::{
    Damage, Fault, Group, JournalError, Kind, MAX_BODY_BYTES,
    bytes::{Begin, FRAME_HEAD_BYTES, FrameType, HEADER_BYTES, HEADER_PREVIOUS_AT, Head, Header, Place, decode_mark},
    disk::{Disk, DiskFile},
    folder::{segment_name, whole_file},
    window::{Found, Window},
};
use std::path::Path;

/// A file is read in pieces of this where only its checksum is asked for.
const PIECE_BYTES: usize = 256 << 10;

/// What comes next in a segment.
#[derive(Debug)]
pub(super) enum Step {
    Group(Group),
    /// All records below `synced` are synced. The mark stands at `offset`.
    Mark {
        synced: u64,
        offset: u64,
    },
    /// The seal, and nothing but zeros behind it.
    Sealed,
    /// The end of what was written, and nothing but zeros behind it.
    End,
    Bad(Bad),
}

/// Something that does not check.
#[derive(Debug)]
pub(super) struct Bad {
    /// Where the last whole thing ended.
    pub(super) start: u64,
    /// Whether the damage is inside a group whose beginning is whole; otherwise it is between groups.
    pub(super) in_group: bool,
    pub(super) damage: Damage,
}

/// Why a step stopped short.
enum Stop {
    Io(JournalError),
    Bad { offset: u64, index: u64, fault: Fault },
}

impl From<JournalError> for Stop {
    fn from(error: JournalError) -> Self {
        Self::Io(error)
    }
}

/// A segment, and how far it was read.
pub(super) struct SegmentReader {
    window: Window,
    pub(super) name: String,
    pub(super) header: Header,
    /// Offset behind the last whole thing.
    pub(super) at: u64,
    /// Index of the record that comes next.
    pub(super) next_index: u64,
}

impl SegmentReader {
    /// Opens the segment and checks its header. A bad header is damage: it was synced before the file got its name.
    pub(super) fn open(disk: &dyn Disk, dir: &Path, first: u64, kind: Kind) -> Result<Self, JournalError> {
        let name = segment_name(first);
        let io = |doing| move |source| JournalError::io(doing, &segment_name(first), source);
        let file = disk.open_read(&dir.join(&name)).map_err(io("open it"))?;
        let size_bytes = file.size().map_err(io("measure it"))?;
        let damaged =
            |fault| JournalError::Damaged(Damage { index: Some(first), ..whole_file(segment_name(first), fault) });
        if size_bytes < HEADER_BYTES as u64 {
            return Err(damaged(Fault::NotASegment));
        }
        let mut bytes = [0; HEADER_BYTES];
        file.read_at(&mut bytes, 0).map_err(io("read its header"))?;
        let header = Header::decode(&bytes).map_err(damaged)?;
        if header.kind != kind {
            return Err(damaged(Fault::WrongKind { expected: kind, found: header.kind }));
        }
        if header.first != first {
            return Err(damaged(Fault::HeaderFirst(header.first)));
        }
        // Judged here, before an opening mends anything: what it refuses it leaves as it is.
        if first == 0 && header.previous != [0; 32] {
            let damage = Damage { offset: HEADER_PREVIOUS_AT, ..whole_file(name, Fault::PreviousHash) };
            return Err(JournalError::Damaged(Damage { index: Some(first), ..damage }));
        }
        let window = Window::new(file, name.clone(), size_bytes);
        Ok(Self { window, name, header, at: HEADER_BYTES as u64, next_index: first })
    }

    /// As [`open`](Self::open), of a file whose header was synced: what is bad in it is rot.
    pub(super) fn open_synced(disk: &dyn Disk, dir: &Path, first: u64, kind: Kind) -> Result<Self, JournalError> {
        Self::open(disk, dir, first, kind).map_err(|error| match error {
            JournalError::Damaged(damage) if damage.fault.is_rotten_header() => JournalError::Rot(damage),
            other => other,
        })
    }

    /// Length of the file.
    pub(super) fn size_bytes(&self) -> u64 {
        self.window.size_bytes()
    }

    /// Reads on. After anything but a group or a mark there is no next step.
    pub(super) fn step(&mut self) -> Result<Step, JournalError> {
        let (start, index) = (self.at, self.next_index);
        match self.try_step() {
            Ok(step) => Ok(step),
            Err(Stop::Io(error)) => Err(error),
            Err(Stop::Bad { offset, index: at_index, fault }) => {
                let in_group = offset > start && fault != Fault::UnusedNotZero;
                (self.at, self.next_index) = (start, index);
                let damage = Damage { file: self.name.clone(), offset, index: Some(at_index), fault };
                Ok(Step::Bad(Bad { start, in_group, damage }))
            }
        }
    }

    fn try_step(&mut self) -> Result<Step, Stop> {
        let offset = self.at;
        let Some((frame, body)) = self.frame()? else {
            self.expect_zeros()?;
            return Ok(Step::End);
        };
        match frame {
            FrameType::GroupBegins => self.group(offset, &body).map(Step::Group),
            FrameType::DurableMark => {
                let synced = decode_mark(&body).map_err(|fault| self.bad(offset, fault))?;
                if synced != self.next_index {
                    return Err(self.bad(offset, Fault::MarkAmiss(synced)));
                }
                Ok(Step::Mark { synced, offset })
            }
            FrameType::Sealed if body.is_empty() => {
                self.expect_zeros()?;
                Ok(Step::Sealed)
            }
            FrameType::Sealed => Err(self.bad(offset, Fault::BadBody(frame as u8))),
            FrameType::Record | FrameType::GroupEnds => Err(self.bad(offset, Fault::OutOfPlace(frame as u8))),
        }
    }

    fn group(&mut self, offset: u64, body: &[u8]) -> Result<Group, Stop> {
        let begin = Begin::decode(body).map_err(|fault| self.bad(offset, fault))?;
        let expected = self.next_index;
        if begin.first != expected {
            return Err(self.bad(offset, Fault::GroupFirst { expected, found: begin.first }));
        }
        let mut group = Group {
            first: begin.first,
            synced_before: begin.synced_before,
            records: Vec::new(),
            end: Vec::new(),
            file: self.name.clone(),
            offset,
            record_offsets: Vec::new(),
            end_offset: 0,
            segment_first: self.header.first,
            segment_previous: self.header.previous,
        };
        for _ in 0..begin.count {
            group.record_offsets.push(self.at);
            group.records.push(self.expect(FrameType::Record)?);
            self.next_index += 1;
        }
        let end_at = self.at;
        group.end = self.expect(FrameType::GroupEnds)?;
        if self.header.kind == Kind::Outbox && !group.end.is_empty() {
            return Err(self.bad(end_at, Fault::BadBody(FrameType::GroupEnds as u8)));
        }
        group.end_offset = self.at;
        Ok(group)
    }

    /// The body of a frame that has to be of this type.
    fn expect(&mut self, wanted: FrameType) -> Result<Vec<u8>, Stop> {
        let offset = self.at;
        match self.frame()? {
            Some((found, body)) if found == wanted => Ok(body),
            Some((found, _)) => Err(self.bad(offset, Fault::OutOfPlace(found as u8))),
            None => Err(self.bad(offset, Fault::TornGroup)),
        }
    }

    /// The frame at `at`, and past it; `None` where the space is unused.
    fn frame(&mut self) -> Result<Option<(FrameType, Vec<u8>)>, Stop> {
        let offset = self.at;
        let place = Place { segment_first: self.header.first, offset };
        match self.window.frame(place)? {
            Found::Unused => Ok(None),
            Found::Bad(fault) => Err(self.bad(offset, fault)),
            Found::Frame(frame, body) => {
                self.at += (FRAME_HEAD_BYTES + body.len()) as u64;
                Ok(Some((frame, body)))
            }
        }
    }

    fn expect_zeros(&mut self) -> Result<(), Stop> {
        match self.window.first_nonzero(self.at)? {
            None => Ok(()),
            Some(offset) => Err(self.bad(offset, Fault::UnusedNotZero)),
        }
    }

    fn bad(&self, offset: u64, fault: Fault) -> Stop {
        Stop::Bad { offset, index: self.next_index, fault }
    }

    /// Looks at and behind damage for a frame that could only be written once what is damaged had been synced, and says
    /// where. A group's own frames prove nothing about that group.
    pub(super) fn proof_of_sync(&mut self, bad: &Bad) -> Result<Option<u64>, JournalError> {
        let end = self.window.last_nonzero(bad.start)?.map_or(bad.start, |last| last + 1);
        for offset in bad.start..end {
            let place = Place { segment_first: self.header.first, offset };
            let Some((frame, body)) = self.window.marking_frame(place)? else {
                continue;
            };
            let (synced, stands_at) = match frame {
                FrameType::GroupBegins => match Begin::decode(&body) {
                    Ok(begin) => (begin.synced_before, begin.first),
                    Err(_) => continue,
                },
                FrameType::DurableMark => match decode_mark(&body) {
                    Ok(synced) => (synced, synced),
                    Err(_) => continue,
                },
                _ => (u64::MAX, u64::MAX),
            };
            let index = self.next_index;
            if synced > index || (synced == index && stands_at == index && !bad.in_group) {
                return Ok(Some(offset));
            }
        }
        Ok(None)
    }

    /// How many bytes from `offset` on are not just unused space.
    pub(super) fn written_from(&mut self, offset: u64) -> Result<u64, JournalError> {
        Ok(self.window.last_nonzero(offset)?.map_or(0, |last| last + 1 - offset))
    }

    /// Reads `[from, to)` whole.
    pub(super) fn bytes(&self, from: u64, to: u64) -> Result<Vec<u8>, JournalError> {
        self.window.whole(from, to)
    }
}

/// A segment's file, open to read records back from.
pub struct RecordFile {
    file: Box<dyn DiskFile>,
    segment_first: u64,
}

impl RecordFile {
    /// CRC-32/IEEE over the file's first `bytes` bytes, or over all of it; and how many these are.
    ///
    /// # Errors
    /// [`JournalError::Io`] when the disk failed, or the file has fewer.
    pub fn checksum(&self, bytes: Option<u64>) -> Result<(u64, u32), JournalError> {
        let failed = |source| JournalError::io("read it", &segment_name(self.segment_first), source);
        let size_bytes = self.file.size().map_err(failed)?;
        let bytes = bytes.unwrap_or(size_bytes);
        let (mut hasher, mut piece, mut at) = (crc32fast::Hasher::new(), vec![0; PIECE_BYTES], 0);
        while at < bytes {
            let piece = &mut piece[..usize::try_from(bytes - at).map_or(PIECE_BYTES, |left| left.min(PIECE_BYTES))];
            self.file.read_at(piece, at).map_err(failed)?;
            hasher.update(piece);
            at += piece.len() as u64;
        }
        Ok((bytes, hasher.finalize()))
    }

    /// Opens the file of that segment.
    ///
    /// # Errors
    /// [`JournalError::Io`] when the disk failed.
    pub fn open(disk: &dyn Disk, dir: &Path, segment_first: u64) -> Result<Self, JournalError> {
        let name = segment_name(segment_first);
        let file = disk.open_read(&dir.join(&name)).map_err(|source| JournalError::io("open it", &name, source))?;
        Ok(Self { file, segment_first })
    }

    /// Reads one record, checked by its frame, from where [`Group`] or [`super::Placed`] says that it stands.
    ///
    /// # Errors
    /// [`JournalError::Io`] when the disk failed, [`JournalError::Damaged`] when what stands there is not that record.
    pub fn read(&self, offset: u64) -> Result<Vec<u8>, JournalError> {
        let failed = |source| JournalError::io("read it", &segment_name(self.segment_first), source);
        let damaged = |fault| {
            JournalError::Damaged(Damage { file: segment_name(self.segment_first), offset, index: None, fault })
        };
        let mut head_bytes = [0; FRAME_HEAD_BYTES];
        self.file.read_at(&mut head_bytes, offset).map_err(failed)?;
        let head = Head::parse(&head_bytes);
        if head.body_bytes as usize > MAX_BODY_BYTES {
            return Err(damaged(Fault::FrameTooLong(head.body_bytes)));
        }
        let mut body = vec![0; head.body_bytes as usize];
        self.file.read_at(&mut body, offset + FRAME_HEAD_BYTES as u64).map_err(failed)?;
        match head.check(&body, Place { segment_first: self.segment_first, offset }) {
            Ok(FrameType::Record) => Ok(body),
            Ok(_) => Err(damaged(Fault::OutOfPlace(head.type_byte))),
            Err(fault) => Err(damaged(fault)),
        }
    }
}
