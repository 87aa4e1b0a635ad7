//! The log's own signature: which key makes it, and what may be signed. Custodians change the key by facts; the service
//! follows those whose key it holds.

use std::sync::{Arc, RwLock};

use rinsebook_proto::bytes::Hash;
use rinsebook_proto::fact::{Kind, Signed};
use rinsebook_proto::key::{self, SigningKey};
use rinsebook_proto::note::{Checkpoint, NoteError, VerifierKey};
use rinsebook_proto::rules::Succession;
use rinsebook_proto::succession::{Before, LogKeys};
use rinsebook_proto::v1;

use crate::error::ServiceError;
use crate::identity::Identity;

/// See the module. Clones share what they know.
#[derive(Clone)]
pub struct Signing {
    identity: Arc<Identity>,
    /// None before the founding.
    keys: Arc<RwLock<Option<LogKeys>>>,
}

impl Signing {
    /// A log that is not founded yet.
    pub fn new(identity: Arc<Identity>) -> Signing {
        Signing { identity, keys: Arc::default() }
    }

    fn with<T>(&self, ask: impl FnOnce(Option<&LogKeys>) -> T) -> T {
        ask(self.keys.read().expect("no holder of this lock panics").as_ref())
    }

    /// `<name>/<epoch>`.
    pub fn origin(&self) -> String {
        self.with(|keys| keys.map_or_else(|| self.identity.first_origin(), LogKeys::origin))
    }

    /// The epoch.
    pub fn epoch(&self) -> u32 {
        self.with(|keys| keys.map_or(1, LogKeys::epoch))
    }

    /// The key that signs now, as verifiers hold it.
    pub fn verifier_key(&self) -> VerifierKey {
        self.with(|keys| keys.map_or_else(|| self.identity.first_verifier_key(), |keys| keys.current().clone()))
    }

    /// Takes the founding fact.
    pub fn found(&self, founded: &v1::RecordFounded) {
        let keys = LogKeys::founded(founded).ok();
        *self.keys.write().expect("no holder of this lock panics") = keys;
    }

    /// Takes what a custodian said, once its entry is staged; true where it changes the key.
    pub fn follow(&self, succession: &Succession, before: Before) -> bool {
        let mut keys = self.keys.write().expect("no holder of this lock panics");
        let Some(keys) = keys.as_mut() else { return false };
        match keys.follow(succession, before) {
            Ok(()) => true,
            Err(why) => {
                tracing::warn!(index = succession.index, why, "a custodian's fact on the log's key changes nothing");
                false
            }
        }
    }

    /// Whether a fact, should it count, would hand the log to a key that is not here: nobody could go on signing it.
    pub fn would_lose(&self, fact: &Signed) -> bool {
        let bytes = match fact.kind() {
            Some(Kind::LogKeyChanged(b)) => &b.new_public_key,
            Some(Kind::EpochOpened(b)) => &b.log_public_key,
            _ => return false,
        };
        let held = key::public_key(bytes).ok().and_then(|public| self.identity.log_key_of(&public));
        held.is_none()
    }

    /// Whether a fact opens the epoch that follows on a log of this size and root, under a key that is here.
    pub fn opens_next_epoch(&self, fact: &Signed, size: u64, root: Hash) -> bool {
        let Some(Kind::EpochOpened(b)) = fact.kind() else { return false };
        let fits = Some(b.epoch) == self.epoch().checked_add(1) && b.restored_size == size && b.restored_root == root.0;
        fits && !self.would_lose(fact)
    }

    /// The note of a checkpoint, signed by the key in force and, while its file is there, by the one before it under the
    /// same origin.
    pub fn sign(&self, checkpoint: &Checkpoint) -> Result<String, ServiceError> {
        let (current, before) = self.with(|keys| match keys {
            None => (self.identity.first_verifier_key(), None),
            Some(keys) => {
                let before = keys.all().iter().rev().nth(1).filter(|key| key.name() == keys.origin());
                (keys.current().clone(), before.cloned())
            }
        });
        let missing = || ServiceError::Key {
            what: format!("the log key {current}"),
            why: "its file is not among the service's keys: put it back, the log cannot go on without it".to_owned(),
        };
        let signer = self.identity.log_key_of(current.key()).ok_or_else(missing)?;
        let also = before.and_then(|key| self.identity.log_key_of(key.key()));
        let signers: Vec<&SigningKey> = also.iter().chain([&signer]).collect();
        Ok(checkpoint.sign_by(&signers))
    }

    /// Opens a checkpoint of this log as it stands.
    pub fn open(&self, note: &str) -> Result<Checkpoint, NoteError> {
        self.with(|keys| match keys {
            Some(keys) => keys.open(note),
            None => Checkpoint::open(note, &[self.identity.first_verifier_key()]),
        })
    }

    /// Opens a checkpoint of the epoch of now that its key signed, or one before it in this epoch.
    pub fn open_of_epoch(&self, note: &str) -> Result<Checkpoint, NoteError> {
        let origin = self.origin();
        let of_epoch = |keys: &LogKeys| keys.all().iter().filter(|key| key.name() == origin).cloned().collect();
        let keys: Vec<VerifierKey> =
            self.with(|keys| keys.map_or_else(|| vec![self.identity.first_verifier_key()], of_epoch));
        let checkpoint = Checkpoint::open(note, &keys)?;
        if checkpoint.origin == origin { Ok(checkpoint) } else { Err(NoteError::Unsigned(origin)) }
    }

    /// Opens a checkpoint that any key of this log signed, of any epoch.
    pub fn open_any(&self, note: &str) -> Option<Checkpoint> {
        self.with(|keys| keys.and_then(|keys| Checkpoint::open(note, keys.all()).ok()))
    }

    /// How much of what the epoch of that origin held is in this log, where it is not all.
    pub fn kept_of(&self, origin: &str) -> Option<u64> {
        let epoch = origin.rsplit_once('/').and_then(|(_, epoch)| epoch.parse().ok())?;
        self.with(|keys| keys?.kept_of(epoch))
    }

    /// The next key: made where there is none, and used for nothing before a custodian's fact names it. With the note of
    /// this checkpoint signed by both keys.
    pub fn prepare(&self, checkpoint: &Checkpoint) -> Result<(VerifierKey, String), ServiceError> {
        let current = self.verifier_key();
        let used = self.with(|keys| keys.map(|keys| keys.all().to_vec()).unwrap_or_default());
        let next = self.identity.next_log_key(&used)?;
        let signer = self.identity.log_key_of(current.key()).ok_or_else(|| ServiceError::Key {
            what: format!("the log key {current}"),
            why: "its file is not among the service's keys".to_owned(),
        })?;
        let note = checkpoint.sign_by(&[&signer, &next]);
        Ok((VerifierKey::new(&self.origin(), next.verifying_key()), note))
    }
}
