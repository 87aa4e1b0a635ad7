//! An invented shop that signs real facts: people, tablets, aircraft and engines, and a log that takes the facts in.

use std::collections::HashMap;
use std::sync::Arc;

use rinsebook_proto::bytes::{Hash, Id};
use rinsebook_proto::fact::{Envelope, Header, Kind, REPORT_TYPE, Seen, Signed, Subject, engines_named};
use rinsebook_proto::key::{SigningKey, key_id, prove_possession};
use rinsebook_proto::rules::{History, Recorded, SignatureState};
use rinsebook_proto::v1::{self, Authority, EngineAt};

use prost::Message;

/// The procedure that washes are opened by.
pub const PROCEDURE: &str = include_str!("../../../deploy/procedures/ossavar-t2.toml");
/// The engine type that it is for.
pub const TYPE: &str = "Ossavar T2";
/// An engine type that no engine of the shop is of.
pub const OTHER_TYPE: &str = "Tellmark R5";
/// 2027-01-15 08:00:00 UTC, when every story begins.
pub const MORNING_MS: u64 = 1_800_000_000_000;

/// Everybody and what they may do, for which engine type; an empty type: all.
pub const PEOPLE: [(&str, &[Authority], &str); 11] = [
    ("tech", &[Authority::Perform], TYPE),
    ("mate", &[Authority::Perform], TYPE),
    ("inspector", &[Authority::Inspect, Authority::Perform], TYPE),
    ("runner", &[Authority::Run], TYPE),
    ("certifier", &[Authority::Certify], TYPE),
    ("second certifier", &[Authority::Certify], ""),
    ("waiver", &[Authority::Waive], TYPE),
    ("planner", &[Authority::Plan], ""),
    ("chief", &[Authority::Perform, Authority::Inspect, Authority::Run, Authority::Certify, Authority::Waive], TYPE),
    ("visitor", &[Authority::Perform, Authority::Inspect, Authority::Certify], OTHER_TYPE),
    ("stranger", &[], ""),
];
/// Somebody whose key is enrolled only while the story goes on, if ever.
pub const NEWCOMER: &str = "newcomer";
/// Tablets that people sign on.
pub const TABLETS: [&str; 3] = ["tablet one", "tablet two", "tablet three"];
/// By how much tablets' clocks are off.
const OFFSETS_MS: [i64; TABLETS.len()] = [0, -3_500, 130_000];
/// Engines: serial number, position, aircraft at the beginning.
pub const ENGINES: [(&str, u32, Option<&str>); 6] = [
    ("OT-1", 1, Some("aircraft one")),
    ("OT-2", 2, Some("aircraft one")),
    ("OT-3", 1, Some("aircraft two")),
    ("OT-4", 2, Some("aircraft two")),
    ("OT-5", 1, None),
    ("OT-9", 2, None),
];

/// An id made from a name.
pub fn id(name: &str) -> Id {
    Id::from_slice(&Hash::of(name.as_bytes()).0[..16]).expect("16 bytes")
}

fn signing_key(name: &str) -> SigningKey {
    SigningKey::from_bytes(&Hash::of(name.as_bytes()).0)
}

/// The engine of that place in [`ENGINES`].
pub fn engine(at: usize) -> EngineAt {
    EngineAt { position: ENGINES[at].1, serial: ENGINES[at].0.to_owned() }
}

/// A tablet's run of its program, what it has seen of the log, and what it has not sent.
#[derive(Default, Clone)]
struct Run {
    counter: u64,
    previous: Option<Hash>,
    seen_size: u64,
    measured_ms: Option<u64>,
    outbox: Vec<Signed>,
    offline: bool,
}

/// The shop.
#[derive(Default)]
pub struct Shop {
    /// The rules that are compared.
    pub history: History,
    /// What they were given.
    pub recorded: Vec<Recorded>,
    /// The time of day in the story.
    pub now_ms: u64,
    runs: HashMap<String, Run>,
    record: Option<Hash>,
    card: Option<Id>,
    hashes: HashMap<Hash, Vec<Subject>>,
}

impl Shop {
    /// The record founded, everybody enrolled, two aircraft with two engines each, one procedure.
    pub fn founded() -> Shop {
        let mut shop = Shop { now_ms: MORNING_MS - 7 * 3_600_000, ..Shop::default() };
        shop.found();
        for (name, authorities, engine_type) in PEOPLE {
            shop.enrol(name);
            for authority in authorities {
                shop.grant(name, *authority, engine_type);
            }
        }
        for tablet in TABLETS {
            shop.enrol_tablet(tablet);
        }
        shop.list("aircraft one", &[0, 1]);
        shop.list("aircraft two", &[2, 3]);
        let procedure = Id::from_hex("6f7373617661722d74322d7761736831").expect("an id");
        shop.custody(Kind::ProcedurePublished(v1::ProcedurePublished {
            procedure: procedure.to_vec(),
            revision: 1,
            text: Some(v1::AttachmentRef { digest: Hash::of(PROCEDURE.as_bytes()).to_vec() }),
            engine_type: TYPE.into(),
            title: "Core wash".into(),
        }));
        shop.now_ms = MORNING_MS;
        TABLETS.iter().for_each(|tablet| shop.sync(tablet));
        shop
    }

    fn found(&mut self) {
        let kind = Kind::RecordFounded(v1::RecordFounded {
            custodian: Some(v1::PersonEnrolled { person: id("custodian").to_vec(), ..Default::default() }),
            custodian_key: Some(key_of("custodian")),
            custodian_device: Some(v1::DeviceEnrolled {
                device: id("office").to_vec(),
                tls_key_digest: vec![1; 32],
                ..Default::default()
            }),
            service_fact_key: signing_key("service").verifying_key().to_bytes().to_vec(),
            service_device: id("service").to_vec(),
            ..Default::default()
        });
        let fact = self.sign("custodian", "office", self.now_ms, vec![Subject::Roster], vec![], kind);
        self.record = Some(fact.hash());
        self.put(fact);
    }

    /// Enrols a person and the key.
    pub fn enrol(&mut self, name: &str) {
        self.custody(Kind::PersonEnrolled(v1::PersonEnrolled { person: id(name).to_vec(), ..Default::default() }));
        self.custody(Kind::KeyEnrolled(key_of(name)));
    }

    /// Enrols somebody with one card: the person, the key, an authority.
    pub fn enrol_on_card(&mut self, name: &str, authority: Authority) {
        self.card = Some(id("card"));
        self.enrol(name);
        self.grant(name, authority, TYPE);
        self.card = None;
    }

    fn enrol_tablet(&mut self, tablet: &str) {
        let report_key = signing_key(&format!("{tablet} reports"));
        self.custody(Kind::DeviceEnrolled(v1::DeviceEnrolled {
            device: id(tablet).to_vec(),
            tls_key_digest: Hash::of(tablet.as_bytes()).to_vec(),
            report_key: report_key.verifying_key().to_bytes().to_vec(),
            possession: prove_possession(&report_key, &id(tablet).0).to_vec(),
            ..Default::default()
        }));
    }

    /// Grants an authority.
    pub fn grant(&mut self, name: &str, authority: Authority, engine_type: &str) -> Hash {
        self.custody(Kind::AuthorityGranted(v1::AuthorityGranted {
            person: id(name).to_vec(),
            authority: authority as i32,
            engine_type: engine_type.into(),
            ..Default::default()
        }))
    }

    fn list(&mut self, aircraft: &str, engines: &[usize]) {
        let installed = |at: &usize| v1::InstalledEngine { engine: Some(engine(*at)), engine_type: TYPE.into() };
        self.custody(Kind::AircraftListed(v1::AircraftListed {
            aircraft: id(aircraft).to_vec(),
            registration: aircraft.to_uppercase(),
            aircraft_type: "invented".into(),
            engines: engines.iter().map(installed).collect(),
        }));
    }

    /// A fact of the custodian, received at once.
    pub fn custody(&mut self, kind: Kind) -> Hash {
        self.custody_naming(vec![], kind)
    }

    /// The same, naming others.
    pub fn custody_naming(&mut self, refers: Vec<Hash>, kind: Kind) -> Hash {
        let mut subjects = vec![Subject::Roster];
        match &kind {
            Kind::AircraftListed(b) => subjects.extend(Id::from_slice(&b.aircraft).map(Subject::Aircraft)),
            Kind::EngineChanged(b) => subjects.extend(Id::from_slice(&b.aircraft).map(Subject::Aircraft)),
            _ => {}
        }
        subjects.extend(engines_named(&kind).iter().map(|e| Subject::Engine(e.serial.clone())));
        for named in &refers {
            subjects.extend(self.hashes.get(named).cloned().unwrap_or_default());
        }
        let fact = self.sign("custodian", "office", self.now_ms, subjects, refers, kind);
        self.put(fact)
    }

    fn sign(
        &mut self,
        who: &str,
        device: &str,
        happened_ms: u64,
        mut subjects: Vec<Subject>,
        refers: Vec<Hash>,
        kind: Kind,
    ) -> Signed {
        subjects.sort();
        subjects.dedup();
        let size = self.history.size();
        let run = self.runs.entry(device.to_owned()).or_default();
        if TABLETS.contains(&device) && !run.offline || !TABLETS.contains(&device) {
            run.seen_size = size;
            run.measured_ms = TABLETS.contains(&device).then_some(self.now_ms);
        }
        let header = Header {
            record: self.record.unwrap_or(Hash::ZERO),
            device: id(device),
            run: id(&format!("{device} run")),
            counter: run.counter,
            previous: run.previous.unwrap_or(Hash::ZERO),
            author_key: key_id(&signing_key(who).verifying_key()),
            happened_ms,
            recorded_ms: self.now_ms.max(happened_ms),
            clock_offset_ms: TABLETS.iter().position(|t| *t == device).map(|at| OFFSETS_MS[at]),
            clock_measured_ms: run.measured_ms,
            seen: Seen { size: run.seen_size, ..Seen::nothing() },
            card: self.card,
            subjects,
            refers,
        };
        let fact = Signed::sign(header, kind, &signing_key(who));
        run.counter += 1;
        run.previous = Some(fact.hash());
        self.hashes.insert(fact.hash(), fact.header().subjects.clone());
        fact
    }

    /// Signs a fact on a tablet, which sends it at once unless it is offline.
    pub fn act(
        &mut self,
        who: &str,
        tablet: &str,
        happened_ms: u64,
        subjects: Vec<Subject>,
        refers: &[Hash],
        kind: Kind,
    ) -> Hash {
        let mut about = subjects;
        about.extend(engines_named(&kind).into_iter().map(|e| Subject::Engine(e.serial.clone())));
        for named in refers {
            about.extend(self.hashes.get(named).cloned().unwrap_or_default());
        }
        let fact = self.sign(who, tablet, happened_ms, about, refers.to_vec(), kind);
        let hash = fact.hash();
        let run = self.runs.get_mut(tablet).expect("it signed");
        run.outbox.push(fact);
        if !run.offline {
            self.sync(tablet);
        }
        hash
    }

    /// A tablet that works offline keeps its facts until it is synchronised.
    pub fn go_offline(&mut self, tablet: &str) {
        self.runs.entry(tablet.to_owned()).or_default().offline = true;
    }

    /// A tablet sends what it kept and sees the log as it is then.
    pub fn sync(&mut self, tablet: &str) {
        let outbox = std::mem::take(&mut self.runs.entry(tablet.to_owned()).or_default().outbox);
        outbox.into_iter().for_each(|fact| {
            self.put(fact);
        });
        let size = self.history.size();
        let run = self.runs.entry(tablet.to_owned()).or_default();
        run.offline = false;
        run.seen_size = size;
        run.measured_ms = Some(self.now_ms);
    }

    /// A tablet's report, as the service records it.
    pub fn report(&mut self, tablet: &str, unsent: u64) {
        let run = self.runs.entry(tablet.to_owned()).or_default();
        let report = v1::Report {
            device: id(tablet).to_vec(),
            made_ms: self.now_ms,
            unsent: unsent + run.outbox.len() as u64,
            head: run.previous.map(Hash::to_vec).unwrap_or_default(),
            ..Default::default()
        };
        let report_key = signing_key(&format!("{tablet} reports"));
        let envelope = Envelope::sign(report.encode_to_vec(), REPORT_TYPE, &report_key);
        let kind = Kind::DeviceReported(v1::DeviceReported { report: envelope.bytes().to_vec() });
        self.service(vec![Subject::Device(id(tablet))], kind);
    }

    /// A fact of the service.
    pub fn service(&mut self, subjects: Vec<Subject>, kind: Kind) -> Hash {
        let fact = self.sign("service", "service", self.now_ms, subjects, vec![], kind);
        self.put(fact)
    }

    fn put(&mut self, fact: Signed) -> Hash {
        let author = &fact.header().author_key;
        let known = self.history.roster().key(author, u64::MAX).is_some()
            || self.history.roster().service_key() == Some(*author)
            || self.history.size() == 0;
        let signature = if known { SignatureState::Good } else { SignatureState::Unchecked };
        let hash = fact.hash();
        let recorded = Recorded {
            index: self.history.size(),
            received_ms: self.now_ms,
            clock_unsure: false,
            fact: Arc::new(fact),
            signature,
        };
        self.recorded.push(recorded.clone());
        let text = Hash::of(PROCEDURE.as_bytes());
        self.history.add(recorded, &|digest| (*digest == text).then(|| PROCEDURE.as_bytes().to_vec()));
        hash
    }

    /// The id that a person's key has.
    pub fn key_of(who: &str) -> Hash {
        key_id(&signing_key(who).verifying_key())
    }
}

fn key_of(name: &str) -> v1::KeyEnrolled {
    let signer = signing_key(name);
    v1::KeyEnrolled {
        person: id(name).to_vec(),
        public_key: signer.verifying_key().to_bytes().to_vec(),
        possession: prove_possession(&signer, &id(name).0).to_vec(),
    }
}
