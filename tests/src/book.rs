//! A log that a test writes itself, with every key in hand: what a service in the right would have written, of any length.

use std::collections::HashMap;
use std::path::Path;
use std::sync::Arc;

use rinsebook_proto::bytes::{Hash, Id};
use rinsebook_proto::entry::{Built, EntryChain};
use rinsebook_proto::fact::{Header, Kind, MAX_SERVICE_ENVELOPE_BYTES, Seen, Signed, Subject};
use rinsebook_proto::journal::{self, Journal, Options, RealDisk};
use rinsebook_proto::key::{self, SigningKey};
use rinsebook_proto::note::{Checkpoint, VerifierKey};
use rinsebook_proto::tree::Edge;
use rinsebook_proto::v1;

use crate::operator::{Piece, rebuild};

/// Who signs.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum By {
    /// The custodian, at a desk.
    Custodian,
    /// A technician, on a tablet.
    Technician,
    /// The service.
    Service,
}

const START_MS: u64 = 1_930_377_600_000;

/// A device's place in its run.
#[derive(Debug, Clone, Copy)]
struct At {
    counter: u64,
    previous: Hash,
}

/// See the module.
pub struct Book {
    /// Signs checkpoints.
    pub log_key: SigningKey,
    custodian: SigningKey,
    technician: SigningKey,
    service: SigningKey,
    report: SigningKey,
    journal: Journal,
    chain: EntryChain,
    edge: Edge,
    group: Vec<Vec<u8>>,
    group_begins: (u64, Hash),
    places: HashMap<Id, At>,
    record: Hash,
    seen: Seen,
}

/// The log's name and epoch.
pub const ORIGIN: &str = "book.example/1";
const DESK: Id = Id([1; 16]);
/// Where the technician signs.
pub const TABLET: Id = Id([2; 16]);
const SERVICE_DEVICE: Id = Id([3; 16]);
const CUSTODIAN: Id = Id([4; 16]);
const TECHNICIAN: Id = Id([5; 16]);
const RUN: Id = Id([9; 16]);

impl Book {
    /// A log of so many entries about forty aircraft with one wash each, in groups of a hundred.
    pub fn of_forty_aircraft(dir: &Path, segment_bytes: u64, entries: u64) -> Book {
        let mut book = Book::begin(dir, segment_bytes);
        while book.size() < entries {
            let n = (book.size() % 40) as u8;
            let serial = format!("BK-{n:04}");
            let engine = Some(v1::EngineAt { position: 1, serial: serial.clone() });
            let kind = Kind::MetalTemperature(v1::MetalTemperature { engine, metal_tenths_celsius: Some(300) });
            let (aircraft, wash) = (Id([n; 16]), Id([n + 100; 16]));
            let subjects = vec![Subject::Aircraft(aircraft), Subject::Wash(wash), Subject::Engine(serial)];
            book.fact(By::Technician, kind, subjects);
            if book.size().is_multiple_of(100) {
                book.close();
            }
        }
        book.close_rest();
        book
    }

    /// A founded log in this folder, with a technician and a tablet.
    pub fn begin(dir: &Path, segment_bytes: u64) -> Book {
        let options = Options { segment_bytes, grow_bytes: 1 << 20, ..Options::small(journal::Kind::Log) };
        let (journal, _) = Journal::create_or_open(Arc::new(RealDisk), dir, options, |_| Ok::<_, String>(())).unwrap();
        let mut book = Book {
            log_key: key::generate(),
            custodian: key::generate(),
            technician: key::generate(),
            service: key::generate(),
            report: key::generate(),
            journal,
            chain: EntryChain::default(),
            edge: Edge::default(),
            group: Vec::new(),
            group_begins: (0, Hash::ZERO),
            places: HashMap::new(),
            record: Hash::ZERO,
            seen: Seen::nothing(),
        };
        book.found();
        book
    }

    fn found(&mut self) {
        let founding = v1::RecordFounded {
            custodian: Some(person(CUSTODIAN)),
            custodian_key: Some(enrolled(CUSTODIAN, &self.custodian)),
            custodian_device: Some(self.device(DESK)),
            service_fact_key: self.service.verifying_key().as_bytes().to_vec(),
            service_device: SERVICE_DEVICE.to_vec(),
            origin_name: ORIGIN.trim_end_matches("/1").to_owned(),
            log_public_key: self.log_key.verifying_key().as_bytes().to_vec(),
            rules_version: 1,
            ..v1::RecordFounded::default()
        };
        self.record = self.fact(By::Custodian, Kind::RecordFounded(founding), vec![Subject::Roster]);
        self.close();
        let technician = enrolled(TECHNICIAN, &self.technician);
        self.fact(By::Custodian, Kind::PersonEnrolled(person(TECHNICIAN)), vec![Subject::Roster]);
        self.fact(By::Custodian, Kind::KeyEnrolled(technician), vec![Subject::Roster]);
        let tablet = self.device(TABLET);
        self.fact(By::Custodian, Kind::DeviceEnrolled(tablet), vec![Subject::Roster, Subject::Device(TABLET)]);
        self.close();
    }

    fn device(&self, device: Id) -> v1::DeviceEnrolled {
        v1::DeviceEnrolled {
            device: device.to_vec(),
            tls_key_digest: vec![4; 32],
            report_key: self.report.verifying_key().as_bytes().to_vec(),
            possession: key::prove_possession(&self.report, &device.0).to_vec(),
            ..v1::DeviceEnrolled::default()
        }
    }

    /// Adds a fact to the group that is open; gives its envelope's hash.
    pub fn fact(&mut self, by: By, kind: Kind, mut subjects: Vec<Subject>) -> Hash {
        let (device, signer) = match by {
            By::Custodian => (DESK, &self.custodian),
            By::Technician => (TABLET, &self.technician),
            By::Service => (SERVICE_DEVICE, &self.service),
        };
        let at = self.places.get(&device).copied().unwrap_or(At { counter: 0, previous: Hash::ZERO });
        subjects.sort();
        let happened_ms = START_MS + self.chain.next_index() * 1000;
        let header = Header {
            record: self.record,
            device,
            run: RUN,
            counter: at.counter,
            previous: at.previous,
            author_key: key::key_id(&signer.verifying_key()),
            happened_ms,
            recorded_ms: happened_ms,
            clock_offset_ms: None,
            clock_measured_ms: None,
            seen: self.seen,
            card: None,
            subjects,
            refers: vec![],
        };
        let fact = Signed::sign(header, kind, signer);
        let built = self.chain.build(&fact.header().subjects, fact.bytes(), happened_ms, false);
        let Built { data, hash, .. } = built.unwrap();
        self.edge.push(hash);
        self.group.push(data);
        self.places.insert(device, At { counter: at.counter + 1, previous: fact.hash() });
        fact.hash()
    }

    /// Ends the group with its checkpoint, on disk.
    pub fn close(&mut self) {
        let checkpoint = Checkpoint { origin: ORIGIN.to_owned(), size: self.edge.size(), root: self.edge.root() };
        let (first, previous) = self.group_begins;
        let note = checkpoint.sign(&self.log_key);
        self.journal.make_room(previous.0, self.group.iter().map(|data| data.len() as u64 + 64).sum()).unwrap();
        self.journal.append(first, previous.0, &self.group, note.as_bytes()).unwrap();
        self.group.clear();
        self.group_begins = (self.edge.size(), self.chain.last_hash());
        self.seen = Seen { epoch: 1, size: checkpoint.size, root: checkpoint.root };
    }

    /// Ends the group that is open, if one is.
    pub fn close_rest(&mut self) {
        if !self.group.is_empty() {
            self.close();
        }
    }

    /// What the service signs its own facts with.
    pub fn service_key(&self) -> &SigningKey {
        &self.service
    }

    /// A fact of the service's own, signed anew to stand behind these.
    pub fn resigned_head(&self, head: &Piece, behind: &[Piece]) -> Piece {
        let parse = |piece: &Piece| Signed::parse(&piece.envelope, MAX_SERVICE_ENVELOPE_BYTES).unwrap();
        let (fact, rebuilt) = (parse(head), rebuild(behind, ORIGIN, &self.log_key));
        let own = behind.iter().map(parse).rfind(|fact| fact.header().device == SERVICE_DEVICE).unwrap();
        let size = behind.len() as u64;
        let header = Header {
            counter: own.header().counter + 1,
            previous: own.hash(),
            seen: Seen { epoch: 1, size, root: rebuilt.tree.root(size) },
            ..fact.header().clone()
        };
        let fact = Signed::sign(header, fact.kind().unwrap().clone(), &self.service);
        Piece { envelope: fact.bytes().to_vec(), ..head.clone() }
    }

    /// Entries so far.
    pub fn size(&self) -> u64 {
        self.edge.size()
    }

    /// The log's verifier key.
    pub fn verifier_key(&self) -> VerifierKey {
        VerifierKey::new(ORIGIN, self.log_key.verifying_key())
    }
}

fn person(id: Id) -> v1::PersonEnrolled {
    v1::PersonEnrolled { person: id.to_vec(), ..v1::PersonEnrolled::default() }
}

fn enrolled(person: Id, signer: &SigningKey) -> v1::KeyEnrolled {
    v1::KeyEnrolled {
        person: person.to_vec(),
        public_key: signer.verifying_key().as_bytes().to_vec(),
        possession: key::prove_possession(signer, &person.0).to_vec(),
    }
}
