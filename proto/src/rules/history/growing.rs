//! A stretch while it grows, entry by entry.

use hashbrown::HashMap;

use super::super::erasures::{Erasure, Erasures, Known};
use super::super::{Recorded, SignatureState};
use super::stretch::{Awaited, CLOCK_UNSURE, Heard, OfKind, OfRun, Stretch, UNCHECKED};
use super::subjects::Subjects;
use crate::bytes::{Hash, Id};
use crate::fact::Subject;

/// See the module.
#[derive(Debug, Clone, Default)]
pub(super) struct Growing {
    stretch: Stretch,
    hashes: Vec<u8>,
    received_ms: u64,
    /// By the history's number: the number in this stretch, plus one.
    numbers: Vec<u32>,
    /// By number: the facts about each, and what is named beside it.
    of_subjects: Vec<(Vec<u32>, Vec<u32>)>,
    /// Places in the lists of kinds and runs.
    kinds: HashMap<String, usize>,
    runs: HashMap<(Id, Id), usize>,
    /// Of these entries alone.
    erasures: Erasures,
}

impl Growing {
    pub(super) fn new(first: u64) -> Growing {
        Growing { stretch: Stretch { first, ..Stretch::default() }, ..Growing::default() }
    }

    /// Goes on with one that was put down.
    pub(super) fn again(stretch: Stretch, known: &mut Subjects) -> Growing {
        let run = |(at, of): (usize, &OfRun)| Some(((Id::from_slice(&of.device)?, Id::from_slice(&of.run)?), at));
        let mut erasures = Erasures::default();
        erasures.go_on(stretch.known());
        let mut numbers = Vec::new();
        for (own, of) in (1..).zip(stretch.subjects.each()) {
            let number = known.number(&of.subject) as usize;
            numbers.resize(numbers.len().max(number + 1), 0);
            numbers[number] = own;
        }
        Growing {
            received_ms: stretch.times_ms().last().unwrap_or(0),
            numbers,
            of_subjects: stretch.subjects.each().map(|of| (of.at.to_vec(), of.beside.to_vec())).collect(),
            kinds: stretch.kinds.iter().enumerate().map(|(at, of)| (of.name.clone(), at)).collect(),
            runs: stretch.runs.iter().enumerate().filter_map(run).collect(),
            hashes: stretch.hashes.to_vec(),
            erasures,
            stretch,
        }
    }

    /// The next entry; `whole`: it has to be read whole; `about`: the numbers of its subjects.
    pub(super) fn push(
        &mut self,
        recorded: &Recorded,
        kind: Option<&'static str>,
        whole: bool,
        about: &[u32],
        known: &Subjects,
    ) {
        let at = self.stretch.marks.len() as u32;
        let header = recorded.fact.header();
        self.hashes.extend_from_slice(&recorded.fact.hash().0);
        // A log's times never go back; those of other lists may, and come out right all the same.
        self.stretch.received_ms.push(recorded.received_ms.wrapping_sub(self.received_ms));
        self.received_ms = recorded.received_ms;
        let unsure = if recorded.clock_unsure { CLOCK_UNSURE } else { 0 };
        let unchecked = if recorded.signature == SignatureState::Good { 0 } else { UNCHECKED };
        self.stretch.marks.push(unsure | unchecked);
        if let Some(name) = kind {
            let number = *self.kinds.entry_ref(name).or_insert_with(|| {
                self.stretch.kinds.push(OfKind { name: name.to_owned(), at: Vec::new() });
                self.stretch.kinds.len() - 1
            });
            self.stretch.kinds[number].at.push(at);
        }
        for number in about {
            let number = self.number(*number, known);
            self.of_subjects[number as usize].0.push(at);
        }
        let run = *self.runs.entry((header.device, header.run)).or_insert_with(|| {
            let (device, run) = (header.device.to_vec(), header.run.to_vec());
            self.stretch.runs.push(OfRun { device, run, counters: Vec::new(), at: Vec::new() });
            self.stretch.runs.len() - 1
        });
        self.stretch.runs[run].counters.push(header.counter);
        self.stretch.runs[run].at.push(at);
        if whole {
            self.stretch.whole.push(at);
        }
        self.erasures.hear(recorded);
    }

    /// The number in this stretch of the subject that has this one.
    fn number(&mut self, number: u32, known: &Subjects) -> u32 {
        self.numbers.resize(self.numbers.len().max(number as usize + 1), 0);
        let own = &mut self.numbers[number as usize];
        if *own == 0 {
            let (columns, subject) = (&mut self.stretch.subjects, known.subject(number));
            columns.kinds.push(subject.kind() as u8);
            columns.id_lengths.push(subject.id().len() as u8);
            columns.ids.extend_from_slice(subject.id());
            self.of_subjects.push(Default::default());
            *own = self.of_subjects.len() as u32;
        }
        *own - 1
    }

    /// A subject is named beside another for the first time.
    pub(super) fn beside(&mut self, one: u32, other: u32, known: &Subjects) {
        let (one, other) = (self.number(one, known), self.number(other, known));
        self.of_subjects[one as usize].1.push(other);
    }

    /// An envelope is named that has not come.
    pub(super) fn awaits(&mut self, hash: Hash, about: &[Subject], known: &mut Subjects) {
        let about = about.iter().map(|subject| {
            let number = known.number(subject);
            self.number(number, known)
        });
        let about = about.collect();
        self.stretch.awaited.push(Awaited { hash: hash.to_vec(), about });
    }

    /// What it came to, with the erasures that were judged in it.
    pub(super) fn done(self, judged: &[Erasure]) -> Stretch {
        let judged = judged.iter().filter(|erasure| erasure.index >= self.stretch.first).cloned().collect();
        let known = Known { judged, ..self.erasures.known() };
        let (hashes, heard) = (self.hashes.into(), Some(Heard::of(&known)));
        let mut stretch = Stretch { hashes, heard, ..self.stretch };
        let columns = &mut stretch.subjects;
        columns.counts = self.of_subjects.iter().map(|(at, _)| at.len() as u32).collect();
        columns.at = self.of_subjects.iter().flat_map(|(at, _)| at).copied().collect();
        columns.beside_counts = self.of_subjects.iter().map(|(_, beside)| beside.len() as u32).collect();
        columns.beside = self.of_subjects.iter().flat_map(|(_, beside)| beside).copied().collect();
        stretch
    }
}
