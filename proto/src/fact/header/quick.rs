//! A header in its exact form, read in one pass. Every fact that is sent, replayed or audited comes through here, and by way
//! of the message each of its fields would be copied twice. What this does not take, it does not judge: whoever calls it
//! asks the decoder then.
//!
//! The exact form is what prost writes: fields by ascending number, shortest varints, nothing that has its default but what
//! is marked optional.

use super::{Header, Seen, Subject, are_in_form};
use crate::bytes::{Hash, Id};

/// The header; none: these bytes are not in the exact form.
pub(super) fn read(bytes: &[u8]) -> Option<Header> {
    let mut rest = Rest(bytes);
    let header = Header {
        record: Hash(rest.fixed(0x0A)?),
        device: Id(rest.fixed(0x12)?),
        run: Id(rest.fixed(0x1A)?),
        counter: rest.number(0x20)?,
        previous: Hash(rest.fixed(0x2A)?),
        author_key: Hash(rest.fixed(0x32)?),
        happened_ms: rest.number(0x38)?,
        recorded_ms: rest.number(0x40)?,
        clock_offset_ms: rest.optional(0x48)?.map(zigzag),
        clock_measured_ms: rest.optional(0x50)?,
        seen: Seen {
            epoch: u32::try_from(rest.number(0x58)?).ok()?,
            size: rest.number(0x60)?,
            root: Hash(rest.fixed(0x6A)?),
        },
        card: if rest.begins(0x72) { Some(Id(rest.fixed(0x72)?)) } else { None },
        subjects: rest.subjects()?,
        refers: rest.refers()?,
    };
    (rest.0.is_empty() && are_in_form(&header.subjects)).then_some(header)
}

/// A `sint64` from its varint.
fn zigzag(value: u64) -> i64 {
    ((value >> 1) as i64) ^ -((value & 1) as i64)
}

/// What is not read yet. `None` is: not in the exact form.
struct Rest<'b>(&'b [u8]);

impl<'b> Rest<'b> {
    fn begins(&self, tag: u8) -> bool {
        self.0.first() == Some(&tag)
    }

    fn tag(&mut self, tag: u8) -> Option<()> {
        self.0 = self.0.split_first().filter(|(first, _)| **first == tag)?.1;
        Some(())
    }

    /// A varint in its shortest form.
    fn varint(&mut self) -> Option<u64> {
        let mut value = 0;
        for (at, byte) in self.0.iter().take(10).enumerate() {
            // The tenth byte holds the last bit.
            if at == 9 && *byte > 1 {
                return None;
            }
            value |= u64::from(byte & 0x7F) << (7 * at);
            if byte & 0x80 == 0 {
                self.0 = &self.0[at + 1..];
                return (at == 0 || *byte != 0).then_some(value);
            }
        }
        None
    }

    /// A field that is left out where it is zero.
    fn number(&mut self, tag: u8) -> Option<u64> {
        if !self.begins(tag) {
            return Some(0);
        }
        self.optional(tag)?.filter(|value| *value != 0)
    }

    fn optional(&mut self, tag: u8) -> Option<Option<u64>> {
        if !self.begins(tag) {
            return Some(None);
        }
        self.tag(tag)?;
        self.varint().map(Some)
    }

    fn bytes(&mut self) -> Option<&'b [u8]> {
        let length = usize::try_from(self.varint()?).ok()?;
        let (bytes, rest) = self.0.split_at_checked(length)?;
        self.0 = rest;
        Some(bytes)
    }

    fn fixed<const N: usize>(&mut self, tag: u8) -> Option<[u8; N]> {
        self.tag(tag)?;
        self.bytes()?.try_into().ok()
    }

    fn subjects(&mut self) -> Option<Vec<Subject>> {
        let mut subjects = Vec::with_capacity(4);
        while self.begins(0x7A) {
            self.tag(0x7A)?;
            let mut subject = Rest(self.bytes()?);
            let kind = i32::try_from(subject.number(0x08)?).ok()?;
            // The roster has no id.
            let id = if subject.begins(0x12) { subject.id()? } else { &[] };
            subjects.push(Subject::from_parts(kind, id).filter(|_| subject.0.is_empty())?);
        }
        Some(subjects)
    }

    fn id(&mut self) -> Option<&'b [u8]> {
        self.tag(0x12)?;
        self.bytes().filter(|id| !id.is_empty())
    }

    fn refers(&mut self) -> Option<Vec<Hash>> {
        let mut refers = Vec::new();
        while self.begins(0x82) {
            self.tag(0x82)?;
            refers.push(Hash(self.fixed(0x01)?));
        }
        Some(refers)
    }
}

#[cfg(test)]
mod tests {
    use proptest::collection::{btree_set, vec};
    use proptest::option;
    use proptest::prelude::*;
    use prost::Message;

    use super::*;

    fn subjects() -> impl Strategy<Value = Vec<Subject>> {
        let one = prop_oneof![
            any::<[u8; 16]>().prop_map(|id| Subject::Aircraft(Id(id))),
            "[A-Z0-9-]{1,32}".prop_map(Subject::Engine),
            any::<[u8; 16]>().prop_map(|id| Subject::Wash(Id(id))),
            Just(Subject::Roster),
            any::<[u8; 16]>().prop_map(|id| Subject::Device(Id(id))),
        ];
        btree_set(one, 0..6).prop_map(|all| all.into_iter().collect())
    }

    /// Small numbers and large ones; zero often, since it is left out.
    fn number() -> impl Strategy<Value = u64> {
        prop_oneof![Just(0), 0..300u64, any::<u64>()]
    }

    prop_compose! {
        fn headers()(
            hashes in any::<[[u8; 32]; 4]>(), ids in any::<[[u8; 16]; 2]>(), numbers in [number(), number(), number(), number()],
            offset in option::of(any::<i64>()), measured in option::of(number()), epoch in any::<u32>(),
            card in option::of(any::<[u8; 16]>()), subjects in subjects(), refers in vec(any::<[u8; 32]>(), 0..4)
        ) -> Header {
            Header {
                record: Hash(hashes[0]),
                device: Id(ids[0]),
                run: Id(ids[1]),
                counter: numbers[0],
                previous: Hash(hashes[1]),
                author_key: Hash(hashes[2]),
                happened_ms: numbers[1],
                recorded_ms: numbers[2],
                clock_offset_ms: offset,
                clock_measured_ms: measured,
                seen: Seen { epoch, size: numbers[3], root: Hash(hashes[3]) },
                card: card.map(Id),
                subjects,
                refers: refers.into_iter().map(Hash).collect(),
            }
        }
    }

    proptest! {
        #[test]
        fn what_is_read_in_one_pass_is_what_the_decoder_reads_and_nothing_more(
            header in headers(), at in any::<prop::sample::Index>(), other in any::<u8>(), cut in any::<bool>()
        ) {
            let bytes = header.to_message().encode_to_vec();
            prop_assert_eq!(read(&bytes), Some(header.clone()));
            prop_assert_eq!(Header::decode(&bytes), Ok(header));
            let mut altered = bytes.clone();
            let at = at.index(bytes.len());
            if cut {
                let _ = altered.remove(at);
            } else {
                altered[at] = other;
            }
            prop_assert_eq!(read(&altered), Header::decode(&altered).ok(), "byte {} of {:02x?}", at, bytes);
        }
    }

    #[test]
    fn each_byte_of_a_header_with_another_value_is_read_as_the_decoder_reads_it() {
        let header = Header {
            record: Hash([1; 32]),
            device: Id([2; 16]),
            run: Id([3; 16]),
            counter: 0,
            previous: Hash([4; 32]),
            author_key: Hash([5; 32]),
            happened_ms: 1_748_736_000_000,
            recorded_ms: 127,
            clock_offset_ms: Some(-1),
            clock_measured_ms: Some(0),
            seen: Seen { epoch: 1, size: 128, root: Hash([6; 32]) },
            card: Some(Id([7; 16])),
            subjects: vec![Subject::Aircraft(Id([8; 16])), Subject::Engine("OT-1".to_owned()), Subject::Roster],
            refers: vec![Hash([9; 32])],
        };
        let bytes = header.to_message().encode_to_vec();
        let mut altered = bytes.clone();
        for at in 0..bytes.len() {
            for value in 0..=255 {
                altered[at] = value;
                assert_eq!(read(&altered), Header::decode(&altered).ok(), "byte {at} as {value}");
            }
            altered[at] = bytes[at];
        }
    }
}
