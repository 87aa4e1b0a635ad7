use std::sync::Arc;

use super::*;
use crate::bytes::Id;
use crate::v1;

fn header(key: &SigningKey, subjects: Vec<Subject>) -> Header {
    Header {
        record: Hash::of(b"record"),
        device: Id([1; 16]),
        run: Id([2; 16]),
        counter: 300,
        previous: Hash::ZERO,
        author_key: key::key_id(&key.verifying_key()),
        happened_ms: 1_800_000_000_000,
        recorded_ms: 1_800_000_001_000,
        clock_offset_ms: Some(-12),
        clock_measured_ms: None,
        seen: Seen::nothing(),
        card: None,
        subjects,
        refers: vec![],
    }
}

fn disconnected(key: &SigningKey) -> Signed {
    let subjects = vec![Subject::Aircraft(Id([3; 16])), Subject::Engine("A-1".into()), Subject::Wash(Id([4; 16]))];
    let engine = v1::EngineAt { position: 1, serial: "A-1".into() };
    let kind = Kind::LineDisconnected(v1::LineDisconnected {
        engine: Some(engine),
        line: "sense line".into(),
        tag: String::new(),
    });
    Signed::sign(header(key, subjects), kind, key)
}

#[test]
fn dsse_encodes_what_is_signed_as_its_published_example() {
    // DSSE 1.0.2, protocol.md, "Test vectors" (secure-systems-lab/dsse).
    let encoded = pae("http://example.com/HelloWorld", b"hello world");
    assert_eq!(encoded, b"DSSEv1 29 http://example.com/HelloWorld 11 hello world");
    assert_eq!(encoded.len(), 54);
}

#[test]
fn a_signed_fact_reads_back_as_it_was_written() {
    let key = key::generate();
    let fact = disconnected(&key);
    let again = Signed::parse(fact.bytes(), MAX_ENVELOPE_BYTES).unwrap();
    assert_eq!(again, fact);
    assert!(again.kind().is_some());
    assert!(Arc::new(again).verify(&key.verifying_key()).is_ok());
}

#[test]
fn the_envelope_has_the_bytes_of_the_format() {
    let fact = disconnected(&key::generate());
    let bytes = fact.bytes();
    assert_eq!(bytes[0], 0x0A);
    let tail = &bytes[bytes.len() - 68 - 44..];
    assert_eq!(&tail[..2], &[0x12, 0x2A]);
    assert_eq!(&tail[2..44], FACT_TYPE.as_bytes());
    assert_eq!(&tail[44..48], &[0x1A, 0x42, 0x0A, 0x40]);
}

#[test]
fn no_single_altered_byte_passes() {
    let key = key::generate();
    let fact = disconnected(&key);
    for at in 0..fact.bytes().len() {
        let mut bytes = fact.bytes().to_vec();
        bytes[at] ^= 1;
        let passes = Signed::parse(&bytes, MAX_ENVELOPE_BYTES).is_ok_and(|f| f.signed_by(&key.verifying_key()));
        assert!(!passes, "byte {at}");
    }
}

#[test]
fn an_envelope_cut_short_or_grown_is_malformed() {
    let fact = disconnected(&key::generate());
    for length in 0..fact.bytes().len() {
        assert!(Signed::parse(&fact.bytes()[..length], MAX_ENVELOPE_BYTES).is_err(), "{length}");
    }
    let mut grown = fact.bytes().to_vec();
    grown.push(0);
    assert!(Signed::parse(&grown, MAX_ENVELOPE_BYTES).is_err());
    assert!(Signed::parse(fact.bytes(), fact.bytes().len() - 1).is_err());
}

fn resigned(payload: Vec<u8>, key: &SigningKey) -> Result<Signed, Malformed> {
    Signed::parse(Envelope::sign(payload, FACT_TYPE, key).bytes(), MAX_ENVELOPE_BYTES)
}

#[test]
fn an_unknown_kind_is_kept_unread() {
    let key = key::generate();
    let fact = disconnected(&key);
    let (header_bytes, _, _) = envelope::split_payload(fact.envelope.payload()).unwrap();
    let mut payload = vec![0x0A];
    prost::encoding::encode_varint(header_bytes.len() as u64, &mut payload);
    payload.extend_from_slice(header_bytes);
    payload.extend_from_slice(&[0xA2, 0x3F, 0x00]); // field 1012, empty
    let read = resigned(payload, &key).unwrap();
    assert_eq!(read.body(), &Body::Unread(Unreadable::UnknownKind(1012)));
}

#[test]
fn a_body_in_another_form_is_kept_unread() {
    let key = key::generate();
    let fact = disconnected(&key);
    let mut payload = fact.envelope.payload().to_vec();
    // The last field of the body is the line's text: an unknown field 9 is put behind it and the length raised by two.
    let (_, _, field) = envelope::split_payload(&payload).unwrap();
    // A tag of two bytes stands before it.
    let length_at = payload.len() - field.len() + 2;
    payload[length_at] += 2;
    payload.extend_from_slice(&[0x48, 0x01]);
    assert_eq!(resigned(payload, &key).unwrap().body(), &Body::Unread(Unreadable::NotExact));
}

#[test]
fn an_enum_value_of_zero_leaves_the_fact_unread() {
    let key = key::generate();
    let kind = Kind::Inspected(v1::Inspected { engine: None, line: "sense line".into(), result: 0 });
    let fact = Signed::sign(header(&key, vec![]), kind, &key);
    assert_eq!(fact.body(), &Body::Unread(Unreadable::UnknownValue("result")));
}

#[test]
fn an_engine_that_is_no_subject_leaves_the_fact_unread() {
    let key = key::generate();
    let engine = v1::EngineAt { position: 1, serial: "B-2".into() };
    let kind = Kind::AreaReleased(v1::AreaReleased { engine: Some(engine) });
    let fact = Signed::sign(header(&key, vec![Subject::Engine("A-1".into())]), kind, &key);
    assert!(matches!(fact.body(), Body::Unread(Unreadable::DoesNotFit("engine", _))));
}

#[test]
fn subjects_out_of_order_are_malformed() {
    let key = key::generate();
    let kind = Kind::WashResumed(v1::WashResumed { remark: String::new() });
    let subjects = vec![Subject::Wash(Id([4; 16])), Subject::Aircraft(Id([3; 16]))];
    let fact = Signed::sign(header(&key, subjects), kind, &key);
    assert!(Signed::parse(fact.bytes(), MAX_ENVELOPE_BYTES).is_err());
}

#[test]
fn kinds_are_numbered_from_32_without_a_gap() {
    let source = include_str!("../../rinsebook/v1/fact.proto");
    let oneof = source.split("oneof kind {").nth(1).unwrap().split("\n  }").next().unwrap();
    let numbers: Vec<u32> =
        oneof.lines().filter_map(|line| line.trim().strip_suffix(';')?.rsplit_once("= ")?.1.parse().ok()).collect();
    assert_eq!(numbers, (32..32 + numbers.len() as u32).collect::<Vec<_>>());
    assert_eq!(numbers.len(), 83);
}
