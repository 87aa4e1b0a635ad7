//! All that was recorded, indexed by what it is about. It grows by one entry at a time and never forgets; every answer
//! is derived from it afresh, as known at a size and judged at a time. The indices are in memory; the facts are too, or are
//! read back from the log where an answer asks for them.

mod facts;
mod growing;
mod resume;
mod stretch;
mod subjects;

use std::borrow::Cow;
use std::collections::BTreeSet;
use std::sync::Arc;

use hashbrown::HashMap;
use prost::Message;

use super::enrolments::{Enrolments, Texts, concerns_roster};
use super::held::Held;
use super::procedure::Procedure;
use super::roster::Roster;
use super::{Recorded, SignatureState, kind_name};
use crate::bytes::{Hash, Id};
use crate::fact::{Envelope, Kind, MAX_SERVICE_ENVELOPE_BYTES, REPORT_TYPE, Signed, Subject};
use crate::key::key_id;
use crate::v1;

pub use facts::ReadBack;
use facts::{Facts, Mark};
use growing::Growing;
pub use stretch::{OfSubject, Stretch};
use subjects::Subjects;

/// A device's word on itself, as the service recorded it.
#[derive(Debug, Clone, PartialEq)]
pub struct Heard {
    /// The entry that holds it.
    pub index: u64,
    /// When it came.
    pub received_ms: u64,
    /// What it said.
    pub report: v1::Report,
}

/// The recorded facts.
#[derive(Debug, Clone, Default)]
pub struct History {
    facts: Facts,
    by_kind: HashMap<&'static str, Vec<u64>>,
    subjects: Subjects,
    /// Those of the subjects that are aircraft: a question about one must not go through all that were ever washed.
    aircraft: BTreeSet<Id>,
    /// Envelopes that were named before they came, and what the facts are about that named them.
    awaited: HashMap<Hash, BTreeSet<Subject>>,
    /// By device: the first facts of its runs.
    run_starts: HashMap<Id, Vec<u64>>,
    /// By device and run: counters, with the entries that hold them.
    runs: HashMap<(Id, Id), Vec<(u64, u64)>>,
    reports: HashMap<Id, Vec<Heard>>,
    /// Digests of refused bytes, and the entries that say so.
    refused: HashMap<Hash, Vec<u64>>,
    refused_of: HashMap<Id, Vec<u64>>,
    /// By the entry that saw a fork: the second fact, and the first one's entry.
    forks: HashMap<u64, (Held, Option<u64>)>,
    /// Entries that saw one, by what either of the two facts is about.
    forks_about: HashMap<Subject, Vec<u64>>,
    /// Entries that publish or withdraw a revision of a procedure.
    revisions: Vec<u64>,
    /// Facts whose key nobody knows yet, by key id.
    waiting: HashMap<Hash, Vec<usize>>,
    texts: Texts,
    enrolments: Enrolments,
    /// What was added since it was asked for stretches.
    growing: Option<Growing>,
}

impl History {
    /// Nothing recorded yet; every fact stays in memory.
    pub fn new() -> Self {
        Self::default()
    }

    /// Nothing recorded yet; facts are read back from there, and those asked for last stay at hand, in about so many bytes.
    /// Answers come to more until [`let_go`](Self::let_go) is called.
    pub fn reading(from: Arc<dyn ReadBack>, most_bytes: usize) -> Self {
        History { facts: Facts::reading(from, most_bytes), ..Self::default() }
    }

    /// Takes the next entry. `attachment` gives the bytes kept beside the log by their digest; they precede the fact
    /// that names them.
    ///
    /// # Panics
    /// If the entry's index is not above the last one's: the log alone gives indices.
    pub fn add(&mut self, mut recorded: Recorded, attachment: &dyn Fn(&Hash) -> Option<Vec<u8>>) {
        self.enter(&mut recorded, attachment, true);
    }

    /// As [`add`](Self::add), of an entry that can be read back and will hardly be asked for soon: its fact is not kept.
    pub fn pass(&mut self, recorded: &mut Recorded, attachment: &dyn Fn(&Hash) -> Option<Vec<u8>>) {
        self.enter(recorded, attachment, false);
    }

    fn enter(&mut self, recorded: &mut Recorded, attachment: &dyn Fn(&Hash) -> Option<Vec<u8>>, keep: bool) {
        let good = match recorded.signature {
            SignatureState::Good => Some(true),
            SignatureState::Unchecked => self.check_late(recorded),
        };
        if good == Some(true) {
            recorded.signature = SignatureState::Good;
        }
        let recorded = &*recorded;
        let at = self.facts.push(Mark::new(recorded, good));
        if keep {
            // Before anything else: it may itself bring the key that it waits for.
            self.facts.keep(at, recorded.fact.clone());
        }
        if good.is_none() {
            self.waiting.entry(recorded.fact.header().author_key).or_default().push(at);
        }
        let kind = recorded.fact.kind();
        let numbers: Vec<u32> = recorded.fact.header().subjects.iter().map(|s| self.subjects.number(s)).collect();
        if let Some(growing) = &mut self.growing {
            let whole = recorded.signature != SignatureState::Good || kind.is_some_and(is_read_whole);
            growing.push(recorded, kind.map(kind_name), whole, &numbers, &self.subjects);
        }
        if let Some(kind) = kind {
            self.by_kind.entry(kind_name(kind)).or_default().push(recorded.index);
        }
        if matches!(kind, Some(Kind::ProcedurePublished(_) | Kind::ProcedureWithdrawn(_))) {
            self.revisions.push(recorded.index);
        }
        self.index_subjects(recorded, numbers);
        self.enrolments.hear(recorded);
        if self.take_in(recorded, attachment) {
            self.try_waiting();
        }
    }

    /// Makes room for so many more entries.
    pub fn reserve(&mut self, more: usize) {
        self.facts.reserve(more);
    }

    /// Lets facts go that were at hand, where these take more room than they were given; whoever drops them can do it when
    /// others may read on.
    pub fn let_go(&mut self) -> Vec<Arc<Signed>> {
        self.facts.let_go()
    }

    /// About what the facts at hand take; nothing where every fact stays.
    pub fn at_hand_bytes(&self) -> usize {
        self.facts.at_hand_bytes()
    }

    /// Whether the signature holds; none where its key is not known.
    fn check_late(&self, recorded: &Recorded) -> Option<bool> {
        let key = self.enrolments.roster().public_key(&recorded.fact.header().author_key)?;
        Some(recorded.fact.signed_by(&key))
    }

    /// `named`: the numbers of its subjects.
    fn index_subjects(&mut self, recorded: &Recorded, mut named: Vec<u32>) {
        let header = recorded.fact.header();
        for (number, subject) in named.iter().zip(&header.subjects) {
            self.subjects.add(*number, recorded.index);
            self.aircraft.extend(as_aircraft(subject));
        }
        named.retain(|number| *self.subjects.subject(*number) != Subject::Roster);
        named.extend(devices_named(recorded).into_iter().map(|id| self.subjects.number(&Subject::Device(id))));
        let growing = &mut self.growing;
        self.subjects.together(&mut named, |subjects, one, other| {
            if let Some(growing) = growing {
                growing.beside(one, other, subjects);
            }
        });
        self.runs.entry((header.device, header.run)).or_default().push((header.counter, recorded.index));
        if header.counter == 0 {
            self.run_starts.entry(header.device).or_default().push(recorded.index);
            self.awaits(header.previous, &[Subject::Device(header.device)]);
        }
        for named in &header.refers {
            self.awaits(*named, &header.subjects);
        }
    }

    /// An envelope named before it comes changes, when it does, the answers about all that named it.
    fn awaits(&mut self, named: Hash, about: &[Subject]) {
        if named != Hash::ZERO && self.by_hash(&named).is_none() {
            self.awaited.entry(named).or_default().extend(about.iter().cloned());
            if let Some(growing) = &mut self.growing {
                growing.awaits(named, about, &mut self.subjects);
            }
        }
    }

    /// What only the fact itself tells: see [`is_read_whole`]. Whether the roster has grown.
    fn take_in(&mut self, recorded: &Recorded, attachment: &dyn Fn(&Hash) -> Option<Vec<u8>>) -> bool {
        match recorded.fact.kind() {
            Some(Kind::ProcedurePublished(b)) => {
                let digest = b.text.as_ref().and_then(|t| Hash::from_slice(&t.digest));
                if let Some((digest, bytes)) = digest.and_then(|d| attachment(&d).map(|bytes| (d, bytes))) {
                    self.texts.entry(digest).or_insert_with(|| read_text(&bytes));
                }
            }
            Some(Kind::FactRefused(b)) => {
                if let (Some(digest), Some(device)) = (Hash::from_slice(&b.received_digest), Id::from_slice(&b.device))
                {
                    self.refused.entry(digest).or_default().push(recorded.index);
                    self.refused_of.entry(device).or_default().push(recorded.index);
                }
            }
            Some(Kind::DeviceReported(b)) => {
                if let Some((device, report)) = read_report(&b.report) {
                    self.awaits(Hash::from_slice(&report.head).unwrap_or_default(), &[Subject::Device(device)]);
                    let heard = Heard { index: recorded.index, received_ms: recorded.received_ms, report };
                    self.reports.entry(device).or_default().push(heard);
                }
            }
            Some(Kind::ForkSeen(b)) => self.index_fork(recorded, b),
            _ => {}
        }
        self.enrolments.take(recorded, &self.texts)
    }

    /// The service checked the second envelope's signature before it recorded it.
    fn index_fork(&mut self, recorded: &Recorded, b: &v1::ForkSeen) {
        let Ok(second) = Signed::parse(&b.envelope, MAX_SERVICE_ENVELOPE_BYTES) else { return };
        let header = second.header();
        let run = self.runs.get(&(header.device, header.run)).map_or(&[][..], Vec::as_slice);
        let first = run.iter().rev().find(|(counter, at)| *counter == header.counter && *at < recorded.index);
        let first = first.and_then(|(_, at)| self.held(*at)).map(|held| held.recorded.clone());
        let told = first.iter().map(|first| &*first.fact).chain([&second]);
        let mut named: BTreeSet<Subject> = told.flat_map(|fact| fact.header().subjects.iter().cloned()).collect();
        for subject in &named {
            self.forks_about.entry(subject.clone()).or_default().push(recorded.index);
        }
        named.insert(Subject::Device(second.header().device));
        named.remove(&Subject::Roster);
        let mut named: Vec<u32> = named.iter().map(|subject| self.subjects.number(subject)).collect();
        let growing = &mut self.growing;
        self.subjects.together(&mut named, |subjects, one, other| {
            if let Some(growing) = growing {
                growing.beside(one, other, subjects);
            }
        });
        let first = first.map(|first| first.index);
        let hash = second.hash();
        let second = Recorded { fact: Arc::new(second), signature: SignatureState::Good, ..recorded.clone() };
        self.forks.insert(recorded.index, (Held { recorded: second, hash, good: Some(true) }, first));
    }

    /// A key that came in, or came back when a revocation was judged, may tell what waits for it.
    fn try_waiting(&mut self) {
        let roster = self.enrolments.roster();
        let known: Vec<_> = self.waiting.keys().filter_map(|id| roster.public_key(id)).collect();
        for key in known {
            for at in self.waiting.remove(&key_id(&key)).unwrap_or_default() {
                let good = self.facts.at(at).recorded.fact.signed_by(&key);
                self.facts.set_good(at, good);
            }
        }
    }

    /// How many entries there are.
    pub fn size(&self) -> u64 {
        self.facts.last().map_or(0, |last| last.index + 1)
    }

    /// The roster as known now.
    pub fn roster(&self) -> &Roster {
        self.enrolments.roster()
    }

    /// The roster as known at a size. Only a revocation after it makes a difference that an index does not show.
    pub fn roster_at(&self, size: u64) -> &Roster {
        self.enrolments.at(size)
    }

    /// Since which entry the service's clock has been in doubt, as known at a size; none while it is not.
    pub fn clock_unsure_since(&self, size: u64) -> Option<u64> {
        self.enrolments.clock_unsure_since(size)
    }

    /// See [`Enrolments::at_less_revoked`].
    pub(super) fn roster_less_revoked(&self, point: u64, size: u64) -> Cow<'_, Roster> {
        self.enrolments.at_less_revoked(point, size, &self.texts)
    }

    /// Aircraft that were listed, or that a fact names, in the order of their ids.
    pub fn aircraft(&self) -> impl Iterator<Item = Id> {
        self.aircraft.iter().copied()
    }

    /// Whether this aircraft was listed, or some fact names it.
    pub fn knows_aircraft(&self, aircraft: &Id) -> bool {
        self.aircraft.contains(aircraft)
    }

    /// Aircraft whose answers may change by that entry: a superset.
    pub fn aircraft_touched(&self, index: u64) -> Vec<Id> {
        let Some(held) = self.held(index) else { return Vec::new() };
        let header = held.recorded.fact.header();
        let placing = matches!(held.recorded.fact.kind(), Some(Kind::AircraftListed(_) | Kind::EngineChanged(_)));
        // While the service's clock is in doubt nobody's answer is good.
        let doubted = held.recorded.clock_unsure && self.clock_unsure_since(index).is_none();
        let recall = matches!(held.recorded.fact.kind(), Some(Kind::ToolRecalled(_)));
        if doubted || recall || (header.subjects.contains(&Subject::Roster) && !placing) {
            return self.aircraft().collect();
        }
        let mut named: BTreeSet<Subject> = header.subjects.iter().cloned().collect();
        // Where a run begins is looked at with every wash of its device; all else that a device signs is about what it names.
        if header.counter == 0 && self.enrolments.roster().service_device() != Some(header.device) {
            named.insert(Subject::Device(header.device));
        }
        let refused = match held.recorded.fact.kind() {
            Some(Kind::FactRefused(b)) => Hash::from_slice(&b.received_digest),
            _ => None,
        };
        let waited = [Some(held.hash), refused].into_iter().flatten().filter_map(|hash| self.awaited.get(&hash));
        named.extend(waited.flatten().cloned());
        if named.contains(&Subject::Roster) && !header.subjects.contains(&Subject::Roster) {
            return self.aircraft().collect();
        }
        named.remove(&Subject::Roster);
        let washes = self.near(&named, |s| matches!(s, Subject::Wash(_)));
        let engines: BTreeSet<Subject> = self.near(&washes, |s| matches!(s, Subject::Engine(_)));
        let all: BTreeSet<Subject> = named.into_iter().chain(washes).chain(engines).collect();
        self.near(&all, |s| matches!(s, Subject::Aircraft(_))).iter().filter_map(as_aircraft).collect()
    }

    /// Whether that entry is a device's report which says no less than the one before it: nothing is unsent, and its newest
    /// fact is on the log, no older than before. Where no device is awaited
    /// ([`State::devices_heard_until_ms`](super::State::devices_heard_until_ms)) such a report changes no answer.
    pub fn is_heard_again(&self, index: u64) -> bool {
        let Some(held) = self.held(index).filter(|held| !held.recorded.clock_unsure) else { return false };
        let Some(Kind::DeviceReported(b)) = held.recorded.fact.kind() else { return false };
        let Some((device, report)) = read_report(&b.report).filter(|(_, report)| report.unsent == 0) else {
            return false;
        };
        let Some(before) = self.newest_report(&device, index) else { return false };
        let head_at = |report: &v1::Report| self.by_hash(&Hash::from_slice(&report.head)?).filter(|at| *at < index);
        match (head_at(&before.report), head_at(&report)) {
            (Some(before), Some(now)) => before <= now,
            _ => false,
        }
    }

    /// The entry at an index.
    pub fn recorded(&self, index: u64) -> Option<&Recorded> {
        self.held(index).map(|held| &held.recorded)
    }

    /// The entry at an index, for whoever goes through many and comes back to none: it is not kept at hand.
    pub fn glance(&self, index: u64) -> Option<Recorded> {
        self.facts.glance(index)
    }

    /// The index of the entry that holds the envelope of this hash.
    pub fn by_hash(&self, hash: &Hash) -> Option<u64> {
        self.facts.by_hash(hash)
    }

    /// The hash of the envelope at an index.
    pub fn hash_of(&self, index: u64) -> Option<Hash> {
        self.facts.mark(index).map(|mark| mark.hash)
    }

    /// Whether the signature at an index holds; not while its key is not known.
    pub(super) fn is_signed_well(&self, index: u64) -> bool {
        self.facts.mark(index).is_some_and(|mark| mark.good == Some(true))
    }

    /// When the entry at an index was received, Unix milliseconds.
    pub fn received_ms(&self, index: u64) -> Option<u64> {
        self.facts.mark(index).map(|mark| mark.received_ms)
    }

    /// Indices of the facts of a kind, by its [name](super::kind_name), ascending.
    pub fn facts_of_kind(&self, name: &str) -> &[u64] {
        self.by_kind.get(name).map_or(&[], Vec::as_slice)
    }

    /// Indices of the facts about a subject, ascending.
    pub fn facts_of(&self, subject: &Subject) -> &[u64] {
        self.subjects.facts(subject)
    }

    /// The newest report of a device below a size.
    pub fn newest_report(&self, device: &Id, size: u64) -> Option<&Heard> {
        self.reports.get(device)?.iter().rev().find(|heard| heard.index < size)
    }

    pub(super) fn held(&self, index: u64) -> Option<&Held> {
        self.facts.held(index)
    }

    /// The entries that record a refusal of bytes with this digest.
    pub(super) fn refusals(&self, digest: &Hash) -> &[u64] {
        self.refused.get(digest).map_or(&[], Vec::as_slice)
    }

    pub(super) fn refusals_of(&self, device: &Id) -> &[u64] {
        self.refused_of.get(device).map_or(&[], Vec::as_slice)
    }

    /// The second fact of the fork that an entry saw, and the first one's entry.
    pub(super) fn fork(&self, seen: u64) -> Option<&(Held, Option<u64>)> {
        self.forks.get(&seen)
    }

    /// Entries that saw a fork of facts about a subject.
    pub(super) fn forks_about(&self, subject: &Subject) -> &[u64] {
        self.forks_about.get(subject).map_or(&[], Vec::as_slice)
    }

    /// The entries that record the recall of a tool, whatever it was used on.
    pub(super) fn recalls(&self) -> &[u64] {
        self.facts_of_kind("tool-recalled")
    }

    /// The entries that publish or withdraw a revision of a procedure.
    pub(super) fn revisions(&self) -> &[u64] {
        &self.revisions
    }

    pub(super) fn run_starts(&self, device: &Id) -> &[u64] {
        self.run_starts.get(device).map_or(&[], Vec::as_slice)
    }

    pub(super) fn reports(&self, device: &Id) -> &[Heard] {
        self.reports.get(device).map_or(&[], Vec::as_slice)
    }

    /// Those subjects, and the ones named together with them, of the kind asked.
    pub(super) fn near(&self, of: &BTreeSet<Subject>, wanted: impl Fn(&Subject) -> bool) -> BTreeSet<Subject> {
        let beside = of.iter().flat_map(|s| self.subjects.named_with(s));
        of.iter().chain(beside).filter(|s| wanted(s)).cloned().collect()
    }
}

/// Facts of which more than their header is needed to know what later ones mean; the service's own look at lost places is
/// among them for whoever holds the runs.
fn is_read_whole(kind: &Kind) -> bool {
    let told = matches!(kind, Kind::FactRefused(_) | Kind::DeviceReported(_) | Kind::ForkSeen(_) | Kind::PlacesLost(_));
    told || concerns_roster(kind)
}

fn as_aircraft(subject: &Subject) -> Option<Id> {
    match subject {
        Subject::Aircraft(id) => Some(*id),
        _ => None,
    }
}

/// Devices that a fact puts beside its wash: those it names, and the one that sent it.
fn devices_named(recorded: &Recorded) -> Vec<Id> {
    let header = recorded.fact.header();
    let mut devices: Vec<Id> = match recorded.fact.kind() {
        Some(Kind::WashOpened(b)) => b.devices.iter().filter_map(|d| Id::from_slice(d)).collect(),
        Some(Kind::DeviceJoined(b)) => Id::from_slice(&b.device).into_iter().collect(),
        _ => Vec::new(),
    };
    if header.subjects.iter().any(|s| matches!(s, Subject::Wash(_))) {
        devices.push(header.device);
    }
    devices
}

fn read_text(bytes: &[u8]) -> Result<Arc<Procedure>, String> {
    let text = std::str::from_utf8(bytes).map_err(|_| "its text is not UTF-8".to_owned())?;
    Procedure::parse(text).map(Arc::new).map_err(|e| format!("its text cannot be read: {e}"))
}

/// The service checked the report's signature before it recorded it.
fn read_report(bytes: &[u8]) -> Option<(Id, v1::Report)> {
    let envelope = Envelope::parse(bytes, REPORT_TYPE, MAX_SERVICE_ENVELOPE_BYTES).ok()?;
    let report = v1::Report::decode(envelope.payload()).ok()?;
    Some((Id::from_slice(&report.device)?, report))
}
