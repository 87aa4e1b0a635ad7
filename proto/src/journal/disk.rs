//! The one seam to the file system: the few calls that a journal needs, and the real disk behind them. The tests put a
//! simulated disk there, which loses, tears and refuses.

use super::JournalError;
use std::{
    fs::{File, OpenOptions},
    io,
    os::unix::fs::FileExt,
    path::{Path, PathBuf},
};

/// A file system, as far as a journal uses one. Nothing is durable before the matching sync has returned without error.
pub trait Disk: Send + Sync + 'static {
    /// Makes one folder; one that exists already is fine. Durable after [`sync_dir`](Self::sync_dir) of its parent.
    fn create_dir(&self, dir: &Path) -> io::Result<()>;
    /// Names of everything in the folder, in any order. A name that is not UTF-8 comes with replacement characters.
    fn list(&self, dir: &Path) -> io::Result<Vec<String>>;
    /// Opens a file that exists, for reading only.
    fn open_read(&self, path: &Path) -> io::Result<Box<dyn DiskFile>>;
    /// Opens a file that exists, for reading and writing.
    fn open_write(&self, path: &Path) -> io::Result<Box<dyn DiskFile>>;
    /// Makes an empty file, for reading and writing; one that exists is emptied.
    fn create(&self, path: &Path) -> io::Result<Box<dyn DiskFile>>;
    /// Gives a file another name in the same folder. Durable after [`sync_dir`](Self::sync_dir).
    fn rename(&self, from: &Path, to: &Path) -> io::Result<()>;
    /// Removes a file. Durable after [`sync_dir`](Self::sync_dir).
    fn remove(&self, path: &Path) -> io::Result<()>;
    /// Makes durable which names the folder holds.
    fn sync_dir(&self, dir: &Path) -> io::Result<()>;
}

/// An open file.
pub trait DiskFile: Send + Sync {
    /// Length in bytes.
    fn size(&self) -> io::Result<u64>;
    /// Fills the whole buffer, or fails.
    fn read_at(&self, buffer: &mut [u8], offset: u64) -> io::Result<()>;
    /// Writes all, or fails with any part of it written. Beyond the end the file grows.
    fn write_at(&self, bytes: &[u8], offset: u64) -> io::Result<()>;
    /// Makes durable what was written, and the length; not the name.
    fn fdatasync(&self) -> io::Result<()>;
}

/// The file system of this machine.
#[derive(Debug, Clone, Copy, Default)]
pub struct RealDisk;

impl Disk for RealDisk {
    fn create_dir(&self, dir: &Path) -> io::Result<()> {
        match std::fs::create_dir(dir) {
            Err(error) if error.kind() == io::ErrorKind::AlreadyExists && dir.is_dir() => Ok(()),
            done => done,
        }
    }

    fn list(&self, dir: &Path) -> io::Result<Vec<String>> {
        std::fs::read_dir(dir)?.map(|entry| Ok(entry?.file_name().to_string_lossy().into_owned())).collect()
    }

    fn open_read(&self, path: &Path) -> io::Result<Box<dyn DiskFile>> {
        Ok(Box::new(RealFile(File::open(path)?)))
    }

    fn open_write(&self, path: &Path) -> io::Result<Box<dyn DiskFile>> {
        Ok(Box::new(RealFile(OpenOptions::new().read(true).write(true).open(path)?)))
    }

    fn create(&self, path: &Path) -> io::Result<Box<dyn DiskFile>> {
        let file = OpenOptions::new().read(true).write(true).create(true).truncate(true).open(path)?;
        Ok(Box::new(RealFile(file)))
    }

    fn rename(&self, from: &Path, to: &Path) -> io::Result<()> {
        std::fs::rename(from, to)
    }

    fn remove(&self, path: &Path) -> io::Result<()> {
        std::fs::remove_file(path)
    }

    fn sync_dir(&self, dir: &Path) -> io::Result<()> {
        let here = if dir.as_os_str().is_empty() { Path::new(".") } else { dir };
        Ok(rustix::fs::fsync(File::open(here)?)?)
    }
}

struct RealFile(File);

impl DiskFile for RealFile {
    fn size(&self) -> io::Result<u64> {
        Ok(self.0.metadata()?.len())
    }

    fn read_at(&self, buffer: &mut [u8], offset: u64) -> io::Result<()> {
        self.0.read_exact_at(buffer, offset)
    }

    fn write_at(&self, bytes: &[u8], offset: u64) -> io::Result<()> {
        self.0.write_all_at(bytes, offset)
    }

    fn fdatasync(&self) -> io::Result<()> {
        Ok(rustix::fs::fdatasync(&self.0)?)
    }
}

/// The right to be the one program that has a journal open for writing. It ends when this value is dropped, or with the
/// program, however it ends.
#[derive(Debug)]
pub struct Lock {
    _file: File,
}

/// Locks the journal in `dir`. The lock file stands beside the folder, as `<dir>.lock`, since the folder itself holds
/// segments only; it stays when the lock is given up.
///
/// # Errors
/// [`JournalError::Locked`] when it is held, by this program or another; [`JournalError::Io`] when the file cannot be made.
pub fn lock(dir: &Path) -> Result<Lock, JournalError> {
    let path = lock_path(dir);
    let failed = |source| JournalError::io("lock it", &path.display().to_string(), source);
    let file = OpenOptions::new().write(true).create(true).truncate(false).open(&path).map_err(failed)?;
    match rustix::fs::flock(&file, rustix::fs::FlockOperation::NonBlockingLockExclusive) {
        Ok(()) => Ok(Lock { _file: file }),
        Err(rustix::io::Errno::WOULDBLOCK) => Err(JournalError::Locked(path)),
        Err(errno) => Err(failed(errno.into())),
    }
}

fn lock_path(dir: &Path) -> PathBuf {
    let mut name = dir.file_name().unwrap_or_default().to_os_string();
    name.push(".lock");
    dir.with_file_name(name)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_second_lock_of_the_same_folder_is_refused_until_the_first_is_dropped() {
        let home = tempfile::tempdir().unwrap();
        let dir = home.path().join("log");
        let held = lock(&dir).unwrap();
        assert!(matches!(lock(&dir), Err(JournalError::Locked(path)) if path.ends_with("log.lock")));
        drop(held);
        lock(&dir).unwrap();
    }

    #[test]
    fn the_lock_file_stands_beside_the_folder_and_not_in_it() {
        let home = tempfile::tempdir().unwrap();
        let dir = home.path().join("log");
        RealDisk.create_dir(&dir).unwrap();
        let _held = lock(&dir).unwrap();
        assert!(RealDisk.list(&dir).unwrap().is_empty());
        assert!(home.path().join("log.lock").is_file());
    }

    #[test]
    fn making_a_folder_that_exists_is_fine_but_not_over_a_file() {
        let home = tempfile::tempdir().unwrap();
        RealDisk.create_dir(&home.path().join("log")).unwrap();
        RealDisk.create_dir(&home.path().join("log")).unwrap();
        std::fs::write(home.path().join("file"), b"").unwrap();
        assert!(RealDisk.create_dir(&home.path().join("file")).is_err());
    }
}
