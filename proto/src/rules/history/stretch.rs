//! What the history keeps of a stretch of the log, in a form that can be put down and taken up again: the next start then
//! reads this in place of the entries. Of these only the few are read whole that the roster, devices and forks are made of.
//!
//! It goes on from the stretches before it: what they hold already (a subject named beside another) is not said again. Places
//! in it count from its first entry.

use bytes::Bytes;

use super::super::erasures::{Erasure, Known, Signer};
use super::super::{Recorded, SignatureState};
use super::Mark;
use crate::bytes::{Hash, Id};
use crate::fact::Subject;

pub(super) const CLOCK_UNSURE: u8 = 1;
pub(super) const UNCHECKED: u8 = 2;

/// See the module. Only [`Stretch::fits`] makes sure that one that was read is of use.
#[derive(Clone, PartialEq, prost::Message)]
pub struct Stretch {
    /// Index of the first entry.
    #[prost(uint64, tag = "1")]
    pub first: u64,
    /// SHA-256 of each envelope, one after another.
    #[prost(bytes = "bytes", tag = "2")]
    pub hashes: Bytes,
    /// When each was received, Unix milliseconds; from the second on how much later than the one before.
    #[prost(uint64, repeated, tag = "3")]
    pub received_ms: Vec<u64>,
    /// Of each: 1 the clock was in doubt, 2 its signature is not checked.
    #[prost(bytes = "vec", tag = "4")]
    pub marks: Vec<u8>,
    /// Facts by kind.
    #[prost(message, repeated, tag = "5")]
    pub kinds: Vec<OfKind>,
    /// Facts by subject.
    #[prost(message, required, tag = "6")]
    pub subjects: Subjects,
    /// Facts by device and run.
    #[prost(message, repeated, tag = "7")]
    pub runs: Vec<OfRun>,
    /// Envelopes that were named before they came.
    #[prost(message, repeated, tag = "8")]
    pub awaited: Vec<Awaited>,
    /// Entries that have to be read whole.
    #[prost(uint32, repeated, tag = "9")]
    pub whole: Vec<u32>,
    /// What erasures rest on.
    #[prost(message, optional, tag = "10")]
    pub heard: Option<Heard>,
}

/// The facts of one kind.
#[derive(Clone, PartialEq, prost::Message)]
pub struct OfKind {
    /// Its name.
    #[prost(string, tag = "1")]
    pub name: String,
    /// Their places.
    #[prost(uint32, repeated, tag = "2")]
    pub at: Vec<u32>,
}

/// Subjects, in columns: of many thousands a list for each would be most of the work.
#[derive(Clone, PartialEq, prost::Message)]
pub struct Subjects {
    /// The kind of each in a header.
    #[prost(bytes = "vec", tag = "1")]
    pub kinds: Vec<u8>,
    /// How long the id of each is.
    #[prost(bytes = "vec", tag = "2")]
    pub id_lengths: Vec<u8>,
    /// Their ids, one after another.
    #[prost(bytes = "vec", tag = "3")]
    pub ids: Vec<u8>,
    /// How many facts are about each; none where it is only named beside another.
    #[prost(uint32, repeated, tag = "4")]
    pub counts: Vec<u32>,
    /// The places of these, those of the first subject first.
    #[prost(uint32, repeated, tag = "5")]
    pub at: Vec<u32>,
    /// How many subjects are named beside each for the first time.
    #[prost(uint32, repeated, tag = "6")]
    pub beside_counts: Vec<u32>,
    /// Their numbers in this list, those beside the first subject first.
    #[prost(uint32, repeated, tag = "7")]
    pub beside: Vec<u32>,
}

/// One subject of a stretch.
#[derive(Debug, Clone, PartialEq)]
pub struct OfSubject<'s> {
    /// The subject.
    pub subject: Subject,
    /// The places of the facts about it.
    pub at: &'s [u32],
    /// Subjects named beside it for the first time, by number.
    pub beside: &'s [u32],
}

/// The facts of one run.
#[derive(Clone, PartialEq, prost::Message)]
pub struct OfRun {
    /// The device.
    #[prost(bytes = "vec", tag = "1")]
    pub device: Vec<u8>,
    /// The run.
    #[prost(bytes = "vec", tag = "2")]
    pub run: Vec<u8>,
    /// Their counters.
    #[prost(uint64, repeated, tag = "3")]
    pub counters: Vec<u64>,
    /// Their places.
    #[prost(uint32, repeated, tag = "4")]
    pub at: Vec<u32>,
}

/// An envelope that was named before it came.
#[derive(Clone, PartialEq, prost::Message)]
pub struct Awaited {
    /// Its hash.
    #[prost(bytes = "vec", tag = "1")]
    pub hash: Vec<u8>,
    /// What the facts are about that named it: numbers in the list of subjects.
    #[prost(uint32, repeated, tag = "2")]
    pub about: Vec<u32>,
}

/// See [`Known`], of which this is the form.
#[derive(Clone, PartialEq, prost::Message)]
pub struct Heard {
    /// Erasures that were judged.
    #[prost(message, repeated, tag = "1")]
    pub judged: Vec<Judged>,
    /// Digests named as attachments, one after another.
    #[prost(bytes = "vec", tag = "2")]
    pub attachments: Vec<u8>,
    /// What each key signed of washes.
    #[prost(message, repeated, tag = "3")]
    pub signed: Vec<SignedBy>,
    /// Washes that were signed off, one after another.
    #[prost(bytes = "vec", tag = "4")]
    pub signed_off: Vec<u8>,
    /// When the last sign-off of each was received, Unix milliseconds.
    #[prost(uint64, repeated, tag = "5")]
    pub signed_off_ms: Vec<u64>,
}

/// See [`Erasure`].
#[derive(Clone, PartialEq, prost::Message)]
#[allow(missing_docs)] // Field by field what an erasure has.
pub struct Judged {
    #[prost(bytes = "vec", tag = "1")]
    pub digest: Vec<u8>,
    #[prost(bytes = "vec", tag = "2")]
    pub fact: Vec<u8>,
    #[prost(uint64, tag = "3")]
    pub index: u64,
    #[prost(uint64, tag = "4")]
    pub at_ms: u64,
    #[prost(bytes = "vec", tag = "5")]
    pub by: Vec<u8>,
    #[prost(string, tag = "6")]
    pub reason: String,
    #[prost(bool, tag = "7")]
    pub attachment: bool,
    #[prost(bytes = "vec", optional, tag = "8")]
    pub signer: Option<Vec<u8>>,
    #[prost(uint64, tag = "9")]
    pub signer_last_ms: u64,
    #[prost(bool, tag = "10")]
    pub clock_unsure: bool,
}

/// What a key signed of washes.
#[derive(Clone, PartialEq, prost::Message)]
pub struct SignedBy {
    /// The key's id.
    #[prost(bytes = "vec", tag = "1")]
    pub key: Vec<u8>,
    /// When the last was received, Unix milliseconds.
    #[prost(uint64, tag = "2")]
    pub last_ms: u64,
    /// The washes, one after another.
    #[prost(bytes = "vec", tag = "3")]
    pub washes: Vec<u8>,
}

impl Stretch {
    /// Entries.
    pub fn entries(&self) -> u64 {
        self.marks.len() as u64
    }

    /// Behind the last entry.
    pub fn end(&self) -> u64 {
        self.first + self.entries()
    }

    /// Whether every length, place, number and id is one: what holds that can be taken up.
    pub fn fits(&self) -> bool {
        let entries = self.marks.len();
        let places = |at: &[u32]| at.iter().all(|at| (*at as usize) < entries) && at.is_sorted();
        let subjects = self.subjects.fit(entries);
        let numbers = |list: &[u32]| list.iter().all(|number| (*number as usize) < self.subjects.kinds.len());
        let run = |run: &OfRun| {
            let ids = Id::from_slice(&run.device).is_some() && Id::from_slice(&run.run).is_some();
            ids && run.counters.len() == run.at.len() && places(&run.at)
        };
        let awaited = |awaited: &Awaited| Hash::from_slice(&awaited.hash).is_some() && numbers(&awaited.about);
        (self.hashes.len(), self.received_ms.len()) == (32 * entries, entries)
            && self.first.checked_add(entries as u64).is_some()
            && self.kinds.iter().all(|of| super::super::kinds::named(&of.name).is_some() && places(&of.at))
            && subjects
            && self.runs.iter().all(run)
            && self.awaited.iter().all(awaited)
            && places(&self.whole)
            && self.heard.as_ref().is_some_and(|heard| heard.known().is_some())
    }

    /// The index of a place.
    pub fn index(&self, at: u32) -> u64 {
        self.first + u64::from(at)
    }

    /// SHA-256 of the envelope at a place.
    pub fn hash(&self, at: u32) -> Hash {
        let from = 32 * at as usize;
        Hash::from_slice(&self.hashes[from..from + 32]).expect("32 bytes")
    }

    /// How an entry was recorded, for whoever has read its fact.
    pub fn recorded(&self, at: u32, received_ms: u64, fact: std::sync::Arc<crate::fact::Signed>) -> Recorded {
        let mark = self.mark(at, received_ms);
        let Mark { index, clock_unsure, signature, .. } = mark;
        Recorded { index, received_ms, clock_unsure, fact, signature }
    }

    pub(super) fn mark(&self, at: u32, received_ms: u64) -> Mark {
        let marks = self.marks[at as usize];
        let signature = if marks & UNCHECKED == 0 { SignatureState::Good } else { SignatureState::Unchecked };
        Mark::away(self.index(at), received_ms, self.hash(at), marks & CLOCK_UNSURE != 0, signature)
    }

    /// When each entry was received, Unix milliseconds.
    pub fn times_ms(&self) -> impl Iterator<Item = u64> {
        self.received_ms.iter().scan(0u64, |now, later| {
            *now = now.wrapping_add(*later);
            Some(*now)
        })
    }

    /// Indices of the entries at which the service's clock was in doubt.
    pub fn unsure(&self) -> impl Iterator<Item = u64> {
        (self.first..).zip(&self.marks).filter(|(_, marks)| **marks & CLOCK_UNSURE != 0).map(|(index, _)| index)
    }

    /// What erasures rest on.
    pub fn known(&self) -> Known {
        self.heard.as_ref().and_then(Heard::known).unwrap_or_default()
    }
}

impl Subjects {
    fn fit(&self, entries: usize) -> bool {
        let count = self.kinds.len();
        let sum = |counts: &[u32]| counts.iter().map(|count| *count as usize).sum::<usize>();
        let lengths = self.id_lengths.iter().map(|length| usize::from(*length)).sum::<usize>();
        let columns = [self.id_lengths.len(), self.counts.len(), self.beside_counts.len()] == [count; 3];
        let rows = [lengths, sum(&self.counts), sum(&self.beside_counts)]
            == [self.ids.len(), self.at.len(), self.beside.len()];
        columns
            && rows
            && self.at.iter().all(|at| (*at as usize) < entries)
            && self.beside.iter().all(|number| (*number as usize) < count)
            && self.parts().all(|(kind, id, at, _)| Subject::from_parts(kind.into(), id).is_some() && at.is_sorted())
    }

    fn parts(&self) -> impl Iterator<Item = (u8, &[u8], &[u32], &[u32])> {
        let (mut ids, mut at, mut beside) = (&self.ids[..], &self.at[..], &self.beside[..]);
        (0..self.kinds.len()).map(move |number| {
            let (id, rest) = ids.split_at(self.id_lengths[number].into());
            ids = rest;
            let (own, rest) = at.split_at(self.counts[number] as usize);
            at = rest;
            let (named, rest) = beside.split_at(self.beside_counts[number] as usize);
            beside = rest;
            (self.kinds[number], id, own, named)
        })
    }

    /// Each of them.
    ///
    /// # Panics
    /// If the stretch does not [fit](Stretch::fits).
    pub fn each(&self) -> impl Iterator<Item = OfSubject<'_>> {
        self.parts().map(|(kind, id, at, beside)| {
            let subject = Subject::from_parts(kind.into(), id).expect("a stretch that fits");
            OfSubject { subject, at, beside }
        })
    }
}

impl Heard {
    pub(super) fn of(known: &Known) -> Heard {
        let judged = |e: &Erasure| Judged {
            digest: e.digest.to_vec(),
            fact: e.fact.to_vec(),
            index: e.index,
            at_ms: e.at_ms,
            by: e.by.to_vec(),
            reason: e.reason.clone(),
            attachment: e.attachment,
            signer: e.signer.map(|signer| signer.person.to_vec()),
            signer_last_ms: e.signer.map_or(0, |signer| signer.last_ms),
            clock_unsure: e.clock_unsure,
        };
        let signed = |(key, last_ms, washes): &(Hash, u64, Vec<Id>)| SignedBy {
            key: key.to_vec(),
            last_ms: *last_ms,
            washes: washes.iter().flat_map(|wash| wash.0).collect(),
        };
        Heard {
            judged: known.judged.iter().map(judged).collect(),
            attachments: known.attachments.iter().flat_map(|digest| digest.0).collect(),
            signed: known.signed.iter().map(signed).collect(),
            signed_off: known.signed_off.iter().flat_map(|(wash, _)| wash.0).collect(),
            signed_off_ms: known.signed_off.iter().map(|(_, ms)| *ms).collect(),
        }
    }

    fn known(&self) -> Option<Known> {
        let judged = |j: &Judged| {
            let signer = match &j.signer {
                None => None,
                Some(person) => Some(Signer { person: Id::from_slice(person)?, last_ms: j.signer_last_ms }),
            };
            Some(Erasure {
                digest: Hash::from_slice(&j.digest)?,
                fact: Hash::from_slice(&j.fact)?,
                index: j.index,
                at_ms: j.at_ms,
                by: Id::from_slice(&j.by)?,
                reason: j.reason.clone(),
                attachment: j.attachment,
                signer,
                clock_unsure: j.clock_unsure,
            })
        };
        let signed = |by: &SignedBy| Some((Hash::from_slice(&by.key)?, by.last_ms, ids(&by.washes)?));
        let signed_off = ids(&self.signed_off)?;
        if signed_off.len() != self.signed_off_ms.len() {
            return None;
        }
        Some(Known {
            judged: self.judged.iter().map(judged).collect::<Option<_>>()?,
            attachments: cut(&self.attachments, 32, Hash::from_slice)?,
            signed: self.signed.iter().map(signed).collect::<Option<_>>()?,
            signed_off: signed_off.into_iter().zip(self.signed_off_ms.iter().copied()).collect(),
        })
    }
}

fn ids(bytes: &[u8]) -> Option<Vec<Id>> {
    cut(bytes, 16, Id::from_slice)
}

fn cut<T>(bytes: &[u8], length: usize, one: impl Fn(&[u8]) -> Option<T>) -> Option<Vec<T>> {
    let parts = bytes.chunks_exact(length);
    if parts.remainder().is_empty() { parts.map(one).collect() } else { None }
}
