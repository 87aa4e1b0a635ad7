//! Checkpoints as signed notes: C2SP signed-note v1.0.0 and tlog-checkpoint v1.0.0.
//!
//! ```text
//! invented.example/log/1                                   origin: the log's name and the epoch
//! 42                                                       size, decimal
//! bjQLnP+zepicpUTmu3gKLHiQHT+zNzh2hRGjBhevoB0=             root, standard base64
//!                                                          an empty line
//! — invented.example/log/1 <base64(4-byte key id ‖ signature)>
//! ```
//!
//! The key id is the first four bytes of SHA-256(name ‖ 0A ‖ 01 ‖ public key). A line whose name and id are not known
//! is passed over; a known one that fails refuses the note; so does a note without a known one.

use base64::Engine as _;
use base64::engine::general_purpose::STANDARD as BASE64;

use crate::bytes::Hash;
use crate::key::{self, SigningKey, VerifyingKey};

/// The algorithm bytes of C2SP signed-note: an Ed25519 signature over the note, and a timestamped Ed25519 cosignature.
const ED25519: u8 = 1;
const COSIGNATURE: u8 = 4;
/// Longer notes are refused before they are looked at.
const MAX_NOTE_BYTES: usize = 65_535;
pub(crate) const DASH: &str = "\u{2014} ";

/// Why a note or a verifier key is refused.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum NoteError {
    /// Not a note, a checkpoint or a verifier key in its form.
    #[error("this is not a {0} in its form: {1}")]
    Form(&'static str, &'static str),
    /// A signature line by a known key fails.
    #[error("the signature by {0} does not hold")]
    BadSignature(String),
    /// No line is by a known key.
    #[error("no signature by a known key; expected one by {0}")]
    Unsigned(String),
}

/// A log's public key with its name, as verifiers hold it: `name+<8 hex digits>+base64(01 ‖ key)`.
pub type VerifierKey = NamedKey<ED25519>;

/// A cosigner's public key with its name, as verifiers hold it: `name+<8 hex digits>+base64(04 ‖ key)`. What it signs
/// is told beside cosignatures.
pub type CosignerKey = NamedKey<COSIGNATURE>;

/// An Ed25519 public key with its name; the algorithm byte says over which message it signs, and is part of its id.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct NamedKey<const ALGORITHM: u8> {
    name: String,
    id: [u8; 4],
    key: VerifyingKey,
}

impl<const ALGORITHM: u8> NamedKey<ALGORITHM> {
    const OTHER_SORT: &str = match ALGORITHM {
        COSIGNATURE => "its key is not an Ed25519 cosigner's key (type 04)",
        _ => "its key is not an Ed25519 key (type 01)",
    };

    /// Names a public key.
    pub fn new(name: &str, key: VerifyingKey) -> Self {
        let digest = Hash::of_parts(&[name.as_bytes(), &[0x0A, ALGORITHM], key.as_bytes()]);
        NamedKey { name: name.to_owned(), id: [digest.0[0], digest.0[1], digest.0[2], digest.0[3]], key }
    }

    /// Reads the text form.
    pub fn parse(text: &str) -> Result<Self, NoteError> {
        let wrong = |why| NoteError::Form("verifier key", why);
        let mut parts = text.trim_end_matches(['\r', '\n']).splitn(3, '+');
        let (Some(name), Some(id), Some(encoded)) = (parts.next(), parts.next(), parts.next()) else {
            return Err(wrong("it is not name+id+key"));
        };
        check_name(name).map_err(wrong)?;
        let bytes = BASE64.decode(encoded).map_err(|_| wrong("its key is not base64"))?;
        let key = match bytes.as_slice() {
            [algorithm, key @ ..] if *algorithm == ALGORITHM => key,
            _ => return Err(wrong(Self::OTHER_SORT)),
        };
        let key = key::public_key(key).map_err(|_| wrong("its key is not usable"))?;
        let verifier = Self::new(name, key);
        if id == hex::encode(verifier.id) { Ok(verifier) } else { Err(wrong("its id is not that of its name and key")) }
    }

    /// The name: for a log, origin and epoch.
    pub fn name(&self) -> &str {
        &self.name
    }

    /// The key id that signature lines bear.
    pub(crate) fn id(&self) -> [u8; 4] {
        self.id
    }

    /// The public key.
    pub fn key(&self) -> &VerifyingKey {
        &self.key
    }
}

impl<const ALGORITHM: u8> std::fmt::Display for NamedKey<ALGORITHM> {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        let key = [&[ALGORITHM], self.key.as_bytes().as_slice()].concat();
        write!(f, "{}+{}+{}", self.name, hex::encode(self.id), BASE64.encode(key))
    }
}

/// The state of a log at a size.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Checkpoint {
    /// `<name>/<epoch>`.
    pub origin: String,
    /// Entries.
    pub size: u64,
    /// The tree's root.
    pub root: Hash,
}

impl Checkpoint {
    /// The note's text, without signatures.
    pub fn text(&self) -> String {
        format!("{}\n{}\n{}\n", self.origin, self.size, BASE64.encode(self.root.0))
    }

    /// The whole note with one signature under the origin's name.
    pub fn sign(&self, signer: &SigningKey) -> String {
        self.sign_by(&[signer])
    }

    /// The whole note with a signature by each key, all under the origin's name.
    pub fn sign_by(&self, signers: &[&SigningKey]) -> String {
        let text = self.text();
        let line = |signer: &&SigningKey| {
            let verifier = VerifierKey::new(&self.origin, signer.verifying_key());
            let signature = key::sign(signer, text.as_bytes());
            format!("{DASH}{} {}\n", self.origin, BASE64.encode([&verifier.id[..], &signature].concat()))
        };
        let lines: String = signers.iter().map(line).collect();
        format!("{text}\n{lines}")
    }

    /// Opens a note that one of the keys must have signed.
    pub fn open(note: &str, keys: &[VerifierKey]) -> Result<Checkpoint, NoteError> {
        let text = verified_text(note, keys)?;
        Checkpoint::parse(text)
    }

    /// Opens a note that this key must have signed; no line by one of the `others` may fail.
    pub fn open_by(note: &str, key: &VerifierKey, others: &[VerifierKey]) -> Result<Checkpoint, NoteError> {
        Checkpoint::open(note, std::slice::from_ref(key))?;
        let all: Vec<VerifierKey> = others.iter().chain([key]).cloned().collect();
        Checkpoint::open(note, &all)
    }

    /// Reads the note's text without looking at its signatures: for showing, never for believing.
    pub fn read_unverified(note: &str) -> Result<Checkpoint, NoteError> {
        Checkpoint::parse(split(note)?.0)
    }

    /// Lines after the third are extensions, which a reader passes over.
    fn parse(text: &str) -> Result<Checkpoint, NoteError> {
        let wrong = |why| NoteError::Form("checkpoint", why);
        let mut lines = text.split_terminator('\n');
        let (Some(origin), Some(size), Some(root)) = (lines.next(), lines.next(), lines.next()) else {
            return Err(wrong("it has fewer than three lines"));
        };
        if origin.is_empty() || lines.any(str::is_empty) {
            return Err(wrong("it has an empty line"));
        }
        let parsed: u64 = size.parse().map_err(|_| wrong("its size is no number"))?;
        if parsed.to_string() != size {
            return Err(wrong("its size is not written plainly"));
        }
        let bytes = BASE64.decode(root).map_err(|_| wrong("its root is not base64"))?;
        let root = Hash::from_slice(&bytes).ok_or_else(|| wrong("its root is not 32 bytes"))?;
        Ok(Checkpoint { origin: origin.to_owned(), size: parsed, root })
    }
}

/// The note's text, once a known key's signature over it holds and none fails.
fn verified_text<'a>(note: &'a str, keys: &[VerifierKey]) -> Result<&'a str, NoteError> {
    let (text, lines) = split(note)?;
    let mut signed = false;
    for line in lines.lines() {
        let (name, id, signature) = signature_line(line)?;
        let Some(key) = keys.iter().find(|k| k.name == name && k.id == id) else { continue };
        let signature = signature.as_slice().try_into().map_err(|_| NoteError::BadSignature(name.to_owned()))?;
        if !key::verifies(&key.key, text.as_bytes(), signature) {
            return Err(NoteError::BadSignature(name.to_owned()));
        }
        signed = true;
    }
    let expected = || keys.iter().map(VerifierKey::name).collect::<Vec<_>>().join(", ");
    if signed { Ok(text) } else { Err(NoteError::Unsigned(expected())) }
}

/// The text with its last newline, and the signature lines.
pub(crate) fn split(note: &str) -> Result<(&str, &str), NoteError> {
    let wrong = |why| NoteError::Form("signed note", why);
    if note.len() > MAX_NOTE_BYTES {
        return Err(wrong("it is too long"));
    }
    if note.chars().any(|c| c < ' ' && c != '\n') {
        return Err(wrong("it has a control character"));
    }
    let at = note.rfind("\n\n").ok_or_else(|| wrong("it has no empty line before its signatures"))?;
    let (text, lines) = (&note[..=at], &note[at + 2..]);
    if lines.is_empty() || !lines.ends_with('\n') {
        return Err(wrong("its last line is not a signature line"));
    }
    Ok((text, lines))
}

pub(crate) fn signature_line(line: &str) -> Result<(&str, [u8; 4], Vec<u8>), NoteError> {
    let wrong = |why| NoteError::Form("signature line", why);
    let (name, encoded) =
        line.strip_prefix(DASH).and_then(|l| l.split_once(' ')).ok_or_else(|| wrong("it is not dash, name, base64"))?;
    check_name(name).map_err(wrong)?;
    let bytes = BASE64.decode(encoded).map_err(|_| wrong("it is not base64"))?;
    match bytes.split_at_checked(4) {
        Some((id, signature)) if !signature.is_empty() => {
            Ok((name, id.try_into().expect("four bytes"), signature.to_vec()))
        }
        _ => Err(wrong("it is too short")),
    }
}

pub(crate) fn check_name(name: &str) -> Result<(), &'static str> {
    let bad = name.is_empty() || name.contains('+') || name.contains(char::is_whitespace);
    if bad { Err("its name is empty, or has a space or a plus sign") } else { Ok(()) }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn checkpoint() -> Checkpoint {
        Checkpoint { origin: "invented.example/log/1".into(), size: 42, root: Hash::of(b"root") }
    }

    #[test]
    fn a_checkpoint_opens_under_its_log_key_and_no_other() {
        let key = key::generate();
        let note = checkpoint().sign(&key);
        let known = VerifierKey::new("invented.example/log/1", key.verifying_key());
        let other_name = VerifierKey::new("invented.example/log/2", key.verifying_key());
        assert_eq!(Checkpoint::open(&note, std::slice::from_ref(&known)).unwrap(), checkpoint());
        assert!(matches!(Checkpoint::open(&note, &[other_name]), Err(NoteError::Unsigned(_))));
        assert_eq!(VerifierKey::parse(&known.to_string()).unwrap(), known);
    }

    #[test]
    fn no_altered_byte_of_a_note_passes() {
        let key = key::generate();
        let note = checkpoint().sign(&key);
        let known = [VerifierKey::new("invented.example/log/1", key.verifying_key())];
        for at in 0..note.len() {
            let mut bytes = note.clone().into_bytes();
            bytes[at] ^= 1;
            let opened = String::from_utf8(bytes).ok().and_then(|n| Checkpoint::open(&n, &known).ok());
            assert_eq!(opened, None, "byte {at}");
        }
    }

    #[test]
    fn an_unknown_line_is_passed_over_and_a_failing_known_one_refuses() {
        let (key, other) = (key::generate(), key::generate());
        let known = [VerifierKey::new("invented.example/log/1", key.verifying_key())];
        let good = checkpoint().sign(&key);
        let foreign = checkpoint().sign(&other);
        let foreign_line = foreign.rsplit_once("\n\n").unwrap().1;
        assert!(Checkpoint::open(&format!("{good}{foreign_line}"), &known).is_ok());
        let moved = Checkpoint { size: 43, ..checkpoint() }.sign(&key);
        let failing_line = moved.rsplit_once("\n\n").unwrap().1;
        assert!(matches!(Checkpoint::open(&format!("{good}{failing_line}"), &known), Err(NoteError::BadSignature(_))));
    }

    #[test]
    fn a_size_with_a_leading_zero_is_no_checkpoint() {
        let text = checkpoint().text().replace("\n42\n", "\n042\n");
        assert!(Checkpoint::parse(&text).is_err());
    }
}
