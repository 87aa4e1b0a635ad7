//! Audits: an auditor checked the whole log, and cosigned a checkpoint of it in their own name (C2SP tlog-cosignature).
//! What they hand in is kept, the newest of each, so that people are told how far the log was looked at, by whom and when.
//!
//! ```text
//! note ─► its form ─► this log's key ─► no larger than is known ─► this log's root ─► an auditor's line ─► time ─► file
//! ```
//!
//! The notes lie as `audits/<public key in hex>.note` below the data folder, as they were handed in, and are checked again
//! at each start. One that does not hold is put aside and told; it never keeps the service from starting.

use std::collections::BTreeMap;
use std::io::ErrorKind;
use std::path::{Path, PathBuf};
use std::sync::{Arc, Mutex, RwLock};

use rinsebook_proto::cosignature::cosigners;
use rinsebook_proto::note::{Checkpoint, CosignerKey};
use rinsebook_proto::tree::Tree;

use crate::config::Config;
use crate::error::CallError;
use crate::signing::Signing;
use crate::whole;

/// An auditor's clock may be ahead of the service's by so much (common practice, no source).
const AHEAD_SECONDS: u64 = 120;

/// What one auditor says to have checked.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Audit {
    /// The auditor's name, as the service is configured.
    pub auditor: String,
    /// Entries that were checked.
    pub size: u64,
    /// When it was cosigned, by the auditor's clock.
    pub unix_seconds: u64,
}

impl Audit {
    fn rank(&self) -> (u64, u64) {
        (self.size, self.unix_seconds)
    }
}

/// What came of an audit that was handed in.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct HandedIn {
    /// The audit.
    pub audit: Audit,
    /// Whether it is kept; false where a newer one by the same auditor stays.
    pub newest: bool,
}

/// See the module. Clones share what they know.
#[derive(Clone)]
pub struct Audits(Arc<Shared>);

struct Shared {
    dir: PathBuf,
    auditors: Vec<CosignerKey>,
    signing: Signing,
    /// The sequencer writes it; it runs ahead of what is known.
    tree: Arc<RwLock<Tree>>,
    /// The newest of each auditor, by the auditor's place in the configuration.
    kept: RwLock<BTreeMap<usize, Audit>>,
    /// Held while a note is compared with what is kept, and written.
    writing: Mutex<()>,
}

impl Audits {
    /// Reads what the configured auditors handed in before. The log has been opened, and is no larger than its tree.
    pub fn open(config: &Config, signing: Signing, tree: Arc<RwLock<Tree>>) -> Audits {
        let (dir, auditors) = (config.data.join("audits"), config.auditors.clone());
        let audits = Audits(Arc::new(Shared {
            dir,
            auditors,
            signing,
            tree,
            kept: RwLock::default(),
            writing: Mutex::default(),
        }));
        for (number, auditor) in audits.0.auditors.iter().enumerate() {
            let file = audits.0.file(auditor);
            let note = match std::fs::read(&file) {
                Ok(bytes) => String::from_utf8(bytes).map_err(|_| "it is no text".to_owned()),
                Err(error) if error.kind() == ErrorKind::NotFound => continue,
                Err(error) => {
                    tracing::warn!(file = %file.display(), %error, "an audit that was handed in cannot be read");
                    continue;
                }
            };
            match note.and_then(|note| audits.0.kept_before(auditor, &note)) {
                Ok(audit) => drop(audits.0.kept.write().expect(NO_PANIC).insert(number, audit)),
                Err(why) => put_aside(&file, &why),
            }
        }
        audits
    }

    /// Whether any auditor is configured.
    pub fn are_expected(&self) -> bool {
        !self.0.auditors.is_empty()
    }

    /// The newest of each auditor who handed one in, the furthest first.
    pub fn newest(&self) -> Vec<Audit> {
        let mut audits: Vec<Audit> = self.0.kept.read().expect(NO_PANIC).values().cloned().collect();
        audits.sort_by_key(|audit| std::cmp::Reverse(audit.rank()));
        audits
    }

    /// Takes a cosigned note, and keeps it where it is the newest of its auditor: synced, then told. `known` is the number
    /// of entries that are on disk and spoken of, `now_ms` service time. It waits for the disk.
    ///
    /// # Errors
    /// What is not a checkpoint of this log as it stands, cosigned by a configured auditor; a disk that takes nothing.
    pub fn hand_in(&self, note: &str, known: u64, now_ms: u64) -> Result<Vec<HandedIn>, CallError> {
        let Audits(shared) = self;
        let checkpoint = shared.opened(note)?;
        shared.is_ours(&checkpoint, known).map_err(|why| {
            // This log's own key signed it: that is for its keepers to know, whoever brought it.
            tracing::error!(size = checkpoint.size, known, "an audit was refused: {why}");
            refused(why)
        })?;
        let mut found = Vec::new();
        for (number, auditor) in shared.auditors.iter().enumerate() {
            let audit = audit(auditor, note, &checkpoint);
            found.extend(audit.map_err(refused)?.map(|audit| (number, audit)));
        }
        if found.is_empty() {
            let why = "none of the auditors that this service is configured with cosigned it; let whoever keeps the service \
                       put your key under [[auditor]] (`rinsebook key show FILE --cosigner NAME` prints it), then hand it \
                       in again";
            return Err(refused(why.to_owned()));
        }
        for (_, audit) in &found {
            let ahead = audit.unix_seconds.saturating_sub(now_ms / 1000);
            if ahead > AHEAD_SECONDS {
                let name = &audit.auditor;
                return Err(refused(format!(
                    "the cosignature by {name} is {ahead} seconds ahead of this service's clock; see which of the two \
                     clocks is wrong, and cosign again once it is right"
                )));
            }
        }
        found.into_iter().map(|(number, audit)| shared.keep(number, audit, note)).collect()
    }
}

const NO_PANIC: &str = "no holder of this lock panics";

fn refused(why: String) -> CallError {
    CallError::Field { field: "cosigned_note", why }
}

/// What this auditor says in a note's line, if there is one.
fn audit(auditor: &CosignerKey, note: &str, checkpoint: &Checkpoint) -> Result<Option<Audit>, String> {
    let mut found = cosigners(note, std::slice::from_ref(auditor)).map_err(|error| {
        format!("{error}: it was altered since it was cosigned; verify the log with --cosign again, and hand that in")
    })?;
    let (auditor, size) = (auditor.name().to_owned(), checkpoint.size);
    Ok(found.pop().map(|line| Audit { auditor, size, unix_seconds: line.unix_seconds }))
}

impl Shared {
    fn file(&self, auditor: &CosignerKey) -> PathBuf {
        self.dir.join(format!("{}.note", hex::encode(auditor.key().as_bytes())))
    }

    /// The checkpoint, if a key of this log's epoch signed it.
    fn opened(&self, note: &str) -> Result<Checkpoint, CallError> {
        let told = Checkpoint::read_unverified(note).map_err(|error| {
            refused(format!("{error}; hand in the file that `rinsebook verify` wrote with --cosigned FILE"))
        })?;
        let (theirs, ours) = (told.origin, self.signing.origin());
        if theirs != ours && self.signing.open_any(note).is_some() {
            return Err(refused(format!(
                "it is of {theirs}, an epoch that has ended; the log goes on as {ours}: verify it as it stands with \
                 --cosign, and hand that in"
            )));
        }
        if theirs != ours {
            let why = format!("it is of another log, {theirs}, and this is {ours}; hand it in where that log is kept");
            return Err(refused(why));
        }
        self.signing.open_of_epoch(note).map_err(|error| {
            refused(format!(
                "{error}; this log did not sign it, or it was altered since: verify the log with --log-key and --cosign, \
                 and hand that in"
            ))
        })
    }

    /// Whether this log is, or was at that size, what the checkpoint says.
    fn is_ours(&self, checkpoint: &Checkpoint, known: u64) -> Result<(), String> {
        let size = checkpoint.size;
        let proof = "keep the file, which is the proof, and show it to the custodian";
        if size > known {
            return Err(format!("it has {size} entries and this log {known}: entries are missing here; {proof}"));
        }
        if self.tree.read().expect(NO_PANIC).root(size) != checkpoint.root {
            return Err(format!("at {size} entries this log has another root: it was told in two ways; {proof}"));
        }
        Ok(())
    }

    /// A note that was kept, checked again. An epoch may have ended since: the entries below it are the same.
    fn kept_before(&self, auditor: &CosignerKey, note: &str) -> Result<Audit, String> {
        let checkpoint = self.signing.open_any(note).ok_or("no key of this log signed it, or it was altered")?;
        let known = self.tree.read().expect(NO_PANIC).size();
        self.is_ours(&checkpoint, known)?;
        let audit = audit(auditor, note, &checkpoint)?;
        audit.ok_or_else(|| format!("it bears no cosignature by {}", auditor.name()))
    }

    fn keep(&self, number: usize, audit: Audit, note: &str) -> Result<HandedIn, CallError> {
        let _alone = self.writing.lock().expect(NO_PANIC);
        let before = self.kept.read().expect(NO_PANIC).get(&number).map(Audit::rank);
        if before < Some(audit.rank()) {
            self.write(&self.file(&self.auditors[number]), note).map_err(|error| {
                tracing::error!(auditor = audit.auditor, %error, "an audit could not be kept");
                CallError::of_disk(&error)
            })?;
            tracing::info!(auditor = audit.auditor, size = audit.size, "an audit was handed in");
            self.kept.write().expect(NO_PANIC).insert(number, audit.clone());
        }
        Ok(HandedIn { newest: before <= Some(audit.rank()), audit })
    }

    /// Written beside its place, synced, put there, and the folder synced: it is there whole, the old one or the new.
    fn write(&self, file: &Path, note: &str) -> std::io::Result<()> {
        if !self.dir.is_dir() {
            std::fs::create_dir_all(&self.dir)?;
            std::fs::File::open(self.dir.parent().unwrap_or(Path::new(".")))?.sync_all()?;
        }
        whole::write(&file.with_extension("part"), file, &[note.as_bytes()])
    }
}

fn put_aside(file: &Path, why: &str) {
    let told = "an audit that was handed in does not hold";
    match whole::put_aside(file) {
        Ok(aside) => tracing::warn!(
            file = %file.display(), aside = %aside.display(),
            "{told} and is put aside: {why}; let the auditor audit the log anew"
        ),
        Err(error) => tracing::warn!(file = %file.display(), %error, "{told} and cannot be put aside: {why}"),
    }
}

#[cfg(test)]
mod tests;
