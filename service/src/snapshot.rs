//! What sled keeps: how far the log was checked, so that a start need not check those signatures again. Registers are taken
//! up to there and no further.
//!
//! | key | value |
//! |---|---|
//! | `checked` | u64 entries, leaf hash of the last of them, SHA-256 of these 40 bytes |
//!
//! Integers are big-endian. Each entry names the hash of the one before: where the last hash is the log's, all entries
//! before it are the ones that were checked. sled does not promise that a write survives a power cut, nor that what it
//! reads is what was written: what does not fit is moved aside and the log checked anew.

use std::path::{Path, PathBuf};
use std::sync::mpsc::{self, SyncSender, TrySendError};
use std::thread::JoinHandle;

use rinsebook_proto::bytes::Hash;

use crate::whole;

const CHECKED: &[u8] = b"checked";
const CACHE_BYTES: u64 = 1 << 20;

/// How far a start may go on without checking signatures.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub struct Kept {
    /// Entries below this index were checked.
    pub checked: u64,
    /// The leaf hash of the last of them.
    pub last: Hash,
}

/// The open database.
pub struct Snapshot {
    db: sled::Db,
    dir: PathBuf,
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
            Ok(Ok((db, kept))) => Ok((Snapshot { db, dir: dir.to_owned() }, kept)),
            Ok(Err(error)) => Err(error),
            Err(_) => Err(Unusable::Sled("it panicked while opening".to_owned())),
        }
    }

    /// An empty database; what was there is moved aside, kept for whoever wants to know what happened to it.
    pub fn anew(dir: &Path) -> Result<Snapshot, Unusable> {
        if dir.exists() {
            whole::put_aside(dir).map_err(|e| Unusable::Sled(e.to_string()))?;
        }
        Snapshot::open(dir).map(|(snapshot, _)| snapshot)
    }

    /// Takes this database away and begins an empty one.
    pub fn replace(self) -> Result<Snapshot, Unusable> {
        let dir = self.dir.clone();
        drop(self);
        Snapshot::anew(&dir)
    }

    /// Keeps how far the log is checked; of what is in the log alone.
    pub fn put(&self, kept: &Kept) -> Result<(), Unusable> {
        let told = [&kept.checked.to_be_bytes()[..], &kept.last.0].concat();
        self.db.insert(CHECKED, [&told[..], &Hash::of(&told).0].concat())?;
        Ok(())
    }

    /// Hands everything to the file system; not a promise that it survives a power cut.
    pub fn flush(&self) -> Result<(), Unusable> {
        self.db.flush()?;
        Ok(())
    }
}

/// Who tells sled: the caller, or a thread beside a running service, since a flush takes as long as the disk is busy.
pub struct Keeper {
    here: Option<Snapshot>,
    beside: Option<SyncSender<Kept>>,
    thread: Option<JoinHandle<()>>,
}

impl Keeper {
    /// Tells this database.
    pub fn new(snapshot: Snapshot, beside: bool) -> Keeper {
        if !beside {
            return Keeper { here: Some(snapshot), beside: None, thread: None };
        }
        let (told, kept) = mpsc::sync_channel(1);
        let keep = move || {
            let _no_more = kept.into_iter().try_for_each(|kept| keep(&snapshot, &kept));
        };
        let thread = std::thread::Builder::new().name("snapshot".to_owned()).spawn(keep).ok();
        Keeper { here: None, beside: Some(told), thread }
    }

    /// Has it kept; false where the one before is not kept yet.
    pub fn put(&mut self, kept: Kept) -> bool {
        self.here = self.here.take().filter(|snapshot| keep(snapshot, &kept).is_some());
        let told = self.beside.as_ref().map(|told| told.try_send(kept));
        !matches!(told, Some(Err(TrySendError::Full(_))))
    }

    /// Has this kept in the end, and waits until it is.
    pub fn end(self, last: Option<Kept>) {
        let Some(last) = last else { return };
        if let Some(snapshot) = &self.here {
            keep(snapshot, &last);
        }
        // A thread that has ended has said why.
        let _ = self.beside.as_ref().map(|told| told.send(last));
    }
}

impl Drop for Keeper {
    /// The database is closed then: another start may open it.
    fn drop(&mut self) {
        self.beside = None;
        if let Some(thread) = self.thread.take() {
            // A panic in it was said where it happened; sled is built anew where it left something amiss.
            let _ = thread.join();
        }
    }
}

/// What sled cannot take is not lost: it is in the log. None: it takes no more, and is built anew at the next start.
fn keep(snapshot: &Snapshot, kept: &Kept) -> Option<()> {
    let done = snapshot.put(kept).and_then(|()| snapshot.flush());
    done.inspect_err(|error| tracing::warn!(%error, "sled takes no more; it is built anew at the next start")).ok()
}

fn read(db: &sled::Db) -> Result<Kept, Unusable> {
    let mut kept = Kept::default();
    for item in db.iter() {
        let (key, value) = item?;
        if key != CHECKED {
            return Err(Unusable::Misfit("a key that is none of ours"));
        }
        kept = parse(&value).ok_or(Unusable::Misfit("the check over its content"))?;
    }
    Ok(kept)
}

fn parse(value: &[u8]) -> Option<Kept> {
    let (told, check) = value.split_at_checked(40)?;
    let (checked, last) = told.split_first_chunk()?;
    let kept = Kept { checked: u64::from_be_bytes(*checked), last: Hash::from_slice(last)? };
    (Hash::of(told).0 == check).then_some(kept)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_was_kept_comes_back_and_an_altered_or_foreign_value_does_not() {
        let dir = tempfile::tempdir().unwrap();
        let kept = Kept { checked: 7, last: Hash([9; 32]) };
        let (snapshot, empty) = Snapshot::open(dir.path()).unwrap();
        assert_eq!(empty, Kept::default());
        snapshot.put(&kept).unwrap();
        assert_eq!(read(&snapshot.db).unwrap(), kept);
        let mut altered = snapshot.db.get(CHECKED).unwrap().unwrap().to_vec();
        for at in 0..altered.len() {
            altered[at] ^= 1;
            assert_eq!(parse(&altered), None, "byte {at}");
            altered[at] ^= 1;
        }
        snapshot.db.insert(b"meta", b"of another form").unwrap();
        assert!(matches!(read(&snapshot.db), Err(Unusable::Misfit(_))));
    }
}
