//! The sequencer's desk: everything that only its thread touches, and the judgement of each fact against what came
//! before it, made while the group is built, so that nothing can slip between check and append.
//!
//! Nothing here is ever taken back. A group for which there is no space is not begun (the log makes room first); a group
//! whose write fails stops the service, and reading the log decides what is in it.

use std::collections::HashMap;
use std::sync::{Arc, RwLock, RwLockWriteGuard};

use rinsebook_proto::bytes::{Hash, Id};
use rinsebook_proto::chain::{Held, MAX_LOST_PLACES, Place, Position, Runs};
use rinsebook_proto::clock::Clock;
use rinsebook_proto::entry::{Built, EntryChain};
use rinsebook_proto::fact::{self, Header, Kind, Seen, Signed, Subject};
use rinsebook_proto::key::{self, VerifyingKey};
use rinsebook_proto::note::Checkpoint;
use rinsebook_proto::rules::{Enrolments, Recorded, SignatureState, Texts};
use rinsebook_proto::tree::Tree;
use rinsebook_proto::v1::{self, RefusalReason, outcome};

use crate::admission::{Candidate, Found, KnownKeys};
use crate::erasing::Erasing;
use crate::error::CallError;
use crate::founding::check_founding;
use crate::identity::Identity;
use crate::refusal;
use crate::signing::Signing;
use crate::standstill::Standstill;

/// Wall and boot clock may part by so much before entries are marked.
const CLOCKS_PART_MS: u64 = 120_000;
/// In a header: two tags and lengths, the kind, and an id of 32 bytes at the most.
const MOST_SUBJECT_BYTES: usize = 38;
/// In a service fact, beside its kind's body and its subjects: the rest of the header, tags and lengths, the envelope.
const MOST_BYTES_BESIDE: usize = 512;
/// A fact that happened later than this after it came is noted.
const AHEAD_MS: u64 = 120_000;

/// An entry of the group being built.
#[derive(Debug, Clone)]
pub struct Staged {
    /// The leaf's data, for the log.
    pub data: Vec<u8>,
    /// Its hash.
    pub hash: Hash,
    /// The fact and how it was received.
    pub recorded: Recorded,
}

/// Who is at the other end of a stream.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Peer {
    /// The device by its certificate; none while the record is not founded.
    pub device: Option<Id>,
    /// SHA-256 of its TLS public key.
    pub tls_key_digest: Hash,
}

mod closing;
mod replaying;
mod reports;

pub use replaying::Read;

/// See the module.
pub struct Desk {
    identity: Arc<Identity>,
    signing: Signing,
    standstill: Standstill,
    clock: Arc<dyn Clock>,
    erasing: Erasing,
    chain: EntryChain,
    runs: Runs,
    /// Written here alone, before the entries are synced; readers keep to the size that is known.
    tree: Arc<RwLock<Tree>>,
    /// The rules' own roster: admission and answers cannot differ on who is enrolled.
    enrolments: Enrolments,
    /// The roster's keys, where the parallel checks read them.
    keys: KnownKeys,
    record: Hash,
    checkpoint: Checkpoint,
    note: String,
    /// Forks recorded already, by the second envelope, with the entry that speaks of them.
    forks: HashMap<Hash, (u64, Hash)>,
    own: OwnRun,
    /// Wall minus boot clock at the start, or when the custodian last confirmed a clock in doubt.
    clock_base_ms: i128,
    group: Vec<Staged>,
    /// An entry of the group opens an epoch: recording goes on with it.
    epoch_opened: bool,
}

/// The service's own run: a new one each start.
struct OwnRun {
    run: Id,
    counter: u64,
    previous: Hash,
}

impl Desk {
    /// An empty desk; [`Desk::replay`] fills it.
    pub fn new(
        identity: Arc<Identity>,
        clock: Arc<dyn Clock>,
        erasing: Erasing,
        keys: KnownKeys,
        standstill: Standstill,
    ) -> Desk {
        let (size, root) = (0, rinsebook_proto::tree::empty_root());
        let checkpoint = Checkpoint { origin: identity.first_origin(), size, root };
        let note = checkpoint.sign(&identity.log_key);
        let signing = Signing::new(identity.clone());
        let clock_base_ms = apart_ms(&*clock);
        Desk {
            identity,
            signing,
            standstill,
            clock,
            erasing,
            chain: EntryChain::default(),
            runs: Runs::default(),
            tree: Arc::default(),
            enrolments: Enrolments::default(),
            keys,
            record: Hash::ZERO,
            checkpoint,
            note,
            forks: HashMap::new(),
            own: OwnRun { run: Id::random(), counter: 0, previous: Hash::ZERO },
            clock_base_ms,
            group: Vec::new(),
            epoch_opened: false,
        }
    }

    /// Takes note of an entry that is in the log.
    fn remember(&mut self, recorded: &Recorded, entry_hash: Hash) {
        if recorded.fact.header().device == self.identity.device {
            self.own.previous = recorded.fact.hash();
        }
        let in_doubt = self.clock_in_doubt();
        self.enrolments.hear(recorded);
        if self.take_in(recorded, entry_hash) {
            self.know_keys();
        }
        if in_doubt && !self.clock_in_doubt() {
            self.clock_base_ms = apart_ms(&*self.clock);
        }
    }

    /// What the fact itself tells, for an entry that was heard; whether the roster has grown.
    fn take_in(&mut self, recorded: &Recorded, entry_hash: Hash) -> bool {
        if recorded.index == 0 {
            self.record = recorded.fact.hash();
        }
        if let (0, Some(Kind::RecordFounded(founded))) = (recorded.index, recorded.fact.kind()) {
            self.signing.found(founded);
        }
        let successions = self.enrolments.roster().successions().len();
        let grown = self.enrolments.take(recorded, &Texts::default());
        if grown {
            self.follow_log_keys(successions, recorded.index);
            self.erasing.roster_moved();
        }
        if let Some(Kind::ForkSeen(fork)) = recorded.fact.kind() {
            self.forks.insert(Hash::of(&fork.envelope), (recorded.index, entry_hash));
        }
        grown
    }

    /// Tells those who check signatures beside whose keys are known.
    fn know_keys(&self) {
        self.keys.replace(self.enrolments.roster().keys().iter().map(|k| k.public_key).chain(self.service_key()));
    }

    /// Judges one candidate of a peer; what is to be recorded joins the group. The outcome may leave the process only
    /// after the group is synced.
    pub fn judge(&mut self, peer: &Peer, candidate: Candidate) -> v1::Outcome {
        let (run, counter, digest) = (candidate.run, candidate.counter, candidate.digest);
        let result = if self.record == Hash::ZERO {
            self.judge_founding(peer, candidate)
        } else if let Some(why) = self.standstill.why().filter(|_| !self.ends_standstill(&candidate)) {
            outcome::Result::Refused(refusal::unrecorded(RefusalReason::NotRecording, why))
        } else {
            match peer.device.filter(|d| self.device_holds(d, peer)) {
                Some(device) => self.judge_place(device, candidate),
                None => outcome::Result::Refused(refusal::unrecorded(RefusalReason::WrongDevice, "")),
            }
        };
        v1::Outcome { run: run.to_vec(), counter, envelope_hash: digest.to_vec(), result: Some(result) }
    }

    /// The certificate is looked up anew for every group: a device retired a moment ago is turned away.
    fn device_holds(&self, device: &Id, peer: &Peer) -> bool {
        self.enrolments.roster().device(device, u64::MAX).is_some_and(|d| {
            d.retired_index.is_none() && d.report_key.is_some() && d.tls_key_digest == Some(peer.tls_key_digest)
        })
    }

    fn judge_founding(&mut self, peer: &Peer, candidate: Candidate) -> outcome::Result {
        let refused = |why: &str| outcome::Result::Refused(refusal::unrecorded(RefusalReason::NotFounded, why));
        let (Found::KeyUnknown(fact) | Found::BadSignature(fact)) = candidate.found else {
            return refused("it is not a readable founding fact");
        };
        let Some(Kind::RecordFounded(founded)) = fact.kind() else {
            return refused("the first fact must be the founding one");
        };
        let header = fact.header();
        if header.record != Hash::ZERO || header.counter != 0 || candidate.counter != 0 || header.run != candidate.run {
            return refused("it must name no record and stand at the first place of its run");
        }
        let key = match check_founding(founded, &header.author_key, &self.identity, &peer.tls_key_digest) {
            Ok(key) => key,
            Err(why) => return refused(why),
        };
        if let Some(missing) = self.erasing.missing(&fact) {
            return missing;
        }
        match fact.verify(&key) {
            Ok(fact) => self.admit(fact.into_signed(), SignatureState::Good),
            Err(_) => refused("its signature does not hold"),
        }
    }

    fn judge_place(&mut self, device: Id, candidate: Candidate) -> outcome::Result {
        match self.runs.position(device, candidate.run, candidate.counter, &candidate.digest) {
            Position::Taken(place) => self.again(place),
            Position::Gap(expected) => outcome::Result::Refused(v1::Refused {
                expected_counter: Some(expected),
                ..refusal::unrecorded(RefusalReason::Gap, &format!("place {expected} is expected"))
            }),
            Position::Other(_) => self.judge_other(device, candidate),
            Position::Next => self.judge_next(device, candidate),
        }
    }

    fn again(&self, place: Place) -> outcome::Result {
        let entry_hash = self.leaf(place.index);
        match place.held {
            Held::Refused(reason) => outcome::Result::Refused(refusal::recorded(reason, "", place.index, entry_hash)),
            Held::Admitted | Held::Lost => {
                outcome::Result::Known(v1::Known { index: place.index, entry_hash: entry_hash.to_vec() })
            }
        }
    }

    /// Other bytes for a place that is held: a fork where they are well signed, else noise that leaves no trace.
    fn judge_other(&mut self, device: Id, candidate: Candidate) -> outcome::Result {
        let fact = match self.settle_signature(candidate.found) {
            Found::Good(fact) if stands_at(&fact, device, candidate.run, candidate.counter) => fact.into_signed(),
            Found::BadSignature(_) => {
                return outcome::Result::Refused(refusal::unrecorded(RefusalReason::BadSignature, "its place is held"));
            }
            _ => return outcome::Result::Refused(refusal::unrecorded(RefusalReason::Malformed, "its place is held")),
        };
        let (index, entry_hash) = match self.forks.get(&candidate.digest) {
            Some(known) => *known,
            None => {
                let kind = Kind::ForkSeen(v1::ForkSeen {
                    device: device.to_vec(),
                    run: candidate.run.to_vec(),
                    counter: candidate.counter,
                    envelope: fact.bytes().to_vec(),
                });
                let recorded = self.record_own(kind, vec![Subject::Device(device)], vec![]);
                self.forks.insert(candidate.digest, recorded);
                recorded
            }
        };
        outcome::Result::Refused(refusal::recorded(RefusalReason::Fork, "", index, entry_hash))
    }

    fn judge_next(&mut self, device: Id, candidate: Candidate) -> outcome::Result {
        let (run, counter) = (candidate.run, candidate.counter);
        let refuse = |desk: &mut Desk, reason, detail: &str| {
            desk.refuse(device, run, counter, candidate.digest, candidate.received_bytes, reason, detail)
        };
        let (fact, signature) = match self.settle_signature(candidate.found) {
            Found::TooLarge => return refuse(self, RefusalReason::TooLarge, ""),
            Found::Malformed(why) => return refuse(self, RefusalReason::Malformed, &why.to_string()),
            Found::BadSignature(fact) if stands_at(&fact, device, run, counter) => {
                return refuse(self, RefusalReason::BadSignature, "");
            }
            Found::Good(fact) => (fact.into_signed(), SignatureState::Good),
            Found::KeyUnknown(fact) | Found::BadSignature(fact) => (fact, SignatureState::Unchecked),
        };
        if !stands_at(&fact, device, run, counter) {
            return refuse(self, RefusalReason::Malformed, "its header names another device, run or place");
        }
        if fact.header().record != self.record {
            return refuse(self, RefusalReason::WrongRecord, "");
        }
        if let Some(expected) = self.runs.expected_previous(device, run).filter(|e| *e != fact.header().previous) {
            return outcome::Result::Refused(v1::Refused {
                expected_counter: Some(counter),
                expected_previous: expected.to_vec(),
                ..refusal::unrecorded(RefusalReason::Previous, "")
            });
        }
        if self.signing.would_lose(&fact) {
            let why =
                "the service does not hold the new key that it names; ask it for one with `rinsebook enrol log-key`";
            return outcome::Result::Refused(refusal::unrecorded(RefusalReason::NotRecording, why));
        }
        match self.erasing.missing(&fact) {
            Some(missing) => missing,
            None => self.admit(fact, signature),
        }
    }

    /// A key may have been enrolled, or its enrolment undone, between the parallel check and this place, even inside this
    /// very group: the place decides, so that a replay decides alike.
    fn settle_signature(&self, found: Found) -> Found {
        match found {
            Found::Good(fact) if self.keys.get(&fact.header().author_key).is_none() => {
                Found::KeyUnknown(fact.into_signed())
            }
            Found::BadSignature(fact) if self.keys.get(&fact.header().author_key).is_none() => Found::KeyUnknown(fact),
            Found::KeyUnknown(fact) => match self.keys.get(&fact.header().author_key) {
                Some(key) => fact.verify(&key).map_or_else(Found::BadSignature, Found::Good),
                None => Found::KeyUnknown(fact),
            },
            other => other,
        }
    }

    fn admit(&mut self, fact: Arc<Signed>, signature: SignatureState) -> outcome::Result {
        let unread_because = match (&signature, fact.body()) {
            (SignatureState::Unchecked, _) => "Its signer is not enrolled yet: it is kept, blocks until it can be \
                                               read, and counts once the custodian has enrolled the signer."
                .to_owned(),
            (_, fact::Body::Unread(why)) => format!("It is kept but cannot be read: {why}. It blocks until then."),
            _ => String::new(),
        };
        let happened_ms = fact.header().happened_ms;
        let (index, entry_hash) = self.stage(fact, signature);
        let received_ms = self.chain.last_received_ms();
        let staged = self.group.last().map(|staged| &staged.recorded.fact);
        let mut notes = staged.map(|fact| self.erasing.notes(fact, &self.enrolments)).unwrap_or_default();
        if happened_ms > received_ms.saturating_add(AHEAD_MS) {
            let seconds = (happened_ms - received_ms) / 1000;
            notes.push(format!(
                "It says that it happened {seconds} s after it was received: check the date and time of this device."
            ));
        }
        outcome::Result::Admitted(v1::Admitted { index, entry_hash: entry_hash.to_vec(), unread_because, notes })
    }

    #[allow(clippy::too_many_arguments)] // The parts of one `FactRefused`, in its order.
    fn refuse(
        &mut self,
        device: Id,
        run: Id,
        counter: u64,
        digest: Hash,
        received_bytes: u64,
        reason: RefusalReason,
        detail: &str,
    ) -> outcome::Result {
        let kind = Kind::FactRefused(v1::FactRefused {
            device: device.to_vec(),
            run: run.to_vec(),
            counter,
            received_digest: digest.to_vec(),
            received_bytes,
            reason: reason as i32,
        });
        let (index, entry_hash) = self.record_own(kind, vec![Subject::Device(device)], vec![]);
        outcome::Result::Refused(refusal::recorded(reason, detail, index, entry_hash))
    }

    /// Signs and stages a service fact, of a length that a fact may have.
    pub fn record_own(&mut self, kind: Kind, subjects: Vec<Subject>, refers: Vec<Hash>) -> (u64, Hash) {
        let now_ms = self.clock.wall_ms();
        let header = Header {
            record: self.record,
            device: self.identity.device,
            run: self.own.run,
            counter: self.own.counter,
            previous: self.own.previous,
            author_key: key::key_id(&self.identity.fact_key.verifying_key()),
            happened_ms: now_ms,
            recorded_ms: now_ms,
            clock_offset_ms: None,
            clock_measured_ms: None,
            seen: Seen { epoch: self.signing.epoch(), size: self.checkpoint.size, root: self.checkpoint.root },
            card: None,
            subjects,
            refers,
        };
        let fact = Signed::sign(header, kind, &self.identity.fact_key);
        self.own.counter += 1;
        self.stage(Arc::new(fact), SignatureState::Good)
    }

    fn stage(&mut self, fact: Arc<Signed>, signature: SignatureState) -> (u64, Hash) {
        let wall_ms = self.clock.wall_ms();
        let parted = (apart_ms(&*self.clock) - self.clock_base_ms).unsigned_abs();
        // Neither a clock set back nor a new start takes a doubt away: a start knows no earlier base to compare with.
        let unsure = parted > u128::from(CLOCKS_PART_MS) || self.clock_in_doubt();
        let built = self.chain.build(&fact.header().subjects, fact.bytes(), wall_ms, unsure);
        // Staged nowhere yet, written nowhere: whatever comes here was parsed, or made, within a fact's limits.
        let Built { index, received_ms, data, hash } =
            built.expect("a fact within its limits makes an entry within its own");
        let recorded = Recorded { index, received_ms, clock_unsure: unsure, fact, signature };
        self.hold(&places_of(&recorded, &self.identity.device));
        self.tree_mut().push(hash);
        self.remember(&recorded, hash);
        self.group.push(Staged { data, hash, recorded });
        (index, hash)
    }

    /// Whether some entry is marked that no custodian has answered since, by the rules' own reading.
    fn clock_in_doubt(&self) -> bool {
        self.enrolments.clock_unsure_since(u64::MAX).is_some()
    }

    fn hold(&mut self, places: &[(Id, Id, Place)]) {
        for (device, run, place) in places {
            self.runs.hold(*device, *run, *place);
        }
    }

    /// Whether anything waits to be written.
    pub fn has_group(&self) -> bool {
        !self.group.is_empty()
    }

    /// Carries out what custodians erased, once all that this desk has staged is synced; how many files went.
    pub fn erase(&mut self) -> u64 {
        self.erasing.carry_out(&self.enrolments)
    }

    /// The newest checkpoint's note.
    pub fn note(&self) -> &str {
        &self.note
    }

    /// The record's id; zeros before the founding.
    pub fn record(&self) -> Hash {
        self.record
    }

    /// The service's own fact key, once the founding fact has named it.
    fn service_key(&self) -> Option<VerifyingKey> {
        let own = self.identity.fact_key.verifying_key();
        (self.enrolments.roster().service_key() == Some(key::key_id(&own))).then_some(own)
    }

    /// Records what the service itself has to say; index and envelope hash of each. It may say what a caller wrote: where one
    /// fact cannot hold that, none is recorded, for no reader would take such an entry, and so none of this log.
    pub fn record_service_facts(&mut self, facts: Vec<(Kind, Vec<Subject>)>) -> Result<Vec<(u64, Hash)>, CallError> {
        let bytes = |(kind, subjects): &(Kind, Vec<Subject>)| {
            kind.encoded_len() + subjects.len() * MOST_SUBJECT_BYTES + MOST_BYTES_BESIDE
        };
        if let Some(bytes) = facts.iter().map(bytes).find(|bytes| *bytes > fact::MAX_SERVICE_ENVELOPE_BYTES) {
            let most = fact::MAX_SERVICE_ENVELOPE_BYTES;
            let why = format!("what is recorded of it would take {bytes} bytes, and a fact holds {most}; write less");
            return Err(CallError::Field { field: "text", why });
        }
        let record = |(kind, subjects)| {
            let (index, _) = self.record_own(kind, subjects, vec![]);
            (index, self.own.previous)
        };
        Ok(facts.into_iter().map(record).collect())
    }

    /// The tree, for those who read proofs from it.
    pub fn tree(&self) -> Arc<RwLock<Tree>> {
        self.tree.clone()
    }

    fn tree_mut(&self) -> RwLockWriteGuard<'_, Tree> {
        self.tree.write().expect("readers of the tree do not panic")
    }

    fn size_and_root(&self) -> (u64, Hash) {
        let tree = self.tree.read().expect("readers of the tree do not panic");
        (tree.size(), tree.root(tree.size()))
    }

    fn leaf(&self, index: u64) -> Hash {
        self.tree.read().expect("readers of the tree do not panic").leaf(index).unwrap_or(Hash::ZERO)
    }

    /// The last entry's leaf hash.
    pub fn last_hash(&self) -> Hash {
        self.chain.last_hash()
    }
}

/// Wall minus boot clock.
fn apart_ms(clock: &dyn Clock) -> i128 {
    i128::from(clock.wall_ms()) - i128::from(clock.boot_ms())
}

fn stands_at(fact: &Signed, device: Id, run: Id, counter: u64) -> bool {
    let header = fact.header();
    header.device == device && header.run == run && header.counter == counter
}

/// The places that an entry holds: its own, and those that a fact of the service itself speaks of.
fn places_of(recorded: &Recorded, service: &Id) -> Vec<(Id, Id, Place)> {
    let header = recorded.fact.header();
    let own = Place { index: recorded.index, digest: recorded.fact.hash(), held: Held::Admitted };
    let mut places = vec![(header.device, header.run, own)];
    places.extend(spoken_of(recorded, service).into_iter().map(|(device, run, _, place)| (device, run, place)));
    places
}

/// Device, run, counter and place of those that a fact of the service itself speaks of.
fn spoken_of(recorded: &Recorded, service: &Id) -> Vec<(Id, Id, u64, Place)> {
    let index = recorded.index;
    match recorded.fact.kind().filter(|_| recorded.fact.header().device == *service) {
        Some(Kind::FactRefused(b)) => {
            let reason = RefusalReason::try_from(b.reason).unwrap_or(RefusalReason::Unspecified);
            if let (Some(device), Some(run), Some(digest)) =
                (Id::from_slice(&b.device), Id::from_slice(&b.run), Hash::from_slice(&b.received_digest))
            {
                return vec![(device, run, b.counter, Place { index, digest, held: Held::Refused(reason) })];
            }
        }
        Some(Kind::PlacesLost(b)) => {
            if let (Some(device), Some(run)) = (Id::from_slice(&b.device), Id::from_slice(&b.run)) {
                let count = b.last_counter.saturating_sub(b.first_counter).min(MAX_LOST_PLACES) + 1;
                let lost = Place { index, digest: Hash::ZERO, held: Held::Lost };
                return (0..count).map(|n| (device, run, b.first_counter + n, lost)).collect();
            }
        }
        _ => {}
    }
    Vec::new()
}
