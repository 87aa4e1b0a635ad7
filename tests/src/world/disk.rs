//! A simulated disk: loses, tears and refuses what was not synced, as one seed decides, and fails on demand.
//!
//! What it models: a page cache over a platter, for each file by sectors of 512 bytes; names of a folder that are durable
//! after the folder's sync only, in the order in which they were changed; failed syncs after which pages count as clean; a
//! program killed (the cache stays) and a power cut (it does not). A handle from before either is dead.

mod content;

use super::Dice;
use content::{Content, Mercy};
use rinsebook_proto::journal::{Disk, DiskFile};
use std::{
    collections::{BTreeMap, BTreeSet},
    io,
    path::{Path, PathBuf},
    sync::{Arc, Mutex, MutexGuard},
};

pub use content::SECTOR_BYTES;

/// "Input/output error" and "No space left on device", as Linux numbers them.
const EIO: i32 = 5;
const ENOSPC: i32 = 28;

/// A call that changes the disk, or reads from it.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub enum Call {
    /// Making a folder.
    CreateDir,
    /// Making a file.
    Create,
    /// Writing to a file.
    Write,
    /// `fdatasync`.
    Sync,
    /// Renaming a file.
    Rename,
    /// Removing a file.
    Remove,
    /// Syncing a folder.
    SyncDir,
    /// Reading from a file. The only one that does not count as a change.
    Read,
}

/// What became of a call that reports an error.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Fate {
    /// It did nothing; a write may have done its first half.
    Lost,
    /// It was done, and reported lost.
    Saved,
}

/// Which duties the disk leaves out, as a control: a check that still passes then proves nothing.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub struct Ignore {
    /// `fdatasync` does nothing and says that all went well.
    pub syncs: bool,
    /// So do the syncs of folders.
    pub dir_syncs: bool,
    /// What fails, for want of space too, says that all went well.
    pub errors: bool,
}

/// The disk; clones are the same disk.
#[derive(Debug, Clone)]
pub struct SimDisk {
    state: Arc<Mutex<State>>,
}

#[derive(Debug)]
struct State {
    dice: Dice,
    files: Vec<Content>,
    names: Names,
    durable: Names,
    /// Changes to names since the last sync of their folder, in order.
    pending: Vec<(PathBuf, NameChange)>,
    /// Handles of earlier starts are dead.
    start: u64,
    ignore: Ignore,
    free_bytes: Option<u64>,
    /// The call that will fail: its kind (`None`: any change), how many such calls before it, and what becomes of it.
    failing: Option<(Option<Call>, u64, Fate)>,
    /// Changes until the power goes.
    power_left: Option<u64>,
    trace: Vec<(Call, String)>,
}

#[derive(Debug, Clone, Default)]
struct Names {
    dirs: BTreeSet<PathBuf>,
    files: BTreeMap<PathBuf, usize>,
}

#[derive(Debug, Clone)]
enum NameChange {
    Dir(PathBuf),
    Create(PathBuf, usize),
    Rename(PathBuf, PathBuf),
    Remove(PathBuf),
}

impl Names {
    fn apply(&mut self, change: &NameChange) {
        match change {
            NameChange::Dir(path) => {
                self.dirs.insert(path.clone());
            }
            NameChange::Create(path, file) => {
                self.files.insert(path.clone(), *file);
            }
            NameChange::Rename(from, to) => {
                if let Some(file) = self.files.remove(from) {
                    self.files.insert(to.clone(), file);
                }
            }
            NameChange::Remove(path) => {
                self.files.remove(path);
            }
        }
    }
}

impl SimDisk {
    /// An empty disk with the folder `/`.
    pub fn new(seed: u64) -> Self {
        let root = Names { dirs: BTreeSet::from([PathBuf::from("/")]), files: BTreeMap::new() };
        let state = State {
            dice: Dice::new(seed),
            files: Vec::new(),
            names: root.clone(),
            durable: root,
            pending: Vec::new(),
            start: 0,
            ignore: Ignore::default(),
            free_bytes: None,
            failing: None,
            power_left: None,
            trace: Vec::new(),
        };
        Self { state: Arc::new(Mutex::new(state)) }
    }

    fn state(&self) -> MutexGuard<'_, State> {
        self.state.lock().expect("no test panics while it holds the disk")
    }

    /// Leaves these duties out from now on.
    pub fn ignore(&self, ignore: Ignore) {
        self.state().ignore = ignore;
    }

    /// Files can grow by so many bytes in all; `None`: without limit.
    pub fn set_free_bytes(&self, free_bytes: Option<u64>) {
        self.state().free_bytes = free_bytes;
    }

    /// The call after `skipped` others of its kind reports EIO, once. `None` counts every call that changes the disk.
    pub fn fail(&self, call: Option<Call>, skipped: u64, fate: Fate) {
        self.state().failing = Some((call, skipped, fate));
    }

    /// Whether a failure that was ordered has not happened yet.
    pub fn failure_is_pending(&self) -> bool {
        self.state().failing.is_some()
    }

    /// Takes back a failure or a stop that was ordered and has not happened.
    pub fn forgive(&self) {
        let mut state = self.state();
        state.failing = None;
        state.power_left = state.power_left.filter(|left| *left == 0);
    }

    /// After so many more changes every call fails, until [`power_cut`](Self::power_cut) or [`kill`](Self::kill).
    pub fn stop_after(&self, changes: u64) {
        self.state().power_left = Some(changes);
    }

    /// The power fails: what was not synced is lost, kept or torn, as the seed decides. Then the machine is up again.
    pub fn power_cut(&self) {
        let mut state = self.state();
        let state = &mut *state;
        let mercy = match state.dice.below(4) {
            0 => Mercy::None,
            1 => Mercy::Full,
            _ => Mercy::Torn,
        };
        for file in &mut state.files {
            file.power_cut(mercy, &mut state.dice);
        }
        let kept = match mercy {
            Mercy::None => 0,
            Mercy::Full => state.pending.len(),
            Mercy::Torn => state.dice.below(state.pending.len() as u64 + 1) as usize,
        };
        for (_, change) in state.pending.drain(..).take(kept) {
            state.durable.apply(&change);
        }
        let Names { dirs, files } = &mut state.durable;
        files.retain(|path, _| path.parent().is_some_and(|dir| dirs.contains(dir)));
        state.names = state.durable.clone();
        state.restart();
    }

    /// The program is killed and can start again: everything it wrote is seen, nothing more is durable than before.
    pub fn kill(&self) {
        self.state().restart();
    }

    /// Every change made to the disk so far, with the file's name, in order; the list starts anew.
    pub fn take_trace(&self) -> Vec<(Call, String)> {
        std::mem::take(&mut self.state().trace)
    }

    /// All files in a folder with their content as programs see it.
    pub fn contents(&self, dir: &Path) -> BTreeMap<PathBuf, Vec<u8>> {
        let state = self.state();
        let inside = state.names.files.iter().filter(|(path, _)| path.parent() == Some(dir));
        inside.map(|(path, file)| (path.clone(), state.files[*file].cache().to_vec())).collect()
    }

    /// Flips the bits of `mask` in one byte, on the platter too.
    pub fn flip(&self, path: &Path, offset: usize, mask: u8) {
        self.with_file(path, |content| content.flip(offset, mask));
    }

    /// Puts these bytes in the place of a file's content, on the platter too.
    pub fn replace(&self, path: &Path, bytes: Vec<u8>) {
        self.with_file(path, |content| content.replace(bytes));
    }

    fn with_file(&self, path: &Path, change: impl FnOnce(&mut Content)) {
        let mut state = self.state();
        let file = state.names.files[path];
        change(&mut state.files[file]);
    }

    fn open(&self, path: &Path) -> io::Result<Box<dyn DiskFile>> {
        let state = self.state();
        let file = *state.names.files.get(path).ok_or(io::ErrorKind::NotFound)?;
        Ok(Box::new(SimFile { disk: self.clone(), file, start: state.start }))
    }

    fn give_space_back(&self, path: &Path) {
        let mut state = self.state();
        let held = state.names.files.get(path).map_or(0, |file| state.files[*file].cache().len() as u64);
        if let Some(free) = &mut state.free_bytes {
            *free += held;
        }
    }

    fn change_name(&self, call: Call, path: &Path, change: NameChange) -> io::Result<()> {
        let mut state = self.state();
        let failed = state.meet(call, &name_of(path))?;
        if failed != Some(Fate::Lost) {
            state.names.apply(&change);
            let dir = path.parent().unwrap_or(path).to_owned();
            state.pending.push((dir, change));
        }
        state.answer(failed)
    }
}

impl State {
    fn restart(&mut self) {
        self.start += 1;
        self.power_left = None;
        self.failing = None;
    }

    /// Counts a call, and says whether it is to fail. Once the power is gone it cannot even be tried.
    fn meet(&mut self, call: Call, name: &str) -> io::Result<Option<Fate>> {
        if call != Call::Read {
            match &mut self.power_left {
                Some(0) => return Err(io::Error::other("the machine has stopped")),
                Some(left) => *left -= 1,
                None => {}
            }
            self.trace.push((call, name.to_owned()));
        }
        let Some((wanted, skipped, fate)) = &mut self.failing else {
            return Ok(None);
        };
        let counts = wanted.map_or(call != Call::Read, |wanted| wanted == call);
        if !counts {
            return Ok(None);
        }
        if *skipped > 0 {
            *skipped -= 1;
            return Ok(None);
        }
        let fate = *fate;
        self.failing = None;
        Ok(Some(fate))
    }

    fn meet_file(&mut self, call: Call, file: usize) -> io::Result<Option<Fate>> {
        let path = self.names.files.iter().find(|(_, named)| **named == file).map(|(path, _)| path);
        let name = path.map_or_else(|| "removed".to_owned(), |path| name_of(path));
        self.meet(call, &name)
    }

    /// What the caller is told of a call.
    fn answer(&self, failed: Option<Fate>) -> io::Result<()> {
        match failed {
            Some(_) if !self.ignore.errors => Err(io::Error::from_raw_os_error(EIO)),
            _ => Ok(()),
        }
    }

    /// How much of a write there is space for; what it takes is gone.
    fn take_space(&mut self, file: usize, offset: usize, length: usize) -> usize {
        let Some(free) = &mut self.free_bytes else {
            return length;
        };
        let here = self.files[file].cache().len();
        let growth = (offset + length).saturating_sub(here) as u64;
        let taken = growth.min(*free);
        *free -= taken;
        length.saturating_sub((growth - taken) as usize)
    }
}

fn name_of(path: &Path) -> String {
    path.file_name().unwrap_or_default().to_string_lossy().into_owned()
}

impl Disk for SimDisk {
    fn create_dir(&self, dir: &Path) -> io::Result<()> {
        if self.state().names.dirs.contains(dir) {
            return Ok(());
        }
        self.change_name(Call::CreateDir, dir, NameChange::Dir(dir.to_owned()))
    }

    fn list(&self, dir: &Path) -> io::Result<Vec<String>> {
        let state = self.state();
        if !state.names.dirs.contains(dir) {
            return Err(io::ErrorKind::NotFound.into());
        }
        let inside = state.names.files.keys().filter(|path| path.parent() == Some(dir));
        Ok(inside.map(|path| name_of(path)).collect())
    }

    fn open_read(&self, path: &Path) -> io::Result<Box<dyn DiskFile>> {
        self.open(path)
    }

    fn open_write(&self, path: &Path) -> io::Result<Box<dyn DiskFile>> {
        self.open(path)
    }

    fn create(&self, path: &Path) -> io::Result<Box<dyn DiskFile>> {
        let file = {
            let mut state = self.state();
            match state.names.files.get(path) {
                Some(file) => *file,
                None => {
                    state.files.push(Content::default());
                    state.files.len() - 1
                }
            }
        };
        self.change_name(Call::Create, path, NameChange::Create(path.to_owned(), file))?;
        let mut state = self.state();
        state.files[file].truncate();
        Ok(Box::new(SimFile { disk: self.clone(), file, start: state.start }))
    }

    fn rename(&self, from: &Path, to: &Path) -> io::Result<()> {
        self.change_name(Call::Rename, to, NameChange::Rename(from.to_owned(), to.to_owned()))
    }

    fn remove(&self, path: &Path) -> io::Result<()> {
        self.give_space_back(path);
        self.change_name(Call::Remove, path, NameChange::Remove(path.to_owned()))
    }

    fn sync_dir(&self, dir: &Path) -> io::Result<()> {
        let mut state = self.state();
        let failed = state.meet(Call::SyncDir, &name_of(dir))?;
        if failed != Some(Fate::Lost) && !state.ignore.dir_syncs {
            for (place, change) in std::mem::take(&mut state.pending) {
                if place == dir { state.durable.apply(&change) } else { state.pending.push((place, change)) }
            }
        }
        state.answer(failed)
    }
}

struct SimFile {
    disk: SimDisk,
    file: usize,
    start: u64,
}

impl SimFile {
    fn state(&self) -> io::Result<MutexGuard<'_, State>> {
        let state = self.disk.state();
        if state.start == self.start { Ok(state) } else { Err(io::Error::other("a handle from before the restart")) }
    }
}

impl DiskFile for SimFile {
    fn size(&self) -> io::Result<u64> {
        Ok(self.state()?.files[self.file].cache().len() as u64)
    }

    fn read_at(&self, buffer: &mut [u8], offset: u64) -> io::Result<()> {
        let mut state = self.state()?;
        let failed = state.meet_file(Call::Read, self.file)?;
        state.answer(failed)?;
        let content = state.files[self.file].cache();
        let from = offset as usize;
        let bytes = content.get(from..from + buffer.len()).ok_or(io::ErrorKind::UnexpectedEof)?;
        buffer.copy_from_slice(bytes);
        Ok(())
    }

    fn write_at(&self, bytes: &[u8], offset: u64) -> io::Result<()> {
        let mut state = self.state()?;
        let failed = state.meet_file(Call::Write, self.file)?;
        let mut length = bytes.len();
        if failed == Some(Fate::Lost) {
            length = if state.dice.once_in(2) { length / 2 } else { 0 };
        }
        let fits = state.take_space(self.file, offset as usize, length);
        state.files[self.file].write(&bytes[..fits], offset as usize);
        let full = fits < length && !state.ignore.errors;
        if full { Err(io::Error::from_raw_os_error(ENOSPC)) } else { state.answer(failed) }
    }

    fn fdatasync(&self) -> io::Result<()> {
        let mut state = self.state()?;
        let failed = state.meet_file(Call::Sync, self.file)?;
        if failed == Some(Fate::Lost) {
            state.files[self.file].lose_sync();
        } else if !state.ignore.syncs {
            state.files[self.file].sync();
        }
        state.answer(failed)
    }
}
