//! A folder in memory for one journal: nothing fails, nothing is lost.

use std::collections::BTreeMap;
use std::io;
use std::path::Path;
use std::sync::{Arc, Mutex};

use rinsebook_proto::journal::{Disk, DiskFile};

type Content = Arc<Mutex<Vec<u8>>>;

/// Files by name; which folder they are in is not looked at.
#[derive(Debug, Clone, Default)]
pub(crate) struct MemoryDisk(Arc<Mutex<BTreeMap<String, Content>>>);

impl MemoryDisk {
    pub(crate) fn put(&self, name: &str, bytes: Vec<u8>) {
        self.0.lock().unwrap().insert(name.to_owned(), Arc::new(Mutex::new(bytes)));
    }

    /// Every file as it is now.
    pub(crate) fn files(&self) -> BTreeMap<String, Vec<u8>> {
        self.0.lock().unwrap().iter().map(|(name, file)| (name.clone(), file.lock().unwrap().clone())).collect()
    }

    fn open(&self, path: &Path) -> io::Result<Box<dyn DiskFile>> {
        let found = self.0.lock().unwrap().get(&name_of(path)).cloned();
        found.map(|file| Box::new(MemoryFile(file)) as _).ok_or_else(|| io::ErrorKind::NotFound.into())
    }
}

fn name_of(path: &Path) -> String {
    path.file_name().unwrap_or_default().to_string_lossy().into_owned()
}

impl Disk for MemoryDisk {
    fn create_dir(&self, _: &Path) -> io::Result<()> {
        Ok(())
    }

    fn list(&self, _: &Path) -> io::Result<Vec<String>> {
        Ok(self.0.lock().unwrap().keys().cloned().collect())
    }

    fn open_read(&self, path: &Path) -> io::Result<Box<dyn DiskFile>> {
        self.open(path)
    }

    fn open_write(&self, path: &Path) -> io::Result<Box<dyn DiskFile>> {
        self.open(path)
    }

    fn create(&self, path: &Path) -> io::Result<Box<dyn DiskFile>> {
        self.put(&name_of(path), Vec::new());
        self.open(path)
    }

    fn rename(&self, from: &Path, to: &Path) -> io::Result<()> {
        let mut files = self.0.lock().unwrap();
        let file = files.remove(&name_of(from)).ok_or(io::ErrorKind::NotFound)?;
        files.insert(name_of(to), file);
        Ok(())
    }

    fn remove(&self, path: &Path) -> io::Result<()> {
        self.0.lock().unwrap().remove(&name_of(path)).map(|_| ()).ok_or_else(|| io::ErrorKind::NotFound.into())
    }

    fn sync_dir(&self, _: &Path) -> io::Result<()> {
        Ok(())
    }
}

struct MemoryFile(Content);

impl DiskFile for MemoryFile {
    fn size(&self) -> io::Result<u64> {
        Ok(self.0.lock().unwrap().len() as u64)
    }

    fn read_at(&self, buffer: &mut [u8], offset: u64) -> io::Result<()> {
        let bytes = self.0.lock().unwrap();
        let end = usize::try_from(offset).ok().and_then(|from| Some((from, from.checked_add(buffer.len())?)));
        let piece = end.and_then(|(from, to)| bytes.get(from..to)).ok_or(io::ErrorKind::UnexpectedEof)?;
        buffer.copy_from_slice(piece);
        Ok(())
    }

    fn write_at(&self, bytes: &[u8], offset: u64) -> io::Result<()> {
        let mut content = self.0.lock().unwrap();
        let from = usize::try_from(offset).map_err(|_| io::ErrorKind::InvalidInput)?;
        let longer = content.len().max(from + bytes.len());
        content.resize(longer, 0);
        content[from..from + bytes.len()].copy_from_slice(bytes);
        Ok(())
    }

    fn fdatasync(&self) -> io::Result<()> {
        Ok(())
    }
}
