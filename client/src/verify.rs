//! The verifier: a whole log directory, checked with nothing but its bytes and a log key that the verifier brings.
//!
//! A bad log is reported under the first word that fits, and a second, finer one that tells people which of its
//! questions failed. An altered byte that is not caught by a frame's checksum breaks one of the middle four:
//!
//! | word | asks | finer |
//! |---|---|---|
//! | `journal` | every byte of every file is written whole and accounted for: headers, checksums, unused space | – |
//! | `chain` | everything stands at its place, once, in order | `frames` of the files; an entry's `index`, `previous entry`, `time received` |
//! | `signature` | every envelope is in the exact form, signed by whom it says, from a device enrolled then | `fact`, `founding`, `record`, `size`, `service`, `device`, `report` (devices' own), `signature` |
//! | `link` | every entry names those before it | `subjects`; `device chain` (places of runs, each naming the one before) |
//! | `root` | every group's checkpoint fits what stands before it, under the log key, and so does what every signer had seen | `checkpoint`, `log key`, `seen`; `entry` (bytes that are no entry at all) |
//! | `blob` | what facts name is there and is what they name, where a folder of blobs is given | – |
//!
//! The order is such that the most telling is named: a place that does not follow, then a signature that does not hold
//! (whatever else the altered fact breaks), then links, then the checkpoint. A fact whose key is never enrolled cannot be
//! checked; it is counted as unread.
//!
//! Who is enrolled is what the rules' roster says at the fact's own place, exactly as admission asks it. The log proves the
//! author; that a fact came from that very device is the service's word.
//!
//! Not followed here: a log that went on under another epoch or log key is reported under `root`. Custody that was
//! established anew by recovery keys enrols nobody here.
//!
//! An annex may be missing where a custodian's fact erased it, by the rules' own judgement; see [`Erased`].
//!
//! Memory grows with aircraft, engines, washes, devices, their runs, the custodian's facts, and by 40 bytes
//! with each group, by 32 with each attachment, by 24 with each wash that a key signed in; not with facts. Facts that came before their key was enrolled are read a second time in the end
//! instead of being held.

mod blobs;
mod checker;
mod command;
mod erased;
mod keys;
mod outcome;
pub mod pack;
mod places;
mod second;
mod seen;
#[cfg(test)]
mod testlog;
#[cfg(test)]
mod tests;
#[cfg(test)]
mod tests_blobs;
#[cfg(test)]
mod tests_enrolled;
#[cfg(test)]
mod tests_seen;

use std::path::Path;

use rinsebook_proto::journal::{self, JournalError, RealDisk};
use rinsebook_proto::note::VerifierKey;
use rinsebook_proto::rules::erasures::KEEP_SIGNER_NAME_YEARS;

use checker::Checker;
pub use command::{Args, run};
pub use erased::Erased;
pub use outcome::{BlobCounts, Fault, Good};

/// What a verification goes by.
#[derive(Debug, Clone, Copy)]
pub struct Asked<'a> {
    /// The verifier's own. Without it the founding fact's is used, and the log is proved consistent with itself only.
    pub log_key: Option<&'a VerifierKey>,
    /// The folder of annex and attachment bytes, to be checked too.
    pub blobs: Option<&'a Path>,
    /// For so many years a signer's name cannot be erased; as the service is configured.
    pub keep_signer_name_years: u32,
}

impl Default for Asked<'_> {
    fn default() -> Self {
        Self { log_key: None, blobs: None, keep_signer_name_years: KEEP_SIGNER_NAME_YEARS }
    }
}

/// What does not hold, before its place is known: see [`Fault::Bad`].
#[derive(Debug, Clone, PartialEq, Eq)]
struct Wrong {
    check: &'static str,
    part: &'static str,
    why: String,
}

impl Wrong {
    /// For `map_err` on what says why in words.
    fn of<E: std::fmt::Display>(check: &'static str, part: &'static str) -> impl Fn(E) -> Wrong {
        move |why| Wrong { check, part, why: why.to_string() }
    }
}

/// A check that failed.
#[derive(Debug, thiserror::Error)]
#[error("{}: {}: {}", wrong.check, wrong.part, wrong.why)]
struct Failed {
    wrong: Wrong,
    index: u64,
    /// Where the entry's frame begins in its file; none: the group as a whole is wrong.
    offset: Option<u64>,
}

/// Verifies the segment files in a folder.
///
/// # Errors
/// As [`check`].
pub fn log_dir(dir: &Path, log_key: Option<&VerifierKey>) -> Result<Good, Fault> {
    check(dir, &Asked { log_key, ..Asked::default() }, &mut |_| {})
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

fn fault(error: JournalError) -> Fault {
    if let Some(damage) = error.damage() {
        let (check, part) = word(&damage.fault);
        return Fault::Bad {
            check,
            part,
            index: damage.index,
            file: Some(damage.file.clone()),
            offset: Some(damage.offset),
            why: damage.fault.to_string(),
        };
    }
    match error {
        JournalError::Visit { file, offset, source, .. } => match source.downcast::<Box<Failed>>() {
            Ok(failed) => Fault::Bad {
                check: failed.wrong.check,
                part: failed.wrong.part,
                index: Some(failed.index),
                file: Some(file),
                offset: failed.offset.or(Some(offset)),
                why: failed.wrong.why,
            },
            Err(other) => Fault::CouldNot(other.to_string()),
        },
        other => Fault::CouldNot(other.to_string()),
    }
}

/// Frames that are well written by themselves and do not follow one another are a broken chain; all else is bytes that
/// nobody wrote so.
fn word(fault: &journal::Fault) -> (&'static str, &'static str) {
    use journal::Fault::*;
    match fault {
        HeaderFirst(_)
        | PreviousHash
        | Overlap
        | MissingSegment(_)
        | NotSealed
        | GroupFirst { .. }
        | MarkAmiss(_)
        | UnknownType(_)
        | BadBody(_)
        | OutOfPlace(_) => ("chain", "frames"),
        _ => ("journal", "journal"),
    }
}
