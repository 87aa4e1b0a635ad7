//! What is kept beside the log, where it can be erased: names and other texts. What was erased is told as that, with who
//! did it and when.

use std::fmt;

use crate::remote::Channel;
use rinsebook_proto::bytes::{Hash, Id};
use rinsebook_proto::fact::{BlobNamed, MAX_SERVICE_ENVELOPE_BYTES, Signed, blobs_named};
use rinsebook_proto::v1;
use serde_json::{Value, json};
use tonic_types::StatusExt;

use super::ask::{asked, every_person, is_named};
use super::text::{plain, second};
use crate::ClientError;
use crate::rpc::records_client::RecordsClient;

/// An annex or attachment that was asked for.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Annex {
    /// It is text.
    Text(String),
    /// It is so many bytes that are no text.
    Bytes(usize),
    /// A custodian erased it.
    Erased(Erased),
    /// Who asks may not read it.
    Withheld,
    /// The service does not have it, or answered with something else.
    Unknown,
}

/// By whom an annex was erased, when and why.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Erased {
    /// The person.
    pub by: Id,
    /// Their name, where it is to be had.
    pub by_name: Option<String>,
    /// The entry by which it counts.
    pub index: u64,
    /// When that was received, Unix milliseconds.
    pub erased_ms: u64,
    /// Why.
    pub reason: String,
}

impl fmt::Display for Erased {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let by = self.by_name.as_ref().map_or_else(|| format!("person {}", self.by), |name| plain(name).into_owned());
        let (when, reason) = (second(self.erased_ms), plain(&self.reason));
        write!(f, "erased by {by}, {when} (entry {}): {reason}", self.index)
    }
}

impl Erased {
    fn to_json(&self) -> Value {
        json!({
            "person": self.by.to_string(),
            "name": self.by_name,
            "index": self.index,
            "erased_ms": self.erased_ms,
            "reason": self.reason,
        })
    }

    /// The service says so by a reason and its details.
    fn read(status: &tonic::Status) -> Option<Erased> {
        let info = status.get_details_error_info().filter(|info| info.reason == "ERASED")?;
        let told = |key: &str| info.metadata.get(key).map(String::as_str);
        Some(Erased {
            by: Id::from_hex(told("by")?)?,
            by_name: None,
            index: told("index")?.parse().ok()?,
            erased_ms: told("erased_ms")?.parse().ok()?,
            reason: told("reason").unwrap_or_default().to_owned(),
        })
    }
}

/// What the service has as the annex of a digest. Bytes that are not the ones named are nothing.
pub(crate) async fn get(channel: Channel, digest: &Hash) -> Result<Annex, ClientError> {
    let named = BlobNamed::Annex(*digest);
    let blob = match RecordsClient::new(channel.clone()).get_blob(asked(named)).await {
        Ok(blob) => blob.into_inner(),
        Err(status) => match Erased::read(&status) {
            Some(erased) => {
                let by_name = name(channel, &erased.by.0).await;
                return Ok(Annex::Erased(Erased { by_name, ..erased }));
            }
            None if status.code() == tonic::Code::NotFound => return Ok(Annex::Unknown),
            None if status.code() == tonic::Code::PermissionDenied => return Ok(Annex::Withheld),
            None => return Err(status.into()),
        },
    };
    if !is_named(&blob, named) {
        return Ok(Annex::Unknown);
    }
    let bytes = blob.content.len();
    Ok(String::from_utf8(blob.content).map_or(Annex::Bytes(bytes), Annex::Text))
}

/// The digests of a person's names, as they were enrolled.
async fn names(channel: Channel, person: &[u8]) -> Vec<Hash> {
    let people = every_person(channel).await.unwrap_or_default();
    let of = people.into_iter().filter(|known| !person.is_empty() && known.person == person);
    of.filter_map(|known| Hash::from_slice(&known.name?.digest)).collect()
}

/// A person's name, if it is to be had; no word on why not.
async fn name(channel: Channel, person: &[u8]) -> Option<String> {
    for digest in names(channel.clone(), person).await.into_iter().rev() {
        if let Some(name) = super::text_of(channel.clone(), BlobNamed::Annex(digest)).await {
            return Some(name);
        }
    }
    None
}

/// A person's name; that it was erased, by whom and when, where it was; empty where it is not to be had otherwise.
pub(crate) async fn person_name(channel: Channel, person: &[u8]) -> String {
    let mut erased = String::new();
    for digest in names(channel.clone(), person).await.into_iter().rev() {
        match get(channel.clone(), &digest).await {
            Ok(Annex::Text(name)) => return name,
            Ok(Annex::Erased(by)) => erased = format!("a person whose name was {by}"),
            Ok(Annex::Bytes(_) | Annex::Withheld | Annex::Unknown) | Err(_) => {}
        }
    }
    erased
}

/// The annexes that a fact names, and what they hold.
pub(crate) async fn of_fact(channel: Channel, fact: &v1::RecordedFact) -> Result<Vec<(Hash, Annex)>, ClientError> {
    let signed = Signed::parse(&fact.envelope, MAX_SERVICE_ENVELOPE_BYTES).ok();
    let named = signed.as_ref().and_then(Signed::kind).map(blobs_named).unwrap_or_default();
    let mut found = Vec::new();
    for blob in named {
        if let BlobNamed::Annex(digest) = blob {
            found.push((digest, get(channel.clone(), &digest).await?));
        }
    }
    Ok(found)
}

/// As one object; what is not text has none.
pub(crate) fn to_json((digest, annex): &(Hash, Annex)) -> Value {
    let text = if let Annex::Text(text) = annex { Some(text) } else { None };
    let erased = if let Annex::Erased(erased) = annex { Some(erased.to_json()) } else { None };
    json!({ "digest": digest.to_string(), "text": text, "erased": erased })
}

/// In a line.
pub(crate) fn line((digest, annex): &(Hash, Annex)) -> String {
    match annex {
        Annex::Text(text) => text.clone(),
        Annex::Bytes(bytes) => format!("{bytes} bytes that are no text"),
        Annex::Erased(erased) => erased.to_string(),
        Annex::Withheld => "not shown to this role".to_owned(),
        Annex::Unknown => format!("{digest}, which the service does not have"),
    }
}
