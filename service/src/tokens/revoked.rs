//! Tokens taken back before they expired: `keys/revoked`, one token id a line. Lines are only ever added.

use std::collections::HashSet;
use std::io::Write;
use std::os::unix::fs::OpenOptionsExt;
use std::path::{Path, PathBuf};
use std::sync::RwLock;

use super::is_plain;
use crate::error::ServiceError;

/// What was revoked, as far as it was read.
pub struct Revoked {
    file: PathBuf,
    ids: RwLock<HashSet<String>>,
}

impl Revoked {
    /// Reads the list below the folder of keys; where there is none, nothing was revoked.
    pub fn open(keys_dir: &Path) -> Result<Revoked, ServiceError> {
        let file = file(keys_dir);
        let ids = RwLock::new(read(&file)?);
        Ok(Revoked { file, ids })
    }

    /// Reads the list again; one that cannot be read leaves the old one in force.
    pub fn reload(&self) -> Result<(), ServiceError> {
        let ids = read(&self.file)?;
        *self.ids.write().expect("no holder of this lock panics") = ids;
        Ok(())
    }

    /// Whether the token of this id was revoked.
    pub fn has(&self, token_id: &str) -> bool {
        self.ids.read().expect("no holder of this lock panics").contains(token_id)
    }
}

/// Adds a token id to the list, synced; a service that runs takes note of it on SIGHUP.
pub fn revoke(keys_dir: &Path, token_id: &str) -> Result<(), ServiceError> {
    let token_id = token_id.trim();
    // A token has dots, an id of ours has not: whoever gives the token itself is told so before it lies in a file.
    if token_id.is_empty() || token_id.contains('.') || !is_plain(token_id) {
        let why = "it is no token id; give the id that issue-token told, not the token".to_owned();
        return Err(ServiceError::Key { what: "the token id".to_owned(), why });
    }
    std::fs::create_dir_all(keys_dir).map_err(ServiceError::file(format!("cannot make {}", keys_dir.display())))?;
    let file = file(keys_dir);
    let append = || -> std::io::Result<()> {
        let mut out = std::fs::OpenOptions::new().append(true).create(true).mode(0o600).open(&file)?;
        out.write_all(format!("{token_id}\n").as_bytes())?;
        out.sync_all()?;
        std::fs::File::open(keys_dir)?.sync_all()
    };
    append().map_err(ServiceError::file(format!("cannot write {}", file.display())))
}

fn file(keys_dir: &Path) -> PathBuf {
    keys_dir.join("revoked")
}

fn read(file: &Path) -> Result<HashSet<String>, ServiceError> {
    match std::fs::read_to_string(file) {
        Ok(text) => Ok(text.lines().map(|line| line.trim().to_owned()).collect()),
        Err(e) if e.kind() == std::io::ErrorKind::NotFound => Ok(HashSet::new()),
        Err(source) => Err(ServiceError::File { what: format!("cannot read {}", file.display()), source }),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_is_revoked_is_known_after_the_list_is_read_again() {
        let dir = tempfile::tempdir().unwrap();
        let revoked = Revoked::open(dir.path()).unwrap();
        revoke(dir.path(), "one").unwrap();
        revoke(dir.path(), " two \n").unwrap();
        assert!(!revoked.has("one"));
        revoked.reload().unwrap();
        assert!(revoked.has("one") && revoked.has("two") && !revoked.has("three") && !revoked.has(""));
    }

    #[test]
    fn a_token_given_instead_of_its_id_is_not_written_anywhere() {
        let dir = tempfile::tempdir().unwrap();
        for bad in ["aaa.bbb.ccc", "", "  ", "one\ntwo"] {
            let told = revoke(dir.path(), bad).unwrap_err().to_string();
            assert!(!told.contains("bbb"), "{told}");
        }
        assert!(!dir.path().join("revoked").exists());
    }
}
