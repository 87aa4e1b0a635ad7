//! A copy of a data folder put back. It is older than what was: nothing may be recorded on it before a custodian says so, or
//! two logs would go on under one name.

use std::fs::File;
use std::path::Path;

use crate::error::ServiceError;
use crate::standstill::Standstill;

/// Why nothing is recorded on it.
const WHY: &str = "an older state was put back here by `restore`. The custodian opens an epoch with `rinsebook enrol \
                   epoch`; stations then send again what was lost";

/// Copies a data folder, marks it, and syncs it; gives how many files there are.
///
/// # Errors
/// The target is not empty, a file cannot be copied: then what was written is left, and `restore` can be tried in another
/// folder.
pub fn restore(from: &Path, data: &Path) -> Result<u64, ServiceError> {
    let is_empty = match std::fs::read_dir(data) {
        Ok(mut entries) => entries.next().is_none(),
        Err(error) => error.kind() == std::io::ErrorKind::NotFound,
    };
    if !is_empty {
        let source = std::io::Error::from(std::io::ErrorKind::AlreadyExists);
        return Err(ServiceError::File {
            what: format!("{} is not empty; move it away first", data.display()),
            source,
        });
    }
    if !from.join("log").is_dir() || !from.join("keys").is_dir() {
        let source = std::io::Error::from(std::io::ErrorKind::NotFound);
        return Err(ServiceError::File { what: format!("{} is no copy of a data folder", from.display()), source });
    }
    std::fs::create_dir_all(data).map_err(ServiceError::file(format!("cannot make {}", data.display())))?;
    // The mark comes first: a copy that breaks off must not be served as if it were whole.
    let mut standstill = Standstill::open(data)?;
    standstill.begin(WHY);
    if Standstill::open(data)?.why().is_none() {
        let source = std::io::Error::other("its mark could not be written");
        return Err(ServiceError::File { what: format!("cannot write {}", data.display()), source });
    }
    copy(from, data).map_err(ServiceError::file(format!("cannot copy {} to {}", from.display(), data.display())))
}

fn copy(from: &Path, to: &Path) -> std::io::Result<u64> {
    let mut files = 0;
    for entry in std::fs::read_dir(from)? {
        let entry = entry?;
        let target = to.join(entry.file_name());
        if entry.file_type()?.is_dir() {
            std::fs::create_dir_all(&target)?;
            files += copy(&entry.path(), &target)?;
        } else if !target.exists() {
            std::fs::copy(entry.path(), &target)?;
            File::open(&target)?.sync_all()?;
            files += 1;
        }
    }
    File::open(to)?.sync_all()?;
    Ok(files)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_copy_is_put_back_marked_and_never_over_something() {
        let dir = tempfile::tempdir().unwrap();
        let (from, to) = (dir.path().join("copy"), dir.path().join("data"));
        assert!(restore(&from, &to).is_err(), "there is no copy");
        for folder in ["log", "keys"] {
            std::fs::create_dir_all(from.join(folder)).unwrap();
            std::fs::write(from.join(folder).join("file"), folder).unwrap();
        }
        assert_eq!(restore(&from, &to).unwrap(), 2);
        assert_eq!(std::fs::read(to.join("log/file")).unwrap(), b"log");
        assert!(Standstill::open(&to).unwrap().why().unwrap().contains("older state"));
        assert!(restore(&from, &to).is_err(), "it is not empty now");
    }
}
