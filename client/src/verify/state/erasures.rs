//! What erasures are judged by, as an audit keeps it: a signer's last signature, say, stands in entries that are not
//! read as facts again.

use rinsebook_proto::bytes::{Hash, Id};
use rinsebook_proto::rules::erasures::{Erasure, Known, Signer};
use serde::{Deserialize, Serialize};

/// Digests and ids in hex, times in Unix milliseconds.
#[derive(Debug, Serialize, Deserialize)]
pub(super) struct KeptErasures {
    judged: Vec<KeptErasure>,
    attachments: Vec<String>,
    /// Key; when it last signed; washes.
    signed: Vec<(String, u64, Vec<String>)>,
    /// Wash; when it was last signed off.
    signed_off: Vec<(String, u64)>,
}

#[derive(Debug, Serialize, Deserialize)]
struct KeptErasure {
    digest: String,
    fact: String,
    index: u64,
    at_ms: u64,
    by: String,
    reason: String,
    attachment: bool,
    /// Person; when they last signed.
    signer: Option<(String, u64)>,
    clock_unsure: bool,
}

impl KeptErasures {
    pub(super) fn of(known: &Known) -> KeptErasures {
        let hex = |ids: &[Id]| ids.iter().map(Id::to_string).collect();
        KeptErasures {
            judged: known.judged.iter().map(KeptErasure::of).collect(),
            attachments: known.attachments.iter().map(Hash::to_string).collect(),
            signed: known.signed.iter().map(|(key, ms, washes)| (key.to_string(), *ms, hex(washes))).collect(),
            signed_off: known.signed_off.iter().map(|(wash, ms)| (wash.to_string(), *ms)).collect(),
        }
    }

    /// None: it is not what an audit keeps.
    pub(super) fn known(&self) -> Option<Known> {
        let ids = |hex: &[String]| hex.iter().map(|id| Id::from_hex(id)).collect::<Option<Vec<Id>>>();
        let signed = |(key, ms, washes): &(String, u64, Vec<String>)| Some((Hash::from_hex(key)?, *ms, ids(washes)?));
        let signed_off = |(wash, ms): &(String, u64)| Some((Id::from_hex(wash)?, *ms));
        Some(Known {
            judged: self.judged.iter().map(KeptErasure::erasure).collect::<Option<_>>()?,
            attachments: self.attachments.iter().map(|digest| Hash::from_hex(digest)).collect::<Option<_>>()?,
            signed: self.signed.iter().map(signed).collect::<Option<_>>()?,
            signed_off: self.signed_off.iter().map(signed_off).collect::<Option<_>>()?,
        })
    }
}

impl KeptErasure {
    fn of(erasure: &Erasure) -> KeptErasure {
        KeptErasure {
            digest: erasure.digest.to_string(),
            fact: erasure.fact.to_string(),
            index: erasure.index,
            at_ms: erasure.at_ms,
            by: erasure.by.to_string(),
            reason: erasure.reason.clone(),
            attachment: erasure.attachment,
            signer: erasure.signer.map(|signer| (signer.person.to_string(), signer.last_ms)),
            clock_unsure: erasure.clock_unsure,
        }
    }

    fn erasure(&self) -> Option<Erasure> {
        let signer = match &self.signer {
            Some((person, last_ms)) => Some(Signer { person: Id::from_hex(person)?, last_ms: *last_ms }),
            None => None,
        };
        Some(Erasure {
            digest: Hash::from_hex(&self.digest)?,
            fact: Hash::from_hex(&self.fact)?,
            index: self.index,
            at_ms: self.at_ms,
            by: Id::from_hex(&self.by)?,
            reason: self.reason.clone(),
            attachment: self.attachment,
            signer,
            clock_unsure: self.clock_unsure,
        })
    }
}
