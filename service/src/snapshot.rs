//! What sled keeps: only what can be derived from the log again, so that a start need not check every entry anew.
//!
//! | key | value |
//! |---|---|
//! | `h` kind id | a subject's head: u64 count, u64 index, leaf hash |
//! | `l` u64 index | the entry's leaf hash |
//! | `p` device run u64 counter | what holds a place: u64 index, digest, u8 how |
//! | `u` u64 index | the entry's signer was not known when it came |
//! | `meta` | u64 entries applied, leaf hash of the last, u64 its time received, check |
//!
//! Integers are big-endian. All keys of a group go in one batch with `meta`. `check` is the XOR over SHA-256(key ‖ 00 ‖
//! value) of all others: sled does not promise that a batch survives a power cut, nor that what it reads is what was
//! written, so that what does not fit is moved aside and built anew from the log.

use std::collections::HashSet;
use std::path::{Path, PathBuf};

use rinsebook_proto::bytes::{Hash, Id};
use rinsebook_proto::chain::{Held, Place, Runs};
use rinsebook_proto::entry::{EntryChain, Head, SubjectHeads};
use rinsebook_proto::fact::Subject;
use rinsebook_proto::rules::SignatureState;
use rinsebook_proto::tree::Tree;
use rinsebook_proto::v1::RefusalReason;
use sled::Batch;

use crate::desk::Staged;

const META: &[u8] = b"meta";
const CACHE_BYTES: u64 = 64 << 20;

/// What a start can go on from.
#[derive(Debug, Default)]
pub struct Kept {
    /// Entries below this index are covered.
    pub applied: u64,
    /// Chain and heads.
    pub chain: EntryChain,
    /// Places of runs.
    pub runs: Runs,
    /// Leaf hashes.
    pub tree: Tree,
    /// Entries whose signer was not known when they came.
    pub unchecked: HashSet<u64>,
}

/// The open database.
pub struct Snapshot {
    db: sled::Db,
    dir: PathBuf,
    check: Hash,
}

/// Why what sled holds cannot be used; it is derived data, so that the answer is always to build it anew.
#[derive(Debug, thiserror::Error)]
pub enum Unusable {
    /// sled will not open or read.
    #[error("sled: {0}")]
    Sled(String),
    /// It reads, and does not fit.
    #[error("it does not fit: {0}")]
    Misfit(&'static str),
}

impl From<sled::Error> for Unusable {
    fn from(error: sled::Error) -> Unusable {
        Unusable::Sled(error.to_string())
    }
}

impl Snapshot {
    /// Opens the database and reads what it keeps.
    pub fn open(dir: &Path) -> Result<(Snapshot, Kept), Unusable> {
        // A damaged database can panic inside sled.
        let opened = std::panic::catch_unwind(|| {
            let db = sled::Config::new().path(dir).cache_capacity(CACHE_BYTES).flush_every_ms(None).open()?;
            let kept = read(&db)?;
            Ok::<_, Unusable>((db, kept))
        });
        match opened {
            Ok(Ok((db, (kept, check)))) => Ok((Snapshot { db, dir: dir.to_owned(), check }, kept)),
            Ok(Err(error)) => Err(error),
            Err(_) => Err(Unusable::Sled("it panicked while opening".to_owned())),
        }
    }

    /// An empty database; what was there is moved aside, kept for whoever wants to know what happened to it.
    pub fn anew(dir: &Path) -> Result<Snapshot, Unusable> {
        if dir.exists() {
            let aside = (1..).map(|n| dir.with_extension(format!("aside-{n}"))).find(|p| !p.exists());
            let aside = aside.unwrap_or_else(|| dir.with_extension("aside"));
            std::fs::rename(dir, &aside).map_err(|e| Unusable::Sled(e.to_string()))?;
        }
        Snapshot::open(dir).map(|(snapshot, _)| snapshot)
    }

    /// Takes this database away and begins an empty one.
    pub fn replace(self) -> Result<Snapshot, Unusable> {
        let dir = self.dir.clone();
        drop(self);
        Snapshot::anew(&dir)
    }

    /// Applies entries that are in the log, in one batch.
    pub fn put(&mut self, entries: &[Staged]) -> Result<(), Unusable> {
        let Some(last) = entries.last() else { return Ok(()) };
        let mut batch = Batch::default();
        let mut heads = std::collections::BTreeMap::new();
        let mut counters = std::collections::HashMap::new();
        for staged in entries {
            let index = staged.recorded.index;
            for link in &staged.links {
                let head = Head { count: link.ordinal + 1, index, hash: staged.hash };
                heads.insert(head_key(&link.subject), head_value(&head));
            }
            self.add(&mut batch, &index_key(b'l', index), &staged.hash.0);
            if staged.recorded.signature == SignatureState::Unchecked {
                self.add(&mut batch, &index_key(b'u', index), &[]);
            }
            for (device, run, place) in &staged.places {
                let counter = match counters.get(&(*device, *run)) {
                    Some(counter) => *counter,
                    None => self.next_counter(*device, *run)?,
                };
                counters.insert((*device, *run), counter + 1);
                self.add(&mut batch, &place_key(*device, *run, counter), &place_value(place));
            }
        }
        for (key, value) in heads {
            if let Some(old) = self.db.get(&key)? {
                xor(&mut self.check, &key, &old);
            }
            self.add(&mut batch, &key, &value);
        }
        batch.insert(META, meta(last, &self.check));
        self.db.apply_batch(batch)?;
        Ok(())
    }

    /// Hands everything to the file system; not a promise that it survives a power cut.
    pub fn flush(&self) -> Result<(), Unusable> {
        self.db.flush()?;
        Ok(())
    }

    fn add(&mut self, batch: &mut Batch, key: &[u8], value: &[u8]) {
        xor(&mut self.check, key, value);
        batch.insert(key, value);
    }

    fn next_counter(&self, device: Id, run: Id) -> Result<u64, Unusable> {
        let prefix = [b"p".as_slice(), &device.0, &run.0].concat();
        match self.db.scan_prefix(&prefix).keys().next_back() {
            Some(key) => u64_at(&key?, 33).map(|counter| counter + 1),
            None => Ok(0),
        }
    }
}

fn xor(check: &mut Hash, key: &[u8], value: &[u8]) {
    let digest = Hash::of_parts(&[key, &[0], value]);
    check.0.iter_mut().zip(digest.0).for_each(|(a, b)| *a ^= b);
}

fn index_key(letter: u8, index: u64) -> Vec<u8> {
    [&[letter][..], &index.to_be_bytes()].concat()
}

fn head_key(subject: &Subject) -> Vec<u8> {
    [&[b'h', subject.kind() as u8][..], subject.id()].concat()
}

fn head_value(head: &Head) -> Vec<u8> {
    [&head.count.to_be_bytes()[..], &head.index.to_be_bytes(), &head.hash.0].concat()
}

fn place_key(device: Id, run: Id, counter: u64) -> Vec<u8> {
    [b"p".as_slice(), &device.0, &run.0, &counter.to_be_bytes()].concat()
}

fn place_value(place: &Place) -> Vec<u8> {
    let held = match place.held {
        Held::Admitted => 0,
        Held::Lost => 255,
        Held::Refused(reason) => reason as u8,
    };
    [&place.index.to_be_bytes()[..], &place.digest.0, &[held]].concat()
}

fn meta(last: &Staged, check: &Hash) -> Vec<u8> {
    let applied = last.recorded.index + 1;
    [&applied.to_be_bytes()[..], &last.hash.0, &last.recorded.received_ms.to_be_bytes(), &check.0].concat()
}

fn read(db: &sled::Db) -> Result<(Kept, Hash), Unusable> {
    let mut kept = Kept::default();
    let mut heads = SubjectHeads::default();
    let mut check = Hash::ZERO;
    let mut found_meta = None;
    for item in db.iter() {
        let (key, value) = item?;
        if key == META {
            found_meta = Some(value);
            continue;
        }
        xor(&mut check, &key, &value);
        match key.first() {
            Some(b'h') => read_head(&mut heads, &key, &value)?,
            Some(b'l') if u64_at(&key, 1)? == kept.tree.size() => kept.tree.push(hash_at(&value, 0)?),
            Some(b'p') => read_place(&mut kept.runs, &key, &value)?,
            Some(b'u') => {
                kept.unchecked.insert(u64_at(&key, 1)?);
            }
            _ => return Err(Unusable::Misfit("a key that is none of ours, or out of order")),
        }
    }
    let Some(meta) = found_meta else {
        return if check == Hash::ZERO { Ok((kept, check)) } else { Err(Unusable::Misfit("entries without meta")) };
    };
    kept.applied = u64_at(&meta, 0)?;
    if hash_at(&meta, 48)? != check || kept.tree.size() != kept.applied {
        return Err(Unusable::Misfit("the check over its content"));
    }
    kept.chain = EntryChain::resume(kept.applied, hash_at(&meta, 8)?, u64_at(&meta, 40)?, heads);
    Ok((kept, check))
}

fn read_head(heads: &mut SubjectHeads, key: &[u8], value: &[u8]) -> Result<(), Unusable> {
    let misfit = Unusable::Misfit("a subject's head");
    let [_, kind, id @ ..] = key else { return Err(misfit) };
    let subject = Subject::from_parts((*kind).into(), id).ok_or(misfit)?;
    heads.restore(subject, Head { count: u64_at(value, 0)?, index: u64_at(value, 8)?, hash: hash_at(value, 16)? });
    Ok(())
}

fn read_place(runs: &mut Runs, key: &[u8], value: &[u8]) -> Result<(), Unusable> {
    let misfit = || Unusable::Misfit("a place in a run");
    let (device, run) = (key.get(1..17).and_then(Id::from_slice), key.get(17..33).and_then(Id::from_slice));
    let (device, run) = (device.ok_or_else(misfit)?, run.ok_or_else(misfit)?);
    let held = match value.get(40).ok_or_else(misfit)? {
        0 => Held::Admitted,
        255 => Held::Lost,
        reason => Held::Refused(RefusalReason::try_from(i32::from(*reason)).map_err(|_| misfit())?),
    };
    if u64_at(key, 33)? != runs.next_counter(device, run) {
        return Err(misfit());
    }
    runs.hold(device, run, Place { index: u64_at(value, 0)?, digest: hash_at(value, 8)?, held });
    Ok(())
}

fn u64_at(bytes: &[u8], at: usize) -> Result<u64, Unusable> {
    let part = bytes.get(at..at + 8).ok_or(Unusable::Misfit("a value is too short"))?;
    Ok(u64::from_be_bytes(part.try_into().expect("eight bytes")))
}

fn hash_at(bytes: &[u8], at: usize) -> Result<Hash, Unusable> {
    bytes.get(at..at + 32).and_then(Hash::from_slice).ok_or(Unusable::Misfit("a value is too short"))
}
