//! What a verification comes to: a good log with its counts, or the first thing that is wrong and where.

use rinsebook_proto::bytes::Hash;

/// What a good log amounts to.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Good {
    /// Entries.
    pub entries: u64,
    /// Groups, each with a checkpoint that holds.
    pub groups: u64,
    /// Signatures by people and by the service that hold.
    pub signatures: u64,
    /// Devices' reports whose signature holds.
    pub reports: u64,
    /// Facts by keys that are never enrolled.
    pub unread: u64,
    /// The root over all entries.
    pub root: Hash,
    /// Whether the log key was the verifier's own.
    pub origin_proved: bool,
}

/// Why a log is not good, or was not checked.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum Fault {
    /// Checked and found bad.
    #[error("bad: {check}{}: {why}", place(*index, file.as_deref(), *offset))]
    Bad {
        /// The check's name.
        check: &'static str,
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

impl Good {
    /// The same as one object, under stable names; the root in hex.
    pub fn to_json(&self) -> serde_json::Value {
        serde_json::json!({
            "good": true,
            "entries": self.entries,
            "groups": self.groups,
            "signatures": self.signatures,
            "reports": self.reports,
            "unread": self.unread,
            "root": hex::encode(self.root.0),
            "origin_proved": self.origin_proved,
        })
    }
}

impl std::fmt::Display for Good {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        writeln!(f, "journal       every byte of the segment files accounted for")?;
        writeln!(f, "chain, links  {} entries, each naming those before it", self.entries)?;
        writeln!(f, "signatures    {} hold; {} reports of devices hold", self.signatures, self.reports)?;
        writeln!(f, "unread        {} facts by keys that are not enrolled", self.unread)?;
        writeln!(f, "checkpoints   {} signed roots hold", self.groups)?;
        let origin = if self.origin_proved { "" } else { "; consistent with itself, origin unproved: give --log-key" };
        write!(f, "good: {} entries, root {}{origin}", self.entries, self.root)
    }
}
