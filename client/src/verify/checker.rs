//! The checks themselves, entry after entry: the parts that need nothing but their own bytes in parallel, the rest in order.

use std::collections::HashMap;

use rinsebook_proto::bytes::Hash;
use rinsebook_proto::entry::{BadEntry, EntryChain};
use rinsebook_proto::fact::{Kind, MAX_ENVELOPE_BYTES, Signed};
use rinsebook_proto::note::{Checkpoint, VerifierKey};
use rinsebook_proto::rules::{NextKey, Recorded, SignatureState, Succession};
use rinsebook_proto::succession::{Before, LogKeys};
use rinsebook_proto::tree::Edge;
use rinsebook_proto::v1;

use super::blobs::{Blobs, Nowhere};
use super::erased::{Annexes, erased};
use super::held::{Held, fits_before};
use super::keys::Keys;
use super::opened::{Opened, OpenedNote, open_all, open_note};
use super::otherwise::Otherwise;
use super::places::Places;
use super::second::{Late, SecondReading};
use super::seen::Checkpoints;
use super::{Asked, Failed, Fault, Good, Policy, Wrong};

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
    /// The verifier's own, where one was brought.
    brought: Option<VerifierKey>,
    /// Those that signed the log, from its founding on.
    pub(super) log_keys: Option<LogKeys>,
    pub(super) chain: EntryChain,
    pub(super) edge: Edge,
    pub(super) checkpoints: Checkpoints,
    pub(super) keys: Keys,
    pub(super) places: Places,
    blobs: Option<Blobs>,
    pub(super) record: Hash,
    /// How many facts came by each key that was not enrolled then.
    pub(super) early: HashMap<Hash, u64>,
    /// Those of these keys that were enrolled after all, with the entry that did it.
    pub(super) late: HashMap<Hash, u64>,
    /// Devices that say to have seen another log.
    pub(super) otherwise: Otherwise,
    /// No groups are known: any size may have had its checkpoint.
    every_size: bool,
    /// Checkpoints that the verifier holds from before.
    held: Vec<Held>,
    keep_signer_name_years: u32,
    pub(super) good: Good,
}

impl Checker {
    pub(super) fn new(asked: &Asked<'_>) -> Checker {
        Checker {
            brought: asked.log_key.cloned(),
            log_keys: None,
            chain: EntryChain::default(),
            edge: Edge::default(),
            checkpoints: Checkpoints::default(),
            keys: Keys::default(),
            places: Places::default(),
            blobs: asked.blobs.map(Blobs::new),
            record: Hash::ZERO,
            early: HashMap::new(),
            late: HashMap::new(),
            otherwise: Otherwise::default(),
            every_size: false,
            held: asked.held.to_vec(),
            keep_signer_name_years: asked.keep_signer_name_years,
            good: Good::default(),
        }
    }

    /// Entries checked so far.
    pub(super) fn entries(&self) -> u64 {
        self.good.entries
    }

    /// Checks entries that follow; gives the hash of the last.
    pub(super) fn entries_from(&mut self, first: u64, records: &[Vec<u8>]) -> Result<Hash, Failed> {
        let opened = open_all(records, &self.keys.all());
        self.opened(first, opened)
    }

    /// Checks entries that follow and were opened before; gives the hash of the last.
    fn opened(&mut self, first: u64, opened: Vec<Result<Opened, Wrong>>) -> Result<Hash, Failed> {
        let mut last = Hash::ZERO;
        for (at, opened) in opened.into_iter().enumerate() {
            let index = first + at as u64;
            let checked = opened.and_then(|opened| self.entry(index, opened));
            last = checked.map_err(|wrong| Failed { wrong, at: Some(at), index })?;
        }
        Ok(last)
    }

    /// Checks one group, its entries opened before, with the checkpoint that closes it.
    pub(super) fn group(
        &mut self,
        first: u64,
        opened: Vec<Result<Opened, Wrong>>,
        end: &[u8],
        note: Option<OpenedNote>,
    ) -> Result<(), Failed> {
        let index = first + opened.len() as u64 - 1;
        self.opened(first, opened)?;
        self.checkpoint(end, note).map_err(|wrong| Failed { wrong, at: None, index })?;
        self.good.groups += 1;
        Ok(())
    }

    /// Checks the note that closes the log.
    pub(super) fn closing(&mut self, size: u64, note: &str, policy: Option<&Policy>) -> Result<(), Wrong> {
        if size != self.edge.size() {
            return Err(Wrong::of("root", "checkpoint")("it is of another size than was read"));
        }
        self.checkpoint(note.as_bytes(), None)?;
        self.good.cosignatures = policy.map(|policy| policy.cosigned(note)).transpose()?.unwrap_or_default();
        let cosigned_ms = self.good.cosignatures.iter().map(|c| c.unix_seconds.saturating_mul(1000));
        fits_before(self.chain.last_received_ms(), cosigned_ms).map_err(Wrong::of("chain", "time received"))?;
        Ok(())
    }

    /// From here on every size may have been seen: where no groups are known, the log's writer may have signed each.
    pub(super) fn every_size_was_signed(&mut self) {
        self.every_size = true;
    }

    fn entry(&mut self, index: u64, opened: Opened) -> Result<Hash, Wrong> {
        let Opened { entry, fact, hash, holds } = opened;
        let linked = match self.chain.check_hashed(&entry, hash, &fact.header().subjects).map_err(chain_or_link) {
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
        linked?;
        let opens_epoch = matches!(recorded.fact.kind(), Some(Kind::EpochOpened(_)));
        let before = Before { size: index, root: opens_epoch.then(|| self.edge.root()) };
        self.edge.push(hash);
        self.belongs(&recorded)?;
        self.placed(&recorded)?;
        let fact = recorded.fact.clone();
        match signer {
            Signer::Enrolled => self.take(&Recorded { signature: SignatureState::Good, ..recorded }, before)?,
            // Custody may pass on by what neither of them signed alone, and a custodian's word may come before their key.
            Signer::Recovery | Signer::Unknown => self.note(&recorded, before),
        }
        // What nobody is known to have signed says nothing about anybody's view of the log. Who opens an epoch may have
        // seen more than was put back: only now is that known.
        if signer != Signer::Unknown {
            self.had_seen(index, &fact)?;
        }
        for held in &self.held {
            held.check(index, self.chain.last_received_ms(), || self.edge.root())?;
        }
        if self.every_size {
            self.checkpoints.push(index + 1, self.edge.root()).map_err(Wrong::of("root", "seen"))?;
        }
        self.good.entries += 1;
        Ok(hash)
    }

    /// What its signer had seen. The log's keeper answers for the founding and for the service's own facts; anybody else's
    /// word is told beside the verdict.
    fn had_seen(&mut self, index: u64, fact: &Signed) -> Result<(), Wrong> {
        let seen = fact.header().seen;
        let kept = self.log_keys.as_ref().map(|keys| (keys.epoch(), keys.kept_of(seen.epoch)));
        let found = self.checkpoints.differ(&seen, index, kept.unwrap_or((1, None)));
        match found.map_err(Wrong::of("root", "seen"))? {
            Some(why) if index == 0 || self.keys.is_service_device(&fact.header().device) => {
                return Err(Wrong::of("root", "seen")(why));
            }
            Some(why) => self.otherwise.tell(index, fact, why),
            None => {}
        }
        Ok(())
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
        // A key may have been enrolled, or its enrolment undone, since it was looked at: the place decides.
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

    /// Whether it could come from that device, to that place.
    fn placed(&mut self, recorded: &Recorded) -> Result<(), Wrong> {
        let (fact, from_service) = (&recorded.fact, self.is_from_service(recorded));
        let header = fact.header();
        if !from_service {
            self.keys.device_holds(&header.device).map_err(Wrong::of("signature", "device"))?;
        }
        self.places.admit(header, fact.hash()).map_err(Wrong::of("link", "device chain"))?;
        if let (true, Some(kind)) = (from_service, fact.kind()) {
            self.places.told(kind).map_err(Wrong::of("link", "device chain"))?;
        }
        if let (Some(blobs), Some(kind)) = (&mut self.blobs, fact.kind()) {
            blobs.named(recorded.index, kind).map_err(Wrong::of("blob", "blob"))?;
        }
        Ok(())
    }

    /// Takes what a fact by an enrolled signer says.
    fn take(&mut self, recorded: &Recorded, before: Before) -> Result<(), Wrong> {
        let Some(kind) = recorded.fact.kind() else {
            self.keys.overhear(recorded);
            return Ok(());
        };
        if self.is_from_service(recorded) {
            self.keys.overhear(recorded);
            return self.report(kind).map_err(Wrong::of("signature", "report"));
        }
        // The founding fact was taken before.
        if recorded.index > 0 {
            self.note(recorded, before);
        }
        Ok(())
    }

    /// Takes what a fact adds to the roster, and to the log's keys.
    fn note(&mut self, recorded: &Recorded, before: Before) {
        let known = self.keys.successions().len();
        for key in self.keys.note(recorded) {
            if self.early.contains_key(&key) {
                self.late.entry(key).or_insert(recorded.index);
            }
        }
        let Some(log_keys) = &mut self.log_keys else { return };
        for succession in self.keys.successions_since(known) {
            // What does not fit changes nothing: the checkpoints that follow show which key was in force.
            if is_of_this_log(succession, &self.checkpoints) {
                let _ = log_keys.follow(succession, before);
            }
        }
    }

    /// The log key that the founding fact names. Where one was brought that is not it, it may be a later one.
    fn log_key(&mut self, founded: &v1::RecordFounded) -> Result<(), String> {
        self.log_keys = Some(LogKeys::founded(founded).map_err(|e| e.to_string())?);
        Ok(())
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

    fn checkpoint(&mut self, end: &[u8], note: Option<OpenedNote>) -> Result<(), Wrong> {
        let wrong = Wrong::of("root", "checkpoint");
        let log_keys = self.log_keys.as_ref().ok_or_else(|| wrong("it stands before the founding".to_owned()))?;
        let opened = note.map_or_else(|| open_note(log_keys, end), |note| note.under(log_keys, end));
        let checkpoint = opened.map_err(&wrong)?;
        if checkpoint.size != self.edge.size() || checkpoint.root != self.edge.root() {
            return Err(wrong("it has another size or root than the entries give".to_owned()));
        }
        if !self.every_size {
            self.checkpoints.push(checkpoint.size, checkpoint.root).map_err(Wrong::of("root", "seen"))?;
        }
        self.good.origin = checkpoint.origin;
        self.good.note = String::from_utf8_lossy(end).into_owned();
        Ok(())
    }

    /// Whether facts are to be read once more, since their key was enrolled after they came.
    pub(super) fn has_late_keys(&self) -> bool {
        !self.late.is_empty()
    }

    /// What reads them.
    pub(super) fn second_reading(&self) -> SecondReading<'_> {
        SecondReading::new(&self.keys, &self.checkpoints, self.log_keys.as_ref(), &self.late)
    }

    /// Takes what the second reading found. A signature that does not hold under a key enrolled later leaves its fact
    /// unread: it was admitted before anyone could tell.
    pub(super) fn read_late(&mut self, late: Late) -> Result<(), Fault> {
        let Late { hold, root, otherwise } = late;
        if root != self.edge.root() {
            return Err(Fault::CouldNot("the log changed while it was being checked; check again".to_owned()));
        }
        self.good.signatures += hold;
        self.good.read_later = hold;
        self.otherwise.join(otherwise);
        Ok(())
    }

    /// Whether one of the keys that signed the log is the one that was brought.
    fn origin(&self) -> Result<bool, Fault> {
        let Some(brought) = &self.brought else { return Ok(false) };
        if self.log_keys.as_ref().is_some_and(|keys| keys.all().contains(brought)) {
            return Ok(true);
        }
        Err(Fault::Bad {
            check: "root",
            part: "log key",
            index: Some(0),
            file: None,
            offset: None,
            why: "none of the keys that signed this log is the one given".to_owned(),
        })
    }

    pub(super) fn finish(mut self, segments: u64) -> Result<Good, Fault> {
        self.good.origin_proved = self.origin()?;
        if let Some(wrong) = self.held.iter().find_map(|held| held.beyond(self.edge.size())) {
            let Wrong { check, part, why } = wrong;
            return Err(Fault::Bad { check, part, index: None, file: None, offset: None, why });
        }
        self.good.segments = segments;
        self.good.seen_otherwise = std::mem::take(&mut self.otherwise).list();
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

/// A key is handed on over a state that the log had: what both keys signed must not be another.
fn is_of_this_log(succession: &Succession, checkpoints: &Checkpoints) -> bool {
    let NextKey::Changed(changed) = &succession.to else { return true };
    let Ok(signed) = Checkpoint::read_unverified(&changed.checkpoint_note) else { return true };
    !matches!(checkpoints.root_of(signed.size), Ok(Some(root)) if root != signed.root)
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
