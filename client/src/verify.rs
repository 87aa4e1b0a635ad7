//! The verifier: a whole log directory, checked with nothing but its bytes and a log key that the verifier brings.
//!
//! Each check has a name, which a bad log is reported under: `journal` (every frame, group and unused byte), `entry`,
//! `chain`, `link`, `time received`, `fact` (exact bytes), `record` (every fact names this one), `signature`, `report` (devices' own
//! signatures), `device chain` (places of runs, each naming the one before), `root` (every group's checkpoint: signature,
//! size, root). A fact whose key is never enrolled cannot be checked; it is counted as unread.
//!
//! Not checked here: attachments named by facts; whether a device was enrolled when its facts were admitted (the log proves
//! the author, for the device it has the service's word). One log key is followed from the first entry to the last: a log
//! that went on under another epoch or key is reported under `root`. Memory grows with every fact, for
//! the places of runs, and holds every fact that is unread.

mod keys;
mod outcome;
#[cfg(test)]
mod testlog;
#[cfg(test)]
mod tests;

use std::path::Path;

use rinsebook_proto::bytes::{Hash, Id};
use rinsebook_proto::chain::{Held, MAX_LOST_PLACES, Place, Position, Runs};
use rinsebook_proto::entry::{Entry, EntryChain};
use rinsebook_proto::fact::{Kind, MAX_ENVELOPE_BYTES, MAX_SERVICE_ENVELOPE_BYTES, Signed};
use rinsebook_proto::journal::{self, Group, JournalError, RealDisk};
use rinsebook_proto::key;
use rinsebook_proto::note::{Checkpoint, VerifierKey};
use rinsebook_proto::tree::Edge;
use rinsebook_proto::v1::RefusalReason;

use keys::Keys;
pub use outcome::{Fault, Good};

/// A check that failed, before its place is known.
#[derive(Debug, thiserror::Error)]
#[error("{check}: {why}")]
struct Failed {
    check: &'static str,
    index: u64,
    why: String,
}

/// Verifies the segment files in a folder. With no key of the verifier's own, the founding fact's is used, and the log is
/// proved consistent with itself only.
pub fn log_dir(dir: &Path, log_key: Option<&VerifierKey>) -> Result<Good, Fault> {
    let mut checker =
        Checker { good: Good { origin_proved: log_key.is_some(), ..Good::default() }, ..Checker::default() };
    checker.log_key = log_key.cloned();
    let scanned = journal::scan(&RealDisk, dir, journal::Kind::Log, |group| checker.group(group).map_err(Box::new));
    if let Err(error) = scanned {
        return Err(fault(error));
    }
    if checker.good.entries == 0 {
        return Err(Fault::CouldNot("the log has no entries yet".to_owned()));
    }
    Ok(checker.finish())
}

fn fault(error: JournalError) -> Fault {
    if let Some(damage) = error.damage() {
        return Fault::Bad {
            check: "journal",
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
                offset: Some(offset),
                why: failed.why,
            },
            Err(other) => Fault::CouldNot(other.to_string()),
        },
        other => Fault::CouldNot(other.to_string()),
    }
}

#[derive(Default)]
struct Checker {
    log_key: Option<VerifierKey>,
    chain: EntryChain,
    edge: Edge,
    keys: Keys,
    runs: Runs,
    record: Hash,
    service_device: Option<Id>,
    /// Facts whose key is not enrolled so far: tried again when it is.
    waiting: Vec<Signed>,
    good: Good,
}

impl Checker {
    fn group(&mut self, group: &Group) -> Result<[u8; 32], Failed> {
        let mut last = Hash::ZERO;
        for (index, data) in (group.first..).zip(&group.records) {
            last = self.entry(index, data).map_err(|(check, why)| Failed { check, index, why })?;
        }
        let index = group.first + group.records.len() as u64 - 1;
        self.checkpoint(&group.end).map_err(|why| Failed { check: "root", index, why })?;
        self.good.groups += 1;
        Ok(last.0)
    }

    fn entry(&mut self, index: u64, data: &[u8]) -> Result<Hash, (&'static str, String)> {
        let entry = Entry::decode(data).map_err(|e| ("entry", e.to_string()))?;
        let fact = Signed::parse(&entry.envelope, MAX_SERVICE_ENVELOPE_BYTES).map_err(|e| ("fact", e.to_string()))?;
        let hash = self.chain.check(&entry, data, &fact.header().subjects).map_err(|e| {
            let check = match e.0 {
                why if why.starts_with("link:") => "link",
                why if why.starts_with("its time received") => "time received",
                _ => "chain",
            };
            (check, e.to_string())
        })?;
        self.edge.push(hash);
        if index == 0 {
            self.found(&fact).map_err(|why| ("record", why))?;
        } else if fact.header().record != self.record {
            return Err(("record", "it names another record".to_owned()));
        }
        let from_service = Some(fact.header().device) == self.service_device;
        if !from_service && entry.envelope.len() > MAX_ENVELOPE_BYTES {
            return Err(("fact", "it is larger than a device's fact may be".to_owned()));
        }
        self.place(index, &fact, from_service).map_err(|why| ("device chain", why))?;
        self.signature(fact, from_service)?;
        self.good.entries += 1;
        Ok(hash)
    }

    fn found(&mut self, fact: &Signed) -> Result<(), String> {
        let Some(Kind::RecordFounded(founded)) = fact.kind() else {
            return Err("the first entry is not the founding fact".to_owned());
        };
        if fact.header().record != Hash::ZERO {
            return Err("the founding fact names a record".to_owned());
        }
        self.record = fact.hash();
        self.service_device = Id::from_slice(&founded.service_device);
        self.keys.found(self.record, founded);
        let log_public_key = key::public_key(&founded.log_public_key).map_err(|e| e.to_string())?;
        let own = VerifierKey::new(&format!("{}/1", founded.origin_name), log_public_key);
        match &self.log_key {
            Some(key) if *key != own => {
                Err("the founding fact names another log or log key than the one given".to_owned())
            }
            Some(_) => Ok(()),
            None => {
                self.log_key = Some(own);
                Ok(())
            }
        }
    }

    fn signature(&mut self, fact: Signed, from_service: bool) -> Result<(), (&'static str, String)> {
        // The service alone signs for its own device, and for no other: its facts take places and speak of devices.
        if from_service != self.keys.is_service(&fact.header().author_key) {
            return Err(("signature", "the service's key and the service's device do not go together".to_owned()));
        }
        let Some(key) = self.keys.get(&fact.header().author_key) else {
            // The founding fact brings its own key, with proof of it: nothing can come later that would make it good.
            if fact.header().record == Hash::ZERO {
                return Err(("signature", "the founding fact does not prove the key that signed it".to_owned()));
            }
            self.waiting.push(fact);
            return Ok(());
        };
        if !fact.signed_by(&key) {
            return Err(("signature", "it does not hold under the key that the fact names".to_owned()));
        }
        self.good.signatures += 1;
        let Some(kind) = fact.kind() else { return Ok(()) };
        if from_service {
            let (report, about) = match kind {
                Kind::DeviceReported(b) => (&b.report, None),
                Kind::PlacesLost(b) => (&b.report, Some(b.device.as_slice())),
                _ => return Ok(()),
            };
            self.keys.check_report(report, about).map_err(|why| ("report", why))?;
            self.good.reports += 1;
        } else if self.keys.note(&fact, kind) {
            self.try_waiting();
        }
        Ok(())
    }

    /// A signature that does not hold under a key enrolled later stays unread; it was admitted before anyone could tell.
    fn try_waiting(&mut self) {
        let before = self.waiting.len();
        let keys = &self.keys;
        self.waiting.retain(|fact| !keys.get(&fact.header().author_key).is_some_and(|key| fact.signed_by(&key)));
        self.good.signatures += (before - self.waiting.len()) as u64;
    }

    fn place(&mut self, index: u64, fact: &Signed, from_service: bool) -> Result<(), String> {
        let header = fact.header();
        let (device, run) = (header.device, header.run);
        if self.runs.position(device, run, header.counter, &fact.hash()) != Position::Next {
            return Err(format!("place {} of its run is not the next", header.counter));
        }
        if self.runs.expected_previous(device, run).is_some_and(|expected| expected != header.previous) {
            return Err("it does not name what holds the place before it".to_owned());
        }
        self.runs.hold(device, run, Place { index, digest: fact.hash(), held: Held::Admitted });
        match fact.kind() {
            Some(Kind::FactRefused(b)) if from_service => {
                let reason = RefusalReason::try_from(b.reason).unwrap_or_default();
                let digest = Hash::from_slice(&b.received_digest).ok_or("a refusal without a digest")?;
                self.hold(&b.device, &b.run, b.counter, 1, Place { index, digest, held: Held::Refused(reason) })
            }
            Some(Kind::PlacesLost(b)) if from_service => {
                let beyond_first =
                    b.last_counter.checked_sub(b.first_counter).ok_or("a lost range that runs backwards")?;
                self.hold(
                    &b.device,
                    &b.run,
                    b.first_counter,
                    beyond_first.saturating_add(1),
                    Place { index, digest: Hash::ZERO, held: Held::Lost },
                )
            }
            _ => Ok(()),
        }
    }

    fn hold(&mut self, device: &[u8], run: &[u8], counter: u64, count: u64, place: Place) -> Result<(), String> {
        let (Some(device), Some(run)) = (Id::from_slice(device), Id::from_slice(run)) else {
            return Err("a service fact names no device or run".to_owned());
        };
        if counter != self.runs.next_counter(device, run) || count > MAX_LOST_PLACES {
            return Err("a service fact takes a place that is not the next".to_owned());
        }
        (0..count).for_each(|_| self.runs.hold(device, run, place));
        Ok(())
    }

    fn checkpoint(&self, end: &[u8]) -> Result<(), String> {
        let note = std::str::from_utf8(end).map_err(|_| "the checkpoint is no text".to_owned())?;
        let checkpoint = Checkpoint::open(note, self.log_key.as_slice()).map_err(|e| e.to_string())?;
        if checkpoint.size != self.edge.size() || checkpoint.root != self.edge.root() {
            return Err("the checkpoint has another size or root than the entries give".to_owned());
        }
        Ok(())
    }

    fn finish(mut self) -> Good {
        self.good.unread = self.waiting.len() as u64;
        self.good.root = self.edge.root();
        self.good
    }
}
