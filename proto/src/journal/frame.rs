//! Durability, on one page: every byte that a running journal writes is written by this file.
//!
//! The rules:
//! 1. **Write, `fdatasync`, then say so.** At most one write is outstanding. Hence a frame that checks proves that all
//!    before it in the file was synced, except within its own group.
//! 2. **A name counts once its folder is synced.** A segment is filled and synced under another name (`.new`) before it gets
//!    its own, so a `.seg` file always has a whole header: a bad one is rot, never the trace of a crash.
//! 3. **Space first.** A segment grows by written zeros, synced, before any byte of a group. Only this may meet "disk full".
//!    A group thus never changes the file's length. Every group leaves room for one mark and one seal.
//! 4. **A failed sync is final.** The kernel may count pages as clean that never reached the disk, so that a second
//!    `fdatasync` succeeds and means nothing. The journal answers no more; whoever opens it next reads, writes again in
//!    place everything that is not proven, zeros included, and syncs that.
//! 5. **Unused space is zero, durably.** Otherwise a frame of a group that was cut could turn up inside a later one.
//!
//! Known gaps, admitted:
//! - A disk that acknowledges a sync and does not keep it breaks this; nothing in the file can show it. An older
//!   receipt or checkpoint does.
//! - Until a mark or a next group follows (tens of milliseconds on an idle log), damage to the last group cannot be told
//!   from a torn write: it is cut, and reported. Again an older receipt shows the loss.
//! - A whole log rolled back to an earlier state, or its newest segments together with the seal before them, looks sound.
//! - On file systems that write elsewhere on every change (btrfs, ZFS), written zeros reserve no space: "disk full" may come
//!   with a group there and then breaks the journal, which is safe but stops it.
//! - A record built to contain a frame that checks at its own later place can make a torn write look like rot. That needs
//!   the offset to be foreseen, and leads to a refusal to open, not to a loss.

use super::{
    AppendError,
    bytes::{FrameType, HEADER_BYTES, Header, MARK_FRAME_BYTES, Place, SEAL_FRAME_BYTES, push_frame},
    disk::{Disk, DiskFile},
    folder::{segment_name, unfinished_name},
};
use std::{io, path::Path};

/// Kept free behind every group.
const RESERVE_BYTES: u64 = MARK_FRAME_BYTES + SEAL_FRAME_BYTES;
/// Zeros are written in pieces of this size.
static ZEROS: [u8; 65_536] = [0; 65_536];

/// Why a step towards the disk failed.
#[derive(Debug)]
pub(super) enum Trouble {
    /// No space, and no byte of a group, mark or seal was written.
    Full { file: String, source: io::Error },
    /// Anything else: what is on disk is not known.
    Broken { file: String, doing: &'static str, source: io::Error },
}

impl Trouble {
    fn broken(file: &str, doing: &'static str, source: io::Error) -> Self {
        Self::Broken { file: file.to_owned(), doing, source }
    }

    /// For steps that only make room: there, "disk full" is harmless.
    fn room(file: &str, doing: &'static str, source: io::Error) -> Self {
        match source.kind() {
            io::ErrorKind::StorageFull | io::ErrorKind::QuotaExceeded => Self::Full { file: file.to_owned(), source },
            _ => Self::broken(file, doing, source),
        }
    }
}

impl From<Trouble> for AppendError {
    fn from(trouble: Trouble) -> Self {
        match trouble {
            Trouble::Full { file, source } => Self::Full { file, source },
            Trouble::Broken { file, doing, source } => {
                let what = format!("{file}: could not {doing}: {source}");
                match source.kind() {
                    io::ErrorKind::ReadOnlyFilesystem => Self::ReadOnly { what },
                    _ => Self::Broken { what },
                }
            }
        }
    }
}

/// The segment that is being written.
pub(super) struct Segment {
    pub(super) file: Box<dyn DiskFile>,
    pub(super) name: String,
    /// Index of its first record.
    pub(super) first: u64,
    /// Where the next frame goes.
    pub(super) used_bytes: u64,
    /// Up to here the file exists and is zero behind `used_bytes`.
    pub(super) grown_bytes: u64,
}

impl Segment {
    /// Makes a segment with room for `need_bytes` of frames. When it returns, the segment is there after a power cut. Where
    /// there was no space for it, what it took is given back.
    ///
    /// ```text
    ///     openat(<first>.new, O_RDWR|O_CREAT|O_TRUNC)
    ///     pwrite(zeros …)  pwrite(header)
    ///     fdatasync                                   -- content, before the name that vouches for it
    ///     renameat(<first>.new, <first>.seg)
    ///     openat(folder)  fsync                       -- the name
    /// ```
    pub(super) fn create(
        disk: &dyn Disk,
        dir: &Path,
        header: &Header,
        need_bytes: u64,
        grow_bytes: u64,
    ) -> Result<Self, Trouble> {
        let (name, new) = (segment_name(header.first), unfinished_name(header.first));
        let grown_bytes = grown_to(HEADER_BYTES as u64 + need_bytes + RESERVE_BYTES, grow_bytes);
        let file = match fill_and_name(disk, dir, header, grown_bytes) {
            Err((doing, source)) => {
                let trouble = Trouble::room(&new, doing, source);
                if matches!(trouble, Trouble::Full { .. }) {
                    // Should this fail, the next try empties the file, and the next opening removes it.
                    let _ = disk.remove(&dir.join(&new));
                }
                return Err(trouble);
            }
            Ok(file) => file,
        };
        disk.sync_dir(dir).map_err(|source| Trouble::broken(&name, "sync its folder", source))?;
        Ok(Self { file, name, first: header.first, used_bytes: HEADER_BYTES as u64, grown_bytes })
    }

    /// Makes sure that `need_bytes` of frames fit. Says whether it had to grow, which costs a sync. A part of the growth
    /// left by a failure is zero and harmless: the next try writes it again.
    ///
    /// ```text
    ///     pwrite(zeros …)  fdatasync                  -- or nothing, mostly
    /// ```
    pub(super) fn make_room(&mut self, need_bytes: u64, grow_bytes: u64) -> Result<bool, Trouble> {
        let wanted = self.used_bytes + need_bytes + RESERVE_BYTES;
        if wanted <= self.grown_bytes {
            return Ok(false);
        }
        let target = grown_to(wanted, grow_bytes);
        write_zeros(&*self.file, self.grown_bytes, target)
            .map_err(|source| Trouble::room(&self.name, "grow it", source))?;
        self.file.fdatasync().map_err(|source| Trouble::room(&self.name, "sync its growth", source))?;
        self.grown_bytes = target;
        Ok(true)
    }

    /// Writes frames where room was made for them. When it returns, they are there after a power cut; when it fails, they
    /// may be or not.
    ///
    /// ```text
    ///     pwrite(frames)  fdatasync
    /// ```
    pub(super) fn put(&mut self, frames: &[u8]) -> Result<(), Trouble> {
        self.file
            .write_at(frames, self.used_bytes)
            .map_err(|source| Trouble::broken(&self.name, "write to it", source))?;
        self.file.fdatasync().map_err(|source| Trouble::broken(&self.name, "sync it", source))?;
        self.used_bytes += frames.len() as u64;
        Ok(())
    }

    /// Ends this segment. Only done when the next one is there for good, so that a sealed last segment always means that a
    /// file is missing; and before the first group of the next one, so that an unsealed one before it means rot.
    ///
    /// ```text
    ///     create(next)  pwrite(seal)  fdatasync  …  pwrite(next, group)
    /// ```
    pub(super) fn seal(&mut self) -> Result<(), Trouble> {
        let mut frame = Vec::new();
        push_frame(&mut frame, self.place(), FrameType::Sealed, &[]);
        self.put(&frame)
    }

    /// Where the next frame will stand.
    pub(super) fn place(&self) -> Place {
        Place { segment_first: self.first, offset: self.used_bytes }
    }
}

/// The part of [`Segment::create`] that may meet "disk full". An error comes with what was tried.
fn fill_and_name(
    disk: &dyn Disk,
    dir: &Path,
    header: &Header,
    grown_bytes: u64,
) -> Result<Box<dyn DiskFile>, (&'static str, io::Error)> {
    let (new, name) = (dir.join(unfinished_name(header.first)), dir.join(segment_name(header.first)));
    let trying = |doing| move |source| (doing, source);
    let file = disk.create(&new).map_err(trying("create it"))?;
    write_zeros(&*file, 0, grown_bytes).map_err(trying("fill it with zeros"))?;
    file.write_at(&header.encode(), 0).map_err(trying("write its header"))?;
    file.fdatasync().map_err(trying("sync it"))?;
    disk.rename(&new, &name).map_err(trying("give it its name"))?;
    Ok(file)
}

/// Writes zeros over `[from, to)`.
pub(super) fn write_zeros(file: &dyn DiskFile, from: u64, to: u64) -> io::Result<()> {
    let mut at = from;
    while at < to {
        let piece = (to - at).min(ZEROS.len() as u64);
        file.write_at(&ZEROS[..piece as usize], at)?;
        at += piece;
    }
    Ok(())
}

/// The next multiple of `grow_bytes` that holds `wanted`.
fn grown_to(wanted: u64, grow_bytes: u64) -> u64 {
    wanted.next_multiple_of(grow_bytes.max(1))
}
