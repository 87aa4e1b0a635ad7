//! Reading a kind's body: the exact form, values known to this version, ids and engines that fit the header.

use std::cell::RefCell;

use prost::Message;

use super::{Header, Kind, Subject, Unreadable};
use crate::bytes::Hash;
use crate::v1::{self, EngineAt};

/// Decodes the body of kind `number`; every doubt leaves the fact unread.
pub(super) fn read(number: u32, field: &[u8], header: &Header) -> Result<Kind, Unreadable> {
    let decoded = v1::Fact::decode(field).map_err(|_| Unreadable::NotExact)?;
    if decoded.kind.is_none() {
        return Err(Unreadable::UnknownKind(number));
    }
    if !comes_out_as(&decoded, field) {
        return Err(Unreadable::NotExact);
    }
    let kind = decoded.kind.ok_or(Unreadable::UnknownKind(number))?;
    values_known(&kind)?;
    ids_fit(&kind)?;
    engines_fit(&kind, header)?;
    Ok(kind)
}

/// Whether a message is written as these bytes. Every fact is asked this once: what is written takes no memory of its own.
fn comes_out_as(message: &impl Message, bytes: &[u8]) -> bool {
    thread_local!(static WRITTEN: RefCell<Vec<u8>> = const { RefCell::new(Vec::new()) });
    WRITTEN.with_borrow_mut(|written| {
        written.clear();
        message.encode(written).is_ok() && written == bytes
    })
}

/// A zero or unknown value of an enum that the kind asks for.
fn values_known(kind: &Kind) -> Result<(), Unreadable> {
    fn known<E: TryFrom<i32>>(value: i32, field: &'static str) -> Result<(), Unreadable> {
        if value != 0 && E::try_from(value).is_ok() { Ok(()) } else { Err(Unreadable::UnknownValue(field)) }
    }
    match kind {
        Kind::AuthorityGranted(b) => known::<v1::Authority>(b.authority, "authority"),
        Kind::LineReconnected(b) => b.locking.map_or(Ok(()), |l| known::<v1::Locking>(l, "locking")),
        Kind::ElementNotUsed(b) => known::<v1::ElementKind>(b.element_kind, "element_kind"),
        Kind::LeakChecked(b) => {
            known::<v1::LeakCheckMethod>(b.method, "method").and_then(|()| known::<v1::CheckResult>(b.result, "result"))
        }
        Kind::Inspected(b) => known::<v1::CheckResult>(b.result, "result"),
        Kind::RunUpDone(b) => known::<v1::CheckResult>(b.result, "result"),
        Kind::ReinspectedAlone(b) => known::<v1::CheckResult>(b.result, "result"),
        Kind::DefectSettled(b) => known::<v1::DefectOutcome>(b.outcome, "outcome"),
        Kind::FindingSettled(b) => known::<v1::FindingOutcome>(b.outcome, "outcome"),
        Kind::RevisionDecided(b) => known::<v1::RevisionOutcome>(b.outcome, "outcome"),
        Kind::Corrected(b) => known::<v1::CorrectionOutcome>(b.outcome, "outcome"),
        Kind::Countersigned(b) => known::<v1::CountersignPurpose>(b.purpose, "purpose"),
        Kind::FactRefused(b) => known::<v1::RefusalReason>(b.reason, "reason"),
        _ => Ok(()),
    }
}

/// Ids of 16 bytes and digests of 32, wherever the kind names one.
fn ids_fit(kind: &Kind) -> Result<(), Unreadable> {
    let id = |bytes: &[u8], field| fits(bytes.len() == 16, field, "an id has 16 bytes");
    let optional_id = |bytes: &[u8], field| if bytes.is_empty() { Ok(()) } else { id(bytes, field) };
    match kind {
        Kind::RecordFounded(b) => {
            id(&b.service_device, "service_device")?;
            fits(b.custodian.is_some(), "custodian", "it is missing")?;
            fits(b.custodian_key.is_some(), "custodian_key", "it is missing")?;
            fits(b.custodian_device.is_some(), "custodian_device", "it is missing")
        }
        Kind::PersonEnrolled(b) => id(&b.person, "person"),
        Kind::KeyEnrolled(b) => id(&b.person, "person"),
        Kind::KeyRevoked(b) => fits(b.key_id.len() == 32, "key_id", "a key id has 32 bytes"),
        Kind::AuthorityGranted(b) => id(&b.person, "person"),
        Kind::DeviceEnrolled(b) => {
            id(&b.device, "device")?;
            fits(b.tls_key_digest.len() == 32, "tls_key_digest", "a digest has 32 bytes")
        }
        Kind::DeviceRetired(b) => id(&b.device, "device"),
        Kind::DeviceJoined(b) => id(&b.device, "device"),
        Kind::DeviceLeft(b) => id(&b.device, "device"),
        Kind::DeviceSettled(b) => id(&b.device, "device"),
        Kind::ProcedurePublished(b) => id(&b.procedure, "procedure"),
        Kind::ProcedureWithdrawn(b) => id(&b.procedure, "procedure"),
        Kind::AircraftListed(b) => id(&b.aircraft, "aircraft"),
        Kind::EngineChanged(b) => id(&b.aircraft, "aircraft"),
        Kind::WashOpened(b) => {
            fits(b.procedure.is_some(), "procedure", "it is missing")?;
            b.devices.iter().try_for_each(|d| id(d, "devices"))
        }
        Kind::LineReconnected(b) => b.helpers.iter().try_for_each(|h| id(h, "helpers")),
        Kind::AreaCleared(b) => optional_id(&b.watch_person, "watch_person"),
        Kind::SignedOff(b) => optional_id(&b.performer, "performer"),
        _ => Ok(()),
    }?;
    for blob in blobs_in(kind) {
        fits(blob.0.len() == 32, "digest", "a digest has 32 bytes")?;
    }
    Ok(())
}

/// Every engine that the body names hangs at a position and is among the header's subjects.
fn engines_fit(kind: &Kind, header: &Header) -> Result<(), Unreadable> {
    for engine in engines_named(kind) {
        fits(engine.position > 0, "engine", "positions count from 1")?;
        let named = header.subjects.iter().any(|s| matches!(s, Subject::Engine(serial) if *serial == engine.serial));
        fits(named, "engine", "its serial number is not among the subjects")?;
    }
    Ok(())
}

fn fits(good: bool, field: &'static str, why: &'static str) -> Result<(), Unreadable> {
    if good { Ok(()) } else { Err(Unreadable::DoesNotFit(field, why)) }
}

/// The engines that a kind names, with their positions.
pub fn engines_named(kind: &Kind) -> Vec<&EngineAt> {
    match kind {
        Kind::AircraftListed(b) => b.engines.iter().filter_map(|e| e.engine.as_ref()).collect(),
        Kind::EngineChanged(b) => {
            b.removed.iter().chain(b.installed.iter().filter_map(|e| e.engine.as_ref())).collect()
        }
        Kind::WashOpened(b) => b.engines.iter().filter_map(|e| e.engine.as_ref()).collect(),
        Kind::SignedOff(b) => b.cycles_stated.iter().filter_map(|c| c.engine.as_ref()).collect(),
        Kind::StartPlanned(b) => b.engines.iter().collect(),
        Kind::EngineStarted(b) => b.engines.iter().filter_map(|e| e.engine.as_ref()).collect(),
        _ => single_engine(kind).into_iter().collect(),
    }
}

fn single_engine(kind: &Kind) -> Option<&EngineAt> {
    match kind {
        Kind::EngineDropped(b) => b.engine.as_ref(),
        Kind::Isolated(b) => b.engine.as_ref(),
        Kind::IsolationRestored(b) => b.engine.as_ref(),
        Kind::FoundDeferred(b) => b.engine.as_ref(),
        Kind::AccessOpened(b) => b.engine.as_ref(),
        Kind::AccessClosed(b) => b.engine.as_ref(),
        Kind::LineDisconnected(b) => b.engine.as_ref(),
        Kind::LineReconnected(b) => b.engine.as_ref(),
        Kind::FixtureFitted(b) => b.engine.as_ref(),
        Kind::FixtureRemoved(b) => b.engine.as_ref(),
        Kind::ElementNotUsed(b) => b.engine.as_ref(),
        Kind::AreaCleared(b) => b.engine.as_ref(),
        Kind::AreaReleased(b) => b.engine.as_ref(),
        Kind::CycleRun(b) => b.engine.as_ref(),
        Kind::MotoringAborted(b) => b.engine.as_ref(),
        Kind::DryCrankRun(b) => b.engine.as_ref(),
        Kind::LeakChecked(b) => b.engine.as_ref(),
        Kind::LineRepaired(b) => b.engine.as_ref(),
        Kind::PartReplaced(b) => b.engine.as_ref(),
        Kind::MetalTemperature(b) => b.engine.as_ref(),
        Kind::DefectRaised(b) => b.engine.as_ref(),
        Kind::Inspected(b) => b.engine.as_ref(),
        Kind::LatchesSeen(b) => b.engine.as_ref(),
        Kind::RunUpDone(b) => b.engine.as_ref(),
        Kind::DriedOtherwise(b) => b.engine.as_ref(),
        Kind::ReinspectedAlone(b) => b.engine.as_ref(),
        Kind::OverdueDecided(b) => b.engine.as_ref(),
        Kind::JointDispositioned(b) => b.engine.as_ref(),
        Kind::RunUpWaived(b) => b.engine.as_ref(),
        _ => None,
    }
}

/// Bytes beside the log that a fact names; they must be kept before the fact is.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum BlobNamed {
    /// SHA-256(16-byte salt ‖ bytes); may be erased.
    Annex(Hash),
    /// SHA-256(bytes); kept for ever.
    Attachment(Hash),
}

impl BlobNamed {
    /// The digest.
    pub fn digest(self) -> Hash {
        match self {
            BlobNamed::Annex(digest) | BlobNamed::Attachment(digest) => digest,
        }
    }

    /// The bytes of salt that it must have. A digest alone does not say: salt ‖ content without a salt has the same.
    pub fn salt_bytes(self) -> usize {
        match self {
            BlobNamed::Annex(_) => 16,
            BlobNamed::Attachment(_) => 0,
        }
    }
}

/// The blobs that a kind names.
pub fn blobs_named(kind: &Kind) -> Vec<BlobNamed> {
    blobs_in(kind)
        .into_iter()
        .filter_map(|(digest, salted)| {
            let digest = Hash::from_slice(digest)?;
            Some(if salted { BlobNamed::Annex(digest) } else { BlobNamed::Attachment(digest) })
        })
        .collect()
}

fn blobs_in(kind: &Kind) -> Vec<(&[u8], bool)> {
    fn annex(r: &Option<v1::AnnexRef>) -> Option<(&[u8], bool)> {
        r.as_ref().map(|r| (r.digest.as_slice(), true))
    }
    fn attachment(r: &Option<v1::AttachmentRef>) -> Option<(&[u8], bool)> {
        r.as_ref().map(|r| (r.digest.as_slice(), false))
    }
    fn person(p: &v1::PersonEnrolled) -> Vec<(&[u8], bool)> {
        [annex(&p.name), annex(&p.staff_number), annex(&p.licence)].into_iter().flatten().collect()
    }
    match kind {
        Kind::RecordFounded(b) => b.custodian.as_ref().map(person).unwrap_or_default(),
        Kind::CustodyReestablished(b) => b.custodian.as_ref().map(person).unwrap_or_default(),
        Kind::PersonEnrolled(b) => person(b),
        Kind::ProcedurePublished(b) => attachment(&b.text).into_iter().collect(),
        Kind::DefectRaised(b) => attachment(&b.text).into_iter().collect(),
        Kind::Remark(b) => annex(&b.text).into_iter().collect(),
        Kind::SignedOff(b) => annex(&b.certificate_number).into_iter().collect(),
        Kind::QuestionAnswered(b) => attachment(&b.assessment).into_iter().collect(),
        Kind::PackIssued(b) => attachment(&b.contract).into_iter().collect(),
        _ => Vec::new(),
    }
}
