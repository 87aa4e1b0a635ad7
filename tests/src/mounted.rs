//! A real file system of its own for a test, small enough to fill, or to make read-only.

use std::path::{Path, PathBuf};
use std::process::Command;

/// A mounted file system; unmounted when dropped.
#[derive(Debug)]
pub struct Mounted {
    dir: PathBuf,
}

fn run(command: &mut Command) -> Result<(), String> {
    let tool = command.get_program().to_string_lossy().into_owned();
    match command.output() {
        Ok(output) if output.status.success() => Ok(()),
        Ok(output) => Err(format!("{tool}: {}", String::from_utf8_lossy(&output.stderr).trim())),
        Err(error) => Err(format!("{tool}: {error}")),
    }
}

impl Mounted {
    /// In memory, of so many MiB.
    ///
    /// # Errors
    /// Why this machine does not permit it.
    pub fn tmpfs(dir: &Path, mebibytes: u32) -> Result<Mounted, String> {
        std::fs::create_dir_all(dir).map_err(|e| e.to_string())?;
        let size = format!("size={mebibytes}m");
        run(Command::new("mount").args(["-t", "tmpfs", "-o", &size, "tmpfs"]).arg(dir))?;
        Ok(Mounted { dir: dir.to_owned() })
    }

    /// ext4 in a file beside the folder, of so many MiB.
    ///
    /// # Errors
    /// As [`Mounted::tmpfs`].
    pub fn ext4(dir: &Path, mebibytes: u32) -> Result<Mounted, String> {
        std::fs::create_dir_all(dir).map_err(|e| e.to_string())?;
        let image = dir.with_extension("img");
        let made = std::fs::File::create(&image).and_then(|file| file.set_len(u64::from(mebibytes) << 20));
        made.map_err(|e| e.to_string())?;
        run(Command::new("mkfs.ext4").arg("-q").arg(&image))?;
        run(Command::new("mount").args(["-o", "loop"]).arg(&image).arg(dir))?;
        Ok(Mounted { dir: dir.to_owned() })
    }

    /// As the kernel does with an ext4 that it found damaged: from now on every write is refused as to a read-only one, for
    /// files that are open as well (`mount -o remount,abort`, ext4(5)).
    ///
    /// # Errors
    /// As [`Mounted::tmpfs`].
    pub fn give_up(&self) -> Result<(), String> {
        run(Command::new("mount").args(["-o", "remount,abort"]).arg(&self.dir))
    }

    /// Read-only, while no file of it is open for writing.
    ///
    /// # Errors
    /// As [`Mounted::tmpfs`].
    pub fn make_read_only(&self) -> Result<(), String> {
        run(Command::new("mount").args(["-o", "remount,ro"]).arg(&self.dir))
    }

    /// Takes all the space that is left; removing the file gives it back.
    pub fn fill(&self) -> PathBuf {
        use std::io::Write;
        let filler = self.dir.join("filler");
        let mut file = std::fs::File::create(&filler).expect("a file of no length needs no space");
        for piece in [1 << 20, 4096, 1] {
            while file.write_all(&vec![1; piece]).is_ok() {}
        }
        filler
    }
}

impl Drop for Mounted {
    fn drop(&mut self) {
        // Lazily: whatever of it is still open is closed a moment later.
        let _ = Command::new("umount").arg("-l").arg(&self.dir).status();
    }
}
