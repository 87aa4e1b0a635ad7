//! What a technician is told of a fact that was not taken: what happened, and what to do now.

use rinsebook_proto::bytes::Hash;
use rinsebook_proto::v1::{self, RefusalReason};

/// A refusal that the log keeps in the fact's place.
pub fn recorded(reason: RefusalReason, detail: &str, index: u64, entry_hash: Hash) -> v1::Refused {
    v1::Refused {
        reason: reason as i32,
        message: sentence(reason, detail),
        recorded_index: Some(index),
        recorded_entry_hash: entry_hash.to_vec(),
        ..v1::Refused::default()
    }
}

/// A refusal that leaves no trace: send again as it says.
pub fn unrecorded(reason: RefusalReason, detail: &str) -> v1::Refused {
    v1::Refused { reason: reason as i32, message: sentence(reason, detail), ..v1::Refused::default() }
}

fn sentence(reason: RefusalReason, detail: &str) -> String {
    let (what, next) = match reason {
        RefusalReason::Malformed => (
            "The fact arrived damaged and cannot be read",
            "Record it anew, naming this refusal; the aircraft stays blocked until then",
        ),
        RefusalReason::WrongRecord => (
            "The fact belongs to another record than this one",
            "Check the station's service address, then record it anew here",
        ),
        RefusalReason::BadSignature => (
            "The signature does not fit the fact: it was changed after it was signed, or another key signed it",
            "Record it anew and sign it again; tell the custodian if it happens twice",
        ),
        RefusalReason::TooLarge => ("The fact is larger than 16 KiB", "Record it anew with shorter texts"),
        RefusalReason::Gap => {
            ("Facts before this one have not arrived yet", "The station sends them again from the missing place")
        }
        RefusalReason::Previous => (
            "The fact does not follow the one that holds the place before it",
            "The station starts a new run; record this fact anew there",
        ),
        RefusalReason::BlobMissing => {
            ("A text or picture that the fact names has not arrived", "The station sends it and then this fact again")
        }
        RefusalReason::Fork => (
            "Another fact of this device holds this place already: two copies of the station were in use",
            "The station starts a new run; record this fact anew there, and tell the custodian",
        ),
        RefusalReason::NotFounded => (
            "This record is not founded with this fact",
            "The custodian founds it with `rinsebook enrol found`, over a certificate of this service's own authority",
        ),
        RefusalReason::WrongDevice => {
            ("The certificate of this station belongs to another device", "Use the station folder of this device")
        }
        RefusalReason::NotRecording | RefusalReason::Unspecified => {
            ("The service records nothing at the moment", "Nothing is lost; send again later")
        }
    };
    if detail.is_empty() { format!("{what}. {next}.") } else { format!("{what} ({detail}). {next}.") }
}
