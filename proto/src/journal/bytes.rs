//! The bytes of segment headers and frames. The layout is described on top of [`journal`](super); only this file builds
//! and checks it.

use super::{Fault, Kind};

/// The first eight bytes of every segment.
const MAGIC: [u8; 8] = *b"RINSEJNL";
/// The only layout there is so far.
const VERSION: u32 = 1;
/// Length of a segment header.
pub(super) const HEADER_BYTES: usize = 60;
/// Where in the header the previous leaf hash stands; damage to the chain is reported there.
pub(super) const HEADER_PREVIOUS_AT: u64 = 24;
/// Length of what precedes a frame's body: u32 body length, u32 CRC, u8 type.
pub(super) const FRAME_HEAD_BYTES: usize = 9;
/// No body is longer; a longer length is damage, and is refused before anything is allocated for it.
pub const MAX_BODY_BYTES: usize = 66_000;
/// No group has more records.
pub const MAX_GROUP_RECORDS: usize = 65_536;
/// Length of a whole durable mark.
pub(super) const MARK_FRAME_BYTES: u64 = (FRAME_HEAD_BYTES + 8) as u64;
/// Length of a whole seal.
pub(super) const SEAL_FRAME_BYTES: u64 = FRAME_HEAD_BYTES as u64;

/// What stands at the start of a segment.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Header {
    pub(super) kind: Kind,
    /// Index of the first record of this segment.
    pub(super) first: u64,
    /// Leaf hash of the record before that one; zeros in the first segment.
    pub(super) previous: [u8; 32],
}

impl Header {
    pub(super) fn encode(&self) -> [u8; HEADER_BYTES] {
        let mut out = [0; HEADER_BYTES];
        out[..8].copy_from_slice(&MAGIC);
        out[8..12].copy_from_slice(&VERSION.to_be_bytes());
        out[12..16].copy_from_slice(&self.kind.number().to_be_bytes());
        out[16..24].copy_from_slice(&self.first.to_be_bytes());
        out[24..56].copy_from_slice(&self.previous);
        let crc = crc32fast::hash(&out[..56]);
        out[56..].copy_from_slice(&crc.to_be_bytes());
        out
    }

    /// The checksum is judged before what it covers, so that a flipped bit is never mistaken for a later version.
    pub(super) fn decode(bytes: &[u8; HEADER_BYTES]) -> Result<Self, Fault> {
        if bytes[..8] != MAGIC {
            return Err(Fault::NotASegment);
        }
        if crc32fast::hash(&bytes[..56]) != u32_at(bytes, 56) {
            return Err(Fault::HeaderChecksum);
        }
        let version = u32_at(bytes, 8);
        if version != VERSION {
            return Err(Fault::Version(version));
        }
        let number = u32_at(bytes, 12);
        let mut previous = [0; 32];
        previous.copy_from_slice(&bytes[24..56]);
        Ok(Self {
            kind: Kind::from_number(number).ok_or(Fault::UnknownKind(number))?,
            first: u64_at(bytes, 16),
            previous,
        })
    }
}

/// What a frame is for.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[repr(u8)]
pub(super) enum FrameType {
    GroupBegins = 1,
    Record = 2,
    GroupEnds = 3,
    DurableMark = 4,
    Sealed = 5,
}

impl FrameType {
    fn from_byte(byte: u8) -> Option<Self> {
        [Self::GroupBegins, Self::Record, Self::GroupEnds, Self::DurableMark, Self::Sealed]
            .into_iter()
            .find(|known| *known as u8 == byte)
    }
}

/// Where a frame stands: part of what its checksum covers, so that a frame moved or copied elsewhere does not check.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Place {
    pub(super) segment_first: u64,
    pub(super) offset: u64,
}

/// The nine bytes before a body, not yet checked.
#[derive(Debug, Clone, Copy)]
pub(super) struct Head {
    pub(super) body_bytes: u32,
    crc: u32,
    pub(super) type_byte: u8,
}

impl Head {
    /// Takes at least [`FRAME_HEAD_BYTES`] bytes.
    pub(super) fn parse(bytes: &[u8]) -> Self {
        Self { body_bytes: u32_at(bytes, 0), crc: u32_at(bytes, 4), type_byte: bytes[8] }
    }

    /// Nine zeros are no frame: the type 0 does not exist. Here the used part of a segment ends.
    pub(super) fn is_unused(&self) -> bool {
        self.body_bytes == 0 && self.crc == 0 && self.type_byte == 0
    }

    /// A type that is not known under a checksum that fits was written so, and is no tear: the checksum is judged first.
    pub(super) fn check(&self, body: &[u8], place: Place) -> Result<FrameType, Fault> {
        if frame_crc(place, self.type_byte, body) != self.crc {
            return Err(Fault::FrameChecksum);
        }
        FrameType::from_byte(self.type_byte).ok_or(Fault::UnknownType(self.type_byte))
    }
}

fn frame_crc(place: Place, type_byte: u8, body: &[u8]) -> u32 {
    let mut crc = crc32fast::Hasher::new();
    crc.update(&place.offset.to_be_bytes());
    crc.update(&place.segment_first.to_be_bytes());
    crc.update(&[type_byte]);
    crc.update(body);
    crc.finalize()
}

/// Adds one frame to `out`, whose first byte will stand at `start` in the file.
pub(super) fn push_frame(out: &mut Vec<u8>, start: Place, frame: FrameType, body: &[u8]) {
    let place = Place { offset: start.offset + out.len() as u64, ..start };
    let length = u32::try_from(body.len()).expect("bodies are checked against MAX_BODY_BYTES before they come here");
    out.extend_from_slice(&length.to_be_bytes());
    out.extend_from_slice(&frame_crc(place, frame as u8, body).to_be_bytes());
    out.push(frame as u8);
    out.extend_from_slice(body);
}

/// What a "group begins" frame says.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Begin {
    pub(super) first: u64,
    pub(super) count: u32,
    /// All records below this index were synced before this frame was written.
    pub(super) synced_before: u64,
}

impl Begin {
    pub(super) const BYTES: usize = 20;

    pub(super) fn encode(&self) -> [u8; Self::BYTES] {
        let mut out = [0; Self::BYTES];
        out[..8].copy_from_slice(&self.first.to_be_bytes());
        out[8..12].copy_from_slice(&self.count.to_be_bytes());
        out[12..].copy_from_slice(&self.synced_before.to_be_bytes());
        out
    }

    pub(super) fn decode(body: &[u8]) -> Result<Self, Fault> {
        if body.len() != Self::BYTES {
            return Err(Fault::BadBody(FrameType::GroupBegins as u8));
        }
        let begin = Self { first: u64_at(body, 0), count: u32_at(body, 8), synced_before: u64_at(body, 12) };
        let counted = (1..=MAX_GROUP_RECORDS).contains(&(begin.count as usize));
        if !counted || begin.synced_before != begin.first {
            return Err(Fault::BadBody(FrameType::GroupBegins as u8));
        }
        Ok(begin)
    }
}

/// Reads the body of a durable mark: all records below that index are synced.
pub(super) fn decode_mark(body: &[u8]) -> Result<u64, Fault> {
    let bytes: [u8; 8] = body.try_into().map_err(|_| Fault::BadBody(FrameType::DurableMark as u8))?;
    Ok(u64::from_be_bytes(bytes))
}

/// How many bytes a group takes in the file.
pub(super) fn group_bytes<R: AsRef<[u8]>>(records: &[R], end: &[u8]) -> u64 {
    let bodies: usize = records.iter().map(|record| FRAME_HEAD_BYTES + record.as_ref().len()).sum();
    (FRAME_HEAD_BYTES + Begin::BYTES + bodies + FRAME_HEAD_BYTES + end.len()) as u64
}

/// Where the frame of each record of a group begins that is laid out at `start_offset`.
pub(super) fn record_offsets<R: AsRef<[u8]>>(start_offset: u64, records: &[R]) -> Vec<u64> {
    let mut offset = start_offset + (FRAME_HEAD_BYTES + Begin::BYTES) as u64;
    let frame = |record: &R| {
        let at = offset;
        offset += (FRAME_HEAD_BYTES + record.as_ref().len()) as u64;
        at
    };
    records.iter().map(frame).collect()
}

/// Lays a whole group out for one write at `start`.
pub(super) fn encode_group<R: AsRef<[u8]>>(start: Place, begin: &Begin, records: &[R], end: &[u8]) -> Vec<u8> {
    let mut out = Vec::with_capacity(usize::try_from(group_bytes(records, end)).unwrap_or(0));
    push_frame(&mut out, start, FrameType::GroupBegins, &begin.encode());
    for record in records {
        push_frame(&mut out, start, FrameType::Record, record.as_ref());
    }
    push_frame(&mut out, start, FrameType::GroupEnds, end);
    out
}

fn u32_at(bytes: &[u8], at: usize) -> u32 {
    let mut four = [0; 4];
    four.copy_from_slice(&bytes[at..at + 4]);
    u32::from_be_bytes(four)
}

fn u64_at(bytes: &[u8], at: usize) -> u64 {
    let mut eight = [0; 8];
    eight.copy_from_slice(&bytes[at..at + 8]);
    u64::from_be_bytes(eight)
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    proptest! {
        #[test]
        fn a_frame_checks_at_its_own_place_and_at_no_other(
            offset in 0u64..1 << 40, first in any::<u64>(), body in proptest::collection::vec(any::<u8>(), 0..200), moved in 1u64..5000
        ) {
            let place = Place { segment_first: first, offset };
            let mut bytes = Vec::new();
            push_frame(&mut bytes, place, FrameType::Record, &body);
            let head = Head::parse(&bytes);
            prop_assert_eq!(head.check(&bytes[FRAME_HEAD_BYTES..], place), Ok(FrameType::Record));
            let elsewhere = Place { offset: offset + moved, ..place };
            prop_assert_eq!(head.check(&body, elsewhere), Err(Fault::FrameChecksum));
            let other_segment = Place { segment_first: first.wrapping_add(moved), ..place };
            prop_assert_eq!(head.check(&body, other_segment), Err(Fault::FrameChecksum));
        }
    }

    #[test]
    fn a_header_reads_back_and_every_flipped_bit_of_it_is_seen() {
        let header = Header { kind: Kind::Outbox, first: 77, previous: [9; 32] };
        let good = header.encode();
        assert_eq!(Header::decode(&good), Ok(header));
        for bit in 0..HEADER_BYTES * 8 {
            let mut bad = good;
            bad[bit / 8] ^= 1 << (bit % 8);
            assert!(Header::decode(&bad).is_err(), "bit {bit}");
        }
    }

    #[test]
    fn a_header_of_another_version_or_kind_is_refused_although_its_checksum_fits() {
        for (at, number, expected) in [(11, 2, Fault::Version(2)), (15, 3, Fault::UnknownKind(3))] {
            let mut bytes = Header { kind: Kind::Log, first: 0, previous: [0; 32] }.encode();
            bytes[at] = number;
            let crc = crc32fast::hash(&bytes[..56]);
            bytes[56..].copy_from_slice(&crc.to_be_bytes());
            assert_eq!(Header::decode(&bytes), Err(expected));
        }
    }

    #[test]
    fn a_group_without_records_or_with_too_many_or_synced_ahead_of_itself_is_refused() {
        let good = Begin { first: 5, count: 65_536, synced_before: 5 };
        assert_eq!(Begin::decode(&good.encode()), Ok(good));
        for bad in [Begin { count: 0, ..good }, Begin { count: 65_537, ..good }, Begin { synced_before: 6, ..good }] {
            assert_eq!(Begin::decode(&bad.encode()), Err(Fault::BadBody(1)));
        }
        assert_eq!(Begin::decode(&good.encode()[1..]), Err(Fault::BadBody(1)));
    }
}
