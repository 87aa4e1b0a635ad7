//! A fact's exact bytes: the envelope that carries it, the header that places it, the kind that says what happened.
//!
//! # The envelope
//!
//! DSSE 1.0.2 (secure-systems-lab/dsse) in its own protobuf form, exactly:
//!
//! ```text
//! 0A len payload  12 2A "application/vnd.rinsebook.fact.v1+protobuf"  1A 42 0A 40 signature (64 bytes)
//! ```
//!
//! The signature is Ed25519 over `"DSSEv1" SP len(type) SP type SP len(body) SP body`, lengths in decimal bytes. Any
//! other form, such as a second signature, a key id, a longer varint, another order, is malformed. A device's report
//! is carried alike under its own type.
//!
//! # The payload
//!
//! Field 1 is the [`Header`]; then exactly one kind field, numbered from 32. The header must come out of decoding and
//! encoding unchanged. A kind's body that does not, an unknown kind or an unknown or zero enum value leave the fact
//! *unread*: it is kept, its place is taken, and a person has to look at it.
//!
//! The author's bytes are what is signed, sent, stored and hashed, for ever: nothing here encodes a fact a second time.

mod body;
mod envelope;
mod header;

pub use body::{BlobNamed, blobs_named, engines_named};
pub use envelope::{Envelope, FACT_TYPE, MAX_ENVELOPE_BYTES, MAX_SERVICE_ENVELOPE_BYTES, REPORT_TYPE, pae};
pub use header::{Header, MAX_SUBJECTS, Seen, Subject};

use std::sync::Arc;

use crate::bytes::Hash;
use crate::key::{self, KeyWithId, SigningKey};
pub use crate::v1::fact::Kind;

/// Why bytes are no fact at all. The service records a refusal in their place.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error("malformed at {part}: {reason}")]
pub struct Malformed {
    /// Which part: envelope, payload or header.
    pub part: &'static str,
    /// What is wrong with it.
    pub reason: String,
}

impl Malformed {
    pub(crate) fn new(part: &'static str, reason: impl Into<String>) -> Self {
        Malformed { part, reason: reason.into() }
    }
}

/// Bytes that were handed over to become a fact, and are none.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error("{why}")]
pub struct GivenBack {
    /// Why they are none.
    pub why: Malformed,
    /// The bytes as they were handed over.
    pub bytes: Vec<u8>,
}

/// Why a well-formed fact cannot be read.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum Unreadable {
    /// A kind of a later version.
    #[error("its kind (field {0}) is not known to this version")]
    UnknownKind(u32),
    /// Decoding and encoding changes the bytes, or they do not decode.
    #[error("its body is not in the exact form")]
    NotExact,
    /// An enum value that is zero or not known.
    #[error("its field {0} has a value not known to this version")]
    UnknownValue(&'static str),
    /// An id, a hash or an engine in the body does not fit.
    #[error("its field {0} does not fit: {1}")]
    DoesNotFit(&'static str, &'static str),
}

/// What the kind field holds.
#[derive(Debug, Clone, PartialEq)]
#[allow(clippy::large_enum_variant)] // Nearly every fact is read: a box would cost all of them for the few that are not.
pub enum Body {
    /// Read: the kind and its values.
    Read(Kind),
    /// Kept as it is.
    Unread(Unreadable),
}

impl Body {
    fn of(number: u32, field: &[u8], header: &Header) -> Body {
        body::read(number, field, header).map_or_else(Body::Unread, Body::Read)
    }
}

/// A well-formed fact beside its exact bytes; the signature is not checked yet.
#[derive(Debug, Clone, PartialEq)]
pub struct Signed {
    envelope: Envelope,
    header: Header,
    body: Body,
}

/// A fact whose signature holds under the key that its header names. Only [`Signed::verify`] makes one.
#[derive(Debug, Clone, PartialEq)]
pub struct Verified(Arc<Signed>);

impl Signed {
    /// Parses an envelope of at most `max_bytes`.
    pub fn parse(bytes: &[u8], max_bytes: usize) -> Result<Signed, Malformed> {
        Signed::of(Envelope::parse(bytes, FACT_TYPE, max_bytes)?).map_err(|back| back.why)
    }

    /// As [`parse`](Self::parse), of bytes that nobody else needs.
    pub fn take(bytes: Vec<u8>, max_bytes: usize) -> Result<Signed, GivenBack> {
        Signed::of(Envelope::take(bytes, FACT_TYPE, max_bytes)?)
    }

    fn of(envelope: Envelope) -> Result<Signed, GivenBack> {
        match header_and_body(envelope.payload()) {
            Ok((header, body)) => Ok(Signed { envelope, header, body }),
            Err(why) => Err(GivenBack { why, bytes: envelope.into_bytes() }),
        }
    }

    /// Writes and signs a fact; the header's author key must be the signer's.
    pub fn sign(header: Header, kind: Kind, signer: &SigningKey) -> Signed {
        debug_assert_eq!(header.author_key, key::key_id(&signer.verifying_key()));
        let payload = envelope::join_payload(&header, &kind);
        let envelope = Envelope::sign(payload, FACT_TYPE, signer);
        // What was written is read back as anyone would read it, so that a body that does not fit shows at once.
        let (_, number, field) = envelope::split_payload(envelope.payload()).expect("just joined");
        let body = Body::of(number, field, &header);
        Signed { envelope, header, body }
    }

    /// Checks the signature, strictly. The key must be the one that the header names.
    pub fn verify<'k>(self: Arc<Self>, key: impl Into<KeyWithId<'k>>) -> Result<Verified, Arc<Signed>> {
        if self.signed_by(key) { Ok(Verified(self)) } else { Err(self) }
    }

    /// Whether this key is the one named and its signature holds.
    pub fn signed_by<'k>(&self, key: impl Into<KeyWithId<'k>>) -> bool {
        let key = key.into();
        key.id() == self.header.author_key && self.envelope.verifies(key.key())
    }

    /// The fact as a correction has it: another body of some kind, maybe at another time, under the same author and
    /// place. `kind_field` is the kind's field as it stands in `Fact`. The envelope stays the original's, so that its
    /// bytes do not say what this holds: none but the rules make one, and they keep the two apart.
    pub(crate) fn corrected(&self, kind_field: &[u8], happened_ms: Option<u64>) -> Option<Signed> {
        let number = envelope::kind_number(kind_field).ok()?;
        let header = Header { happened_ms: happened_ms.unwrap_or(self.header.happened_ms), ..self.header.clone() };
        let kind = body::read(number, kind_field, &header).ok()?;
        Some(Signed { envelope: self.envelope.clone(), header, body: Body::Read(kind) })
    }

    /// The exact bytes.
    pub fn bytes(&self) -> &[u8] {
        self.envelope.bytes()
    }

    /// SHA-256 of the exact bytes: how other facts name this one.
    pub fn hash(&self) -> Hash {
        self.envelope.hash()
    }

    /// The header.
    pub fn header(&self) -> &Header {
        &self.header
    }

    /// What happened.
    pub fn body(&self) -> &Body {
        &self.body
    }

    /// The kind, where it was read.
    pub fn kind(&self) -> Option<&Kind> {
        match &self.body {
            Body::Read(kind) => Some(kind),
            Body::Unread(_) => None,
        }
    }
}

fn header_and_body(payload: &[u8]) -> Result<(Header, Body), Malformed> {
    let (header_bytes, number, field) = envelope::split_payload(payload)?;
    let header = Header::parse(header_bytes)?;
    let body = Body::of(number, field, &header);
    Ok((header, body))
}

impl Verified {
    /// The fact itself.
    pub fn signed(&self) -> &Signed {
        &self.0
    }

    /// The fact itself, for whoever keeps it and remembers that its signature holds.
    pub fn into_signed(self) -> Arc<Signed> {
        self.0
    }
}

impl std::ops::Deref for Verified {
    type Target = Signed;
    fn deref(&self) -> &Signed {
        &self.0
    }
}

#[cfg(test)]
mod tests;
