//! The plain view of a fact: a list of them is all that the slow model works on.

use std::sync::Arc;

use rinsebook_proto::bytes::{Hash, Id};
use rinsebook_proto::fact::{Header, Kind, Signed, Subject, engines_named};
use rinsebook_proto::rules::Recorded;
use rinsebook_proto::rules::procedure::Procedure;
use rinsebook_proto::v1::EngineAt;

use super::roster::{self, Roster, Standing};

/// One recorded fact. Times are whole Unix seconds: milliseconds are cut before any rule.
#[derive(Debug, Clone)]
pub struct Fact {
    /// Place in the log.
    pub index: u64,
    /// When the service received it.
    pub received_s: u64,
    /// When it happened; a correction may move it.
    pub happened_s: u64,
    /// When it was written down.
    pub recorded_s: u64,
    /// SHA-256 of its envelope.
    pub hash: Hash,
    /// Hashes of the corrections in force that stand in its place, oldest first.
    pub versions: Vec<Version>,
    /// What happened; none where the kind cannot be read.
    pub kind: Option<Kind>,
    signed: Arc<Signed>,
}

/// A replacement in force of a fact.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Version {
    /// The correction's envelope.
    pub hash: Hash,
    /// Torque, tool or locking differ from the version before: what named that one does not name this one.
    pub frees: bool,
}

impl Fact {
    /// The view of a recorded fact.
    pub fn of(recorded: &Recorded) -> Fact {
        let header = recorded.fact.header();
        Fact {
            index: recorded.index,
            received_s: recorded.received_ms / 1000,
            happened_s: header.happened_ms / 1000,
            recorded_s: header.recorded_ms / 1000,
            hash: recorded.fact.hash(),
            versions: Vec::new(),
            kind: recorded.fact.kind().cloned(),
            signed: recorded.fact.clone(),
        }
    }

    /// Its header as it was signed.
    pub fn header(&self) -> &Header {
        self.signed.header()
    }

    /// From when it counts: the lesser of happened and received.
    pub fn counts_from_s(&self) -> u64 {
        self.happened_s.min(self.received_s)
    }

    /// The washes it is about: more than one where it names a fact of another.
    pub fn washes(&self) -> Vec<Id> {
        self.header().subjects.iter().filter_map(|s| if let Subject::Wash(id) = s { Some(*id) } else { None }).collect()
    }

    /// The aircraft it is about.
    pub fn aircraft(&self) -> Option<Id> {
        self.header().subjects.iter().find_map(|s| if let Subject::Aircraft(id) = s { Some(*id) } else { None })
    }

    /// The engines that its kind names.
    pub fn engines(&self) -> Vec<&EngineAt> {
        self.kind.as_ref().map(engines_named).unwrap_or_default()
    }

    /// Whether it names the other: any version of it, where nothing that was inspected changed since.
    pub fn names(&self, other: &Fact) -> bool {
        let refers = &self.header().refers;
        let mut named = refers.contains(&other.hash);
        for version in &other.versions {
            named = (named && !version.frees) || refers.contains(&version.hash);
        }
        named
    }

    /// The hash that findings name it by: its newest version's.
    pub fn newest_hash(&self) -> Hash {
        self.versions.last().map_or(self.hash, |v| v.hash)
    }

    /// Its first instant, for an act that lasts.
    pub fn begun_s(&self) -> u64 {
        let begun_ms = match &self.kind {
            Some(Kind::CycleRun(b)) => b.motoring_started_ms,
            Some(Kind::MotoringAborted(b)) => b.motoring_started_ms,
            Some(Kind::DryCrankRun(b)) => b.motoring_started_ms,
            Some(Kind::RunUpDone(b)) => b.started_ms,
            _ => None,
        };
        begun_ms.map_or(self.happened_s, |ms| ms / 1000)
    }

    /// The line's name, for the kinds that are about one.
    pub fn line(&self) -> Option<&str> {
        match self.kind.as_ref()? {
            Kind::LineDisconnected(b) => Some(&b.line),
            Kind::LineReconnected(b) => Some(&b.line),
            Kind::Inspected(b) => Some(&b.line),
            Kind::LeakChecked(b) => Some(&b.line),
            Kind::LineRepaired(b) => Some(&b.line),
            Kind::PartReplaced(b) => Some(&b.line),
            Kind::JointDispositioned(b) => Some(&b.line),
            Kind::DefectRaised(b) if !b.line.is_empty() => Some(&b.line),
            Kind::ReinspectedAlone(b) if !b.line.is_empty() => Some(&b.line),
            _ => None,
        }
    }
}

/// All that was recorded, and the procedures' texts by digest.
#[derive(Debug, Clone, Default)]
pub struct Book {
    /// In the order of the log.
    pub facts: Vec<Fact>,
    /// Each with SHA-256 of its text.
    pub procedures: Vec<(Hash, Procedure)>,
    /// Who is enrolled and what they may do.
    pub roster: Roster,
    judged: Vec<(Standing, Option<Id>)>,
}

impl Book {
    /// The book of a log and the procedures' texts that lie beside it.
    pub fn of(recorded: &[Recorded], texts: &[&str]) -> Book {
        let read = |text: &&str| Procedure::parse(text).ok().map(|p| (Hash::of(text.as_bytes()), p));
        let facts = recorded.iter().map(Fact::of).collect();
        Book { facts, procedures: texts.iter().filter_map(read).collect(), ..Book::default() }
    }

    /// The first `size` facts.
    pub fn known_at(&self, size: u64) -> Book {
        let facts: Vec<Fact> = self.facts.iter().filter(|f| f.index < size).cloned().collect();
        let roster = Roster::of(&facts);
        let mut book = Book { facts, procedures: self.procedures.clone(), roster, judged: Vec::new() };
        let judged = |f: &Fact| (roster::standing(&book, f), roster::person(&book, f));
        book.judged = book.facts.iter().map(judged).collect();
        book
    }

    /// Some of its facts.
    pub fn only(&self, keep: impl Fn(&Fact) -> bool) -> Vec<Fact> {
        self.facts.iter().filter(|f| keep(f)).cloned().collect()
    }

    /// What the signature of one of its facts is worth, and who signed it. A corrected fact is judged as it reads now.
    pub fn judged(&self, fact: &Fact) -> (Standing, Option<Id>) {
        let as_signed = self.facts.iter().position(|f| f.hash == fact.hash && f.happened_s == fact.happened_s);
        match as_signed {
            Some(at) => self.judged[at],
            None => (roster::standing(self, fact), roster::person(self, fact)),
        }
    }
}
