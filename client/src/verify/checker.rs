//! The checks themselves, entry after entry: the parts that need nothing but their own bytes in parallel, the rest in order.

use std::collections::HashMap;
use std::sync::Arc;

use rayon::prelude::*;
use rinsebook_proto::bytes::Hash;
use rinsebook_proto::entry::{BadEntry, Entry, EntryChain};
use rinsebook_proto::fact::{Kind, MAX_ENVELOPE_BYTES, MAX_SERVICE_ENVELOPE_BYTES, Signed};
use rinsebook_proto::journal::Group;
use rinsebook_proto::key;
use rinsebook_proto::note::{Checkpoint, VerifierKey};
use rinsebook_proto::rules::{Recorded, SignatureState};
use rinsebook_proto::tree::Edge;
use rinsebook_proto::v1;

use super::blobs::{Blobs, Nowhere};
use super::erased::{Annexes, erased};
use super::keys::Keys;
use super::places::Places;
use super::second::SecondReading;
use super::seen::Checkpoints;
use super::{Asked, Failed, Fault, Good, Wrong};

/// Fewer entries than this are not worth another thread.
const ENTRIES_A_THREAD: usize = 8;

/// An entry taken apart, with what could be said of its signature before its group was looked at in order.
pub(super) struct Opened {
    pub(super) entry: Entry,
    pub(super) fact: Arc<Signed>,
    /// Whether the signature holds; none: its key was not enrolled before the group.
    pub(super) holds: Option<bool>,
}

/// Whose signature holds.
#[derive(Clone, Copy, PartialEq, Eq)]
enum Signer {
    Enrolled,
    /// A recovery key, which nothing here is decided by.
    Recovery,
    /// A key that is not enrolled: whether the signature holds is not known.
    Unknown,
}

pub(super) struct Checker {
    log_key: Option<VerifierKey>,
    chain: EntryChain,
    edge: Edge,
    checkpoints: Checkpoints,
    keys: Keys,
    places: Places,
    blobs: Option<Blobs>,
    record: Hash,
    /// How many facts came by each key that was not enrolled then.
    early: HashMap<Hash, u64>,
    /// Those of these keys that were enrolled after all, with the entry that did it.
    late: HashMap<Hash, u64>,
    keep_signer_name_years: u32,
    good: Good,
}

impl Checker {
    pub(super) fn new(asked: &Asked<'_>) -> Checker {
        Checker {
            log_key: asked.log_key.cloned(),
            chain: EntryChain::default(),
            edge: Edge::default(),
            checkpoints: Checkpoints::default(),
            keys: Keys::default(),
            places: Places::default(),
            blobs: asked.blobs.map(Blobs::new),
            record: Hash::ZERO,
            early: HashMap::new(),
            late: HashMap::new(),
            keep_signer_name_years: asked.keep_signer_name_years,
            good: Good { origin_proved: asked.log_key.is_some(), ..Good::default() },
        }
    }

    /// Entries checked so far.
    pub(super) fn entries(&self) -> u64 {
        self.good.entries
    }

    /// Checks one group; gives the hash of its last entry.
    pub(super) fn group(&mut self, group: &Group) -> Result<[u8; 32], Failed> {
        let keys = &self.keys;
        let opened: Vec<Result<Opened, Wrong>> =
            group.records.par_iter().with_min_len(ENTRIES_A_THREAD).map(|data| open(data, keys)).collect();
        let mut last = Hash::ZERO;
        for (at, (data, opened)) in group.records.iter().zip(opened).enumerate() {
            let index = group.first + at as u64;
            let checked = opened.and_then(|opened| self.entry(index, data, opened));
            last = checked.map_err(|wrong| failed(group, at, wrong))?;
        }
        let index = group.first + group.records.len() as u64 - 1;
        self.checkpoint(&group.end).map_err(|wrong| Failed { wrong, index, offset: None })?;
        self.good.groups += 1;
        Ok(last.0)
    }

    fn entry(&mut self, index: u64, data: &[u8], opened: Opened) -> Result<Hash, Wrong> {
        let Opened { entry, fact, holds } = opened;
        let linked = match self.chain.check(&entry, data, &fact.header().subjects).map_err(chain_or_link) {
            Err(wrong) if wrong.check == "chain" => return Err(wrong),
            linked => linked,
        };
        let recorded = Recorded {
            index,
            received_ms: entry.received_ms,
            clock_unsure: entry.clock_unsure,
            fact,
            signature: SignatureState::Unchecked,
        };
        if index == 0 {
            self.found(&recorded).map_err(Wrong::of("signature", "founding"))?;
        }
        let signer = self.signature(&recorded, holds)?;
        // Subjects that were altered make the links look wrong: that the signature holds says that it is the links.
        let hash = linked?;
        self.edge.push(hash);
        self.belongs(&recorded)?;
        self.placed(&recorded, signer)?;
        match signer {
            Signer::Enrolled => self.take(&Recorded { signature: SignatureState::Good, ..recorded })?,
            Signer::Recovery | Signer::Unknown => self.keys.overhear(&recorded),
        }
        self.good.entries += 1;
        Ok(hash)
    }

    /// Takes the founding fact with its keys, which its own signature is checked with.
    fn found(&mut self, recorded: &Recorded) -> Result<(), &'static str> {
        let Some(Kind::RecordFounded(founded)) = recorded.fact.kind() else {
            return Err("the first entry is not the founding fact");
        };
        if recorded.fact.header().record != Hash::ZERO {
            return Err("the founding fact names a record");
        }
        self.record = recorded.fact.hash();
        self.keys.found(recorded, founded);
        Ok(())
    }

    fn signature(&mut self, recorded: &Recorded, holds: Option<bool>) -> Result<Signer, Wrong> {
        let fact = &recorded.fact;
        let author = &fact.header().author_key;
        // The service alone signs for its own device, and for no other: its facts take places and speak of devices.
        if self.is_from_service(recorded) != self.keys.is_service(author) {
            return Err(Wrong::of("signature", "service")("the service's key and device do not go together"));
        }
        // A key may have been enrolled, or its enrolment undone, within the group: the place decides.
        let signer = match self.keys.get(author) {
            Some(key) if holds.unwrap_or_else(|| fact.signed_by(&key)) => Signer::Enrolled,
            Some(_) => {
                return Err(Wrong::of("signature", "signature")("it does not hold under the key that the fact names"));
            }
            // The founding fact brings its own key, with proof of it: nothing can come later that would make it good.
            None if recorded.index == 0 => {
                return Err(Wrong::of("signature", "founding")("it does not prove the key that signed it"));
            }
            None if self.keys.by_recovery_key(fact) => Signer::Recovery,
            None => Signer::Unknown,
        };
        match signer {
            Signer::Unknown => *self.early.entry(*author).or_default() += 1,
            Signer::Enrolled | Signer::Recovery => self.good.signatures += 1,
        }
        Ok(signer)
    }

    fn is_from_service(&self, recorded: &Recorded) -> bool {
        self.keys.is_service_device(&recorded.fact.header().device)
    }

    /// Whether it is a fact of this record and log.
    fn belongs(&mut self, recorded: &Recorded) -> Result<(), Wrong> {
        let fact = &recorded.fact;
        match fact.kind() {
            Some(Kind::RecordFounded(founded)) if recorded.index == 0 => {
                self.log_key(founded).map_err(Wrong::of("root", "log key"))?;
            }
            _ if fact.header().record != self.record => {
                return Err(Wrong::of("signature", "record")("it is signed for another record"));
            }
            _ => {}
        }
        if !self.is_from_service(recorded) && fact.bytes().len() > MAX_ENVELOPE_BYTES {
            return Err(Wrong::of("signature", "size")("it is larger than a device's fact may be"));
        }
        Ok(())
    }

    /// Whether it could come from that device, to that place, by someone who had seen this log.
    fn placed(&mut self, recorded: &Recorded, signer: Signer) -> Result<(), Wrong> {
        let (fact, from_service) = (&recorded.fact, self.is_from_service(recorded));
        let header = fact.header();
        if !from_service {
            self.keys.device_holds(&header.device).map_err(Wrong::of("signature", "device"))?;
        }
        self.places.admit(header, fact.hash()).map_err(Wrong::of("link", "device chain"))?;
        if let (true, Some(kind)) = (from_service, fact.kind()) {
            self.places.told(kind).map_err(Wrong::of("link", "device chain"))?;
        }
        // What nobody is known to have signed says nothing about anybody's view of the log.
        if signer != Signer::Unknown {
            self.checkpoints.agree(&header.seen, recorded.index).map_err(Wrong::of("root", "seen"))?;
        }
        if let (Some(blobs), Some(kind)) = (&mut self.blobs, fact.kind()) {
            blobs.named(recorded.index, kind).map_err(Wrong::of("blob", "blob"))?;
        }
        Ok(())
    }

    /// Takes what a fact by an enrolled signer says.
    fn take(&mut self, recorded: &Recorded) -> Result<(), Wrong> {
        let Some(kind) = recorded.fact.kind() else {
            self.keys.overhear(recorded);
            return Ok(());
        };
        if self.is_from_service(recorded) {
            self.keys.overhear(recorded);
            return self.report(kind).map_err(Wrong::of("signature", "report"));
        }
        // The founding fact was taken before.
        let enrolled = if recorded.index == 0 { None } else { self.keys.note(recorded) };
        if let Some(key) = enrolled.filter(|key| self.early.contains_key(key)) {
            self.late.entry(key).or_insert(recorded.index);
        }
        Ok(())
    }

    /// The log key that the founding fact names: the one that was brought, or, without one, the one to go by.
    fn log_key(&mut self, founded: &v1::RecordFounded) -> Result<(), String> {
        let log_public_key = key::public_key(&founded.log_public_key).map_err(|e| e.to_string())?;
        let own = VerifierKey::new(&format!("{}/1", founded.origin_name), log_public_key);
        if *self.log_key.get_or_insert_with(|| own.clone()) == own {
            Ok(())
        } else {
            Err("the founding fact names another log or log key than the one given".to_owned())
        }
    }

    fn report(&mut self, kind: &Kind) -> Result<(), String> {
        let (report, about) = match kind {
            Kind::DeviceReported(b) => (&b.report, None),
            Kind::PlacesLost(b) => (&b.report, Some(b.device.as_slice())),
            _ => return Ok(()),
        };
        self.keys.check_report(report, about)?;
        self.good.reports += 1;
        Ok(())
    }

    fn checkpoint(&mut self, end: &[u8]) -> Result<(), Wrong> {
        let wrong = Wrong::of("root", "checkpoint");
        let note = std::str::from_utf8(end).map_err(|_| wrong("it is no text".to_owned()))?;
        let checkpoint = Checkpoint::open(note, self.log_key.as_slice()).map_err(|e| wrong(e.to_string()))?;
        if checkpoint.size != self.edge.size() || checkpoint.root != self.edge.root() {
            return Err(wrong("it has another size or root than the entries give".to_owned()));
        }
        self.checkpoints.push(checkpoint.size, checkpoint.root);
        Ok(())
    }

    /// Whether facts are to be read once more, since their key was enrolled after they came.
    pub(super) fn has_late_keys(&self) -> bool {
        !self.late.is_empty()
    }

    /// What reads them.
    pub(super) fn second_reading(&self) -> SecondReading<'_> {
        SecondReading::new(&self.keys, &self.checkpoints, &self.late)
    }

    /// Takes what the second reading found. A signature that does not hold under a key enrolled later leaves its fact
    /// unread: it was admitted before anyone could tell.
    pub(super) fn read_late(&mut self, hold: u64, root: Hash) -> Result<(), Fault> {
        if root != self.edge.root() {
            return Err(Fault::CouldNot("the log changed while it was being checked; check again".to_owned()));
        }
        self.good.signatures += hold;
        self.good.read_later = hold;
        Ok(())
    }

    pub(super) fn finish(mut self, segments: u64) -> Result<Good, Fault> {
        self.good.segments = segments;
        self.good.unread = self.early.values().sum::<u64>() - self.good.read_later;
        self.good.root = self.edge.root();
        self.good.record = self.record;
        (self.good.runs, self.good.refused_places, self.good.lost_places) = self.places.counts();
        let keep_years = self.keep_signer_name_years;
        let nowhere: &dyn Annexes = &Nowhere;
        let annexes = self.blobs.as_ref().map_or(nowhere, |blobs| blobs);
        self.good.erased = erased(&self.keys, keep_years, annexes);
        let erasures = self.keys.erasures();
        self.good.blobs = self.blobs.map(|blobs| blobs.finish(erasures, keep_years)).transpose()?;
        Ok(self.good)
    }
}

pub(super) fn open(data: &[u8], keys: &Keys) -> Result<Opened, Wrong> {
    let entry = Entry::decode(data).map_err(Wrong::of("root", "entry"))?;
    let fact = Signed::parse(&entry.envelope, MAX_SERVICE_ENVELOPE_BYTES).map_err(Wrong::of("signature", "fact"))?;
    let holds = keys.get(&fact.header().author_key).map(|key| fact.signed_by(&key));
    Ok(Opened { entry, fact: Arc::new(fact), holds })
}

fn chain_or_link(bad: BadEntry) -> Wrong {
    let (check, part) = match bad.0 {
        why if why.starts_with("link:") => ("link", "subjects"),
        why if why.starts_with("chain:") => ("chain", "previous entry"),
        why if why.starts_with("its time received") => ("chain", "time received"),
        _ => ("chain", "index"),
    };
    Wrong::of(check, part)(bad.0.trim_start_matches("link: ").trim_start_matches("chain: "))
}

pub(super) fn failed(group: &Group, at: usize, wrong: Wrong) -> Failed {
    Failed { wrong, index: group.first + at as u64, offset: group.record_offsets.get(at).copied() }
}
