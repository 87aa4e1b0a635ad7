//! Which key signs a log's checkpoints, from its founding on: each change is a custodian's fact.
//!
//! - A **changed key** is proved by both: the fact holds a checkpoint's note with a line by the old key and one by the new.
//!   The origin stays. From the group that holds the fact on, the new key must sign; a line by the old one may stand beside
//!   it until every witness has changed, and must then hold.
//! - A **new epoch** follows after an older state was put back: the fact is the first entry behind what was restored, names
//!   its size and root, and a new key under a new origin. Everything below is the same tree.
//!
//! A fact that does not fit changes nothing. Whoever starts from one of these keys can follow to all later ones.

use crate::bytes::Hash;
use crate::key::{self, VerifyingKey};
use crate::note::{Checkpoint, NoteError, VerifierKey};
use crate::rules::{NextKey, Succession};
use crate::v1;

/// See the module.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct LogKeys {
    name: String,
    epoch: u32,
    keys: Vec<VerifierKey>,
    /// Epochs that ended, with how much of each is in the log.
    ended: Vec<(u32, u64)>,
}

/// What a change of key is checked against: the log before the entry that says so.
#[derive(Debug, Clone, Copy)]
pub struct Before {
    /// Its entries.
    pub size: u64,
    /// Its root; none where only a part of the log is at hand.
    pub root: Option<Hash>,
}

impl LogKeys {
    /// The key that the founding fact names, in epoch 1.
    pub fn founded(founded: &v1::RecordFounded) -> Result<LogKeys, key::KeyError> {
        let key = key::public_key(&founded.log_public_key)?;
        let name = founded.origin_name.clone();
        let keys = vec![VerifierKey::new(&format!("{name}/1"), key)];
        Ok(LogKeys { name, epoch: 1, keys, ended: Vec::new() })
    }

    /// The key that must sign.
    pub fn current(&self) -> &VerifierKey {
        self.keys.last().expect("there is one from the founding on")
    }

    /// The epoch.
    pub fn epoch(&self) -> u32 {
        self.epoch
    }

    /// `<name>/<epoch>`.
    pub fn origin(&self) -> String {
        format!("{}/{}", self.name, self.epoch)
    }

    /// All, from the first.
    pub fn all(&self) -> &[VerifierKey] {
        &self.keys
    }

    /// Takes what a custodian said; an error says why it changes nothing.
    pub fn follow(&mut self, succession: &Succession, before: Before) -> Result<(), &'static str> {
        match &succession.to {
            NextKey::Changed(b) => self.change(b, before),
            NextKey::Epoch(b) => self.open_epoch(b, before),
        }
    }

    fn change(&mut self, b: &v1::LogKeyChanged, before: Before) -> Result<(), &'static str> {
        if b.old_public_key != self.current().key().as_bytes() {
            return Err("it names another key as the old one than signs now");
        }
        let next = self.next_key(&b.new_public_key, &self.origin())?;
        let both = Checkpoint::open(&b.checkpoint_note, std::slice::from_ref(self.current()))
            .and_then(|_| Checkpoint::open(&b.checkpoint_note, std::slice::from_ref(&next)));
        match both {
            Ok(checkpoint) if checkpoint.origin == self.origin() && checkpoint.size <= before.size => {
                self.keys.push(next);
                Ok(())
            }
            Ok(_) => Err("its checkpoint is of another log, or of more entries than there were"),
            Err(_) => Err("its checkpoint is not signed by both keys"),
        }
    }

    fn open_epoch(&mut self, b: &v1::EpochOpened, before: Before) -> Result<(), &'static str> {
        if Some(b.epoch) != self.epoch.checked_add(1) {
            return Err("its epoch is not the next");
        }
        let root_fits = before.root.is_none_or(|root| root.0.as_slice() == b.restored_root);
        if b.restored_size != before.size || !root_fits {
            return Err("it does not stand right behind the state that it says was restored");
        }
        let next = self.next_key(&b.log_public_key, &format!("{}/{}", self.name, b.epoch))?;
        self.ended.push((self.epoch, b.restored_size));
        self.epoch = b.epoch;
        self.keys.push(next);
        Ok(())
    }

    fn next_key(&self, bytes: &[u8], origin: &str) -> Result<VerifierKey, &'static str> {
        let key: VerifyingKey = key::public_key(bytes).map_err(|_| "its new key is not usable")?;
        if self.keys.iter().any(|old| *old.key() == key) {
            return Err("its new key signed this log before");
        }
        Ok(VerifierKey::new(origin, key))
    }

    /// Opens a checkpoint's note: the current key must have signed it, and no line by an earlier one may fail.
    pub fn open(&self, note: &str) -> Result<Checkpoint, NoteError> {
        let checkpoint = Checkpoint::open_by(note, self.current(), &self.keys)?;
        if checkpoint.origin == self.origin() { Ok(checkpoint) } else { Err(NoteError::Unsigned(self.origin())) }
    }

    /// How many of the entries that a signer of that epoch had seen can be in this log; none: all of them.
    pub fn kept_of(&self, epoch: u32) -> Option<u64> {
        self.ended.iter().filter(|(ended, _)| *ended >= epoch).map(|(_, size)| *size).min()
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::key::{SigningKey, generate};

    fn founded(key: &SigningKey) -> LogKeys {
        let founded = v1::RecordFounded {
            origin_name: "invented.example/log".to_owned(),
            log_public_key: key.verifying_key().as_bytes().to_vec(),
            ..v1::RecordFounded::default()
        };
        LogKeys::founded(&founded).unwrap()
    }

    fn checkpoint(size: u64) -> Checkpoint {
        Checkpoint { origin: "invented.example/log/1".to_owned(), size, root: Hash::of(b"root") }
    }

    fn changed(old: &SigningKey, new: &SigningKey, note: String) -> Succession {
        let body = v1::LogKeyChanged {
            old_public_key: old.verifying_key().as_bytes().to_vec(),
            new_public_key: new.verifying_key().as_bytes().to_vec(),
            checkpoint_note: note,
        };
        Succession { index: 9, to: NextKey::Changed(body) }
    }

    const BEFORE: Before = Before { size: 9, root: None };

    #[test]
    fn a_changed_key_needs_both_signatures_and_then_the_new_one_must_sign() {
        let (old, new) = (generate(), generate());
        let mut keys = founded(&old);
        let one_alone = changed(&old, &new, checkpoint(8).sign(&old));
        assert!(keys.follow(&one_alone, BEFORE).is_err());
        let of_later = changed(&old, &new, checkpoint(10).sign_by(&[&old, &new]));
        assert!(keys.follow(&of_later, BEFORE).is_err());
        assert!(keys.open(&checkpoint(9).sign(&old)).is_ok());
        keys.follow(&changed(&old, &new, checkpoint(8).sign_by(&[&old, &new])), BEFORE).unwrap();
        assert!(keys.open(&checkpoint(9).sign(&old)).is_err(), "the old key alone signs no more");
        assert!(keys.open(&checkpoint(9).sign(&new)).is_ok());
        assert!(keys.open(&checkpoint(9).sign_by(&[&old, &new])).is_ok());
        let moved = checkpoint(10).sign(&old);
        let failing = moved.rsplit_once("\n\n").unwrap().1;
        let forged = format!("{}{failing}", checkpoint(9).sign(&new));
        assert!(keys.open(&forged).is_err(), "an old key's line that fails refuses the note");
        let back = changed(&new, &old, checkpoint(8).sign_by(&[&old, &new]));
        assert!(keys.follow(&back, BEFORE).is_err(), "no key comes back");
    }

    #[test]
    fn an_epoch_opens_right_behind_what_was_restored_and_changes_the_origin() {
        let (old, new) = (generate(), generate());
        let opened = |epoch: u32, restored_size: u64, root: &[u8]| Succession {
            index: restored_size,
            to: NextKey::Epoch(v1::EpochOpened {
                epoch,
                log_public_key: new.verifying_key().as_bytes().to_vec(),
                restored_size,
                restored_root: Hash::of(root).to_vec(),
                lost_checkpoint_note: String::new(),
            }),
        };
        let mut keys = founded(&old);
        let before = Before { size: 9, root: Some(Hash::of(b"root")) };
        assert!(keys.follow(&opened(3, 9, b"root"), before).is_err());
        assert!(keys.follow(&opened(2, 8, b"root"), before).is_err());
        assert!(keys.follow(&opened(2, 9, b"another"), before).is_err());
        keys.follow(&opened(2, 9, b"root"), before).unwrap();
        assert_eq!(
            (keys.origin().as_str(), keys.kept_of(1), keys.kept_of(2)),
            ("invented.example/log/2", Some(9), None)
        );
        assert!(keys.open(&checkpoint(10).sign(&new)).is_err(), "another origin");
        let here = Checkpoint { origin: keys.origin(), ..checkpoint(10) };
        assert!(keys.open(&here.sign(&new)).is_ok());
    }

    #[test]
    fn no_epoch_follows_the_last_that_can_be_counted() {
        let mut keys = founded(&generate());
        keys.epoch = u32::MAX;
        let body = v1::EpochOpened { restored_size: 9, ..v1::EpochOpened::default() };
        let before = Before { size: 9, root: None };
        assert!(keys.follow(&Succession { index: 9, to: NextKey::Epoch(body) }, before).is_err());
    }
}
