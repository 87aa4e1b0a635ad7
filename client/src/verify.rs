//! The verifier: a whole log directory, checked with nothing but its bytes and a log key that the verifier brings.
//!
//! Each check has a name, which a bad log is reported under: `journal` (every frame, group and unused byte), `entry`,
//! `chain`, `link`, `time received`, `fact` (exact bytes), `record` (every fact names this one), `signature`, `report`
//! (devices' own signatures), `device chain` (places of runs, each naming the one before), `root` (every group's
//! checkpoint: signature, size, root) and, where a folder of blobs is given, `blob` (what facts name is there, and is what
//! they name). An entry that is not even what its group's checkpoint signed is reported under `signature`, `chain` or `link`
//! where it breaks these, and under `root` otherwise; frames that were written whole and do not follow one another break
//! the `chain`. A fact whose key is never enrolled cannot be checked; it is counted as unread.
//!
//! Not checked here: whether a device was enrolled when its facts were admitted (the log proves the author, for the
//! device it has the service's word). One log key is followed from the first entry to the last: a log that went on under
//! another epoch or key is reported under `root`. Custody that was established anew by recovery keys enrols nobody here.
//!
//! Memory grows with aircraft, engines, washes, devices, their runs, keys and erased annexes, not with facts. Facts that came before
//! their key was enrolled are read a second time in the end instead of being held.

mod blobs;
mod checker;
mod command;
mod keys;
mod outcome;
mod places;
#[cfg(test)]
mod testlog;
#[cfg(test)]
mod tests;
#[cfg(test)]
mod tests_blobs;

use std::path::Path;

use rinsebook_proto::journal::{self, JournalError, RealDisk};
use rinsebook_proto::note::VerifierKey;

use checker::Checker;
pub use command::{Args, run};
pub use outcome::{BlobCounts, Fault, Good};

/// What a verification goes by.
#[derive(Debug, Clone, Copy, Default)]
pub struct Asked<'a> {
    /// The verifier's own. Without it the founding fact's is used, and the log is proved consistent with itself only.
    pub log_key: Option<&'a VerifierKey>,
    /// The folder of annex and attachment bytes, to be checked too.
    pub blobs: Option<&'a Path>,
}

/// A check that failed, before its place is known.
#[derive(Debug, thiserror::Error)]
#[error("{check}: {why}")]
struct Failed {
    check: &'static str,
    index: u64,
    /// Where the entry's frame begins in its file; none: the group as a whole is wrong.
    offset: Option<u64>,
    why: String,
}

/// Verifies the segment files in a folder.
///
/// # Errors
/// As [`check`].
pub fn log_dir(dir: &Path, log_key: Option<&VerifierKey>) -> Result<Good, Fault> {
    check(dir, &Asked { log_key, blobs: None }, &mut |_| {})
}

/// Verifies the segment files in a folder; `progress` is told after each group how many entries were checked.
///
/// # Errors
/// [`Fault::Bad`] with the first thing that is wrong, [`Fault::CouldNot`] where something could not be read.
pub fn check(dir: &Path, asked: &Asked<'_>, progress: &mut dyn FnMut(u64)) -> Result<Good, Fault> {
    let mut checker = Checker::new(asked);
    let scan = journal::scan(&RealDisk, dir, journal::Kind::Log, |group| {
        let last = checker.group(group).map_err(Box::new);
        progress(checker.entries());
        last
    });
    let scan = scan.map_err(fault)?;
    if checker.entries() == 0 {
        return Err(Fault::CouldNot("the log has no entries yet".to_owned()));
    }
    if checker.has_late_keys() {
        let mut again = checker.second_reading();
        journal::scan(&RealDisk, dir, journal::Kind::Log, |group| {
            again.group(group).map_err(Box::new).inspect(|_| progress(again.entries()))
        })
        .map_err(fault)?;
        let (late, root) = again.finish();
        checker.read_late(late, root)?;
    }
    checker.finish(scan.segments)
}

/// Frames that were written whole and still do not follow one another: it is their chain that is broken, not the disk.
fn follows_not(fault: &journal::Fault) -> bool {
    use journal::Fault as F;
    matches!(
        fault,
        F::UnknownType(_)
            | F::BadBody(_)
            | F::OutOfPlace(_)
            | F::GroupFirst { .. }
            | F::MarkAmiss(_)
            | F::Overlap
            | F::PreviousHash
    )
}

fn fault(error: JournalError) -> Fault {
    if let Some(damage) = error.damage() {
        return Fault::Bad {
            check: if follows_not(&damage.fault) { "chain" } else { "journal" },
            index: damage.index,
            file: Some(damage.file.clone()),
            offset: Some(damage.offset),
            why: damage.fault.to_string(),
        };
    }
    match error {
        JournalError::Visit { file, offset, source, .. } => match source.downcast::<Box<Failed>>() {
            Ok(failed) => Fault::Bad {
                check: failed.check,
                index: Some(failed.index),
                file: Some(file),
                offset: failed.offset.or(Some(offset)),
                why: failed.why,
            },
            Err(other) => Fault::CouldNot(other.to_string()),
        },
        other => Fault::CouldNot(other.to_string()),
    }
}
