//! Annex and attachment bytes beside the log, by digest: one file each, written once, synced before anything that names
//! it is acknowledged. A file holds one byte with the salt's length (0 or 16), the salt, the content.

use std::io::Write;
use std::path::{Path, PathBuf};

use rinsebook_proto::bytes::{Hash, Id};

use crate::error::{CallError, ServiceError};

/// The largest blob.
pub const MAX_BLOB_BYTES: usize = 1 << 20;

/// The folder of blobs.
#[derive(Debug, Clone)]
pub struct Blobs {
    dir: PathBuf,
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
}

impl Blobs {
    /// Opens or makes the folder.
    pub fn open(dir: &Path) -> Result<Blobs, ServiceError> {
        std::fs::create_dir_all(dir).map_err(ServiceError::file(format!("cannot make {}", dir.display())))?;
        Ok(Blobs { dir: dir.to_owned() })
    }

    /// Keeps a blob, synced when this returns; one that is there already stays as it is.
    pub fn keep(&self, blob: &Blob) -> Result<Hash, CallError> {
        if blob.content.len() > MAX_BLOB_BYTES {
            let why = format!("{} bytes are more than 1 MiB", blob.content.len());
            return Err(CallError::Field { field: "blobs.content", why });
        }
        if !matches!(blob.salt.len(), 0 | 16) {
            return Err(CallError::Field { field: "blobs.salt", why: "a salt has 16 bytes, or none".to_owned() });
        }
        let digest = blob.digest();
        if !self.has(&digest) {
            // The only writes that fail in practice are for want of space; the station keeps the blob and sends it again.
            self.write(&digest, blob).map_err(|error| {
                tracing::error!(%digest, %error, "a blob could not be kept");
                CallError::DiskFull
            })?;
        }
        Ok(digest)
    }

    fn write(&self, digest: &Hash, blob: &Blob) -> std::io::Result<()> {
        // Written under a name of its own, then renamed: a blob is there whole or not at all.
        let part = self.dir.join(format!("{digest}.{}.part", Id::random()));
        let mut file = std::fs::File::create(&part)?;
        let written = file
            .write_all(&[blob.salt.len() as u8])
            .and_then(|()| file.write_all(&blob.salt))
            .and_then(|()| file.write_all(&blob.content))
            .and_then(|()| file.sync_all())
            .and_then(|()| std::fs::rename(&part, self.path(digest)))
            .and_then(|()| std::fs::File::open(&self.dir)?.sync_all());
        if written.is_err() {
            // Nothing is lost by leaving the part: it is never read. Removing it gives its space back.
            let _ = std::fs::remove_file(&part);
        }
        written
    }

    /// Whether it is kept.
    pub fn has(&self, digest: &Hash) -> bool {
        self.path(digest).is_file()
    }

    /// Reads a blob; none where it is not kept or its bytes are not those that the digest names.
    pub fn read(&self, digest: &Hash) -> Option<Blob> {
        let bytes = std::fs::read(self.path(digest)).ok()?;
        let (&salt_bytes, rest) = bytes.split_first()?;
        let (salt, content) = rest.split_at_checked(salt_bytes.into())?;
        let blob = Blob { salt: salt.to_vec(), content: content.to_vec() };
        if blob.digest() == *digest {
            return Some(blob);
        }
        tracing::error!(%digest, "a kept blob has other bytes than its digest names; restore it from a backup");
        None
    }

    fn path(&self, digest: &Hash) -> PathBuf {
        self.dir.join(digest.to_string())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

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
    fn a_blob_with_altered_bytes_is_not_given_out() {
        let dir = tempfile::tempdir().unwrap();
        let blobs = Blobs::open(dir.path()).unwrap();
        let digest = blobs.keep(&Blob { salt: vec![], content: b"a procedure".to_vec() }).unwrap();
        std::fs::write(dir.path().join(digest.to_string()), b"\0another").unwrap();
        assert_eq!(blobs.read(&digest), None);
    }
}
