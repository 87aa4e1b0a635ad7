//! A copy of the data folder, made while the service runs: the log up to its last whole group, then everything else that
//! `restore` puts back. What sled keeps is left out; it is derived again.
//!
//! ```text
//! audits  ─►  log (synced, copied, read back)  ─►  blobs  ─►  keys, authority, why nothing is recorded  ─►  renamed to its place
//! ```
//!
//! The order matters: a blob is kept before the fact that names it is recorded, and a key is made before the fact that
//! names it; and an audit that was handed in is of no more entries than the log had before. What a custodian erased meanwhile is not in the copy; what they erased later goes when the fact that says so
//! comes back from their desk.

use std::fs::{DirBuilder, File};
use std::io::ErrorKind;
use std::os::unix::fs::DirBuilderExt;
use std::path::{Path, PathBuf};

use rinsebook_proto::journal::{self, Group, Kind, RealDisk};
use rinsebook_proto::tree::leaf_hash;

use crate::config::Config;
use crate::error::ServiceError;

/// What a copy holds.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Backup {
    /// Entries of the log.
    pub entries: u64,
    /// Files beside the log.
    pub files: u64,
}

/// Copies the data folder of this configuration to `to`, which must not exist; its name stands there once all is synced.
///
/// # Errors
/// The target exists, the log is damaged, something cannot be read or written. What was copied is left beside the target,
/// under its name and `.unfinished`; it is taken away by the next try.
pub fn backup(config: &Config, to: &Path) -> Result<Backup, ServiceError> {
    let failed = |what: &str| ServiceError::file(format!("{what} {}", to.display()));
    if to.exists() {
        return Err(failed("there is something at")(ErrorKind::AlreadyExists.into()));
    }
    let unfinished = unfinished(to);
    match std::fs::remove_dir_all(&unfinished) {
        Err(error) if error.kind() != ErrorKind::NotFound => return Err(failed("cannot clear what is beside")(error)),
        _ => {}
    }
    // Keys lie in it.
    DirBuilder::new().mode(0o700).create(&unfinished).map_err(failed("cannot make a folder beside"))?;
    let mut files = copy(&config.data.join("audits"), &unfinished.join("audits")).map_err(failed("cannot copy to"))?;
    let last_hash = |group: &Group| {
        let last = group.records.last().ok_or("a group has no entries")?;
        Ok::<_, &str>(leaf_hash(last).0)
    };
    let scan = journal::copy(&RealDisk, &config.log_dir(), &unfinished.join("log"), Kind::Log, last_hash)?;
    for folder in ["blobs", "keys", "authority"] {
        files += copy(&config.data.join(folder), &unfinished.join(folder)).map_err(failed("cannot copy to"))?;
    }
    files += copy_file(&config.data.join("not-recording"), &unfinished.join("not-recording"))
        .map_err(failed("cannot copy to"))?;
    let put = || {
        File::open(&unfinished)?.sync_all()?;
        std::fs::rename(&unfinished, to)?;
        let above = to.parent().filter(|above| !above.as_os_str().is_empty()).unwrap_or(Path::new("."));
        File::open(above)?.sync_all()
    };
    put().map_err(failed("cannot finish"))?;
    Ok(Backup { entries: scan.records, files })
}

fn unfinished(to: &Path) -> PathBuf {
    let mut name = to.file_name().unwrap_or_default().to_os_string();
    name.push(".unfinished");
    to.with_file_name(name)
}

/// The files of a folder, and of those in it; how many.
fn copy(from: &Path, to: &Path) -> std::io::Result<u64> {
    let entries = match std::fs::read_dir(from) {
        Ok(entries) => entries,
        Err(error) if error.kind() == ErrorKind::NotFound => return Ok(0),
        Err(error) => return Err(error),
    };
    std::fs::create_dir(to)?;
    let mut files = 0;
    for entry in entries {
        let path = entry?.path();
        let name = path.file_name().unwrap_or_default();
        // A write that is not finished; what is in it comes under its own name, or not at all.
        if path.extension().is_some_and(|extension| extension == "part") {
            continue;
        }
        files += if path.is_dir() { copy(&path, &to.join(name))? } else { copy_file(&path, &to.join(name))? };
    }
    File::open(to)?.sync_all()?;
    Ok(files)
}

/// One file, with its rights; none where it has gone meanwhile, as what is erased does.
fn copy_file(from: &Path, to: &Path) -> std::io::Result<u64> {
    match std::fs::copy(from, to) {
        Ok(_) => {
            File::open(to)?.sync_all()?;
            Ok(1)
        }
        Err(error) if error.kind() == ErrorKind::NotFound => Ok(0),
        Err(error) => Err(error),
    }
}
