//! An audit that goes on tells of erasures what one from the beginning tells.

use std::path::Path;

use rinsebook_proto::bytes::{Hash, Id};
use rinsebook_proto::fact::{Kind, Subject};
use rinsebook_proto::key;
use rinsebook_proto::v1::{self, Authority};

use super::testlog::{By, TABLET, TestLog, key_of};
use super::{Asked, Good, check};

const SIGNER: Id = Id([5; 16]);
const SECOND: Id = Id([6; 16]);
const WASH: Id = Id([8; 16]);

fn name(text: &str) -> Hash {
    Hash::of_parts(&[&[4; 16], text.as_bytes()])
}

fn named(person: Id, text: &str) -> Kind {
    let name = Some(v1::AnnexRef { digest: name(text).to_vec() });
    Kind::PersonEnrolled(v1::PersonEnrolled { person: person.to_vec(), name, ..v1::PersonEnrolled::default() })
}

fn erased(digest: Hash) -> Kind {
    Kind::AnnexErased(v1::AnnexErased { digests: vec![digest.to_vec()], reason: "asked for".to_owned() })
}

/// Audits the log as it stands, from the beginning and where the kept audit ended: but for what was resumed they agree.
fn audited(log: &TestLog, state: &Path) -> Good {
    let dir = tempfile::tempdir().unwrap();
    log.write(dir.path(), 1 << 16, |_| {}, |_| {});
    let key = log.verifier_key();
    let whole = Asked { log_key: Some(&key), ..Asked::default() };
    let whole = check(dir.path(), &whole, &mut |_| {}).unwrap();
    let resumed = Asked { log_key: Some(&key), state: Some(state), ..Asked::default() };
    let resumed = check(dir.path(), &resumed, &mut |_| {}).unwrap();
    assert_eq!(resumed.erased, whole.erased, "after {} entries", whole.entries);
    assert_eq!(resumed.signatures + resumed.unread, whole.signatures + whole.unread);
    resumed
}

#[test]
fn an_audit_that_goes_on_after_every_entry_judges_erasures_like_one_from_the_beginning() {
    let kept = tempfile::tempdir().unwrap();
    let state = kept.path().join("audit.json");
    let mut log = TestLog::founded(|_| {});
    let (custodian, signer, second) = (log.custodian_key.clone(), key::generate(), key::generate());
    let (text, attachment) = (Hash::of(b"a procedure"), Hash::of(b"a procedure").to_vec());
    let attached = Some(v1::AttachmentRef { digest: attachment });
    let procedure = v1::ProcedurePublished { procedure: vec![7; 16], text: attached, ..Default::default() };
    let granted =
        v1::AuthorityGranted { person: SECOND.to_vec(), authority: Authority::Custody as i32, ..Default::default() };
    let remark = || Kind::Remark(v1::Remark { text: None });

    // Before anything is enrolled that they need: the second custodian's word waits for their key.
    log.add(&By(TABLET, &second), erased(name("nobody's")), vec![]);
    audited(&log, &state);
    let by_custodian = [
        named(SIGNER, "signer"),
        named(SECOND, "second"),
        Kind::KeyEnrolled(key_of(SIGNER, &signer)),
        Kind::ProcedurePublished(procedure),
    ];
    for kind in by_custodian {
        log.add(&By(TABLET, &custodian), kind, vec![]);
        audited(&log, &state);
    }
    log.about(&By(TABLET, &signer), remark(), vec![Subject::Wash(WASH)]);
    audited(&log, &state);
    log.about(&By(TABLET, &signer), Kind::SignedOff(v1::SignedOff::default()), vec![Subject::Wash(WASH)]);
    audited(&log, &state);
    for digest in [name("signer"), name("second"), text] {
        log.add(&By(TABLET, &custodian), erased(digest), vec![]);
        audited(&log, &state);
    }
    log.in_one_card(
        &By(TABLET, &custodian),
        vec![Kind::KeyEnrolled(key_of(SECOND, &second)), Kind::AuthorityGranted(granted)],
    );
    audited(&log, &state);

    log.add(&By(TABLET, &custodian), remark(), vec![]);
    let good = audited(&log, &state);
    assert_eq!(good.resumed, good.entries - 1);
    let told: Vec<(Hash, bool)> = good.erased.iter().map(|e| (e.digest, e.without_effect.is_none())).collect();
    let expected = [(name("signer"), false), (name("second"), true), (text, false), (name("nobody's"), true)];
    assert_eq!(told, expected);
}

#[test]
fn a_state_without_what_erasures_are_judged_by_is_refused_and_says_to_begin_anew() {
    let kept = tempfile::tempdir().unwrap();
    let state = kept.path().join("audit.json");
    let log = TestLog::founded(|_| {});
    audited(&log, &state);
    let mut older: serde_json::Value = serde_json::from_slice(&std::fs::read(&state).unwrap()).unwrap();
    older["format"] = 1.into();
    older.as_object_mut().unwrap().remove("erasures");
    std::fs::write(&state, older.to_string()).unwrap();
    let dir = tempfile::tempdir().unwrap();
    log.write(dir.path(), 1 << 16, |_| {}, |_| {});
    let asked = Asked { state: Some(&state), ..Asked::default() };
    let told = check(dir.path(), &asked, &mut |_| {}).unwrap_err().to_string();
    assert!(told.contains("move it away to audit from the beginning"), "{told}");
}
