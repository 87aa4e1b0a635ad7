//! What facts name beside the log: annexes and attachments, by digest, one file each. A file holds one byte with the
//! salt's length (16 for an annex, 0 for an attachment), the salt, the content; the digest is SHA-256(salt ‖ content). Where
//! one digest is kept in both forms, the second file's name ends in `.annex` or `.attachment`.

use std::collections::BTreeMap;
use std::io::{ErrorKind, Read};
use std::path::{Path, PathBuf};

use rinsebook_proto::bytes::Hash;
use rinsebook_proto::fact::{BlobNamed, Kind, blobs_named};
use rinsebook_proto::rules::erasures::{Effect, Erasures};

use super::erased::Annexes;
use super::outcome::{BlobCounts, Fault};

/// The longest salt and content, with the byte before them.
const MAX_FILE_BYTES: u64 = 1 + 16 + (1 << 20);

/// See the module.
#[derive(Debug)]
pub(super) struct Blobs {
    dir: PathBuf,
    /// Annexes that are not there, with the first entry that names them: good if an erasure says so.
    missing: BTreeMap<Hash, u64>,
    held: u64,
    /// The first that could not be read: no verdict then, unless something else is bad.
    unreadable: Option<String>,
}

enum Found {
    Held,
    Missing,
    Other,
}

impl Blobs {
    pub(super) fn new(dir: &Path) -> Blobs {
        Blobs { dir: dir.to_owned(), missing: BTreeMap::new(), held: 0, unreadable: None }
    }

    /// Checks what the fact at this index names.
    pub(super) fn named(&mut self, index: u64, kind: &Kind) -> Result<(), String> {
        for blob in blobs_named(kind) {
            let digest = blob.digest();
            match (self.find(blob), blob) {
                (Ok(Found::Held), _) => self.held += 1,
                (Ok(Found::Missing), BlobNamed::Annex(_)) => {
                    self.missing.entry(digest).or_insert(index);
                }
                (Ok(Found::Missing), BlobNamed::Attachment(_)) => {
                    return Err(format!("the attachment {digest} that it names is not there"));
                }
                (Ok(Found::Other), _) => {
                    return Err(format!("the file {digest} holds other bytes than the fact names"));
                }
                (Err(error), _) => {
                    self.unreadable
                        .get_or_insert_with(|| format!("{}: {error}", self.dir.join(digest.to_string()).display()));
                }
            }
        }
        Ok(())
    }

    fn find(&self, blob: BlobNamed) -> std::io::Result<Found> {
        match look(&self.dir.join(blob.digest().to_string()), blob)? {
            Found::Other => Ok(match look(&self.beside(blob), blob)? {
                Found::Held => Found::Held,
                Found::Missing | Found::Other => Found::Other,
            }),
            found => Ok(found),
        }
    }

    /// Where it lies if the other form came before it.
    fn beside(&self, blob: BlobNamed) -> PathBuf {
        let form = if blob.salt_bytes() == 0 { "attachment" } else { "annex" };
        self.dir.join(format!("{}.{form}", blob.digest()))
    }

    /// What it comes to, once every fact was seen.
    pub(super) fn finish(mut self, erasures: &Erasures, keep_years: u32) -> Result<BlobCounts, Fault> {
        let before = self.missing.len();
        let gone = erasures.effective(keep_years);
        self.missing.retain(|digest, _| !gone.contains_key(digest));
        let erased = (before - self.missing.len()) as u64;
        if let Some((digest, index)) = self.missing.iter().min_by_key(|(_, index)| **index) {
            return Err(Fault::Bad {
                check: "blob",
                part: "blob",
                index: Some(*index),
                file: None,
                offset: None,
                why: format!(
                    "the annex {digest} that it names is not there, and {}",
                    unexcused(digest, erasures, keep_years)
                ),
            });
        }
        match self.unreadable {
            Some(why) => Err(Fault::CouldNot(format!("a blob could not be read: {why}"))),
            None => Ok(BlobCounts { held: self.held, erased }),
        }
    }
}

fn look(path: &Path, blob: BlobNamed) -> std::io::Result<Found> {
    let file = match std::fs::File::open(path) {
        Ok(file) => file,
        Err(error) if error.kind() == ErrorKind::NotFound => return Ok(Found::Missing),
        Err(error) => return Err(error),
    };
    let mut bytes = Vec::new();
    // One byte more than may be there is enough to tell that it is too long.
    file.take(MAX_FILE_BYTES + 1).read_to_end(&mut bytes)?;
    let good = bytes.len() as u64 <= MAX_FILE_BYTES
        && bytes.len() > blob.salt_bytes()
        && usize::from(bytes[0]) == blob.salt_bytes()
        && Hash::of(&bytes[1..]) == blob.digest();
    Ok(if good { Found::Held } else { Found::Other })
}

/// Why no erasure accounts for it.
fn unexcused(digest: &Hash, erasures: &Erasures, keep_years: u32) -> String {
    let asked = erasures.all().iter().find(|e| e.digest == *digest && e.effect(keep_years) != Effect::Erased);
    match asked.and_then(|e| Some((e.index, e.why_not(keep_years)?))) {
        Some((index, why)) => format!("the erasure of entry {index} is without effect: {why}"),
        None => "no fact says that it was erased".to_owned(),
    }
}

impl Annexes for Blobs {
    fn there(&self, digest: &Hash) -> Option<bool> {
        Some(self.dir.join(digest.to_string()).is_file())
    }

    fn text(&self, digest: &Hash) -> Option<String> {
        let annex = BlobNamed::Annex(*digest);
        let paths = [self.dir.join(digest.to_string()), self.beside(annex)];
        let held = paths.iter().find(|path| matches!(look(path, annex), Ok(Found::Held)))?;
        let bytes = std::fs::read(held).ok()?;
        String::from_utf8(bytes.get(17..)?.to_vec()).ok()
    }
}

/// No folder was given.
pub(super) struct Nowhere;

impl Annexes for Nowhere {
    fn there(&self, _: &Hash) -> Option<bool> {
        None
    }

    fn text(&self, _: &Hash) -> Option<String> {
        None
    }
}
