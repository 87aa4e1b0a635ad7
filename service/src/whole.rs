//! Files that are there whole or not at all, and what is put aside because it does not hold.

use std::fs::File;
use std::io::{Result, Write};
use std::path::{Path, PathBuf};

/// Writes a file under the name `part` in its own folder, syncs it, gives it its name, and syncs the folder.
///
/// # Errors
/// What the disk says; the file is then what it was before, or is missing still.
pub(crate) fn write(part: &Path, file: &Path, pieces: &[&[u8]]) -> Result<()> {
    let mut out = File::create(part)?;
    let written = pieces
        .iter()
        .try_for_each(|piece| out.write_all(piece))
        .and_then(|()| out.sync_all())
        .and_then(|()| std::fs::rename(part, file))
        .and_then(|()| File::open(file.parent().unwrap_or(Path::new(".")))?.sync_all());
    if written.is_err() {
        // Nothing is lost by leaving the part: it is never read. Removing it gives its space back.
        let _ = std::fs::remove_file(part);
    }
    written
}

/// Gives a file or folder a name beside its own that is free, for whoever wants to know what happened to it; that name.
///
/// # Errors
/// What the disk says; it then stands where it stood.
pub(crate) fn put_aside(path: &Path) -> Result<PathBuf> {
    let aside = (1..).map(|n| path.with_extension(format!("aside-{n}"))).find(|aside| !aside.exists());
    let aside = aside.unwrap_or_else(|| path.with_extension("aside"));
    std::fs::rename(path, &aside).map(|()| aside)
}
