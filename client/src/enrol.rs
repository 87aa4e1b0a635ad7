//! Enrolment: certificates of devices, and the custodian's facts that found a record and enrol people and devices.

use std::path::Path;

use rcgen::{CertificateParams, DnType, ExtendedKeyUsagePurpose, Issuer, KeyPair};
use rinsebook_proto::bytes::{Hash, Id};
use rinsebook_proto::fact::{Kind, Subject};
use rinsebook_proto::key::{self, SigningKey};
use rinsebook_proto::rules::procedure::Procedure;
use rinsebook_proto::v1::{self, Authority};

use crate::ClientError;
use crate::home::{Home, read, write_new};
use crate::station::Draft;

/// Issues a TLS certificate for the device in this folder, signed by the authority in that one (`ca.pem`, `ca.key`).
/// Gives SHA-256 of its public key, which enrolment names.
pub fn issue_certificate(home: &Home, authority: &Path) -> Result<Hash, ClientError> {
    let bad =
        |what: &'static str| move |e: rcgen::Error| ClientError::Key { what: what.to_owned(), why: e.to_string() };
    let ca_key = KeyPair::from_pem(&read(&authority.join("ca.key"))?).map_err(bad("ca.key"))?;
    let issuer = Issuer::from_ca_cert_pem(&read(&authority.join("ca.pem"))?, ca_key).map_err(bad("ca.pem"))?;
    let key = KeyPair::generate().map_err(bad("device.key"))?;
    let mut params = CertificateParams::default();
    params.distinguished_name.push(DnType::CommonName, home.device.to_string());
    params.extended_key_usages = vec![ExtendedKeyUsagePurpose::ClientAuth];
    let certificate = params.signed_by(&key, &issuer).map_err(bad("device.crt"))?;
    write_new(&home.path("device.crt"), certificate.pem().as_bytes())?;
    write_new(&home.path("device.key"), key.serialize_pem().as_bytes())?;
    use rcgen::PublicKeyData;
    Ok(Hash::of(&key.subject_public_key_info()))
}

/// As [`issue_certificate`]; one that this folder has already is used again, as after an enrolment that broke off.
pub fn certificate(home: &Home, authority: &Path) -> Result<Hash, ClientError> {
    let bad = |e: rcgen::Error| ClientError::Key { what: "device.key".to_owned(), why: e.to_string() };
    match (home.text("device.crt")?, home.text("device.key")?) {
        (None, None) => issue_certificate(home, authority),
        (Some(_), Some(key)) => {
            use rcgen::PublicKeyData;
            Ok(Hash::of(&KeyPair::from_pem(&key).map_err(bad)?.subject_public_key_info()))
        }
        _ => Err(ClientError::Key {
            what: home.path("device.crt").display().to_string(),
            why: "certificate and key are not both there; move the one that is there away and enrol again".to_owned(),
        }),
    }
}

/// What enrols the device of this folder.
pub fn device(home: &Home, tls_key_digest: Hash, station: &str) -> Result<v1::DeviceEnrolled, ClientError> {
    let report_key = home.report_key()?;
    Ok(v1::DeviceEnrolled {
        device: home.device.to_vec(),
        tls_key_digest: tls_key_digest.to_vec(),
        report_key: report_key.verifying_key().as_bytes().to_vec(),
        possession: key::prove_possession(&report_key, &home.device.0).to_vec(),
        label: home.about.label.clone(),
        station: station.to_owned(),
    })
}

/// What enrols a key for a person; the key proves that it is there.
pub fn person_key(person: Id, key: &SigningKey) -> v1::KeyEnrolled {
    v1::KeyEnrolled {
        person: person.to_vec(),
        public_key: key.verifying_key().as_bytes().to_vec(),
        possession: key::prove_possession(key, &person.0).to_vec(),
    }
}

/// The founding fact, from what the service says of itself.
pub fn founding(
    identity: &v1::GetIdentityResponse,
    custodian: v1::PersonEnrolled,
    custodian_key: v1::KeyEnrolled,
    custodian_device: v1::DeviceEnrolled,
    recovery_keys: Vec<Vec<u8>>,
    happened_ms: u64,
) -> Draft {
    let recovery_threshold = u32::try_from(recovery_keys.len()).unwrap_or(u32::MAX).min(2);
    let device = Id::from_slice(&custodian_device.device).unwrap_or_default();
    let kind = Kind::RecordFounded(v1::RecordFounded {
        custodian: Some(custodian),
        custodian_key: Some(custodian_key),
        custodian_device: Some(custodian_device),
        service_fact_key: identity.service_fact_key.clone(),
        service_device: identity.service_device.clone(),
        origin_name: identity.origin_name.clone(),
        log_public_key: identity.log_public_key.clone(),
        recovery_keys,
        recovery_threshold,
        rules_version: identity.rules_version,
    });
    Draft { happened_ms, kind, subjects: vec![Subject::Roster, Subject::Device(device)], refers: vec![] }
}

/// What publishes a procedure whose text has that digest.
pub fn publication(procedure: &Procedure, digest: Hash) -> Kind {
    Kind::ProcedurePublished(v1::ProcedurePublished {
        procedure: procedure.procedure.to_vec(),
        revision: procedure.revision,
        text: Some(v1::AttachmentRef { digest: digest.to_vec() }),
        engine_type: procedure.engine_type.clone(),
        title: procedure.title.clone(),
    })
}

/// The log's key changes, from what the service prepared: both keys signed its newest checkpoint.
pub fn log_key_changed(prepared: &v1::PrepareLogKeyResponse) -> Kind {
    Kind::LogKeyChanged(v1::LogKeyChanged {
        old_public_key: prepared.old_public_key.clone(),
        new_public_key: prepared.new_public_key.clone(),
        checkpoint_note: prepared.checkpoint_note.clone(),
    })
}

/// An epoch opens on what was put back; `lost` is the newest checkpoint known of what is gone.
pub fn epoch_opened(prepared: &v1::PrepareLogKeyResponse, lost: &str) -> Kind {
    Kind::EpochOpened(v1::EpochOpened {
        epoch: prepared.epoch + 1,
        log_public_key: prepared.new_public_key.clone(),
        restored_size: prepared.size,
        restored_root: prepared.root.clone(),
        lost_checkpoint_note: lost.to_owned(),
    })
}

/// Custody established anew, signed by the new custodian; then each recovery key countersigns it.
pub fn custody_reestablished(
    custodian: v1::PersonEnrolled,
    key: v1::KeyEnrolled,
    device: v1::DeviceEnrolled,
    recovery_keys: Vec<Vec<u8>>,
    reason: &str,
) -> Kind {
    let recovery_threshold = u32::try_from(recovery_keys.len()).unwrap_or(u32::MAX).min(2);
    Kind::CustodyReestablished(v1::CustodyReestablished {
        custodian: Some(custodian),
        custodian_key: Some(key),
        custodian_device: Some(device),
        recovery_keys,
        recovery_threshold,
        reason: reason.to_owned(),
    })
}

/// A recovery key's word for an act that establishes custody anew.
pub fn recovery_agreed(act: Hash, happened_ms: u64) -> Draft {
    let purpose = v1::CountersignPurpose::CustodyRecovery as i32;
    let kind = Kind::Countersigned(v1::Countersigned { purpose, remark: String::new() });
    Draft { refers: vec![act], ..roster_fact(kind, vec![], happened_ms) }
}

/// A custodian's fact about the roster, and about these subjects too.
pub fn roster_fact(kind: Kind, also: Vec<Subject>, happened_ms: u64) -> Draft {
    let subjects = [vec![Subject::Roster], also].concat();
    Draft { happened_ms, kind, subjects, refers: vec![] }
}

/// A grant without an end, for every engine type.
pub fn grant(person: Id, authority: Authority, happened_ms: u64) -> Draft {
    let kind = Kind::AuthorityGranted(v1::AuthorityGranted {
        person: person.to_vec(),
        authority: authority as i32,
        ..v1::AuthorityGranted::default()
    });
    roster_fact(kind, vec![], happened_ms)
}
