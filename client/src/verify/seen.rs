//! What signers had seen of the log. Each fact names the newest checkpoint that its station had proved: a size and a root,
//! under the author's own signature. One that differs means that the author was shown another log than this, or says so.
//!
//! A device may stay away for as long as it likes and a restored one goes back, so no checkpoint can be forgotten. They are
//! kept in a file without a name, 40 bytes each, so that memory does not grow with the log.

use std::cell::RefCell;
use std::fs::File;
use std::io::{self, Seek, Write};
use std::os::unix::fs::FileExt;

use rinsebook_proto::bytes::Hash;
use rinsebook_proto::fact;
use rinsebook_proto::tree::empty_root;

const RECORD_BYTES: u64 = 40;
/// So many are gathered before they are written.
const GATHERED: usize = 1024;

/// The checkpoints so far, ascending.
#[derive(Default)]
pub(super) struct Checkpoints {
    file: Option<File>,
    written: u64,
    gathered: Vec<(u64, Hash)>,
    /// The one asked for last: a station's facts name the same many times over.
    last: RefCell<Option<(u64, Hash)>>,
}

impl Checkpoints {
    /// Goes on in a file that holds so many; what stands behind them was not kept.
    pub(super) fn resume(mut file: File, written: u64) -> io::Result<Checkpoints> {
        let end = written * RECORD_BYTES;
        if file.metadata()?.len() < end {
            return Err(io::Error::other("it is shorter than what was audited"));
        }
        file.set_len(end)?;
        file.seek(io::SeekFrom::End(0))?;
        Ok(Checkpoints { file: Some(file), written, ..Checkpoints::default() })
    }

    /// Writes what was gathered and syncs it; gives how many there are.
    pub(super) fn flush(&mut self) -> io::Result<u64> {
        self.write()?;
        if let Some(file) = &self.file {
            file.sync_data()?;
        }
        Ok(self.written)
    }

    /// Takes the checkpoint of a group, once it holds.
    pub(super) fn push(&mut self, size: u64, root: Hash) -> io::Result<()> {
        self.gathered.push((size, root));
        if self.gathered.len() < GATHERED { Ok(()) } else { self.write() }
    }

    fn write(&mut self) -> io::Result<()> {
        let file = match &mut self.file {
            Some(file) => file,
            none => none.insert(tempfile::tempfile()?),
        };
        let bytes: Vec<u8> = self.gathered.iter().flat_map(|(s, r)| [&s.to_be_bytes()[..], &r.0].concat()).collect();
        file.write_all(&bytes)?;
        self.written += self.gathered.len() as u64;
        self.gathered.clear();
        Ok(())
    }

    /// Why what the signer of the entry at `index` says to have seen was not there by then, if it was not; `epochs` is the
    /// log's own, and how much of what that signer's epoch held is in this log, where it is not all.
    ///
    /// # Errors
    /// Checkpoints cannot be read back.
    pub(super) fn differ(
        &self,
        seen: &fact::Seen,
        index: u64,
        epochs: (u32, Option<u64>),
    ) -> Result<Option<String>, String> {
        let fact::Seen { epoch, size, root } = seen;
        let (now, kept) = epochs;
        if *epoch > now || *epoch == 0 {
            return Ok(Some(format!("its signer had seen epoch {epoch}, and this log is in epoch {now}")));
        }
        if kept.is_some_and(|kept| *size > kept) {
            // It was lost when an older state was put back, as the custodian's fact says: nothing is left to compare.
            return Ok(None);
        }
        if *size > index {
            return Ok(Some(format!("its signer had seen {size} entries, more than were there when it came")));
        }
        Ok(match self.root_of(*size).map_err(|e| format!("what was there cannot be read back: {e}"))? {
            Some(known) if known == *root => None,
            Some(_) => {
                Some(format!("its signer had seen another log: the root of the first {size} entries is not theirs"))
            }
            None => Some(format!("its signer had seen a checkpoint of {size} entries, and this log has none")),
        })
    }

    /// The root of so many entries, where a checkpoint said it.
    pub(super) fn root_of(&self, size: u64) -> io::Result<Option<Hash>> {
        if size == 0 {
            return Ok(Some(empty_root()));
        }
        if let Some((_, root)) = self.last.borrow().filter(|(known, _)| *known == size) {
            return Ok(Some(root));
        }
        let found = match self.gathered.binary_search_by_key(&size, |(known, _)| *known) {
            Ok(at) => Some(self.gathered[at].1),
            Err(_) => self.written_root(size)?,
        };
        *self.last.borrow_mut() = found.map(|root| (size, root));
        Ok(found)
    }

    fn written_root(&self, size: u64) -> io::Result<Option<Hash>> {
        let Some(file) = &self.file else { return Ok(None) };
        let (mut from, mut to) = (0, self.written);
        while from < to {
            let middle = from + (to - from) / 2;
            let mut record = [0; RECORD_BYTES as usize];
            file.read_exact_at(&mut record, middle * RECORD_BYTES)?;
            let (known, root) = record.split_at(8);
            match u64::from_be_bytes(known.try_into().expect("8 bytes")).cmp(&size) {
                std::cmp::Ordering::Equal => return Ok(Hash::from_slice(root)),
                std::cmp::Ordering::Less => from = middle + 1,
                std::cmp::Ordering::Greater => to = middle,
            }
        }
        Ok(None)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn checkpoints_are_found_whether_gathered_or_written() {
        let mut checkpoints = Checkpoints::default();
        for n in 1..3000u64 {
            checkpoints.push(n * 2, Hash::of(&n.to_be_bytes())).unwrap();
        }
        for n in [1u64, 2, 1023, 1024, 1025, 2048, 2999] {
            let seen = fact::Seen { epoch: 1, size: n * 2, root: Hash::of(&n.to_be_bytes()) };
            let differs = |seen: &fact::Seen, epochs| checkpoints.differ(seen, 10_000, epochs).unwrap().is_some();
            assert!(!differs(&seen, (1, None)));
            let between = fact::Seen { size: n * 2 + 1, ..seen };
            assert!(differs(&between, (1, None)));
            let other = fact::Seen { root: Hash::ZERO, ..seen };
            assert!(differs(&other, (1, None)));
            assert!(!differs(&other, (2, Some(n))), "lost with its epoch");
        }
    }
}
