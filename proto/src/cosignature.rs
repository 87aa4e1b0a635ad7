//! Cosignatures of witnesses: C2SP tlog-cosignature, the Ed25519 form; and what a witness is asked with: the body of
//! `add-checkpoint`, C2SP tlog-witness v1.0.0.
//!
//! A cosigner is anybody who says: the largest consistent state of this log that I had seen at this time has this root.
//! Its line stands below the log's own in the note:
//!
//! ```text
//! — <name> <base64(4-byte key id ‖ u64 big-endian Unix seconds ‖ 64-byte signature)>
//! ```
//!
//! The key id is the first four bytes of SHA-256(name ‖ 0A ‖ 04 ‖ public key). What is signed is
//!
//! ```text
//! cosignature/v1
//! time 1679315147                                          Unix seconds, decimal
//! invented.example/log/1                                   and the note's whole text
//! …
//! ```
//!
//! A line whose name and id are not known is passed over; a known one that fails refuses the note.
//!
//! A witness is asked with
//!
//! ```text
//! old 41                                                   the size that it cosigned last, 0 if none
//! bjQLnP+zepicpUTmu3gKLHiQHT+zNzh2hRGjBhevoB0=             at most 63 hashes: the consistency proof
//!                                                          an empty line
//! invented.example/log/1                                   and the checkpoint's note
//! …
//! ```

use base64::Engine as _;
use base64::engine::general_purpose::STANDARD as BASE64;

use crate::bytes::Hash;
use crate::key::{self, SigningKey};
use crate::note::{self, Checkpoint, CosignerKey, NoteError};

/// A proof between trees of up to 2^63 leaves has no more hashes (C2SP tlog-witness).
pub const MAX_PROOF_HASHES: usize = 63;
/// A time beyond this is none (C2SP tlog-cosignature).
const MAX_UNIX_SECONDS: u64 = i64::MAX as u64;

/// A cosignature that holds.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Cosignature {
    /// The cosigner's name.
    pub name: String,
    /// When it was made, by the cosigner's clock.
    pub unix_seconds: u64,
    /// Its line as it stands in the note, with the newline.
    pub line: String,
}

/// Cosigns a note's text under a name: the signature line, with its newline, to be put below the others.
///
/// The note's own signatures are not looked at: whoever cosigns has opened it before.
///
/// # Errors
/// What is no note, a name that no signature line can bear, or a time beyond 2^63 − 1.
pub fn cosign(note: &str, signer: &SigningKey, name: &str, unix_seconds: u64) -> Result<String, NoteError> {
    note::check_name(name).map_err(|why| NoteError::Form("cosigner's name", why))?;
    if unix_seconds > MAX_UNIX_SECONDS {
        return Err(NoteError::Form("time", "it is beyond 2^63 − 1 seconds"));
    }
    let (text, _) = note::split(note)?;
    let signature = key::sign(signer, &message(text, unix_seconds));
    let id = CosignerKey::new(name, signer.verifying_key()).id();
    let blob = [&id[..], &unix_seconds.to_be_bytes(), &signature].concat();
    Ok(format!("{}{name} {}\n", note::DASH, BASE64.encode(blob)))
}

/// The cosignatures of these cosigners that the note bears, in their order in the note; of one public key the newest
/// alone, so that a number of them is a number of cosigners. The log's own signature is not looked at.
///
/// # Errors
/// What is no note; a line of one of these cosigners that does not hold.
pub fn cosigners(note: &str, keys: &[CosignerKey]) -> Result<Vec<Cosignature>, NoteError> {
    let (text, lines) = note::split(note)?;
    let mut found: Vec<(&CosignerKey, Cosignature)> = Vec::new();
    for line in lines.lines() {
        let (name, id, blob) = note::signature_line(line)?;
        let Some(key) = keys.iter().find(|key| key.name() == name && key.id() == id) else { continue };
        let unix_seconds = checked(text, key, &blob).ok_or_else(|| NoteError::BadSignature(name.to_owned()))?;
        let new = Cosignature { name: name.to_owned(), unix_seconds, line: format!("{line}\n") };
        match found.iter_mut().find(|(before, _)| before.key() == key.key()) {
            Some((_, before)) if before.unix_seconds >= unix_seconds => {}
            Some(before) => *before = (key, new),
            None => found.push((key, new)),
        }
    }
    Ok(found.into_iter().map(|(_, cosignature)| cosignature).collect())
}

/// The time in a cosigner's line, if its signature holds.
fn checked(text: &str, key: &CosignerKey, blob: &[u8]) -> Option<u64> {
    let (time, signature) = blob.split_first_chunk::<8>()?;
    let unix_seconds = u64::from_be_bytes(*time);
    let signature: &[u8; 64] = signature.try_into().ok()?;
    let holds = unix_seconds <= MAX_UNIX_SECONDS && key::verifies(key.key(), &message(text, unix_seconds), signature);
    holds.then_some(unix_seconds)
}

fn message(text: &str, unix_seconds: u64) -> Vec<u8> {
    format!("cosignature/v1\ntime {unix_seconds}\n{text}").into_bytes()
}

/// The body of a request to cosign. Writing it ([`Display`](std::fmt::Display)) and reading it agree to the byte.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct AddCheckpoint {
    /// The size that the witness cosigned last; 0: none.
    pub old_size: u64,
    /// From that size to the checkpoint's.
    pub proof: Vec<Hash>,
    /// The checkpoint's note, whole.
    pub note: String,
}

impl std::fmt::Display for AddCheckpoint {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        writeln!(f, "old {}", self.old_size)?;
        for hash in &self.proof {
            writeln!(f, "{}", BASE64.encode(hash.0))?;
        }
        write!(f, "\n{}", self.note)
    }
}

impl AddCheckpoint {
    /// Reads a body; the checkpoint in it is as yet unverified.
    ///
    /// # Errors
    /// Whatever is not written in exactly this form.
    pub fn parse(body: &str) -> Result<(AddCheckpoint, Checkpoint), NoteError> {
        let wrong = |why| NoteError::Form("request to cosign", why);
        let no_line = || wrong("it ends before its checkpoint");
        let (first, mut rest) = body.split_once('\n').ok_or_else(no_line)?;
        let old = first.strip_prefix("old ").ok_or_else(|| wrong("it does not begin with the old size"))?;
        let old_size = plain_size(old).ok_or_else(|| wrong("its old size is no number written plainly"))?;
        let mut proof = Vec::new();
        loop {
            let (line, after) = rest.split_once('\n').ok_or_else(no_line)?;
            rest = after;
            if line.is_empty() {
                break;
            }
            let hash = BASE64.decode(line).ok().and_then(|bytes| Hash::from_slice(&bytes));
            proof.push(hash.ok_or_else(|| wrong("a line of its proof is not 32 bytes in base64"))?);
            if proof.len() > MAX_PROOF_HASHES {
                return Err(wrong("its proof has more than 63 hashes"));
            }
        }
        let checkpoint = Checkpoint::read_unverified(rest)?;
        Ok((AddCheckpoint { old_size, proof, note: rest.to_owned() }, checkpoint))
    }
}

/// A size in decimal, without leading zeros or a sign.
pub fn plain_size(text: &str) -> Option<u64> {
    text.parse().ok().filter(|size: &u64| size.to_string() == text)
}

#[cfg(test)]
#[path = "cosignature/tests.rs"]
mod tests;
