//! A segment seen through a window that moves: frames and zeros are found without the file being in memory.

use super::{
    Fault, JournalError,
    bytes::{Begin, FRAME_HEAD_BYTES, FrameType, Head, MAX_BODY_BYTES, Place},
    disk::DiskFile,
};

/// Bytes read at once; more than the longest frame.
const WINDOW_BYTES: u64 = 131_072;
static ZEROS: [u8; WINDOW_BYTES as usize] = [0; WINDOW_BYTES as usize];

/// What stands at a place.
pub(super) enum Found {
    Unused,
    Bad(Fault),
    Frame(FrameType, Vec<u8>),
}

/// A stretch of the file in memory, moved on demand.
pub(super) struct Window {
    file: Box<dyn DiskFile>,
    name: String,
    size_bytes: u64,
    start: u64,
    bytes: Vec<u8>,
}

impl Window {
    pub(super) fn new(file: Box<dyn DiskFile>, name: String, size_bytes: u64) -> Self {
        Self { file, name, size_bytes, start: 0, bytes: Vec::new() }
    }

    /// Length of the file when it was opened.
    pub(super) fn size_bytes(&self) -> u64 {
        self.size_bytes
    }

    /// Reads `[from, to)` past the window.
    pub(super) fn whole(&self, from: u64, to: u64) -> Result<Vec<u8>, JournalError> {
        let mut bytes = vec![0; usize::try_from(to - from).unwrap_or(usize::MAX)];
        self.file.read_at(&mut bytes, from).map_err(|source| JournalError::io("read it", &self.name, source))?;
        Ok(bytes)
    }

    /// `length` bytes at `offset`, which lie inside the file and are no more than a frame.
    fn get(&mut self, offset: u64, length: usize) -> Result<&[u8], JournalError> {
        let inside = offset >= self.start && offset + length as u64 <= self.start + self.bytes.len() as u64;
        if !inside {
            let take = (self.size_bytes - offset).min(WINDOW_BYTES);
            self.bytes.resize(take as usize, 0);
            self.start = offset;
            if let Err(source) = self.file.read_at(&mut self.bytes, offset) {
                self.bytes.clear();
                return Err(JournalError::io("read it", &self.name, source));
            }
        }
        let from = (offset - self.start) as usize;
        Ok(&self.bytes[from..from + length])
    }

    /// The frame at this place, its length checked before anything is allocated for it.
    pub(super) fn frame(&mut self, place: Place) -> Result<Found, JournalError> {
        let left = self.size_bytes - place.offset;
        if left < FRAME_HEAD_BYTES as u64 {
            return Ok(Found::Unused);
        }
        let head = Head::parse(self.get(place.offset, FRAME_HEAD_BYTES)?);
        if head.is_unused() {
            return Ok(Found::Unused);
        }
        if head.body_bytes as usize > MAX_BODY_BYTES {
            return Ok(Found::Bad(Fault::FrameTooLong(head.body_bytes)));
        }
        let whole = FRAME_HEAD_BYTES + head.body_bytes as usize;
        if left < whole as u64 {
            return Ok(Found::Bad(Fault::PastEnd));
        }
        let body = &self.get(place.offset, whole)?[FRAME_HEAD_BYTES..];
        Ok(match head.check(body, place) {
            Ok(frame) => Found::Frame(frame, body.to_vec()),
            Err(fault) => Found::Bad(fault),
        })
    }

    /// The frame at this place, if one that says what was synced stands there whole. Cheap for all other places.
    pub(super) fn marking_frame(&mut self, place: Place) -> Result<Option<(FrameType, Vec<u8>)>, JournalError> {
        if self.size_bytes - place.offset < FRAME_HEAD_BYTES as u64 {
            return Ok(None);
        }
        let head = Head::parse(self.get(place.offset, FRAME_HEAD_BYTES)?);
        let shape = (head.type_byte, head.body_bytes);
        let marking = [(FrameType::GroupBegins, Begin::BYTES), (FrameType::DurableMark, 8), (FrameType::Sealed, 0)];
        if !marking.iter().any(|(frame, bytes)| shape == (*frame as u8, *bytes as u32)) {
            return Ok(None);
        }
        match self.frame(place)? {
            Found::Frame(frame, body) => Ok(Some((frame, body))),
            Found::Unused | Found::Bad(_) => Ok(None),
        }
    }

    /// The first byte from `from` on that is not zero.
    pub(super) fn first_nonzero(&mut self, from: u64) -> Result<Option<u64>, JournalError> {
        let mut at = from;
        while at < self.size_bytes {
            let length = (self.size_bytes - at).min(WINDOW_BYTES / 2) as usize;
            let piece = self.get(at, length)?;
            if piece != &ZEROS[..length] {
                return Ok(piece.iter().position(|byte| *byte != 0).map(|inside| at + inside as u64));
            }
            at += length as u64;
        }
        Ok(None)
    }

    /// The last byte from `from` on that is not zero.
    pub(super) fn last_nonzero(&mut self, from: u64) -> Result<Option<u64>, JournalError> {
        let (mut at, mut last) = (from, None);
        while at < self.size_bytes {
            let length = (self.size_bytes - at).min(WINDOW_BYTES / 2) as usize;
            let piece = self.get(at, length)?;
            if piece != &ZEROS[..length] {
                last = piece.iter().rposition(|byte| *byte != 0).map(|inside| at + inside as u64);
            }
            at += length as u64;
        }
        Ok(last)
    }
}
