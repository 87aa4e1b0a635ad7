//! Checked against something that is not ours: published vectors, another library, foreign programs. The source stands
//! beside each check.

use std::process::Command;
use std::sync::Arc;

use base64::Engine as _;
use base64::engine::general_purpose::STANDARD as BASE64;
use ct_merkle::mem_backed_tree::MemoryBackedTree;
use proptest::prelude::*;
use rinsebook_client::sync::sync;
use rinsebook_client::witness::{Answer, Settings, Witness};
use rinsebook_proto::bytes::Hash;
use rinsebook_proto::clock::SystemClock;
use rinsebook_proto::cosignature::{AddCheckpoint, cosign, cosigners};
use rinsebook_proto::key::{self, SigningKey};
use rinsebook_proto::note::{Checkpoint, CosignerKey, VerifierKey};
use rinsebook_proto::tree::{self, Tree, leaf_hash};
use rinsebook_tests::outside::python;
use rinsebook_tests::shop::{MORNING_MS, Shop, Wash, all_well, disconnected};
use serde_json::Value;

fn vectors(name: &str) -> Value {
    let file = format!("{}/vectors/{name}", env!("CARGO_MANIFEST_DIR"));
    serde_json::from_str(&std::fs::read_to_string(file).unwrap()).unwrap()
}

fn hash(value: &Value) -> Option<Hash> {
    BASE64.decode(value.as_str()?).ok().and_then(|bytes| Hash::from_slice(&bytes))
}

#[test]
fn ed25519_signs_and_checks_the_examples_of_rfc_8032() {
    // RFC 8032, section 7.1, TEST 1 to 3: secret key, public key, message, signature.
    let examples = [
        (
            "9d61b19deffd5a60ba844af492ec2cc44449c5697b326919703bac031cae7f60",
            "d75a980182b10ab7d54bfed3c964073a0ee172f3daa62325af021a68f707511a",
            "",
            "e5564300c360ac729086e2cc806e828a84877f1eb8e5d974d873e065224901555fb8821590a33bacc61e39701cf9b46bd25bf5f0595bbe24655141438e7a100b",
        ),
        (
            "4ccd089b28ff96da9db6c346ec114e0f5b8a319f35aba624da8cf6ed4fb8a6fb",
            "3d4017c3e843895a92b70aa74d1b7ebc9c982ccf2ec4968cc0cd55f12af4660c",
            "72",
            "92a009a9f0d4cab8720e820b5f642540a2b27b5416503f8fb3762223ebdb69da085ac1e43e15996e458f3613d0f11d8c387b2eaeb4302aeeb00d291612bb0c00",
        ),
        (
            "c5aa8df43f9f837bedb7442f31dcb7b166d38535076f094b85ce3a2e0b4458f7",
            "fc51cd8e6218a1a38da47ed00230f0580816ed13ba3303ac5deb911548908025",
            "af82",
            "6291d657deec24024827e69c3abe01a30ce548a284743a445e3680d7db5ac3ac18ff9b538d16f290ae67f760984dc6594a7c15e9716ed28dc027beceea1ec40a",
        ),
    ];
    for (secret, public, message, signature) in examples {
        let secret: [u8; 32] = hex::decode(secret).unwrap().try_into().unwrap();
        let message = hex::decode(message).unwrap();
        let signer = SigningKey::from_bytes(&secret);
        assert_eq!(hex::encode(signer.verifying_key().as_bytes()), public);
        let made = key::sign(&signer, &message);
        assert_eq!(hex::encode(made), signature);
        assert!(key::verifies(&signer.verifying_key(), &message, &made));
    }
}

#[test]
fn the_tree_of_eight_leaves_has_the_published_hashes() {
    // google/certificate-transparency merkle_tree_test.cc and transparency-dev/merkle constants.go (tests/vectors).
    let classic = &vectors("tlog.json")["classic_ct_tree"];
    let mut tree = Tree::default();
    for (i, leaf) in classic["leaves_hex"].as_array().unwrap().iter().enumerate() {
        let data = hex::decode(leaf.as_str().unwrap()).unwrap();
        assert_eq!(leaf_hash(&data).to_string(), classic["leaf_hashes"][i].as_str().unwrap());
        tree.push(leaf_hash(&data));
    }
    for (size, root) in classic["roots_size_0_to_8"].as_array().unwrap().iter().enumerate() {
        assert_eq!(tree.root(size as u64).to_string(), root.as_str().unwrap());
    }
}

#[test]
fn every_published_proof_is_judged_as_published() {
    // transparency-dev/merkle testdata (tests/vectors/merkle-proofs.json).
    let cases = vectors("merkle-proofs.json");
    let cases = cases["cases"].as_array().unwrap();
    assert!(cases.len() > 100, "{} cases", cases.len());
    for case in cases {
        let number = |name: &str| case[name].as_u64().unwrap();
        let proof: Option<Vec<Hash>> = case["proof"].as_array().map_or(Some(vec![]), |p| p.iter().map(hash).collect());
        let good = if case["case"].as_str().unwrap().starts_with("consistency") {
            let roots = hash(&case["root1"]).zip(hash(&case["root2"]));
            proof.zip(roots).is_some_and(|(proof, (old, new))| {
                let (size1, size2) = (number("size1"), number("size2"));
                tree::verify_consistency(size1, size2, &proof, &old, &new).is_ok()
            })
        } else {
            let hashes = hash(&case["leafHash"]).zip(hash(&case["root"]));
            proof.zip(hashes).is_some_and(|(proof, (leaf, root))| {
                tree::verify_inclusion(&leaf, number("leafIdx"), number("treeSize"), &proof, &root).is_ok()
            })
        };
        assert_ne!(good, case["wantErr"].as_bool().unwrap(), "{}", case["case"]);
    }
}

#[test]
fn published_checkpoints_open_and_have_the_roots_of_their_leaves() {
    // transparency-dev/tessera testdata (tests/vectors/tlog.json).
    let log = &vectors("tlog.json")["tessera_testdata"];
    let key = VerifierKey::parse(log["vkey"].as_str().unwrap()).unwrap();
    assert_eq!(key.to_string(), log["vkey"].as_str().unwrap());
    let mut tree = Tree::default();
    for leaf in log["leaves"].as_array().unwrap() {
        tree.push(leaf_hash(leaf.as_str().unwrap().as_bytes()));
    }
    let checkpoints = log["checkpoints"].as_object().unwrap();
    assert!(checkpoints.len() > 2);
    for (size, note) in checkpoints {
        let checkpoint = Checkpoint::open(note.as_str().unwrap(), std::slice::from_ref(&key)).unwrap();
        assert_eq!(&checkpoint.size.to_string(), size);
        assert_eq!(checkpoint.root, tree.root(checkpoint.size), "size {size}");
    }
}

#[test]
fn published_cosignatures_hold_and_ours_under_the_same_key_is_the_same_to_the_byte() {
    // FiloSottile/sunlight cmd/skylight/testdata (tests/vectors/tlog.json).
    let published = &vectors("tlog.json")["sunlight_cosig"];
    let text = |name: &str| published[name].as_str().unwrap();
    let time = published["time"].as_u64().unwrap();
    for (key, note) in [("witness_vkey", "witness_checkpoint"), ("mirror_vkey", "mirror_checkpoint")] {
        let key = CosignerKey::parse(text(key)).unwrap();
        let found = cosigners(text(note), std::slice::from_ref(&key)).unwrap();
        assert_eq!((found.len(), found[0].name.as_str(), found[0].unix_seconds), (1, key.name(), time));
    }
    let seed = Hash::of(b"skylight test witness key");
    assert!(text("witness_seed").ends_with(&seed.to_string()));
    let note = text("witness_checkpoint");
    let ours = cosign(note, &SigningKey::from_bytes(&seed.0), "witness.example.org", time).unwrap();
    assert!(note.ends_with(&format!("\n{ours}")), "{ours}");
}

#[test]
fn our_witness_cosigns_the_published_checkpoints_by_the_published_proof() {
    // transparency-dev/witness witness/witness_test.go (tests/vectors/tlog.json).
    let published = &vectors("tlog.json")["witness_monkeys"];
    let note = |name: &str| published[name].as_str().unwrap().to_owned();
    let proof = published["consistency_5_8"].as_array().unwrap().iter();
    let proof: Vec<Hash> = proof.map(|hash| Hash::from_hex(hash.as_str().unwrap()).unwrap()).collect();
    let dir = tempfile::tempdir().unwrap();
    let witness = Witness::open(Settings {
        name: "w.example/1".to_owned(),
        signer: key::generate(),
        state: dir.path().join("state"),
        logs: vec![VerifierKey::parse(published["log_vkey"].as_str().unwrap()).unwrap()],
        clock: Arc::new(SystemClock),
    })
    .unwrap();
    let ask = |old_size, proof: &[Hash], note| {
        let request = AddCheckpoint { old_size, proof: proof.to_vec(), note };
        witness.add_checkpoint(request.to_string().as_bytes())
    };
    assert!(matches!(ask(0, &[], note("cp5")), Answer::Cosigned(_)));
    assert!(matches!(ask(5, &proof[1..], note("cp8")), Answer::BadProof(_)));
    let Answer::Cosigned(line) = ask(5, &proof, note("cp8")) else { panic!("from 5 to 8") };
    let found = cosigners(&(note("cp8") + &line), &[witness.key().clone()]).unwrap();
    assert_eq!(found.len(), 1);
    assert_eq!(ask(5, &proof, note("cp8")), Answer::Conflict(8));
}

proptest! {
    #[test]
    fn ct_merkle_agrees_on_roots_and_inclusion(size in 1u64..200, pick in any::<u64>()) {
        // The crate ct-merkle, an implementation of RFC 6962 by others.
        let mut ours = Tree::default();
        let mut theirs = MemoryBackedTree::<sha2::Sha256, Vec<u8>>::new();
        for i in 0..size {
            let leaf = i.to_be_bytes().to_vec();
            ours.push(leaf_hash(&leaf));
            theirs.push(leaf);
        }
        let (our_root, their_root) = (ours.root(size), theirs.root());
        prop_assert_eq!(our_root.0.as_slice(), their_root.as_bytes().as_slice());
        let index = pick % size;
        let proof: Vec<u8> = ours.inclusion(index, size).unwrap().iter().flat_map(|h| h.0).collect();
        let theirs = theirs.prove_inclusion(index as usize);
        prop_assert_eq!(proof.as_slice(), theirs.as_bytes());
    }
}

#[test]
fn openssl_opens_a_key_file_of_ours() {
    let dir = tempfile::tempdir().unwrap();
    let (pem, passphrase) = (dir.path().join("key.pem"), dir.path().join("passphrase"));
    std::fs::write(&passphrase, "gloves on\n").unwrap();
    let signer = key::generate();
    std::fs::write(&pem, key::to_pem(&signer, b"gloves on").unwrap().as_bytes()).unwrap();
    let from = format!("file:{}", passphrase.display());
    let output = Command::new("openssl")
        .args(["pkey", "-in", &pem.display().to_string(), "-passin", &from, "-pubout", "-outform", "DER"])
        .output()
        .unwrap();
    assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
    assert!(output.stdout.ends_with(signer.verifying_key().as_bytes()));
}

async fn shop_with_a_wash() -> Shop {
    let mut shop = Shop::open().await.unwrap();
    let mut station = shop.station("ramp-1").await.unwrap();
    let wash = Wash::of(shop.aircraft);
    let drafts = vec![wash.opened(&shop, MORNING_MS), wash.on(2, disconnected("PS-1"), MORNING_MS)];
    station.sign_card(&shop.technician.key, drafts).unwrap();
    all_well(&sync(&mut station, 3).await.unwrap()).unwrap();
    shop
}

#[tokio::test(flavor = "multi_thread")]
async fn a_verifier_in_python_finds_our_log_good_and_twenty_altered_copies_bad() {
    let mut shop = shop_with_a_wash().await;
    let running = shop.service.take().unwrap();
    let key_file = shop.dir.join("log.vkey");
    std::fs::write(&key_file, &running.verifier_key).unwrap();
    running.stop().await.unwrap();
    let (log, key) = (shop.data().join("log").display().to_string(), key_file.display().to_string());
    let good = python("verify_log.py", &[&log, &key]);
    let text = String::from_utf8_lossy(&good.stdout).into_owned() + &String::from_utf8_lossy(&good.stderr);
    assert!(good.status.success() && text.contains("good:"), "{text}");
    let altered = python("check_alterations.py", &[&log, &key, "--count", "20"]);
    let text = String::from_utf8_lossy(&altered.stdout).into_owned() + &String::from_utf8_lossy(&altered.stderr);
    assert!(altered.status.success(), "{text}");
}

#[tokio::test(flavor = "multi_thread")]
async fn a_foreign_client_lists_open_items_through_reflection() {
    let shop = shop_with_a_wash().await;
    let home = &shop.desk.home;
    let file = |name: &str| home.path(name).display().to_string();
    let address = home.about.address.trim_start_matches("https://").to_owned();
    let (ca, certificate, key) = (file("ca.pem"), file("device.crt"), file("device.key"));
    let listed =
        tokio::task::spawn_blocking(move || python("list_open_items.py", &[&address, &ca, &certificate, &key]))
            .await
            .unwrap();
    let text = String::from_utf8_lossy(&listed.stdout).into_owned() + &String::from_utf8_lossy(&listed.stderr);
    assert!(listed.status.success() && text.contains("ZZ-RBA") && text.contains("line-disconnected"), "{text}");
}
