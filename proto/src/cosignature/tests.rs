use super::*;
use crate::note::VerifierKey;

fn checkpoint() -> Checkpoint {
    Checkpoint { origin: "invented.example/log/1".into(), size: 42, root: Hash::of(b"root") }
}

fn cosigner(name: &str) -> (SigningKey, CosignerKey) {
    let signer = key::generate();
    let key = CosignerKey::new(name, signer.verifying_key());
    (signer, key)
}

#[test]
fn a_cosigned_note_tells_who_and_when_and_still_opens_under_the_log_s_key() {
    let log = key::generate();
    let ((first, first_key), (second, second_key)) = (cosigner("w.example/1"), cosigner("w.example/2"));
    let note = checkpoint().sign(&log);
    let line_1 = cosign(&note, &first, "w.example/1", 1_930_377_600).unwrap();
    let line_2 = cosign(&note, &second, "w.example/2", 1_930_377_601).unwrap();
    let whole = format!("{note}{line_1}{line_2}");
    let found = cosigners(&whole, &[second_key.clone(), first_key.clone()]).unwrap();
    let told: Vec<(&str, u64)> = found.iter().map(|c| (c.name.as_str(), c.unix_seconds)).collect();
    assert_eq!(told, [("w.example/1", 1_930_377_600), ("w.example/2", 1_930_377_601)]);
    assert_eq!(found[0].line, line_1);
    let log_key = VerifierKey::new("invented.example/log/1", log.verifying_key());
    assert_eq!(Checkpoint::open(&whole, &[log_key]).unwrap(), checkpoint());

    // Whoever does not know a cosigner passes its line over.
    assert_eq!(cosigners(&whole, std::slice::from_ref(&second_key)).unwrap().len(), 1);
    assert_eq!(cosigners(&note, &[first_key, second_key]).unwrap(), []);
}

#[test]
fn no_altered_byte_of_a_cosigned_note_leaves_its_cosignature_standing() {
    let (signer, key) = cosigner("w.example/1");
    let note = checkpoint().sign(&key::generate());
    let whole = format!("{note}{}", cosign(&note, &signer, "w.example/1", 7).unwrap());
    // The log's own line is not what is cosigned.
    let own_line = note.rfind("\n\n").unwrap() + 2..note.len();
    for at in (0..whole.len()).filter(|at| !own_line.contains(at)) {
        for flip in [1, 0x20, 0x80] {
            let mut bytes = whole.clone().into_bytes();
            bytes[at] ^= flip;
            let found = String::from_utf8(bytes).ok().and_then(|n| cosigners(&n, std::slice::from_ref(&key)).ok());
            assert!(found.is_none_or(|found| found.is_empty()), "byte {at}, flip {flip:#x}");
        }
    }
    assert_eq!(cosigners(&whole, &[key]).unwrap().len(), 1);
}

#[test]
fn a_known_cosigner_s_line_over_another_checkpoint_or_time_refuses_the_note() {
    let (signer, key) = cosigner("w.example/1");
    let log = key::generate();
    let note = checkpoint().sign(&log);
    let other = Checkpoint { size: 43, ..checkpoint() }.sign(&log);
    let line = cosign(&other, &signer, "w.example/1", 7).unwrap();
    let refused = cosigners(&format!("{note}{line}"), std::slice::from_ref(&key));
    assert_eq!(refused, Err(NoteError::BadSignature("w.example/1".to_owned())));

    let line = cosign(&note, &signer, "w.example/1", 7).unwrap();
    let (head, blob) = line.trim_end().rsplit_once(' ').unwrap();
    let mut blob = BASE64.decode(blob).unwrap();
    blob[11] += 1;
    let later = format!("{note}{head} {}\n", BASE64.encode(&blob));
    assert_eq!(cosigners(&later, &[key]), Err(NoteError::BadSignature("w.example/1".to_owned())));
}

#[test]
fn one_public_key_counts_once_however_many_lines_and_names_it_has() {
    let (signer, key) = cosigner("w.example/1");
    let alias = CosignerKey::new("w.example/alias", signer.verifying_key());
    let note = checkpoint().sign(&key::generate());
    let line = |name, at| cosign(&note, &signer, name, at).unwrap();
    let whole = format!("{note}{}{}{}", line("w.example/1", 5), line("w.example/alias", 9), line("w.example/1", 7));
    let found = cosigners(&whole, &[key, alias]).unwrap();
    assert_eq!(found.len(), 1);
    assert_eq!((found[0].name.as_str(), found[0].unix_seconds), ("w.example/alias", 9));
}

#[test]
fn a_cosigner_s_key_is_no_log_s_key_and_reads_back_from_its_text() {
    let (signer, key) = cosigner("w.example/1");
    assert_eq!(CosignerKey::parse(&key.to_string()).unwrap(), key);
    let refused = VerifierKey::parse(&key.to_string()).unwrap_err().to_string();
    assert!(refused.contains("type 01"), "{refused}");
    let log = VerifierKey::new("w.example/1", signer.verifying_key());
    let refused = CosignerKey::parse(&log.to_string()).unwrap_err().to_string();
    assert!(refused.contains("type 04"), "{refused}");
    // Nor does a log's signature pass for a cosignature under the same key.
    let own = Checkpoint { origin: "w.example/1".into(), ..checkpoint() }.sign(&signer);
    assert_eq!(cosigners(&own, &[key]).unwrap(), []);
}

#[test]
fn a_time_or_a_name_that_no_line_can_hold_is_not_cosigned() {
    let (signer, _) = cosigner("w");
    let note = checkpoint().sign(&key::generate());
    assert!(cosign(&note, &signer, "w", MAX_UNIX_SECONDS).is_ok());
    assert!(cosign(&note, &signer, "w", MAX_UNIX_SECONDS + 1).is_err());
    assert!(cosign(&note, &signer, "two words", 7).is_err());
    assert!(cosign("no note", &signer, "w", 7).is_err());
}

#[test]
fn a_request_reads_back_as_it_was_written() {
    let note = checkpoint().sign(&key::generate());
    for hashes in [0, 1, MAX_PROOF_HASHES] {
        let proof = (0..hashes).map(|n| Hash::of(&[n as u8])).collect();
        let request = AddCheckpoint { old_size: 41, proof, note: note.clone() };
        assert_eq!(AddCheckpoint::parse(&request.to_string()).unwrap(), (request, checkpoint()));
    }
}

#[test]
fn a_request_in_any_other_form_is_refused() {
    let note = checkpoint().sign(&key::generate());
    let hash = BASE64.encode(Hash::of(b"x").0);
    let good = format!("old 41\n{hash}\n\n{note}");
    assert!(AddCheckpoint::parse(&good).is_ok());
    let many = format!("old 41\n{}\n{note}", format!("{hash}\n").repeat(MAX_PROOF_HASHES + 1));
    for bad in [
        String::new(),
        note.clone(),
        good.replace("old 41", "old 041"),
        good.replace("old 41", "old +41"),
        good.replace("old 41", "old -1"),
        good.replace("old 41", "old 18446744073709551616"),
        good.replace("old 41", "old  41"),
        good.replace("old 41", "Old 41"),
        good.replace("old 41\n", "old 41\r\n"),
        good.replace(&hash, &hash[..hash.len() - 1]),
        good.replace(&hash, &BASE64.encode([0; 31])),
        good.replace(&format!("{hash}\n\n"), &format!("{hash}\n")),
        good.replace("\n42\n", "\n042\n"),
        good[..good.len() - 1].to_owned(),
        "old 0\n\n".to_owned(),
        many,
    ] {
        assert!(AddCheckpoint::parse(&bad).is_err(), "{bad}");
    }
}
