//! A whole log, audited from its static files: see [`rinsebook_proto::tiles`]. No service needs to run. Nothing is taken from
//! the hash tiles: they are compared with what the entries give.

use std::io::Write;
use std::path::{Path, PathBuf};
use std::process::ExitCode;

use rinsebook_proto::bytes::Hash;
use rinsebook_proto::journal::{self, RealDisk};
use rinsebook_proto::note::Checkpoint;
use rinsebook_proto::tiles::{self, HashTiles, Sort, Tile, WIDTH, read_bundle, width};
use rinsebook_proto::tree::{Edge, leaf_hash};

use super::files::Files;
use super::{Asked, Failed, Fault, Good};
use crate::ClientError;

/// Verifies the log whose files are there; `progress` is told how many entries were checked.
///
/// # Errors
/// [`Fault::Bad`] with the first thing that is wrong, [`Fault::CouldNot`] where something could not be read.
pub fn tiles(files: &Files, asked: &Asked<'_>, progress: &mut dyn FnMut(u64)) -> Result<Good, Fault> {
    let note = text(files, "checkpoint")?;
    // Believed once the entries give its root and the log key that they name has signed it.
    let size = Checkpoint::read_unverified(&note).map_err(|e| bad("checkpoint", "root", "checkpoint", e))?.size;
    if size == 0 {
        return Err(Fault::CouldNot("the log has no entries yet".to_owned()));
    }
    let mut checker = super::begun(asked)?;
    checker.every_size_was_signed();
    if size < checker.entries() {
        return Err(bad("checkpoint", "root", "audited before", "the log has fewer entries than were audited before"));
    }
    let mut hashes = Hashes::resume(files, &checker.edge, size)?;
    for number in checker.entries() / WIDTH..size.div_ceil(WIDTH) {
        let (path, mut entries) = bundle(files, number, size)?;
        let known = checker.entries().saturating_sub(number * WIDTH) as usize;
        let fresh = entries.split_off(known);
        let first = checker.entries();
        checker.entries_from(first, &fresh).map_err(|failed| placed(failed, files, &path, &fresh))?;
        fresh.iter().try_for_each(|data| hashes.push(data))?;
        progress(checker.entries());
    }
    hashes.edge()?;
    checker.closing(size, &note, asked.policy).map_err(|wrong| Fault::Bad {
        check: wrong.check,
        part: wrong.part,
        index: Some(size - 1),
        file: Some(files.name("checkpoint")),
        offset: None,
        why: wrong.why,
    })?;
    if let Some(file) = asked.state {
        super::state::keep(&mut checker, file).map_err(super::state::not_kept(file))?;
    }
    if checker.has_late_keys() {
        let mut again = checker.second_reading();
        for number in 0..size.div_ceil(WIDTH) {
            let (path, entries) = bundle(files, number, size)?;
            again.entries_from(number * WIDTH, &entries).map_err(|failed| placed(failed, files, &path, &entries))?;
            progress(again.entries());
        }
        let late = again.finish();
        checker.read_late(late)?;
    }
    checker.finish(0)
}

/// Whether there is a log's checkpoint in a folder.
pub fn is_tiles(dir: &Path) -> bool {
    dir.join("checkpoint").is_file()
}

/// Compares the hash tiles with what the entries give.
struct Hashes<'a> {
    files: &'a Files,
    tiles: HashTiles,
}

impl<'a> Hashes<'a> {
    /// Goes on at what was audited before.
    fn resume(files: &'a Files, edge: &Edge, size: u64) -> Result<Hashes<'a>, Fault> {
        let read = |tile: Tile| {
            // The same tile may have grown since.
            let count = size >> (8 * if let Sort::Hashes(level) = tile.sort { u32::from(level) } else { 0 });
            let width = width(count, tile.number);
            let path = Tile { width, ..tile }.path();
            get(files, &path)?.ok_or_else(|| bad(&path, "root", "tile", "the hash tile is not there"))
        };
        let tiles = HashTiles::resume(edge, read)?;
        let tiles = tiles.ok_or_else(|| {
            bad("tile", "root", "audited before", "the hashes are not those of the entries that were audited before")
        })?;
        Ok(Hashes { files, tiles })
    }

    fn push(&mut self, data: &[u8]) -> Result<(), Fault> {
        self.tiles.push(leaf_hash(data)).iter().try_for_each(|(tile, bytes)| compare(self.files, tile, bytes))
    }

    fn edge(&self) -> Result<(), Fault> {
        self.tiles.edge().iter().try_for_each(|(tile, bytes)| compare(self.files, tile, bytes))
    }
}

fn compare(files: &Files, tile: &Tile, expected: &[u8]) -> Result<(), Fault> {
    let path = tile.path();
    let there = get(files, &path)?.ok_or_else(|| bad(&path, "root", "tile", "the hash tile is not there"))?;
    if there == expected {
        return Ok(());
    }
    let offset = there.iter().zip(expected).position(|(a, b)| a != b).unwrap_or(expected.len().min(there.len()));
    Err(Fault::Bad {
        check: "root",
        part: "tile",
        index: None,
        file: Some(files.name(&path)),
        offset: Some(offset as u64),
        why: "it holds other hashes than the entries give".to_owned(),
    })
}

/// The entries of a bundle, and its path.
fn bundle(files: &Files, number: u64, size: u64) -> Result<(String, Vec<Vec<u8>>), Fault> {
    let width = width(size, number);
    let path = Tile { sort: Sort::Entries, number, width }.path();
    let bytes = get(files, &path)?.ok_or_else(|| {
        let name = files.name(&path);
        Fault::CouldNot(format!(
            "{name} is not there: the log's entries are needed, its hashes alone say nothing of facts"
        ))
    })?;
    let entries = read_bundle(&bytes, width).map_err(|e| bad(&path, "root", "entry", e))?;
    Ok((path, entries))
}

fn get(files: &Files, path: &str) -> Result<Option<Vec<u8>>, Fault> {
    files.get(path).map_err(|e| Fault::CouldNot(format!("{}: {e}", files.name(path))))
}

fn text(files: &Files, path: &str) -> Result<String, Fault> {
    let bytes = get(files, path)?.ok_or_else(|| Fault::CouldNot(format!("{} is not there", files.name(path))))?;
    String::from_utf8(bytes).map_err(|_| bad(path, "root", "checkpoint", "it is no text"))
}

fn bad(path: &str, check: &'static str, part: &'static str, why: impl std::fmt::Display) -> Fault {
    Fault::Bad { check, part, index: None, file: Some(path.to_owned()), offset: None, why: why.to_string() }
}

fn placed(failed: Failed, files: &Files, path: &str, entries: &[Vec<u8>]) -> Fault {
    let before = |at: usize| entries[..at].iter().map(|entry| 2 + entry.len() as u64).sum();
    Fault::Bad {
        check: failed.wrong.check,
        part: failed.wrong.part,
        index: Some(failed.index),
        file: Some(files.name(path)),
        offset: failed.at.map(before),
        why: failed.wrong.why,
    }
}

/// What to write, and where.
#[derive(Debug, Clone, clap::Args)]
pub struct Args {
    /// The folder with the log's segment files.
    #[arg(value_name = "LOG")]
    pub log: PathBuf,
    /// The folder to write; files that are there already are written again.
    #[arg(value_name = "DIR")]
    pub to: PathBuf,
    /// Leave the entries out: hashes tell nothing of a fact, and may be open to everybody.
    #[arg(long)]
    pub hashes_only: bool,
}

/// Writes the files, and tells how many entries they hold.
pub fn run(args: &Args, out: &mut dyn Write) -> Result<ExitCode, ClientError> {
    let size = match export(&args.log, &args.to, args.hashes_only) {
        Ok(size) => size,
        Err(fault) => {
            let unwritable = ClientError::file("cannot write to standard output");
            writeln!(out, "{fault}").map_err(unwritable)?;
            return Ok(fault.exit_code());
        }
    };
    let what = if args.hashes_only { "hashes of" } else { "all of" };
    writeln!(out, "{}: {what} {size} entries", args.to.display())
        .map_err(ClientError::file("cannot write to standard output"))?;
    Ok(ExitCode::SUCCESS)
}

/// Writes the files of a log of segment files into a new folder; without its entries where only `hashes` are to go.
///
/// # Errors
/// Where the log cannot be read, or the folder not be written.
pub fn export(log: &Path, to: &Path, hashes: bool) -> Result<u64, Fault> {
    let mut out = Export { to, entries: (!hashes).then(Vec::new), bundles: 0, tiles: HashTiles::default() };
    let mut note = Vec::new();
    let scan = journal::scan(&RealDisk, log, journal::Kind::Log, |group| {
        let mut last = Hash::ZERO;
        for data in &group.records {
            last = leaf_hash(data);
            out.push(last, data)?;
        }
        note.clone_from(&group.end);
        Ok::<_, std::io::Error>(last.0)
    });
    scan.map_err(super::fault)?;
    let failed = |e: std::io::Error| Fault::CouldNot(format!("{}: {e}", to.display()));
    let size = out.finish(&note).map_err(failed)?;
    Ok(size)
}

struct Export<'a> {
    to: &'a Path,
    /// Gathered for the next bundle; none: they stay where they are.
    entries: Option<Vec<Vec<u8>>>,
    bundles: u64,
    tiles: HashTiles,
}

impl Export<'_> {
    fn push(&mut self, leaf: Hash, data: &[u8]) -> std::io::Result<()> {
        for (tile, bytes) in self.tiles.push(leaf) {
            self.write(&tile.path(), &bytes)?;
        }
        if let Some(entries) = &mut self.entries {
            entries.push(data.to_vec());
            if entries.len() as u64 == WIDTH {
                self.bundle()?;
            }
        }
        Ok(())
    }

    fn bundle(&mut self) -> std::io::Result<()> {
        let entries = self.entries.replace(Vec::new()).unwrap_or_default();
        let tile = Tile { sort: Sort::Entries, number: self.bundles, width: width(entries.len() as u64, 0) };
        self.bundles += 1;
        self.write(&tile.path(), &tiles::bundle(&entries).map_err(std::io::Error::other)?)
    }

    fn finish(mut self, note: &[u8]) -> std::io::Result<u64> {
        if self.entries.as_ref().is_some_and(|entries| !entries.is_empty()) {
            self.bundle()?;
        }
        for (tile, bytes) in self.tiles.edge() {
            self.write(&tile.path(), &bytes)?;
        }
        let size = Checkpoint::read_unverified(&String::from_utf8_lossy(note)).map_err(std::io::Error::other)?.size;
        // Last: whoever finds it finds everything that it speaks of.
        self.write("checkpoint", note)?;
        Ok(size)
    }

    fn write(&self, path: &str, bytes: &[u8]) -> std::io::Result<()> {
        let file = self.to.join(path);
        if let Some(folder) = file.parent() {
            std::fs::create_dir_all(folder)?;
        }
        std::fs::write(file, bytes)
    }
}
