//! The DSSE envelope and the outer framing of the payload, byte by byte.

use std::io::Write;
use std::ops::Range;

use prost::Message;
use prost::encoding::{decode_varint, encode_varint, encoded_len_varint};

use super::{GivenBack, Header, Kind, Malformed};
use crate::bytes::Hash;
use crate::key::{self, SigningKey, VerifyingKey};
use crate::v1;

/// The payload type of facts, 42 bytes.
pub const FACT_TYPE: &str = "application/vnd.rinsebook.fact.v1+protobuf";
/// The payload type of devices' reports.
pub const REPORT_TYPE: &str = "application/vnd.rinsebook.report.v1+protobuf";
/// The largest envelope that a device may send.
pub const MAX_ENVELOPE_BYTES: usize = 16_384;
/// The largest envelope of a service fact.
pub const MAX_SERVICE_ENVELOPE_BYTES: usize = 32_768;

/// What DSSE writes beside type and body: its name, two lengths of any size, spaces.
const MOST_PAE_BYTES_BESIDE: usize = 50;
const SIGNATURE_FRAME: [u8; 4] = [0x1A, 0x42, 0x0A, 0x40];
/// The lowest number of a kind field.
const FIRST_KIND: u64 = 32;

/// DSSE's pre-authentication encoding: what is signed.
pub fn pae(payload_type: &str, body: &[u8]) -> Vec<u8> {
    let mut out = Vec::with_capacity(payload_type.len() + body.len() + MOST_PAE_BYTES_BESIDE);
    write!(out, "DSSEv1 {} {payload_type} {} ", payload_type.len(), body.len()).expect("a vector takes any number");
    out.extend_from_slice(body);
    out
}

/// An envelope in its exact form, its bytes kept.
#[derive(Clone, PartialEq, Eq)]
pub struct Envelope {
    bytes: Vec<u8>,
    payload: Range<usize>,
    payload_type: &'static str,
    /// Of the bytes: asked for at every step of a fact's way.
    hash: Hash,
}

impl std::fmt::Debug for Envelope {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        write!(f, "Envelope({}, {} bytes)", self.hash(), self.bytes.len())
    }
}

impl Envelope {
    /// Takes the bytes apart; anything but the exact form under this type is malformed.
    pub fn parse(bytes: &[u8], payload_type: &'static str, max_bytes: usize) -> Result<Envelope, Malformed> {
        let payload = payload_in(bytes, payload_type, max_bytes)?;
        Ok(Envelope { hash: Hash::of(bytes), bytes: bytes.to_vec(), payload, payload_type })
    }

    /// As [`parse`](Self::parse), of bytes that nobody else needs.
    pub fn take(bytes: Vec<u8>, payload_type: &'static str, max_bytes: usize) -> Result<Envelope, GivenBack> {
        match payload_in(&bytes, payload_type, max_bytes) {
            Ok(payload) => Ok(Envelope { hash: Hash::of(&bytes), bytes, payload, payload_type }),
            Err(why) => Err(GivenBack { why, bytes }),
        }
    }

    /// Signs a payload.
    pub fn sign(payload: Vec<u8>, payload_type: &'static str, signer: &SigningKey) -> Envelope {
        let signature = key::sign(signer, &pae(payload_type, &payload));
        let mut bytes = Vec::with_capacity(payload.len() + payload_type.len() + 80);
        put_field(&mut bytes, 0x0A, &payload);
        let start = bytes.len() - payload.len();
        put_field(&mut bytes, 0x12, payload_type.as_bytes());
        bytes.extend_from_slice(&SIGNATURE_FRAME);
        bytes.extend_from_slice(&signature);
        Envelope { payload: start..start + payload.len(), hash: Hash::of(&bytes), bytes, payload_type }
    }

    /// The exact bytes.
    pub fn bytes(&self) -> &[u8] {
        &self.bytes
    }

    /// The exact bytes, for whoever needs nothing else of it.
    pub(super) fn into_bytes(self) -> Vec<u8> {
        self.bytes
    }

    /// The signed payload.
    pub fn payload(&self) -> &[u8] {
        &self.bytes[self.payload.clone()]
    }

    /// SHA-256 of the exact bytes.
    pub fn hash(&self) -> Hash {
        self.hash
    }

    /// Whether the signature holds under the key, strictly.
    pub fn verifies(&self, key: &VerifyingKey) -> bool {
        let signature = self.bytes[self.bytes.len() - 64..].try_into().expect("64 bytes, checked when parsed");
        key::verifies(key, &pae(self.payload_type, self.payload()), signature)
    }
}

/// Where the payload stands in an envelope of this type; anything but the exact form is malformed.
fn payload_in(bytes: &[u8], payload_type: &str, max_bytes: usize) -> Result<Range<usize>, Malformed> {
    let wrong = |reason: &str| Malformed::new("envelope", reason);
    if bytes.len() > max_bytes {
        return Err(wrong(&format!("{} bytes are more than the {max_bytes} allowed", bytes.len())));
    }
    let mut rest = bytes;
    let payload = take_field(&mut rest, 0x0A).ok_or_else(|| wrong("no payload field in the exact form"))?;
    let start = offset_in(bytes, payload);
    let found = take_field(&mut rest, 0x12).ok_or_else(|| wrong("no type field in the exact form"))?;
    if found != payload_type.as_bytes() {
        return Err(wrong("the payload type is another"));
    }
    if rest.len() != 68 || rest[..4] != SIGNATURE_FRAME {
        return Err(wrong("not exactly one signature of 64 bytes without key id at the end"));
    }
    Ok(start..start + payload.len())
}

/// Header bytes, the kind's field number, and the kind's field.
pub(super) fn split_payload(payload: &[u8]) -> Result<(&[u8], u32, &[u8]), Malformed> {
    let wrong = |reason: &str| Malformed::new("payload", reason);
    let mut rest = payload;
    let header = take_field(&mut rest, 0x0A).ok_or_else(|| wrong("no header in the exact form"))?;
    Ok((header, kind_number(rest)?, rest))
}

/// The number of a kind's field, which nothing may follow.
pub(super) fn kind_number(field: &[u8]) -> Result<u32, Malformed> {
    let wrong = |reason: &str| Malformed::new("payload", reason);
    let mut rest = field;
    let tag = take_varint(&mut rest).ok_or_else(|| wrong("no kind after the header"))?;
    let number = tag >> 3;
    if tag & 7 != 2 || number < FIRST_KIND || number > u64::from(u32::MAX >> 3) {
        return Err(wrong("what follows the header is no kind"));
    }
    take_bytes(&mut rest).ok_or_else(|| wrong("the kind's length does not fit"))?;
    if !rest.is_empty() {
        return Err(wrong("bytes follow the kind"));
    }
    Ok(number as u32)
}

/// The payload of a fact in the exact form: prost writes fields by ascending number with shortest varints.
pub(super) fn join_payload(header: &Header, kind: &Kind) -> Vec<u8> {
    v1::Fact { header: Some(header.to_message()), kind: Some(kind.clone()) }.encode_to_vec()
}

fn put_field(out: &mut Vec<u8>, tag: u8, content: &[u8]) {
    out.push(tag);
    encode_varint(content.len() as u64, out);
    out.extend_from_slice(content);
}

fn take_field<'a>(rest: &mut &'a [u8], tag: u8) -> Option<&'a [u8]> {
    let (&first, after) = rest.split_first()?;
    if first != tag {
        return None;
    }
    *rest = after;
    take_bytes(rest)
}

fn take_bytes<'a>(rest: &mut &'a [u8]) -> Option<&'a [u8]> {
    let length = usize::try_from(take_varint(rest)?).ok()?;
    if length > rest.len() {
        return None;
    }
    let (content, after) = rest.split_at(length);
    *rest = after;
    Some(content)
}

/// A varint in its shortest form only.
fn take_varint(rest: &mut &[u8]) -> Option<u64> {
    let before = rest.len();
    let value = decode_varint(rest).ok()?;
    (before - rest.len() == encoded_len_varint(value)).then_some(value)
}

fn offset_in(whole: &[u8], part: &[u8]) -> usize {
    part.as_ptr() as usize - whole.as_ptr() as usize
}
