//! Notes, checkpoints and verifier keys, back and forth with another implementation of C2SP signed-note and
//! tlog-checkpoint: the crates signed_note 0.2.0 and tlog_tiles 0.2.0 (cloudflare/azul, after golang.org/x/mod).

use base64::Engine as _;
use base64::engine::general_purpose::STANDARD as BASE64;
use ed25519_dalek_2::SigningKey as TheirKey;
use proptest::prelude::*;
use rinsebook_proto::bytes::Hash;
use rinsebook_proto::key::SigningKey;
use rinsebook_proto::note::{Checkpoint, VerifierKey};
use signed_note::{Note, Signer, StandardSigner, StandardVerifier, Verifier, VerifierList};

const ORIGIN: &str = "invented.example/log/1";

fn ours(seed: u8) -> (SigningKey, VerifierKey) {
    let signer = SigningKey::from_bytes(&[seed; 32]);
    let verifier = VerifierKey::new(ORIGIN, signer.verifying_key());
    (signer, verifier)
}

/// The same key as they hold it: `PRIVATE+KEY+<name>+<id>+base64(01 ‖ seed)`.
fn theirs(seed: u8) -> StandardSigner {
    let verifier = ours(seed).1.to_string();
    let id = verifier.split('+').nth(1).unwrap();
    let secret = BASE64.encode([&[1][..], &[seed; 32]].concat());
    StandardSigner::new(&format!("PRIVATE+KEY+{ORIGIN}+{id}+{secret}")).unwrap()
}

fn known(verifier: &str) -> VerifierList {
    VerifierList::new(vec![Box::new(StandardVerifier::new(verifier).unwrap()) as Box<dyn Verifier>])
}

fn checkpoint(size: u64) -> Checkpoint {
    Checkpoint { origin: ORIGIN.to_owned(), size, root: Hash::of(&size.to_be_bytes()) }
}

#[test]
fn a_verifier_key_means_the_same_there_and_here() {
    let key = ours(7).1;
    let there = StandardVerifier::new(&key.to_string()).unwrap();
    assert_eq!((there.name(), there.key_id()), (ORIGIN, theirs(7).key_id()));
    let made = signed_note::new_ed25519_verifier_key(ORIGIN, &TheirKey::from_bytes(&[7; 32]).verifying_key());
    assert_eq!(VerifierKey::parse(&made), Ok(key.clone()));
    assert_eq!(made, key.to_string());
    for wrong in [made.replace("/1+", "/2+"), made.replace('+', "-"), format!("{made}AA"), format!("a b{made}")] {
        assert!(StandardVerifier::new(&wrong).is_err() && VerifierKey::parse(&wrong).is_err(), "{wrong}");
    }
}

proptest! {
    #[test]
    fn a_note_of_ours_opens_there_as_the_checkpoint_that_it_is(size in any::<u64>(), seed in 1u8..) {
        let (signer, verifier) = ours(seed);
        let note = Note::from_bytes(checkpoint(size).sign(&signer).as_bytes()).unwrap();
        let (good, strange) = note.verify(&known(&verifier.to_string())).unwrap();
        prop_assert_eq!((good.len(), strange.len()), (1, 0));
        let there = tlog_tiles::Checkpoint::from_bytes(note.text()).unwrap();
        prop_assert_eq!((there.origin(), there.size(), there.hash().0), (ORIGIN, size, checkpoint(size).root.0));
        prop_assert!(note.verify(&known(&ours(seed.wrapping_add(1).max(1)).1.to_string())).is_err());
    }

    #[test]
    fn a_note_made_there_opens_here_with_its_extensions_and_other_signatures(
        size in any::<u64>(), seed in 1u8..200, extension in "([a-z ]{1,20}\n){0,3}"
    ) {
        let root = tlog_tiles::Hash(checkpoint(size).root.0);
        let made = tlog_tiles::Checkpoint::new(ORIGIN, size, root, &extension).unwrap();
        let mut note = Note::new(&made.to_bytes(), &[]).unwrap();
        note.add_sigs(&[&theirs(seed + 1), &theirs(seed)]).unwrap();
        let text = String::from_utf8(note.to_bytes()).unwrap();
        prop_assert_eq!(Checkpoint::open(&text, &[ours(seed).1]).unwrap(), checkpoint(size));
        prop_assert!(Checkpoint::open(&text, &[ours(seed + 2).1]).is_err());
    }

    #[test]
    fn an_altered_note_is_refused_there_and_here(at in any::<prop::sample::Index>(), bit in 0u8..8) {
        let (signer, verifier) = ours(7);
        let mut bytes = checkpoint(42).sign(&signer).into_bytes();
        let at = at.index(bytes.len());
        bytes[at] ^= 1 << bit;
        let there = Note::from_bytes(&bytes).and_then(|note| note.verify(&known(&verifier.to_string())));
        prop_assert!(there.is_err());
        let here = std::str::from_utf8(&bytes).ok().map(|text| Checkpoint::open(text, &[verifier]));
        prop_assert!(here.is_none_or(|opened| opened.is_err()));
    }
}
