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
//! | `root` | every group's checkpoint fits what stands before it, under the log key, and so does what the service had seen | `checkpoint`, `log key`, `seen`; `entry` (bytes that are no entry at all) |
//! | `blob` | what facts name is there and is what they name, where a folder of blobs is given | – |
//!
//! The order is such that the most telling is named: a place that does not follow, then a signature that does not hold
//! (whatever else the altered fact breaks), then links, then the checkpoint. A fact whose key is never enrolled cannot be
//! checked; it is counted as unread.
//!
//! Who is enrolled is what the rules' roster says at the fact's own place, exactly as admission asks it. The log proves the
//! author; that a fact came from that very device is the service's word.
//!
//! A log that went on under another key or in another epoch is followed, as custodians' facts say: see
//! [`rinsebook_proto::succession`]. What a signer had seen of an epoch that was lost cannot be compared with anything.
//!
//! What people's facts say to have seen of the log, and it never was, is told beside the verdict; see [`SeenOtherwise`].
//!
//! An annex may be missing where a custodian's fact erased it, by the rules' own judgement; see [`Erased`].
//!
//! Memory grows with aircraft, engines, washes, devices, their runs, the custodian's facts, by 32 bytes with each attachment
//! and by 24 with each wash that a key signed in; not with facts. So does what an audit keeps to go on from. Facts that
//! came before their key was enrolled are read a second time in the end instead of being held.

mod ahead;
mod blobs;
mod checker;
mod command;
mod erased;
pub mod files;
mod held;
mod keys;
mod opened;
mod otherwise;
mod outcome;
pub mod pack;
mod places;
mod policy;
mod receipt;
mod roster_chain;
mod second;
mod seen;
mod state;
#[cfg(test)]
mod testlog;
#[cfg(test)]
mod tests;
#[cfg(test)]
mod tests_blobs;
#[cfg(test)]
mod tests_enrolled;
#[cfg(test)]
mod tests_resumed;
#[cfg(test)]
mod tests_seen;
pub mod tiles;

use std::path::Path;

use rinsebook_proto::bytes::Hash;
use rinsebook_proto::journal::{self, JournalError, RealDisk};
use rinsebook_proto::note::VerifierKey;
use rinsebook_proto::rules::erasures::KEEP_SIGNER_NAME_YEARS;
use rinsebook_proto::tree::{Edge, leaf_hash};

use ahead::{Audit, Batch};
use checker::Checker;
pub use command::{Args, run};
pub use erased::Erased;
pub use held::{COSIGNED_WITHIN_MS, Held};
pub use otherwise::SeenOtherwise;
pub use outcome::{BlobCounts, Fault, Good};
pub use policy::Policy;
pub use roster_chain::RosterChain;

/// What a verification goes by.
#[derive(Debug, Clone, Copy)]
pub struct Asked<'a> {
    /// The verifier's own. Without it the founding fact's is used, and the log is proved consistent with itself only.
    pub log_key: Option<&'a VerifierKey>,
    /// The folder of annex and attachment bytes, to be checked too.
    pub blobs: Option<&'a Path>,
    /// Where this audit's state is kept: it goes on from there, and leaves its own.
    pub state: Option<&'a Path>,
    /// Which witnesses must have cosigned the last checkpoint of static files; segment files bear no cosignatures.
    pub policy: Option<&'a Policy>,
    /// Checkpoints that the verifier holds from before.
    pub held: &'a [Held],
    /// For so many years a signer's name cannot be erased; as the service is configured.
    pub keep_signer_name_years: u32,
}

impl Default for Asked<'_> {
    fn default() -> Self {
        Self {
            log_key: None,
            blobs: None,
            state: None,
            policy: None,
            held: &[],
            keep_signer_name_years: KEEP_SIGNER_NAME_YEARS,
        }
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
    /// Which of the entries read together; none: they as a whole are wrong.
    at: Option<usize>,
}

/// Verifies the segment files in a folder.
///
/// # Errors
/// As [`check`].
pub fn log_dir(dir: &Path, log_key: Option<&VerifierKey>) -> Result<Good, Fault> {
    check(dir, &Asked { log_key, ..Asked::default() }, &mut |_| {})
}

/// Verifies the segment files in a folder; `progress` is told now and then how many entries were checked.
///
/// # Errors
/// [`Fault::Bad`] with the first thing that is wrong, [`Fault::CouldNot`] where something could not be read.
pub fn check(dir: &Path, asked: &Asked<'_>, progress: &mut dyn FnMut(u64)) -> Result<Good, Fault> {
    let mut audit = Audit::begin(begun(asked)?);
    // The next batch is there when the one before is taken.
    let (read, batches) = std::sync::mpsc::sync_channel(1);
    let (taken, scan) = std::thread::scope(|scope| {
        // The files are read while what was read before is checked.
        let reading = scope.spawn(move || {
            let mut batch = Batch::default();
            let scanned = journal::scan_giving(&RealDisk, dir, journal::Kind::Log, |group| {
                let last = last_hash(&group).0;
                let whole = batch.add(group).map_or(Ok(()), |batch| read.send(batch));
                whole.map(|()| last).map_err(|_| "nobody checks it any more")
            });
            // Where nobody takes it, something was found before it.
            let _ = read.send(batch);
            scanned
        });
        let taken = batches.into_iter().try_for_each(|batch| {
            let taken = audit.take(batch);
            progress(audit.checker.entries());
            taken
        });
        (taken, reading.join().unwrap_or_else(|panic| std::panic::resume_unwind(panic)))
    });
    // What was read before the scan ended comes before whatever ended it.
    taken.and_then(|()| audit.finish()).map_err(|found| found.fault())?;
    progress(audit.checker.entries());
    let scan = scan.map_err(fault)?;
    let Audit { mut checker, prefix, .. } = audit;
    if checker.entries() == 0 {
        return Err(Fault::CouldNot("the log has no entries yet".to_owned()));
    }
    if !prefix.is_whole() {
        return Err(Fault::CouldNot(
            "the log has fewer entries than were audited before; it was rolled back".to_owned(),
        ));
    }
    if let Some(file) = asked.state {
        state::keep(&mut checker, file).map_err(state::not_kept(file))?;
    }
    if checker.has_late_keys() {
        let mut again = checker.second_reading();
        journal::scan(&RealDisk, dir, journal::Kind::Log, |group| {
            let last = again.entries_from(group.first, &group.records).map_err(|e| placed(group, 0, e));
            progress(again.entries());
            last.map(|last| last.0)
        })
        .map_err(fault)?;
        let late = again.finish();
        checker.read_late(late)?;
    }
    checker.finish(scan.segments)
}

/// A new audit, or one that goes on.
fn begun(asked: &Asked<'_>) -> Result<Checker, Fault> {
    asked.state.map_or_else(|| Ok(Checker::new(asked)), |file| state::resume(asked, file))
}

/// The entries that were audited before: they are hashed again, and must give the root of then.
struct Prefix {
    edge: Edge,
    size: u64,
    root: Hash,
}

impl Prefix {
    fn of(checker: &Checker) -> Prefix {
        Prefix { edge: Edge::default(), size: checker.edge.size(), root: checker.edge.root() }
    }

    fn is_whole(&self) -> bool {
        self.edge.size() == self.size
    }

    /// Takes the `known` first entries of a group, which were audited before.
    fn take(&mut self, group: &journal::Group, known: usize) -> Result<(), Failed> {
        group.records[..known].iter().for_each(|data| self.edge.push(leaf_hash(data)));
        if known > 0 && self.is_whole() && self.edge.root() != self.root {
            let wrong = Wrong::of("root", "audited before")("these entries are not those that were audited before");
            return Err(Failed { wrong, index: group.first + known as u64 - 1, at: None });
        }
        Ok(())
    }
}

/// A failure in a group, where it stands in its file.
#[derive(Debug, thiserror::Error)]
#[error("{failed}")]
struct InGroup {
    failed: Failed,
    file: String,
    offset: u64,
}

impl InGroup {
    fn fault(self) -> Fault {
        Fault::Bad {
            check: self.failed.wrong.check,
            part: self.failed.wrong.part,
            index: Some(self.failed.index),
            file: Some(self.file),
            offset: Some(self.offset),
            why: self.failed.wrong.why,
        }
    }
}

fn placed(group: &journal::Group, first: usize, failed: Failed) -> Box<InGroup> {
    let offset = failed.at.and_then(|at| group.record_offsets.get(first + at).copied());
    Box::new(InGroup { failed, file: group.file.clone(), offset: offset.unwrap_or(group.offset) })
}

fn last_hash(group: &journal::Group) -> Hash {
    group.records.last().map_or(Hash::ZERO, |data| leaf_hash(data))
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
        JournalError::Visit { source, .. } => match source.downcast::<Box<InGroup>>() {
            Ok(found) => found.fault(),
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
