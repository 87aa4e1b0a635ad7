use rinsebook_proto::bytes::Hash;
use rinsebook_proto::cosignature::cosign;
use rinsebook_proto::key::{self, SigningKey};
use rinsebook_proto::rules::{NextKey, Succession};
use rinsebook_proto::succession::Before;
use rinsebook_proto::tree::leaf_hash;
use rinsebook_proto::v1;

use super::*;
use crate::identity::Identity;

const NOW_S: u64 = 1_930_377_600;

/// A log of nine entries, and an auditor.
struct Log {
    _dir: tempfile::TempDir,
    config: Config,
    identity: Arc<Identity>,
    signing: Signing,
    tree: Arc<RwLock<Tree>>,
    auditor: SigningKey,
}

impl Log {
    fn open() -> Log {
        let dir = tempfile::tempdir().unwrap();
        let auditor = key::generate();
        let auditors = vec![CosignerKey::new("a.example/1", auditor.verifying_key())];
        let config = Config { auditors, ..Config::local(dir.path()) };
        let identity = Arc::new(Identity::open(&config).unwrap());
        let signing = Signing::new(identity.clone());
        signing.found(&v1::RecordFounded {
            origin_name: identity.origin_name.clone(),
            log_public_key: identity.log_key.verifying_key().as_bytes().to_vec(),
            ..v1::RecordFounded::default()
        });
        let mut tree = Tree::default();
        (0..9u8).for_each(|n| tree.push(leaf_hash(&[n])));
        let tree = Arc::new(RwLock::new(tree));
        Log { _dir: dir, config, identity, signing, tree, auditor }
    }

    fn checkpoint(&self, size: u64) -> Checkpoint {
        Checkpoint { origin: self.signing.origin(), size, root: self.tree.read().unwrap().root(size) }
    }

    fn cosigned(&self, note: &str, at_s: u64) -> String {
        format!("{note}{}", cosign(note, &self.auditor, "a.example/1", at_s).unwrap())
    }

    fn audited(&self, size: u64, at_s: u64) -> String {
        self.cosigned(&self.signing.sign(&self.checkpoint(size)).unwrap(), at_s)
    }

    /// As after a start.
    fn audits(&self) -> Audits {
        Audits::open(&self.config, self.signing.clone(), self.tree.clone())
    }

    fn newest(&self) -> Vec<(u64, u64)> {
        self.audits().newest().iter().map(Audit::rank).collect()
    }

    /// A custodian's fact that follows on nine entries: a new key, or a new epoch behind so many that were put back.
    fn next_key(&self, restored: Option<u64>) {
        let (next, both) = self.signing.prepare(&self.checkpoint(8)).unwrap();
        let new = next.key().as_bytes().to_vec();
        let (to, before) = match restored {
            None => {
                let old_public_key = self.signing.verifier_key().key().as_bytes().to_vec();
                let changed = v1::LogKeyChanged { old_public_key, new_public_key: new, checkpoint_note: both };
                (NextKey::Changed(changed), Before { size: 9, root: None })
            }
            Some(size) => {
                let mut tree = self.tree.write().unwrap();
                let root = tree.root(size);
                let kept: Vec<Hash> = (0..size).map(|index| tree.leaf(index).unwrap()).collect();
                *tree = Tree::default();
                kept.into_iter().for_each(|leaf| tree.push(leaf));
                (size..12).for_each(|n| tree.push(leaf_hash(&[n as u8, 1])));
                let opened = v1::EpochOpened {
                    epoch: 2,
                    log_public_key: new,
                    restored_size: size,
                    restored_root: root.to_vec(),
                    lost_checkpoint_note: String::new(),
                };
                (NextKey::Epoch(opened), Before { size, root: Some(root) })
            }
        };
        assert!(self.signing.follow(&Succession { index: before.size, to }, before));
    }
}

fn why(told: Result<Vec<HandedIn>, CallError>) -> String {
    told.unwrap_err().to_string()
}

#[test]
fn of_an_auditor_s_audits_the_one_that_reaches_furthest_is_kept_and_of_those_the_latest() {
    let log = Log::open();
    let audits = log.audits();
    let now_ms = NOW_S * 1000;
    for (size, at_s, newest, kept) in [
        (5, NOW_S, true, (5, NOW_S)),
        (5, NOW_S, true, (5, NOW_S)),
        (4, NOW_S + 9, false, (5, NOW_S)),
        (5, NOW_S - 1, false, (5, NOW_S)),
        (5, NOW_S + 120, true, (5, NOW_S + 120)),
        (9, NOW_S - 9, true, (9, NOW_S - 9)),
    ] {
        let told = audits.hand_in(&log.audited(size, at_s), 9, now_ms).unwrap();
        assert_eq!((told[0].newest, told[0].audit.rank()), (newest, (size, at_s)));
        assert_eq!(audits.newest().iter().map(Audit::rank).collect::<Vec<_>>(), [kept]);
        assert_eq!(log.newest(), [kept], "and so it is after a start");
    }
    let early = why(audits.hand_in(&log.audited(9, NOW_S + 121), 9, now_ms));
    assert!(early.contains("121 seconds ahead"), "{early}");
    // What is staged and not yet synced is not spoken of.
    let beyond = why(audits.hand_in(&log.audited(9, NOW_S), 8, now_ms));
    assert!(beyond.contains("9 entries and this log 8"), "{beyond}");
}

#[test]
fn a_key_before_the_one_in_force_is_taken_in_its_epoch_and_an_epoch_that_ended_is_named() {
    let log = Log::open();
    let before = log.audited(9, NOW_S);
    log.next_key(None);
    // The old key signs no more, and what it signed is this log all the same.
    assert!(log.audits().hand_in(&before, 9, NOW_S * 1000).unwrap()[0].newest);
    log.next_key(Some(7));
    let told = why(log.audits().hand_in(&before, 12, NOW_S * 1000));
    assert!(told.contains("/1, an epoch that has ended") && told.contains("/2"), "{told}");
    assert!(log.audits().hand_in(&log.audited(12, NOW_S), 12, NOW_S * 1000).unwrap()[0].newest);
    // The key of the epoch that ended, under the origin of this one.
    let mixed = log.checkpoint(12).sign(&log.identity.log_key);
    let told = why(log.audits().hand_in(&log.cosigned(&mixed, NOW_S), 12, NOW_S * 1000));
    assert!(told.contains("no signature by a known key"), "{told}");
}

#[test]
fn what_was_kept_stays_in_the_next_epoch_as_far_as_it_was_put_back_and_beyond_is_put_aside() {
    for (size, stays) in [(7, true), (8, false)] {
        let log = Log::open();
        log.audits().hand_in(&log.audited(size, NOW_S), 9, NOW_S * 1000).unwrap();
        log.next_key(Some(7));
        assert_eq!(log.newest().len(), usize::from(stays), "{size}");
        let names = std::fs::read_dir(log.config.data.join("audits")).unwrap();
        let aside = names.filter(|entry| entry.as_ref().unwrap().file_name().to_string_lossy().contains(".aside-"));
        assert_eq!(aside.count(), usize::from(!stays), "{size}");
    }
}

#[test]
fn an_audit_by_somebody_who_is_no_longer_configured_is_not_told_and_comes_back_with_them() {
    let mut log = Log::open();
    log.audits().hand_in(&log.audited(9, NOW_S), 9, NOW_S * 1000).unwrap();
    let auditors = std::mem::take(&mut log.config.auditors);
    assert_eq!((log.newest(), log.audits().are_expected()), (vec![], false));
    log.config.auditors = auditors;
    assert_eq!(log.newest(), [(9, NOW_S)]);
}

#[test]
fn a_disk_that_takes_nothing_is_told_and_nothing_is_said_to_be_kept() {
    let log = Log::open();
    std::fs::write(log.config.data.join("audits"), "no folder").unwrap();
    let audits = log.audits();
    let told = audits.hand_in(&log.audited(9, NOW_S), 9, NOW_S * 1000);
    assert!(matches!(told, Err(CallError::DiskRefuses { .. })), "{told:?}");
    assert_eq!(audits.newest(), []);
}
