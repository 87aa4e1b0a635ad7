//! What custodians erased: annexes, by their digests, and whether their word has effect.
//!
//! An erasure is judged once, where it takes its place in the log, by what is known there; its time is the one that the
//! service gave that entry. So whoever reads the log comes to the same judgement, today and in ten years, and bytes that
//! are gone are never missed later. Three things have no effect: the word of somebody without custody (the roster says
//! who has it), an attachment (texts that work was done by are kept for ever), and the name of a signer within
//! retention. That one can be said again once the time is over.
//!
//! A signer is whoever signed anything of a wash. Their name is kept for [`KEEP_SIGNER_NAME_YEARS`] after the last thing
//! that they signed of any wash, and after the last sign-off of each of these, whoever gave it: a maintenance record has
//! to name who did the work and who certified it (EU 145.A.55: three years from release; 14 CFR 145.219: two; both from
//! memory; 14 CFR 43.9(a): whose name). It is counted from when those were received: a station's clock that is set back
//! shortens nothing.

use std::collections::{BTreeMap, BTreeSet};

use chrono::{DateTime, Months};
use hashbrown::{HashMap, HashSet};

use super::Recorded;
use super::roster::Roster;
use crate::bytes::{Hash, Id};
use crate::fact::{BlobNamed, Kind, Subject, blobs_named};

/// How long a signer's name is kept, unless a shop is configured to keep it otherwise. Source: EU 145.A.55 (from memory).
pub const KEEP_SIGNER_NAME_YEARS: u32 = 3;

/// One annex that somebody with custody wants erased, with all that decides on it.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Erasure {
    /// What is to go: SHA-256(salt ‖ bytes).
    pub digest: Hash,
    /// The envelope that says so.
    pub fact: Hash,
    /// The entry by which it counts: its own, or the one that enrolled its signer's key.
    pub index: u64,
    /// When that entry was received, Unix milliseconds.
    pub at_ms: u64,
    /// Who said so.
    pub by: Id,
    /// Why.
    pub reason: String,
    /// Some fact before it names the digest as an attachment.
    pub attachment: bool,
    /// It is the name of somebody who signed work.
    pub signer: Option<Signer>,
    /// The service's clock was in doubt: it cannot tell that a time is over.
    pub clock_unsure: bool,
}

/// Somebody who signed work.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Signer {
    /// The person.
    pub person: Id,
    /// When the last of it, or of the sign-offs over it, was received, Unix milliseconds.
    pub last_ms: u64,
}

/// What an erasure comes to.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Effect {
    /// The annex goes.
    Erased,
    /// It stays: attachments are kept for ever.
    Attachment,
    /// It stays: it is a signer's name.
    NameKept {
        /// Whose.
        person: Id,
        /// From then on (Unix milliseconds) it may be erased.
        until_ms: u64,
        /// By the service's clock that time was over, but the clock was in doubt.
        clock_unsure: bool,
    },
}

/// Until when a signer's name is kept: as many calendar years after the last signature. Unix milliseconds.
pub fn name_kept_until_ms(last_ms: u64, keep_years: u32) -> u64 {
    let last = i64::try_from(last_ms).ok().and_then(DateTime::from_timestamp_millis);
    let until = last.and_then(|at| at.checked_add_months(Months::new(keep_years.saturating_mul(12))));
    until.and_then(|at| u64::try_from(at.timestamp_millis()).ok()).unwrap_or(u64::MAX)
}

impl Erasure {
    /// What it comes to where signers' names are kept for so many years. A name may go at the very end of that time.
    pub fn effect(&self, keep_years: u32) -> Effect {
        if self.attachment {
            return Effect::Attachment;
        }
        let Some(Signer { person, last_ms }) = self.signer else { return Effect::Erased };
        let until_ms = name_kept_until_ms(last_ms, keep_years);
        let over = until_ms <= self.at_ms;
        if over && !self.clock_unsure {
            return Effect::Erased;
        }
        Effect::NameKept { person, until_ms, clock_unsure: over }
    }

    /// Why it has no effect, and what to do; none where it has.
    pub fn why_not(&self, keep_years: u32) -> Option<String> {
        let short = self.digest.short();
        match self.effect(keep_years) {
            Effect::Erased => None,
            Effect::Attachment => Some(format!(
                "{short}… is not erased: facts name it as an attachment, and what work was done by is kept for ever"
            )),
            Effect::NameKept { person, clock_unsure: true, .. } => Some(format!(
                "{short}… is not erased: it is the name of a signer (person {person}), and the service's clock was in \
                 doubt, so that nobody can tell whether its time is over; confirm the clock, then erase it again"
            )),
            Effect::NameKept { person, until_ms, .. } => Some(format!(
                "{short}… is not erased: it is the name of a signer (person {person}), which is kept for {keep_years} \
                 years after their last signature and sign-off (EU 145.A.55, 14 CFR 145.219); erase it again from {} on",
                day(until_ms)
            )),
        }
    }
}

fn day(ms: u64) -> String {
    let at = i64::try_from(ms).ok().and_then(DateTime::from_timestamp_millis);
    at.map_or_else(|| "a day that no calendar has".to_owned(), |at| at.format("%Y-%m-%d").to_string())
}

/// What a key signed of washes.
#[derive(Debug, Clone, Default)]
struct Signed {
    last_ms: u64,
    washes: BTreeSet<Id>,
}

/// What was judged, and all that later judgements need of the entries before: for whoever reads a log in parts.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Known {
    /// In the order in which it counts.
    pub judged: Vec<Erasure>,
    /// Digests that facts name as attachments, ascending.
    pub attachments: Vec<Hash>,
    /// By key, ascending: when the last thing that it signed of a wash was received (Unix milliseconds), and which washes.
    pub signed: Vec<(Hash, u64, Vec<Id>)>,
    /// By wash, ascending: when its last sign-off was received, Unix milliseconds.
    pub signed_off: Vec<(Id, u64)>,
}

/// See the module.
#[derive(Debug, Clone, Default)]
pub struct Erasures {
    judged: Vec<Erasure>,
    /// Facts that were judged.
    facts: HashSet<Hash>,
    attachments: HashSet<Hash>,
    /// By key: who has it may be known later only.
    signed: HashMap<Hash, Signed>,
    /// When the last sign-off of each wash was received.
    signed_off: HashMap<Id, u64>,
}

impl Erasures {
    /// Takes note of what the next entry names and signs.
    pub(super) fn hear(&mut self, recorded: &Recorded) {
        let (header, received_ms) = (recorded.fact.header(), recorded.received_ms);
        let attachments = recorded.fact.kind().map(blobs_named).unwrap_or_default();
        self.attachments.extend(attachments.into_iter().filter_map(|blob| match blob {
            BlobNamed::Attachment(digest) => Some(digest),
            BlobNamed::Annex(_) => None,
        }));
        let signed_off = matches!(recorded.fact.kind(), Some(Kind::SignedOff(_)));
        for subject in &header.subjects {
            let Subject::Wash(wash) = subject else { continue };
            let by = self.signed.entry(header.author_key).or_default();
            by.last_ms = by.last_ms.max(received_ms);
            by.washes.insert(*wash);
            if signed_off {
                self.signed_off.insert(*wash, received_ms);
            }
        }
    }

    /// Judges the erasures that count by the entry just taken.
    pub(super) fn judge(&mut self, recorded: &Recorded, roster: &Roster) {
        for asked in roster.erasings() {
            if !self.facts.insert(asked.fact) {
                continue;
            }
            let digests: BTreeSet<Hash> = asked.digests.iter().copied().collect();
            let judged: Vec<Erasure> = digests
                .into_iter()
                .map(|digest| Erasure {
                    digest,
                    fact: asked.fact,
                    index: recorded.index,
                    at_ms: recorded.received_ms,
                    by: asked.by,
                    reason: asked.reason.clone(),
                    attachment: self.attachments.contains(&digest),
                    signer: self.signer_named(&digest, roster),
                    clock_unsure: recorded.clock_unsure,
                })
                .collect();
            self.judged.extend(judged);
        }
    }

    /// Whose name that is, if they signed work; of several the one who signed last.
    fn signer_named(&self, digest: &Hash, roster: &Roster) -> Option<Signer> {
        let people: BTreeSet<Id> =
            roster.people().iter().filter(|p| p.name == Some(*digest)).map(|p| p.person).collect();
        let signers = people.into_iter().filter_map(|person| {
            let keys = roster.keys().iter().filter(|key| key.person == person);
            let signed = keys.filter_map(|key| self.signed.get(&key.key_id));
            let last = |of: &Signed| {
                let covered = of.washes.iter().filter_map(|wash| self.signed_off.get(wash)).max();
                covered.copied().unwrap_or(0).max(of.last_ms)
            };
            signed.map(last).max().map(|last_ms| Signer { person, last_ms })
        });
        signers.max_by_key(|signer| signer.last_ms)
    }

    /// All of it, to go on from later.
    pub fn known(&self) -> Known {
        let mut known = Known {
            judged: self.judged.clone(),
            attachments: self.attachments.iter().copied().collect(),
            signed: self.signed.iter().map(|(key, s)| (*key, s.last_ms, s.washes.iter().copied().collect())).collect(),
            signed_off: self.signed_off.iter().map(|(wash, ms)| (*wash, *ms)).collect(),
        };
        known.attachments.sort_unstable();
        known.signed.sort_unstable();
        known.signed_off.sort_unstable();
        known
    }

    /// As they stood when that was known.
    pub(super) fn resume(known: Known) -> Erasures {
        let mut erasures = Erasures::default();
        erasures.go_on(known);
        erasures
    }

    /// As if what is known of the entries that follow had been heard and judged.
    pub(super) fn go_on(&mut self, known: Known) {
        let Known { judged, attachments, signed, signed_off } = known;
        self.facts.extend(judged.iter().map(|erasure| erasure.fact));
        self.judged.extend(judged);
        self.attachments.extend(attachments);
        for (key, last_ms, washes) in signed {
            let by = self.signed.entry(key).or_default();
            by.last_ms = by.last_ms.max(last_ms);
            by.washes.extend(washes);
        }
        self.signed_off.extend(signed_off);
    }

    /// Everything that somebody with custody wanted erased, in the order in which it counts.
    pub fn all(&self) -> &[Erasure] {
        &self.judged
    }

    /// What took effect, by digest, each with the first word that had it: these bytes may be gone.
    pub fn effective(&self, keep_years: u32) -> BTreeMap<Hash, &Erasure> {
        first_of(self.judged.iter().filter(|e| e.effect(keep_years) == Effect::Erased))
    }

    /// Of those, what is still to be obeyed: a revocation may reach back to the key of who said so. Bytes that are gone
    /// stay gone, but a copy that is put back is kept then.
    pub fn in_force(&self, roster: &Roster, keep_years: u32) -> BTreeMap<Hash, &Erasure> {
        let counts: HashSet<Hash> = roster.erasings().iter().map(|asked| asked.fact).collect();
        let obeyed = self.judged.iter().filter(|e| counts.contains(&e.fact));
        first_of(obeyed.filter(|e| e.effect(keep_years) == Effect::Erased))
    }
}

fn first_of<'e>(erasures: impl Iterator<Item = &'e Erasure>) -> BTreeMap<Hash, &'e Erasure> {
    let mut first = BTreeMap::new();
    for erasure in erasures {
        first.entry(erasure.digest).or_insert(erasure);
    }
    first
}
