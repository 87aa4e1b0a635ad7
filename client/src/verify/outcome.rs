//! What a verification comes to: a good log with its counts, or the first thing that is wrong and where.

use std::process::ExitCode;

use rinsebook_proto::bytes::Hash;
use rinsebook_proto::cosignature::Cosignature;
use serde_json::{Value, json};

use super::erased::Erased;
use super::otherwise::{self, SeenOtherwise};
use super::policy::told;

/// What a good log amounts to.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Good {
    /// Segment files.
    pub segments: u64,
    /// Entries.
    pub entries: u64,
    /// Of these, entries that an earlier audit checked: they are the same, and were not checked again.
    pub resumed: u64,
    /// Groups, each with a checkpoint that holds.
    pub groups: u64,
    /// Signatures by people and by the service that hold.
    pub signatures: u64,
    /// Those of them that could be checked only once their key was enrolled.
    pub read_later: u64,
    /// Devices' reports whose signature holds.
    pub reports: u64,
    /// Facts by keys that are never enrolled.
    pub unread: u64,
    /// Runs of devices, each with all of its places.
    pub runs: u64,
    /// Places held by a refused fact.
    pub refused_places: u64,
    /// Places that a device's own report gave up.
    pub lost_places: u64,
    /// Annexes and attachments, where they were checked.
    pub blobs: Option<BlobCounts>,
    /// What custodians wanted erased, and what came of it; names where a folder of blobs was given.
    pub erased: Vec<Erased>,
    /// Devices whose facts say to have seen what this log never was: their word, told beside the verdict.
    pub seen_otherwise: Vec<SeenOtherwise>,
    /// SHA-256 of the founding envelope.
    pub record: Hash,
    /// The log's name and epoch, by its last checkpoint.
    pub origin: String,
    /// The last checkpoint, as the log signed it.
    pub note: String,
    /// Cosignatures of the witnesses that were named.
    pub cosignatures: Vec<Cosignature>,
    /// The root over all entries.
    pub root: Hash,
    /// Whether the log key was the verifier's own.
    pub origin_proved: bool,
}

/// Bytes beside the log that facts name.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub struct BlobCounts {
    /// There, and what was named; counted each time that a fact names one.
    pub held: u64,
    /// Annexes that are not there, and which a custodian's fact says were erased.
    pub erased: u64,
}

/// Why a log is not good, or was not checked.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum Fault {
    /// Checked and found bad.
    #[error("bad: {check}{}: {}{why}", place(*index, file.as_deref(), *offset), clause(check, part))]
    Bad {
        /// What does not hold: `journal`, `signature`, `chain`, `link`, `root` or `blob`; see [`super`].
        check: &'static str,
        /// Which of the things that this asks, such as `device chain`; for people.
        part: &'static str,
        /// The entry, where it is known.
        index: Option<u64>,
        /// The segment file.
        file: Option<String>,
        /// Where in it.
        offset: Option<u64>,
        /// What is wrong.
        why: String,
    },
    /// It could not be read.
    #[error("not checked: {0}")]
    CouldNot(String),
}

fn place(index: Option<u64>, file: Option<&str>, offset: Option<u64>) -> String {
    let entry = index.map(|i| format!(" entry {i}")).unwrap_or_default();
    match (file, offset) {
        (Some(file), Some(offset)) => format!("{entry} ({file}, offset {offset})"),
        _ => entry,
    }
}

fn clause(check: &str, part: &str) -> String {
    if part == check { String::new() } else { format!("{part}: ") }
}

/// Checked and found bad.
const BAD: u8 = 3;
/// Could not check.
const COULD_NOT: u8 = 5;

impl Fault {
    /// 3: checked and found bad; 5: could not check.
    pub fn exit_code(&self) -> ExitCode {
        match self {
            Fault::Bad { .. } => ExitCode::from(BAD),
            Fault::CouldNot(_) => ExitCode::from(COULD_NOT),
        }
    }

    /// The same as one object, under stable names; what is not known is null.
    pub fn to_json(&self) -> Value {
        match self {
            Fault::Bad { check, part, index, file, offset, why } => json!({
                "checked": true,
                "good": false,
                "check": check,
                "part": part,
                "index": index,
                "file": file,
                "offset": offset,
                "why": why,
            }),
            Fault::CouldNot(why) => json!({ "checked": false, "good": null, "why": why }),
        }
    }
}

impl Good {
    /// The same as one object, under stable names; hashes in hex; `blobs` is null where they were not checked.
    pub fn to_json(&self) -> Value {
        json!({
            "checked": true,
            "good": true,
            "segments": self.segments,
            "entries": self.entries,
            "resumed": self.resumed,
            "groups": self.groups,
            "signatures": self.signatures,
            "read_later": self.read_later,
            "reports": self.reports,
            "unread": self.unread,
            "runs": self.runs,
            "refused_places": self.refused_places,
            "lost_places": self.lost_places,
            "blobs": self.blobs.map(|b| json!({ "held": b.held, "erased": b.erased })),
            "erased": self.erased.iter().map(Erased::to_json).collect::<Vec<_>>(),
            "seen_otherwise": self.seen_otherwise.iter().map(SeenOtherwise::to_json).collect::<Vec<_>>(),
            "record": self.record.to_string(),
            "origin": self.origin,
            "cosigned_by": self.cosignatures.iter().map(|c| c.name.as_str()).collect::<Vec<_>>(),
            "root": self.root.to_string(),
            "origin_proved": self.origin_proved,
        })
    }

    fn journal(&self) -> String {
        match self.segments {
            0 => "read from static files; every hash tile is what the entries give".to_owned(),
            n => format!("every byte of {} accounted for", counted(n, "segment file")),
        }
    }

    fn lines(&self) -> Vec<(&'static str, String)> {
        let Good { entries, signatures, .. } = self;
        let blobs = match self.blobs {
            Some(b) => format!("{} named are there; {} annexes erased by a custodian's fact", b.held, b.erased),
            None => "not checked; give --blobs".to_owned(),
        };
        let mut lines = vec![
            ("journal", self.journal()),
            ("entry", format!("{entries} in the exact form")),
            ("fact", format!("{entries} in the exact form")),
            ("record", format!("every fact names {}", self.record.short())),
            ("chain", format!("{entries}, each naming the one before")),
            ("link", "each entry names those before it about the same subjects".to_owned()),
            ("time received", "never runs backwards".to_owned()),
            ("signature", format!("{signatures} hold; {} unread, by keys that are never enrolled", self.unread)),
            ("device", "every fact came from a device that was enrolled then".to_owned()),
            ("report", format!("{} of devices hold", self.reports)),
            ("device chain", {
                let runs = counted(self.runs, "run");
                format!("{runs} without a gap; places refused {}, lost {}", self.refused_places, self.lost_places)
            }),
            ("blob", blobs),
            (
                "seen",
                match self.seen_otherwise.iter().map(|found| found.facts).sum::<u64>() {
                    0 => "every signer had seen this log and no other".to_owned(),
                    n => format!("every signer had seen this log and no other, but for {}", counted(n, "fact")),
                },
            ),
            (
                "root",
                format!("{} hold; {} as the last says", counted(self.groups.max(1), "signed checkpoint"), self.origin),
            ),
        ];
        let root = lines.len() - 1;
        let otherwise = self.seen_otherwise.iter().map(SeenOtherwise::line);
        drop(lines.splice(root..root, otherwise.chain(otherwise::advice(&self.seen_otherwise))));
        let seen = root - 1;
        drop(lines.splice(seen..seen, self.erased.iter().map(Erased::line)));
        lines
    }
}

fn counted(count: u64, what: &str) -> String {
    format!("{count} {what}{}", if count == 1 { "" } else { "s" })
}

impl std::fmt::Display for Good {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        for (check, result) in self.lines() {
            writeln!(f, "{check:<14}{result}")?;
        }
        writeln!(f, "{:<14}{}", "", self.root)?;
        if !self.cosignatures.is_empty() {
            writeln!(f, "{:<14}{}", "cosigned", told(&self.cosignatures))?;
        }
        let entries = if self.entries == 1 { "entry" } else { "entries" };
        write!(f, "good: {} {entries}", self.entries)?;
        if self.resumed > 0 {
            write!(f, ", {} of them audited before", self.resumed)?;
        }
        f.write_str(&otherwise::counted(&self.seen_otherwise))?;
        if !self.origin_proved {
            write!(f, "; consistent with itself, origin unproved: give --log-key")?;
        }
        Ok(())
    }
}
