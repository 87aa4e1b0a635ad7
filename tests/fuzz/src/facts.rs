//! What devices and authors send: envelopes, facts inside them, procedures' texts.

use prost::Message;
use rinsebook_proto::bytes::Hash;
use rinsebook_proto::fact::{
    Body, Envelope, FACT_TYPE, MAX_ENVELOPE_BYTES, MAX_SERVICE_ENVELOPE_BYTES, REPORT_TYPE, Signed, Subject,
    blobs_named, engines_named,
};
use rinsebook_proto::key::VerifyingKey;
use rinsebook_proto::rules::procedure::Procedure;
use rinsebook_proto::v1;

use crate::Input;
use crate::log::log_key;

/// How many kinds of facts there are, and the number of the first.
pub(crate) const KINDS: u8 = 83;
pub(crate) const FIRST_KIND: u32 = 32;

/// The envelope around a fact, and around a device's report.
pub fn envelope(data: &[u8]) -> bool {
    let key = log_key().verifying_key();
    let fact = Signed::parse(data, MAX_ENVELOPE_BYTES).ok().inspect(|signed| well_read(signed, data, &key));
    let report = Envelope::parse(data, REPORT_TYPE, MAX_SERVICE_ENVELOPE_BYTES).ok();
    if let Some(report) = &report {
        assert!(fact.is_none(), "one envelope of two types");
        assert_eq!((report.bytes(), report.hash()), (data, Hash::of(data)));
        let _ = report.verifies(&key);
        let _ = v1::Report::decode(report.payload());
    }
    fact.is_some() || report.is_some()
}

/// A payload in an envelope whose form is right: 0 and the whole payload, or a kind's number and its body behind a header
/// that is right.
pub fn fact(data: &[u8]) -> bool {
    let mut input = Input(data);
    let payload = match input.u8() {
        0 => input.0.to_vec(),
        number => payload(&header(), FIRST_KIND + u32::from(number - 1), input.0),
    };
    let bytes = unsigned(&payload);
    let Ok(signed) = Signed::parse(&bytes, MAX_ENVELOPE_BYTES) else { return false };
    well_read(&signed, &bytes, &log_key().verifying_key());
    signed.kind().is_some()
}

fn well_read(signed: &Signed, bytes: &[u8], key: &VerifyingKey) {
    assert_eq!((signed.bytes(), signed.hash()), (bytes, Hash::of(bytes)), "the bytes are kept");
    let _ = signed.signed_by(key);
    let subjects = &signed.header().subjects;
    assert!(subjects.windows(2).all(|pair| pair[0] < pair[1]), "each subject once");
    let kind = match signed.body() {
        Body::Read(kind) => kind,
        Body::Unread(why) => return assert!(!why.to_string().is_empty()),
    };
    let field = v1::Fact { header: None, kind: Some(kind.clone()) }.encode_to_vec();
    let tail = FACT_TYPE.len() + 2 + 68;
    assert!(bytes[..bytes.len() - tail].ends_with(&field), "a kind that is read writes back to its bytes");
    for engine in engines_named(kind) {
        assert!(engine.position > 0 && subjects.contains(&Subject::Engine(engine.serial.clone())));
    }
    let _ = blobs_named(kind);
}

/// The envelope's exact form around a payload, with zeros where the signature stands.
pub(crate) fn unsigned(payload: &[u8]) -> Vec<u8> {
    let mut out = vec![0x0A];
    prost::encoding::encode_varint(payload.len() as u64, &mut out);
    out.extend_from_slice(payload);
    out.extend_from_slice(&[0x12, FACT_TYPE.len() as u8]);
    out.extend_from_slice(FACT_TYPE.as_bytes());
    out.extend_from_slice(&[0x1A, 0x42, 0x0A, 0x40]);
    out.extend_from_slice(&[0; 64]);
    out
}

/// The payload of a fact with any body.
pub(crate) fn payload(header: &v1::Header, number: u32, body: &[u8]) -> Vec<u8> {
    let mut out = v1::Fact { header: Some(header.clone()), kind: None }.encode_to_vec();
    prost::encoding::encode_key(number, prost::encoding::WireType::LengthDelimited, &mut out);
    prost::encoding::encode_varint(body.len() as u64, &mut out);
    out.extend_from_slice(body);
    out
}

/// About an aircraft, its two engines and a wash.
pub(crate) fn header() -> v1::Header {
    let subject = |kind: v1::SubjectKind, id: &[u8]| v1::Subject { kind: kind as i32, id: id.to_vec() };
    v1::Header {
        record: vec![1; 32],
        device: vec![2; 16],
        run: vec![3; 16],
        previous: vec![0; 32],
        author_key: vec![4; 32],
        happened_ms: 1_799_971_200_000,
        recorded_ms: 1_799_971_200_000,
        seen_epoch: 1,
        seen_root: Hash::of(b"").to_vec(),
        subjects: vec![
            subject(v1::SubjectKind::Aircraft, &[5; 16]),
            subject(v1::SubjectKind::Engine, b"OT-1"),
            subject(v1::SubjectKind::Engine, b"OT-2"),
            subject(v1::SubjectKind::Wash, &[6; 16]),
        ],
        ..Default::default()
    }
}

/// A procedure's text. A refusal points into the text; what is read has lines that are found by name.
pub fn procedure(data: &[u8]) -> bool {
    let Ok(text) = std::str::from_utf8(data) else { return false };
    match Procedure::parse(text) {
        Ok(procedure) => {
            assert!(procedure.lines.iter().all(|line| procedure.line(&line.name) == Some(line)), "a name stands twice");
            true
        }
        Err(error) => {
            let last = 1 + text.matches('\n').count();
            assert!((1..=last).contains(&error.line), "{error}: the text has {last} lines");
            false
        }
    }
}
