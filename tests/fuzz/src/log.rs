//! What a log hands out: entries, notes, proofs.

use std::sync::LazyLock;

use rinsebook_proto::bytes::Hash;
use rinsebook_proto::entry::{Entry, EntryChain};
use rinsebook_proto::fact::Subject;
use rinsebook_proto::key::{self, SigningKey};
use rinsebook_proto::note::{Checkpoint, NoteError, VerifierKey};
use rinsebook_proto::tree::{self, Tree, leaf_hash};

use crate::Input;

/// The origin of the log whose notes the seeds hold.
pub(crate) const ORIGIN: &str = "invented.example/log/1";

/// That log's key.
pub(crate) fn log_key() -> SigningKey {
    SigningKey::from_bytes(&[7; 32])
}

/// An entry that decodes has no second way of being written; and a chain that checks one never takes it a second time.
pub fn entry(data: &[u8]) -> bool {
    let Ok(entry) = Entry::decode(data) else { return false };
    assert_eq!(entry.encode().unwrap(), data, "an entry writes back to its bytes");
    let subjects: Vec<Subject> = entry.links.iter().map(|link| link.subject.clone()).collect();
    let mut chain = EntryChain::default();
    if chain.check(&entry, data, &subjects).is_ok() {
        assert_eq!(chain.last_hash(), leaf_hash(data));
        assert!(chain.check(&entry, data, &subjects).is_err(), "the same entry follows itself");
    }
    true
}

/// A text taken as verifier key, as signed note, and as the text of a checkpoint that is well signed.
pub fn note(data: &[u8]) -> bool {
    static KNOWN: LazyLock<VerifierKey> = LazyLock::new(|| VerifierKey::new(ORIGIN, log_key().verifying_key()));
    let Ok(text) = std::str::from_utf8(data) else { return false };
    let key = VerifierKey::parse(text);
    if let Ok(key) = &key {
        assert_eq!(key.to_string(), text.trim_end_matches(['\r', '\n']), "a verifier key writes back to its text");
    }
    let opened = Checkpoint::open(text, std::slice::from_ref(&KNOWN));
    let read = Checkpoint::read_unverified(text);
    if let Ok(opened) = &opened {
        assert_eq!(Some(opened), read.as_ref().ok(), "what is signed is what is shown");
    }
    let well_signed = under_signature(text);
    let signed = Checkpoint::open(&well_signed, std::slice::from_ref(&KNOWN));
    match (&signed, Checkpoint::read_unverified(&well_signed)) {
        (Ok(signed), read) => assert_eq!(Some(signed), read.as_ref().ok()),
        (Err(error), read) => assert_eq!(Some(error), read.as_ref().err(), "a good signature is no reason to refuse"),
    }
    if let Ok(checkpoint) = read {
        signs_again(&checkpoint);
    }
    key.is_ok() || opened.is_ok() || signed.is_ok()
}

/// The text, its last line ended, under the log's signature.
fn under_signature(text: &str) -> String {
    let text = if text.ends_with('\n') { text.to_owned() } else { format!("{text}\n") };
    let checkpoint = Checkpoint { origin: ORIGIN.to_owned(), size: 0, root: Hash::ZERO };
    let line = checkpoint.sign(&log_key());
    let id = line.rsplit_once(' ').expect("a signature line").1;
    let id = decode(id.trim_end());
    let signature = key::sign(&log_key(), text.as_bytes());
    format!("{text}\n\u{2014} {ORIGIN} {}\n", encode(&[&id[..4], &signature].concat()))
}

/// A checkpoint under an origin that a verifier key can carry opens again once it is signed.
fn signs_again(checkpoint: &Checkpoint) {
    let known = VerifierKey::new(&checkpoint.origin, log_key().verifying_key());
    let named = VerifierKey::parse(&known.to_string()).is_ok();
    let opened = Checkpoint::open(&checkpoint.sign(&log_key()), &[known]);
    match opened {
        Ok(opened) => assert_eq!(&opened, checkpoint),
        Err(error) => assert!(!named && matches!(error, NoteError::Form(..)), "{error}"),
    }
}

/// Any sizes and hashes, to both checks; then a true proof of a small tree, whole and altered.
pub fn proof(data: &[u8]) -> bool {
    let mut input = Input(data);
    let (first, second) = (input.u64(), input.u64());
    let (leaf, root) = (Hash(input.array()), Hash(input.array()));
    let (alter, bit) = (input.u8(), input.u8());
    let hashes: Vec<Hash> = input.0.chunks_exact(32).filter_map(Hash::from_slice).collect();
    let included = tree::verify_inclusion(&leaf, first, second, &hashes, &root).is_ok();
    let consistent = tree::verify_consistency(first, second, &hashes, &leaf, &root).is_ok();
    true_proofs(first, second, alter, bit);
    included || consistent
}

static TREE: LazyLock<Tree> = LazyLock::new(|| {
    let mut tree = Tree::default();
    (0u64..300).for_each(|i| tree.push(leaf_hash(&i.to_be_bytes())));
    tree
});

fn true_proofs(first: u64, second: u64, alter: u8, bit: u8) {
    let size = 1 + second % TREE.size();
    let (index, old) = (first % size, 1 + first % size);
    let leaf = TREE.leaf(index).expect("below the size");
    let (root, old_root) = (TREE.root(size), TREE.root(old));
    let mut inclusion = TREE.inclusion(index, size).expect("below the size");
    assert_eq!(tree::verify_inclusion(&leaf, index, size, &inclusion, &root), Ok(()));
    let mut consistency = TREE.consistency(old, size).expect("not above the size");
    assert_eq!(tree::verify_consistency(old, size, &consistency, &old_root, &root), Ok(()));
    alter_one(&mut inclusion, alter, bit);
    assert!(tree::verify_inclusion(&leaf, index, size, &inclusion, &root).is_err(), "an altered proof holds");
    alter_one(&mut consistency, alter, bit);
    let altered = tree::verify_consistency(old, size, &consistency, &old_root, &root);
    assert!(altered.is_err(), "an altered proof holds");
}

/// One bit of one hash turned, one hash too many, or one too few.
fn alter_one(proof: &mut Vec<Hash>, alter: u8, bit: u8) {
    let at = usize::from(alter >> 2) % proof.len().max(1);
    match (alter % 4, proof.get_mut(at)) {
        (0 | 1, Some(hash)) => hash.0[usize::from(bit) / 8] ^= 1 << (bit % 8),
        (2, Some(_)) => drop(proof.remove(at)),
        _ => proof.insert(at, Hash([bit; 32])),
    }
}

const ALPHABET: &[u8; 64] = b"ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789+/";

/// Standard base64 (RFC 4648, section 4), from here and not from what is under test.
fn encode(bytes: &[u8]) -> String {
    let mut out = String::new();
    for piece in bytes.chunks(3) {
        let word = piece.iter().fold(0u32, |word, byte| word << 8 | u32::from(*byte)) << (8 * (3 - piece.len()));
        for place in 0..4 {
            let digit = ALPHABET[(word >> (18 - 6 * place) & 63) as usize];
            out.push(if place <= piece.len() { char::from(digit) } else { '=' });
        }
    }
    out
}

fn decode(text: &str) -> Vec<u8> {
    let digits = text.bytes().filter_map(|c| ALPHABET.iter().position(|known| *known == c));
    let digits: Vec<u32> = digits.map(|digit| digit as u32).collect();
    let bytes = digits.chunks(4).flat_map(|four| {
        let word = four.iter().fold(0, |word, digit| word << 6 | digit) << (6 * (4 - four.len()));
        word.to_be_bytes()[1..four.len()].to_vec()
    });
    bytes.collect()
}
