//! Annex and attachment bytes beside the log, by digest: one file each, written once, synced before anything that names
//! it is acknowledged. A file holds one byte with the salt's length (0 or 16), the salt, the content.
//!
//! An annex's digest names an attachment too: its salt and content as one content, without a salt. Both forms can be
//! kept, the second one beside the first under a name with `.annex` or `.attachment`; each fact gets the form that it
//! names, and whoever brings the wrong one first keeps nobody from bringing the right one.
//!
//! What a custodian erased is neither kept nor given out again, whoever brings it.

use std::collections::BTreeMap;
use std::io::{ErrorKind, Read};
use std::path::{Path, PathBuf};
use std::sync::{Arc, RwLock};

use rinsebook_proto::bytes::{Hash, Id};
use rinsebook_proto::fact::BlobNamed;
use rinsebook_proto::pack::MAX_BLOB_BYTES;
use rinsebook_proto::rules::erasures::Erasure;

use crate::error::{CallError, ServiceError};
use crate::whole;

/// The folder of blobs.
#[derive(Debug, Clone)]
pub struct Blobs {
    dir: PathBuf,
    /// Read as long as a blob is being written: what is erased meanwhile is found, and removed, after that.
    erased: Arc<RwLock<BTreeMap<Hash, Erasure>>>,
}

/// A blob as kept.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Blob {
    /// 16 bytes for an annex, none for an attachment.
    pub salt: Vec<u8>,
    /// The bytes.
    pub content: Vec<u8>,
}

impl Blob {
    /// What facts name it by: SHA-256(salt ‖ content).
    pub fn digest(&self) -> Hash {
        Hash::of_parts(&[&self.salt, &self.content])
    }

    /// What it is, as facts name it.
    fn named(&self) -> BlobNamed {
        if self.salt.is_empty() { BlobNamed::Attachment(self.digest()) } else { BlobNamed::Annex(self.digest()) }
    }
}

impl Blobs {
    /// Opens or makes the folder, and clears what unfinished writes left: it may be what a custodian erases later.
    pub fn open(dir: &Path) -> Result<Blobs, ServiceError> {
        std::fs::create_dir_all(dir).map_err(ServiceError::file(format!("cannot make {}", dir.display())))?;
        clear_parts(dir).map_err(ServiceError::file(format!("cannot clear {}", dir.display())))?;
        Ok(Blobs { dir: dir.to_owned(), erased: Arc::default() })
    }

    /// Keeps a blob, synced when this returns; one that is there already stays as it is.
    pub fn keep(&self, blob: &Blob) -> Result<Hash, CallError> {
        if blob.content.len() > MAX_BLOB_BYTES {
            let why = format!("{} bytes are more than 1 MiB", blob.content.len());
            return Err(CallError::Field { field: "blobs.content", why });
        }
        if blob.content.is_empty() {
            return Err(CallError::Field { field: "blobs.content", why: "it is empty".to_owned() });
        }
        if !matches!(blob.salt.len(), 0 | 16) {
            return Err(CallError::Field { field: "blobs.salt", why: "a salt has 16 bytes, or none".to_owned() });
        }
        let (digest, named) = (blob.digest(), blob.named());
        let erased = self.erased.read().expect("no holder of this lock panics");
        // An attachment that is kept stays what it is, whatever was said of its digest.
        let kept = self.holds(named);
        let stays = blob.salt.is_empty() && kept;
        if let Some(erasure) = erased.get(&digest).filter(|_| !stays) {
            tracing::warn!(%digest, entry = erasure.index, "an erased annex was brought again, and is not kept");
            return Err(CallError::erased(erasure));
        }
        if !kept {
            // The station keeps the blob and sends it again.
            let path = self.path(&digest);
            let path = if path.is_file() { self.beside(named) } else { path };
            self.write(&path, blob).map_err(|error| {
                tracing::error!(%digest, %error, "a blob could not be kept");
                CallError::of_disk(&error)
            })?;
        }
        Ok(digest)
    }

    fn write(&self, path: &Path, blob: &Blob) -> std::io::Result<()> {
        // Written under a name of its own, then renamed: a blob is there whole or not at all.
        let part = self.dir.join(format!("{}.{}.part", blob.digest(), Id::random()));
        let salt_bytes = u8::try_from(blob.salt.len()).map_err(std::io::Error::other)?;
        whole::write(&part, path, &[&[salt_bytes][..], &blob.salt, &blob.content])
    }

    /// Whether it is kept in the form in which it is named.
    pub fn holds(&self, named: BlobNamed) -> bool {
        self.file(named).is_some()
    }

    /// Whether it is kept in the other form only.
    pub fn holds_other_form(&self, named: BlobNamed) -> bool {
        !self.holds(named) && self.path(&named.digest()).is_file()
    }

    /// The file of a blob in this form. One that is there and cannot be read counts as kept: reading it tells why.
    fn file(&self, named: BlobNamed) -> Option<PathBuf> {
        let path = self.path(&named.digest());
        let beside = || Some(self.beside(named)).filter(|path| path.is_file());
        match salt_bytes(&path) {
            Ok(salt_bytes) if usize::from(salt_bytes) == named.salt_bytes() => Some(path),
            Err(error) if error.kind() != ErrorKind::NotFound && path.is_file() => Some(path),
            Ok(_) | Err(_) => beside(),
        }
    }

    /// Where the second form of a digest lies.
    fn beside(&self, named: BlobNamed) -> PathBuf {
        let form = if named.salt_bytes() == 0 { "attachment" } else { "annex" };
        self.dir.join(format!("{}.{form}", named.digest()))
    }

    /// Whether a custodian erased it, and their word. An attachment that is kept is not erased, whatever was said.
    pub fn erased(&self, digest: &Hash) -> Option<Erasure> {
        self.erased.read().expect("no holder of this lock panics").get(digest).cloned()
    }

    /// All that is erased.
    pub fn all_erased(&self) -> Vec<Erasure> {
        self.erased.read().expect("no holder of this lock panics").values().cloned().collect()
    }

    /// From now on these are erased, and no others: their files go, and the folder is synced. How many went, and what
    /// could not be done. An attachment's file stays.
    pub fn erase(&self, erased: Vec<Erasure>) -> (u64, std::io::Result<()>) {
        let digests: Vec<Hash> = erased.iter().map(|erasure| erasure.digest).collect();
        let erased = erased.into_iter().map(|erasure| (erasure.digest, erasure)).collect();
        *self.erased.write().expect("no holder of this lock panics") = erased;
        let (mut removed, mut failed) = (0, None);
        for digest in digests {
            for path in [self.path(&digest), self.beside(BlobNamed::Annex(digest))] {
                match remove_annex(&path) {
                    Ok(true) => removed += 1,
                    Ok(false) => {}
                    Err(error) => failed = Some(error),
                }
            }
        }
        if removed > 0
            && let Err(error) = std::fs::File::open(&self.dir).and_then(|dir| dir.sync_all())
        {
            failed = Some(error);
        }
        (removed, failed.map_or(Ok(()), Err))
    }

    /// Reads a blob in whichever form came first; see [`Blobs::read_as`].
    pub fn read(&self, digest: &Hash) -> Option<Blob> {
        self.read_file(digest, &self.path(digest))
    }

    /// Reads a blob in the form in which it is named; none where it is not kept so, was erased, or its bytes are not those
    /// that the digest names.
    pub fn read_as(&self, named: BlobNamed) -> Option<Blob> {
        self.read_file(&named.digest(), &self.file(named)?).filter(|blob| blob.salt.len() == named.salt_bytes())
    }

    fn read_file(&self, digest: &Hash, path: &Path) -> Option<Blob> {
        let bytes = std::fs::read(path).ok()?;
        let (&salt_bytes, rest) = bytes.split_first()?;
        let (salt, content) = rest.split_at_checked(salt_bytes.into())?;
        let blob = Blob { salt: salt.to_vec(), content: content.to_vec() };
        if blob.digest() == *digest {
            // An annex may lie there still, or again, until the next start.
            return Some(blob).filter(|blob| blob.salt.is_empty() || self.erased(digest).is_none());
        }
        tracing::error!(%digest, "a kept blob has other bytes than its digest names; restore it from a backup");
        None
    }

    fn path(&self, digest: &Hash) -> PathBuf {
        self.dir.join(digest.to_string())
    }
}

/// Takes an annex away; false where there is none. Only an annex has a salt.
fn remove_annex(path: &Path) -> std::io::Result<bool> {
    match salt_bytes(path) {
        Ok(0) => return Ok(false),
        Err(error) if error.kind() == ErrorKind::NotFound => return Ok(false),
        // What cannot be read goes all the same: it may be the annex.
        Ok(_) | Err(_) => {}
    }
    std::fs::remove_file(path).map(|()| true)
}

/// The first byte of a blob's file.
fn salt_bytes(path: &Path) -> std::io::Result<u8> {
    let mut byte = [0];
    std::fs::File::open(path)?.read_exact(&mut byte)?;
    Ok(byte[0])
}

fn clear_parts(dir: &Path) -> std::io::Result<()> {
    for entry in std::fs::read_dir(dir)? {
        let path = entry?.path();
        if path.extension().is_some_and(|extension| extension == "part") {
            std::fs::remove_file(path)?;
        }
    }
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::*;

    fn erasure(digest: Hash) -> Erasure {
        Erasure {
            digest,
            fact: Hash::ZERO,
            index: 7,
            at_ms: 1_000,
            by: Id([5; 16]),
            reason: "asked for".to_owned(),
            attachment: false,
            signer: None,
            clock_unsure: false,
        }
    }

    #[test]
    fn an_erased_annex_goes_is_not_taken_again_and_not_given_out_when_put_back() {
        let dir = tempfile::tempdir().unwrap();
        let blobs = Blobs::open(dir.path()).unwrap();
        let blob = Blob { salt: vec![1; 16], content: b"a name".to_vec() };
        let digest = blobs.keep(&blob).unwrap();
        let file = dir.path().join(digest.to_string());
        let copy = std::fs::read(&file).unwrap();
        let (removed, done) = blobs.clone().erase(vec![erasure(digest)]);
        done.unwrap();
        assert_eq!((removed, file.exists()), (1, false));
        assert!(matches!(blobs.keep(&blob), Err(CallError::Erased { index: 7, .. })));
        let unsalted = Blob { salt: vec![], content: [vec![1; 16], b"a name".to_vec()].concat() };
        assert!(blobs.keep(&unsalted).is_err(), "not as an attachment either");
        std::fs::write(&file, copy).unwrap();
        assert_eq!(blobs.read(&digest), None);
    }

    #[test]
    fn what_is_no_longer_erased_is_kept_again_and_an_attachment_is_never_taken_away() {
        let dir = tempfile::tempdir().unwrap();
        let blobs = Blobs::open(dir.path()).unwrap();
        let (name, text) = (
            Blob { salt: vec![1; 16], content: b"a name".to_vec() },
            Blob { salt: vec![], content: b"a procedure".to_vec() },
        );
        blobs.keep(&text).unwrap();
        blobs.erase(vec![erasure(name.digest()), erasure(text.digest())]).1.unwrap();
        assert_eq!(blobs.read(&text.digest()), Some(text));
        assert!(blobs.keep(&name).is_err());
        blobs.erase(vec![]).1.unwrap();
        assert!(blobs.keep(&name).is_ok());
    }

    #[test]
    fn what_an_unfinished_write_left_is_cleared_at_the_next_start() {
        let dir = tempfile::tempdir().unwrap();
        let part = dir.path().join(format!("{}.{}.part", Hash::of(b"x"), Id([1; 16])));
        std::fs::write(&part, b"a name").unwrap();
        Blobs::open(dir.path()).unwrap();
        assert!(!part.exists());
    }

    #[test]
    fn a_blob_is_kept_once_and_read_back_by_digest() {
        let dir = tempfile::tempdir().unwrap();
        let blobs = Blobs::open(dir.path()).unwrap();
        let blob = Blob { salt: vec![1; 16], content: b"a name".to_vec() };
        let digest = blobs.keep(&blob).unwrap();
        assert_eq!(blobs.keep(&blob).unwrap(), digest);
        assert_eq!(blobs.read(&digest), Some(blob));
        assert_eq!(std::fs::read_dir(dir.path()).unwrap().count(), 1);
    }

    #[test]
    fn both_forms_of_one_digest_are_kept_whichever_comes_first_and_only_the_annex_is_erased() {
        let annex = Blob { salt: vec![1; 16], content: b"a name".to_vec() };
        let attachment = Blob { salt: vec![], content: [vec![1; 16], b"a name".to_vec()].concat() };
        for (first, second) in [(&annex, &attachment), (&attachment, &annex)] {
            let dir = tempfile::tempdir().unwrap();
            let blobs = Blobs::open(dir.path()).unwrap();
            let digest = blobs.keep(first).unwrap();
            assert!(blobs.holds(first.named()) && !blobs.holds(second.named()));
            assert!(blobs.holds_other_form(second.named()));
            assert_eq!(blobs.keep(second).unwrap(), digest);
            assert!(!blobs.holds_other_form(second.named()));
            for blob in [first, second] {
                assert_eq!(blobs.read_as(blob.named()).as_ref(), Some(blob));
            }
            assert_eq!(blobs.read(&digest).as_ref(), Some(first));
            let (removed, done) = blobs.erase(vec![erasure(digest)]);
            done.unwrap();
            assert_eq!((removed, blobs.holds(annex.named())), (1, false));
            assert_eq!(blobs.read_as(attachment.named()).as_ref(), Some(&attachment));
        }
    }

    #[test]
    fn a_blob_is_neither_empty_nor_above_its_limit_nor_salted_otherwise_than_with_16_bytes() {
        let dir = tempfile::tempdir().unwrap();
        let blobs = Blobs::open(dir.path()).unwrap();
        for (salt, content) in
            [(0, 0), (16, 0), (0, MAX_BLOB_BYTES + 1), (15, 9), (17, 9), (255, 9), (256, 9), (272, 9)]
        {
            let told = blobs.keep(&Blob { salt: vec![1; salt], content: vec![2; content] });
            assert!(matches!(told, Err(CallError::Field { .. })), "{salt} and {content}: {told:?}");
        }
        for (salt, content) in [(0, 1), (16, 1), (0, MAX_BLOB_BYTES), (16, MAX_BLOB_BYTES)] {
            blobs.keep(&Blob { salt: vec![1; salt], content: vec![2; content] }).unwrap();
        }
    }

    #[test]
    fn a_blob_with_altered_bytes_is_not_given_out() {
        let dir = tempfile::tempdir().unwrap();
        let blobs = Blobs::open(dir.path()).unwrap();
        let digest = blobs.keep(&Blob { salt: vec![], content: b"a procedure".to_vec() }).unwrap();
        std::fs::write(dir.path().join(digest.to_string()), b"\0another").unwrap();
        assert_eq!(blobs.read(&digest), None);
    }
}
