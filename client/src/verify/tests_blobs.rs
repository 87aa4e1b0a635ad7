//! Annexes, attachments, and what else stands beside the entries.

use std::path::Path;

use rinsebook_proto::bytes::{Hash, Id};
use rinsebook_proto::fact::{Kind, Subject};
use rinsebook_proto::key;
use rinsebook_proto::v1;

use super::testlog::{By, TABLET, TestLog, key_of};
use super::{Asked, BlobCounts, Fault, Good, check};

const PERSON: Id = Id([5; 16]);
const SALT: [u8; 16] = [4; 16];

/// A log that names an annex (entry 1) and an attachment (entry 2); their digests.
fn naming() -> (TestLog, Hash, Hash) {
    let mut log = TestLog::founded(|_| {});
    let custodian = log.custodian_key.clone();
    let (annex, attachment) = (Hash::of_parts(&[&SALT, b"a name"]), Hash::of(b"a procedure"));
    let name = Some(v1::AnnexRef { digest: annex.to_vec() });
    let person = v1::PersonEnrolled { person: PERSON.to_vec(), name, ..v1::PersonEnrolled::default() };
    log.add(&By(TABLET, &custodian), Kind::PersonEnrolled(person), vec![]);
    let text = Some(v1::AttachmentRef { digest: attachment.to_vec() });
    let procedure = v1::ProcedurePublished { procedure: vec![6; 16], text, ..v1::ProcedurePublished::default() };
    log.add(&By(TABLET, &custodian), Kind::ProcedurePublished(procedure), vec![]);
    (log, annex, attachment)
}

fn keep(dir: &Path, digest: Hash, salt: &[u8], content: &[u8]) {
    let bytes = [&[salt.len() as u8], salt, content].concat();
    std::fs::write(dir.join(digest.to_string()), bytes).unwrap();
}

fn checked(log: &TestLog, blobs: &Path) -> Result<Good, Fault> {
    let dir = tempfile::tempdir().unwrap();
    log.write(dir.path(), 1 << 16, |_| {}, |_| {});
    let asked = Asked { log_key: Some(&log.verifier_key()), blobs: Some(blobs), ..Asked::default() };
    check(dir.path(), &asked, &mut |_| {})
}

fn found_bad(result: Result<Good, Fault>) -> Option<u64> {
    match result {
        Err(Fault::Bad { check: "blob", index, .. }) => index,
        other => panic!("not found bad under blob: {other:?}"),
    }
}

fn erased(digest: Hash) -> Kind {
    Kind::AnnexErased(v1::AnnexErased { digests: vec![digest.to_vec()], reason: "asked for".to_owned() })
}

#[test]
fn what_facts_name_is_there_and_counted() {
    let ((log, annex, attachment), blobs) = (naming(), tempfile::tempdir().unwrap());
    keep(blobs.path(), annex, &SALT, b"a name");
    keep(blobs.path(), attachment, &[], b"a procedure");
    let good = checked(&log, blobs.path()).unwrap();
    assert_eq!(good.blobs, Some(BlobCounts { held: 2, erased: 0 }));
    assert_eq!(good.to_json()["blobs"]["held"], 2);
}

#[test]
fn an_attachment_that_is_gone_or_altered_is_found_at_the_entry_that_names_it() {
    let ((log, annex, attachment), blobs) = (naming(), tempfile::tempdir().unwrap());
    keep(blobs.path(), annex, &SALT, b"a name");
    assert_eq!(found_bad(checked(&log, blobs.path())), Some(2));
    keep(blobs.path(), attachment, &[], b"another procedure");
    assert_eq!(found_bad(checked(&log, blobs.path())), Some(2));
    std::fs::write(blobs.path().join(attachment.to_string()), b"").unwrap();
    assert_eq!(found_bad(checked(&log, blobs.path())), Some(2));
}

#[test]
fn a_salt_that_is_cut_from_the_content_is_found_though_the_digest_fits() {
    let ((log, annex, attachment), blobs) = (naming(), tempfile::tempdir().unwrap());
    keep(blobs.path(), attachment, &[], b"a procedure");
    keep(blobs.path(), annex, &[], &[&SALT[..], b"a name"].concat());
    assert_eq!(found_bad(checked(&log, blobs.path())), Some(1));
    // The form that was named lies beside it.
    let beside = blobs.path().join(format!("{annex}.annex"));
    std::fs::write(&beside, [&[16][..], &SALT[..], b"a name"].concat()).unwrap();
    assert_eq!(checked(&log, blobs.path()).unwrap().blobs, Some(BlobCounts { held: 2, erased: 0 }));
    std::fs::write(&beside, [&[16][..], &SALT[..], b"a nama"].concat()).unwrap();
    assert_eq!(found_bad(checked(&log, blobs.path())), Some(1));
}

#[test]
fn an_annex_may_be_gone_only_where_a_custodian_says_that_it_was_erased() {
    let blobs = tempfile::tempdir().unwrap();
    let (_, annex, attachment) = naming();
    keep(blobs.path(), attachment, &[], b"a procedure");

    let (log, ..) = naming();
    assert_eq!(found_bad(checked(&log, blobs.path())), Some(1));

    let (mut log, ..) = naming();
    let custodian = log.custodian_key.clone();
    log.add(&By(TABLET, &custodian), erased(annex), vec![]);
    assert_eq!(checked(&log, blobs.path()).unwrap().blobs, Some(BlobCounts { held: 1, erased: 1 }));

    let (mut log, ..) = naming();
    let (custodian, other) = (log.custodian_key.clone(), key::generate());
    log.add(&By(TABLET, &custodian), Kind::KeyEnrolled(key_of(PERSON, &other)), vec![]);
    log.add(&By(TABLET, &other), erased(annex), vec![]);
    assert_eq!(found_bad(checked(&log, blobs.path())), Some(1), "this person has no custody");
}

#[test]
fn a_blob_that_cannot_be_read_leaves_the_log_unchecked_and_not_bad() {
    let ((log, annex, attachment), blobs) = (naming(), tempfile::tempdir().unwrap());
    keep(blobs.path(), annex, &SALT, b"a name");
    std::fs::create_dir(blobs.path().join(attachment.to_string())).unwrap();
    assert!(matches!(checked(&log, blobs.path()), Err(Fault::CouldNot(_))));
}

#[test]
fn a_signer_s_name_is_missed_within_retention_and_not_after_it_as_many_years_as_are_asked() {
    let blobs = tempfile::tempdir().unwrap();
    let (mut log, annex, attachment) = naming();
    keep(blobs.path(), attachment, &[], b"a procedure");
    let (custodian, signer) = (log.custodian_key.clone(), key::generate());
    log.add(&By(TABLET, &custodian), Kind::KeyEnrolled(key_of(PERSON, &signer)), vec![]);
    log.about(&By(TABLET, &signer), Kind::Remark(v1::Remark { text: None }), vec![Subject::Wash(Id([8; 16]))]);
    log.add(&By(TABLET, &custodian), erased(annex), vec![]);
    let Err(Fault::Bad { index, why, .. }) = checked(&log, blobs.path()) else { panic!("a signer's name is missing") };
    assert_eq!(index, Some(1));
    assert!(why.contains("the erasure of entry 5 is without effect"), "{why}");

    let dir = tempfile::tempdir().unwrap();
    log.write(dir.path(), 1 << 16, |_| {}, |_| {});
    let asked = Asked { blobs: Some(blobs.path()), keep_signer_name_years: 0, ..Asked::default() };
    let good = check(dir.path(), &asked, &mut |_| {}).unwrap();
    assert_eq!((good.erased[0].index, good.erased[0].there), (5, Some(false)));
}

#[test]
fn an_erasure_that_came_before_its_custodian_s_key_is_obeyed_once_that_is_enrolled() {
    let blobs = tempfile::tempdir().unwrap();
    let (mut log, annex, attachment) = naming();
    keep(blobs.path(), attachment, &[], b"a procedure");
    let (custodian, second) = (log.custodian_key.clone(), key::generate());
    log.add(&By(TABLET, &second), erased(annex), vec![]);
    assert_eq!(found_bad(checked(&log, blobs.path())), Some(1), "nobody knows the key");
    let authority = v1::Authority::Custody as i32;
    let granted = v1::AuthorityGranted { person: PERSON.to_vec(), authority, ..v1::AuthorityGranted::default() };
    log.in_one_card(
        &By(TABLET, &custodian),
        vec![Kind::KeyEnrolled(key_of(PERSON, &second)), Kind::AuthorityGranted(granted)],
    );
    assert_eq!(checked(&log, blobs.path()).unwrap().blobs, Some(BlobCounts { held: 1, erased: 1 }));
}
