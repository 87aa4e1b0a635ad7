//! What a good pack amounts to, in plain words and as one object.

use rinsebook_proto::bytes::Hash;
use rinsebook_proto::cosignature::Cosignature;
use rinsebook_proto::note::Checkpoint;
use serde_json::{Value, json};

use super::answers::Open;
use super::heads::Head;
use crate::render;
use crate::verify::Erased;
use crate::verify::otherwise::{self, SeenOtherwise};
use crate::verify::policy::told;

/// What a good pack amounts to.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct PackGood {
    /// To whom it was issued, and what for.
    pub issued_to: String,
    /// What for.
    pub purpose: String,
    /// When, Unix milliseconds.
    pub issued_ms: u64,
    /// The newest entry: up to it the pack is complete about its subjects.
    pub newest_index: u64,
    /// Subjects that it is complete about.
    pub subjects: u64,
    /// Entries.
    pub entries: u64,
    /// Of these, entries that no subject's chain reaches: proved to be in the log, no more.
    pub beside: u64,
    /// Signatures that hold.
    pub signatures: u64,
    /// Facts by keys that are never enrolled.
    pub unread: u64,
    /// Devices' reports whose signature holds.
    pub reports: u64,
    /// States of the log that signers had seen, each proved to be continued.
    pub views: u64,
    /// Devices whose facts say to have seen what this log never was: their word, told beside the verdict.
    pub seen_otherwise: Vec<SeenOtherwise>,
    /// Annexes and attachments that are there, counted each time that a fact names one.
    pub blobs: u64,
    /// What custodians wanted erased, of anybody's, and what came of it as far as the pack shows.
    pub erased: Vec<Erased>,
    /// Annexes that are held back.
    pub held_back: u64,
    /// Recorded answers that were derived again, word for word.
    pub answers: u64,
    /// Recorded answers by other rules than this program has.
    pub answers_of_other_rules: u64,
    /// Recorded answers about aircraft that the pack is not complete about.
    pub answers_elsewhere: u64,
    /// What is open.
    pub open: Vec<Open>,
    /// SHA-256 of the founding envelope.
    pub record: Hash,
    /// What everything was proved under.
    pub checkpoint: Option<Checkpoint>,
    /// Cosignatures of the witnesses that were named.
    pub cosignatures: Vec<Cosignature>,
    /// Whether the log key was the verifier's own.
    pub origin_proved: bool,
}

impl PackGood {
    /// What the checks add up to, without them: what was open on each aircraft, and the entries found good.
    pub fn sum(&self) -> impl std::fmt::Display {
        Sum(self)
    }

    pub(super) fn begun(head: &Head) -> PackGood {
        PackGood {
            issued_to: head.issued.issued_to.clone(),
            purpose: head.issued.purpose.clone(),
            issued_ms: head.issued_ms,
            newest_index: head.index,
            subjects: head.subjects.len() as u64,
            ..PackGood::default()
        }
    }

    /// As one object, under stable names; hashes in hex, instants in Unix milliseconds.
    pub fn to_json(&self) -> Value {
        let open = |open: &Open| json!({ "aircraft": open.aircraft, "items": open.items, "findings": open.findings });
        json!({
            "checked": true,
            "good": true,
            "issued_to": self.issued_to,
            "purpose": self.purpose,
            "issued_ms": self.issued_ms,
            "newest_index": self.newest_index,
            "subjects": self.subjects,
            "entries": self.entries,
            "beside": self.beside,
            "signatures": self.signatures,
            "unread": self.unread,
            "reports": self.reports,
            "views": self.views,
            "seen_otherwise": self.seen_otherwise.iter().map(SeenOtherwise::to_json).collect::<Vec<_>>(),
            "blobs": self.blobs,
            "erased": self.erased.iter().map(Erased::to_json).collect::<Vec<_>>(),
            "held_back": self.held_back,
            "answers": self.answers,
            "answers_of_other_rules": self.answers_of_other_rules,
            "answers_elsewhere": self.answers_elsewhere,
            "open": self.open.iter().map(open).collect::<Vec<_>>(),
            "record": self.record.to_string(),
            "origin": self.checkpoint.as_ref().map(|c| c.origin.clone()),
            "size": self.checkpoint.as_ref().map(|c| c.size),
            "root": self.checkpoint.as_ref().map(|c| c.root.to_string()),
            "cosigned_by": self.cosignatures.iter().map(|c| c.name.as_str()).collect::<Vec<_>>(),
            "origin_proved": self.origin_proved,
        })
    }

    fn lines(&self) -> Vec<(&'static str, String)> {
        let mut lines = vec![
            ("issued", format!("{} to {}", render::second(self.issued_ms), self.issued_to)),
            ("entry", format!("{} in the exact form, {} of them beside the chains", self.entries, self.beside)),
            (
                "link",
                format!("complete about {} subjects up to entry {}, its newest", self.subjects, self.newest_index),
            ),
            ("signature", format!("{} hold; {} unread, by keys that are never enrolled", self.signatures, self.unread)),
            ("report", format!("{} of devices hold", self.reports)),
            ("root", {
                let checkpoint = self.checkpoint.as_ref();
                let of = checkpoint.map(|c| format!("{} at {} entries", c.origin, c.size)).unwrap_or_default();
                format!("every entry is in {of}")
            }),
            ("seen", format!("{} states that signers had seen are continued by it", self.views)),
            ("blob", format!("{} named are there; {} annexes held back", self.blobs, self.held_back)),
        ];
        let blob = lines.len() - 1;
        let otherwise = self.seen_otherwise.iter().map(SeenOtherwise::line);
        drop(lines.splice(blob..blob, otherwise.chain(otherwise::advice(&self.seen_otherwise))));
        if !self.cosignatures.is_empty() {
            lines.push(("cosigned", told(&self.cosignatures)));
        }
        lines.extend(self.erased.iter().map(Erased::line));
        lines.push(("assessment", format!("{} recorded answers derived again, word for word", self.answers)));
        if self.answers_of_other_rules + self.answers_elsewhere > 0 {
            let (rules, elsewhere) = (self.answers_of_other_rules, self.answers_elsewhere);
            lines.push(("", format!("not compared: {rules} by other rules, {elsewhere} about other aircraft")));
        }
        lines
    }
}

impl std::fmt::Display for PackGood {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        for (check, result) in self.lines() {
            writeln!(f, "{check:<14}{result}")?;
        }
        write!(f, "\n{}", self.sum())
    }
}

/// See [`PackGood::sum`].
struct Sum<'g>(&'g PackGood);

impl std::fmt::Display for Sum<'_> {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        let Sum(good) = self;
        for open in &good.open {
            writeln!(f, "{} when it was issued, derived from these facts:", open.aircraft)?;
            if open.items.is_empty() {
                writeln!(f, "  nothing open in this record; this is not a release to service")?;
            }
            open.items.iter().try_for_each(|item| writeln!(f, "  open     {item}"))?;
            open.findings.iter().try_for_each(|finding| writeln!(f, "  found    {finding}"))?;
            writeln!(f)?;
        }
        write!(f, "good: {} entries{}", good.entries, otherwise::counted(&good.seen_otherwise))?;
        if !good.origin_proved {
            write!(f, "; consistent with itself, origin unproved: give --log-key")?;
        }
        Ok(())
    }
}
