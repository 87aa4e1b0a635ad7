//! The folder of a journal: which names it may hold, and what they say.

use super::{Damage, Fault, JournalError, disk::Disk};
use std::path::Path;

/// Name of the segment whose first record has this index: 20 digits, so that names sort as the indices do.
pub(super) fn segment_name(first: u64) -> String {
    format!("{first:020}.seg")
}

/// Name that a segment has until it is whole.
pub(super) fn unfinished_name(first: u64) -> String {
    format!("{first:020}.new")
}

/// What a folder holds.
#[derive(Debug, Default)]
pub(super) struct Folder {
    /// First indices of the segments, ascending.
    pub(super) segments: Vec<u64>,
    /// Segments begun and not finished: they never hold a group.
    pub(super) unfinished: Vec<String>,
}

impl Folder {
    /// Lists the folder; anything that is no part of a journal is damage.
    pub(super) fn read(disk: &dyn Disk, dir: &Path) -> Result<Self, JournalError> {
        let listed =
            disk.list(dir).map_err(|source| JournalError::io("list the folder", &dir.display().to_string(), source))?;
        let mut folder = Self::default();
        for name in listed {
            if let Some(first) = first_index(&name, ".seg") {
                folder.segments.push(first);
            } else if first_index(&name, ".new").is_some() {
                folder.unfinished.push(name);
            } else {
                return Err(JournalError::Damaged(whole_file(name, Fault::ForeignFile)));
            }
        }
        folder.segments.sort_unstable();
        Ok(folder)
    }
}

/// Checks that a segment begins where the one before ended: no file missing, none double.
pub(super) fn check_sequence(first: u64, next_index: u64) -> Result<(), JournalError> {
    let fault = match first.cmp(&next_index) {
        std::cmp::Ordering::Equal => return Ok(()),
        std::cmp::Ordering::Greater => Fault::MissingSegment(segment_name(next_index)),
        std::cmp::Ordering::Less => Fault::Overlap,
    };
    let damage = Damage { index: Some(next_index), ..whole_file(segment_name(first), fault) };
    Err(JournalError::Damaged(damage))
}

/// Damage that concerns a file as such.
pub(super) fn whole_file(file: String, fault: Fault) -> Damage {
    Damage { file, offset: 0, index: None, fault }
}

fn first_index(name: &str, suffix: &str) -> Option<u64> {
    let digits = name.strip_suffix(suffix)?;
    let well_formed = digits.len() == 20 && digits.bytes().all(|byte| byte.is_ascii_digit());
    well_formed.then(|| digits.parse().ok()).flatten()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn only_twenty_digits_and_the_suffix_make_a_segments_name() {
        assert_eq!(first_index(&segment_name(u64::MAX), ".seg"), Some(u64::MAX));
        for bad in ["7.seg", "+0000000000000000007.seg", "99999999999999999999.seg", "00000000000000000007.SEG"] {
            assert_eq!(first_index(bad, ".seg"), None, "{bad}");
        }
    }
}
