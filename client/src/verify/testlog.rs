//! Small logs for tests, built with real keys through the journal: what a service in the right would have written, and,
//! since the builder holds every key, what one in the wrong could.

use std::collections::HashMap;
use std::path::Path;
use std::sync::Arc;

use rinsebook_proto::bytes::{Hash, Id};
use rinsebook_proto::entry::{Entry, EntryChain};
use rinsebook_proto::fact::{Header, Kind, Seen, Signed, Subject};
use rinsebook_proto::journal::{self, Journal, Options, RealDisk};
use rinsebook_proto::key::{self, SigningKey};
use rinsebook_proto::note::{Checkpoint, VerifierKey};
use rinsebook_proto::tree::{Edge, leaf_hash};
use rinsebook_proto::v1;

pub(super) const ORIGIN: &str = "shop.example/1";
pub(super) const CUSTODIAN: Id = Id([1; 16]);
pub(super) const TABLET: Id = Id([2; 16]);
pub(super) const SERVICE: Id = Id([3; 16]);
pub(super) const RUN: Id = Id([9; 16]);

/// Who signs and from which device a fact claims to come.
pub(super) struct By<'a>(pub Id, pub &'a SigningKey);

/// Facts in groups, with the keys of everyone.
pub(super) struct TestLog {
    pub log_key: SigningKey,
    pub service_key: SigningKey,
    pub custodian_key: SigningKey,
    pub report_key: SigningKey,
    groups: Vec<Vec<Signed>>,
    places: HashMap<Id, (u64, Hash)>,
    record: Hash,
    /// Groups whose checkpoints another key signs.
    signed_by: HashMap<usize, SigningKey>,
    /// What the next fact says to have seen; none: the truth.
    pretended: Option<Seen>,
    /// What the next fact is about, and the card it stands on.
    subjects: Vec<Subject>,
    card: Option<Id>,
}

impl TestLog {
    /// A log with its founding fact only, which `alter` may change before it is signed.
    pub(super) fn founded(alter: impl FnOnce(&mut v1::RecordFounded)) -> TestLog {
        let mut log = TestLog {
            log_key: key::generate(),
            service_key: key::generate(),
            custodian_key: key::generate(),
            report_key: key::generate(),
            groups: Vec::new(),
            places: HashMap::new(),
            record: Hash::ZERO,
            signed_by: HashMap::new(),
            pretended: None,
            subjects: vec![Subject::Roster],
            card: None,
        };
        let mut founding = log.founding();
        alter(&mut founding);
        let custodian = log.custodian_key.clone();
        log.record = log.add(&By(TABLET, &custodian), Kind::RecordFounded(founding), vec![]);
        log
    }

    fn founding(&self) -> v1::RecordFounded {
        v1::RecordFounded {
            custodian: Some(v1::PersonEnrolled { person: CUSTODIAN.to_vec(), ..v1::PersonEnrolled::default() }),
            custodian_key: Some(key_of(CUSTODIAN, &self.custodian_key)),
            custodian_device: Some(device_of(TABLET, &self.report_key)),
            service_fact_key: self.service_key.verifying_key().as_bytes().to_vec(),
            service_device: SERVICE.to_vec(),
            origin_name: "shop.example".to_owned(),
            log_public_key: self.log_key.verifying_key().as_bytes().to_vec(),
            rules_version: 1,
            ..v1::RecordFounded::default()
        }
    }

    /// Adds a fact in a group of its own; gives its hash. Its signer has seen the newest checkpoint.
    pub(super) fn add(&mut self, by: &By<'_>, kind: Kind, refers: Vec<Hash>) -> Hash {
        self.groups.push(Vec::new());
        self.join(by, kind, refers)
    }

    /// Adds a fact about something else than the roster.
    pub(super) fn about(&mut self, by: &By<'_>, kind: Kind, subjects: Vec<Subject>) -> Hash {
        self.subjects = subjects;
        let hash = self.add(by, kind, vec![]);
        self.subjects = vec![Subject::Roster];
        hash
    }

    /// Adds facts signed by one deliberate act.
    pub(super) fn in_one_card(&mut self, by: &By<'_>, kinds: Vec<Kind>) {
        self.card = Some(Id([7; 16]));
        kinds.into_iter().for_each(|kind| {
            self.add(by, kind, vec![]);
        });
        self.card = None;
    }

    /// Adds a fact to the group of the last one.
    pub(super) fn join(&mut self, by: &By<'_>, kind: Kind, refers: Vec<Hash>) -> Hash {
        let (counter, previous) = self.places.get(&by.0).copied().unwrap_or((0, Hash::ZERO));
        let seen = self.pretended.take().unwrap_or_else(|| self.seen_after(self.groups.len() - 1));
        let header = Header {
            record: self.record,
            device: by.0,
            run: RUN,
            counter,
            previous,
            author_key: key::key_id(&by.1.verifying_key()),
            happened_ms: 1_000,
            recorded_ms: 1_000,
            clock_offset_ms: None,
            clock_measured_ms: None,
            seen,
            card: self.card,
            subjects: self.subjects.clone(),
            refers,
        };
        let fact = Signed::sign(header, kind, by.1);
        assert!(fact.kind().is_some(), "a test's fact is read: {:?}", fact.body());
        let hash = fact.hash();
        self.places.insert(by.0, (counter + 1, hash));
        self.groups.last_mut().unwrap().push(fact);
        hash
    }

    /// The checkpoint that closes the first `groups` groups.
    pub(super) fn seen_after(&self, groups: usize) -> Seen {
        self.seen_of(self.groups[..groups].iter().map(Vec::len).sum())
    }

    /// What a checkpoint of so many entries would say.
    pub(super) fn seen_of(&self, entries: usize) -> Seen {
        let (mut chain, mut edge) = (EntryChain::default(), Edge::default());
        for fact in self.groups.iter().flatten().take(entries) {
            edge.push(built(&mut chain, fact).1);
        }
        Seen { epoch: 1, size: edge.size(), root: edge.root() }
    }

    /// The custodian changes the log's key, in a group of its own; gives the new one.
    pub(super) fn change_log_key(&mut self) -> SigningKey {
        let (old, next, custodian) = (self.log_key.clone(), key::generate(), self.custodian_key.clone());
        let Seen { size, root, .. } = self.seen_after(self.groups.len());
        let both = Checkpoint { origin: ORIGIN.to_owned(), size, root }.sign_by(&[&old, &next]);
        let changed = v1::LogKeyChanged {
            old_public_key: old.verifying_key().as_bytes().to_vec(),
            new_public_key: next.verifying_key().as_bytes().to_vec(),
            checkpoint_note: both,
        };
        self.add(&By(TABLET, &custodian), Kind::LogKeyChanged(changed), vec![]);
        next
    }

    /// This key signs the checkpoint that closes that group.
    pub(super) fn sign_group(&mut self, number: usize, key: &SigningKey) {
        self.signed_by.insert(number, key.clone());
    }

    /// The next fact says to have seen this.
    pub(super) fn pretend_seen(&mut self, seen: Seen) {
        self.pretended = Some(seen);
    }

    /// One bit of the last fact's signature is altered; the device's next fact names what it is now.
    pub(super) fn spoil_last_signature(&mut self) {
        let fact = self.groups.last_mut().unwrap().last_mut().unwrap();
        let mut bytes = fact.bytes().to_vec();
        *bytes.last_mut().unwrap() ^= 1;
        *fact = Signed::parse(&bytes, bytes.len()).unwrap();
        self.places.get_mut(&fact.header().device).unwrap().1 = fact.hash();
    }

    pub(super) fn next_counter(&self, device: Id) -> u64 {
        self.places[&device].0
    }

    /// The device's next fact takes this place and names this.
    pub(super) fn go_on(&mut self, device: Id, counter: u64, previous: Hash) {
        self.places.insert(device, (counter, previous));
    }

    pub(super) fn skip_place(&mut self, device: Id) {
        self.places.get_mut(&device).unwrap().0 += 1;
    }

    pub(super) fn forget_previous(&mut self, device: Id) {
        self.places.get_mut(&device).unwrap().1 = Hash::ZERO;
    }

    pub(super) fn verifier_key(&self) -> VerifierKey {
        VerifierKey::new(ORIGIN, self.log_key.verifying_key())
    }

    /// Writes the log in segments of `segment_bytes`; the last entry and every checkpoint as altered, hashed and signed.
    pub(super) fn write(
        &self,
        dir: &Path,
        segment_bytes: u64,
        alter: impl FnOnce(&mut Entry),
        root: impl Fn(&mut Checkpoint),
    ) {
        let options = Options { segment_bytes, ..Options::small(journal::Kind::Log) };
        let (mut out, _) = Journal::create_or_open(Arc::new(RealDisk), dir, options, |_| Ok::<_, String>(())).unwrap();
        let (mut chain, mut edge, mut first, mut previous) = (EntryChain::default(), Edge::default(), 0, Hash::ZERO);
        let total: usize = self.groups.iter().map(Vec::len).sum();
        let mut alter = Some(alter);
        for (number, group) in self.groups.iter().enumerate() {
            let mut records = Vec::new();
            for fact in group {
                let (mut entry, _) = built(&mut chain, fact);
                if chain.next_index() == total as u64 {
                    alter.take().unwrap()(&mut entry);
                }
                records.push(entry.encode().unwrap());
            }
            records.iter().for_each(|record| edge.push(leaf_hash(record)));
            let mut checkpoint = Checkpoint { origin: ORIGIN.to_owned(), size: edge.size(), root: edge.root() };
            root(&mut checkpoint);
            let signer = self.signed_by.get(&number).unwrap_or(&self.log_key);
            out.append(first, previous.0, &records, checkpoint.sign(signer).as_bytes()).unwrap();
            first += records.len() as u64;
            previous = leaf_hash(records.last().unwrap());
        }
    }
}

/// The next entry, and its leaf hash.
fn built(chain: &mut EntryChain, fact: &Signed) -> (Entry, Hash) {
    let received_ms = 2_000 + chain.next_index();
    let built = chain.build(&fact.header().subjects, fact.bytes(), received_ms, false).unwrap();
    (Entry::decode(&built.data).unwrap(), built.hash)
}

/// A device's enrolment with its proof of possession.
pub(super) fn device_of(device: Id, report_key: &SigningKey) -> v1::DeviceEnrolled {
    v1::DeviceEnrolled {
        device: device.to_vec(),
        tls_key_digest: vec![4; 32],
        report_key: report_key.verifying_key().as_bytes().to_vec(),
        possession: key::prove_possession(report_key, &device.0).to_vec(),
        ..v1::DeviceEnrolled::default()
    }
}

/// A key's enrolment with its proof of possession.
pub(super) fn key_of(person: Id, signer: &SigningKey) -> v1::KeyEnrolled {
    v1::KeyEnrolled {
        person: person.to_vec(),
        public_key: signer.verifying_key().as_bytes().to_vec(),
        possession: key::prove_possession(signer, &person.0).to_vec(),
    }
}
