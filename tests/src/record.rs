//! A record in memory: real keys sign real facts of cards, and the rules take them in as the log would hold them. No
//! service, no disk: for questions to the rules alone.
//!
//! Everybody and everything is invented and enrolled at the start of the day: aircraft ZZ-RBA and ZZ-RBB with two engines
//! each of type Ossavar T2 (OT-1 to OT-4), ZZ-RBC with four of type Tellmark R5 (TR-1 to TR-4).

use std::collections::{BTreeMap, HashMap};
use std::sync::Arc;

use anyhow::{Result, ensure};
use prost::Message;
use rinsebook_client::card::{Card, Context};
use rinsebook_client::names::{Aircraft, Names};
use rinsebook_client::station::Draft;
use rinsebook_proto::bytes::{Hash, Id};
use rinsebook_proto::fact::{Envelope, Header, Kind, REPORT_TYPE, Seen, Signed, Subject};
use rinsebook_proto::key::{self, SigningKey};
use rinsebook_proto::rules::procedure::Procedure;
use rinsebook_proto::rules::{History, Recorded, SignatureState};
use rinsebook_proto::v1::{self, Authority, EngineAt};

/// Who there is, and what they may do on every engine type.
pub const PEOPLE: [(&str, &[Authority]); 9] = [
    ("ida", &[Authority::Perform]),
    ("joren", &[Authority::Perform]),
    ("tuva", &[Authority::Perform, Authority::Inspect]),
    ("bex", &[Authority::Perform, Authority::Inspect]),
    ("halka", &[Authority::Perform, Authority::Run, Authority::Certify]),
    ("sanne", &[Authority::Perform, Authority::Certify, Authority::Waive]),
    ("pell", &[Authority::Plan]),
    ("quill", &[]),
    // Enrolled nowhere; their key is known to nobody.
    ("nemo", &[]),
];

/// The aircraft: registration, engine type, serial numbers from position 1 on.
pub const FLEET: [(&str, &str, &[&str]); 3] = [
    ("ZZ-RBA", "Ossavar T2", &["OT-1", "OT-2"]),
    ("ZZ-RBB", "Ossavar T2", &["OT-3", "OT-4"]),
    ("ZZ-RBC", "Tellmark R5", &["TR-1", "TR-2", "TR-3", "TR-4"]),
];

/// The id that a name stands for.
pub fn id(name: &str) -> Id {
    Id::from_slice(&Hash::of(name.as_bytes()).0[..16]).expect("sixteen bytes")
}

/// The key that a name stands for.
pub fn key_of(name: &str) -> SigningKey {
    SigningKey::from_bytes(&Hash::of(name.as_bytes()).0)
}

/// How a card came: beside who signed it, everything has its usual value.
#[derive(Debug, Clone)]
pub struct Delivery {
    /// The station.
    pub station: String,
    /// Who signed.
    pub signer: String,
    /// When the service received it, Unix milliseconds.
    pub received_ms: u64,
    /// When it was written down; absent: when the last fact of the card happened.
    pub recorded_ms: Option<u64>,
    /// The size that the station had seen; absent: everything.
    pub seen_size: Option<u64>,
    /// Device clock minus service clock, measured when it was written down; absent: never measured.
    pub clock_offset_ms: Option<i64>,
    /// What became of its facts.
    pub outcome: Came,
}

/// What became of a fact that came.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub enum Came {
    /// It stands in the log.
    #[default]
    Admitted,
    /// It could not be taken: the service recorded that instead.
    Refused,
    /// Its place was taken by the fact before it: the service recorded both.
    Forked,
}

#[derive(Debug, Clone, Default)]
struct Run {
    run: Option<Id>,
    counter: u64,
    previous: Option<Hash>,
}

/// See the module.
pub struct Record {
    /// The rules' view.
    pub history: History,
    /// What people are called.
    pub names: Names,
    /// Every labelled fact's index.
    pub indices: BTreeMap<String, u64>,
    texts: HashMap<Hash, Vec<u8>>,
    runs: HashMap<String, Run>,
    record: Option<Hash>,
}

impl Record {
    /// Founds the record and enrols everybody at that time; publishes these texts.
    pub fn founded(at_ms: u64, procedures: &[&str]) -> Result<Record> {
        let mut record = Record {
            history: History::new(),
            names: Names::default(),
            indices: BTreeMap::new(),
            texts: HashMap::new(),
            runs: HashMap::new(),
            record: None,
        };
        record.found(at_ms)?;
        for (name, authorities) in PEOPLE {
            record.names.people.insert(name.to_owned(), id(name).to_string());
            if name != "nemo" {
                record.enrol(name, authorities, at_ms)?;
            }
        }
        for (registration, engine_type, serials) in FLEET {
            record.list(registration, engine_type, serials, at_ms)?;
        }
        procedures.iter().try_for_each(|text| record.publish(text, at_ms))?;
        Ok(record)
    }

    fn found(&mut self, at_ms: u64) -> Result<()> {
        self.names.people.insert("mira".to_owned(), id("mira").to_string());
        let kind = Kind::RecordFounded(v1::RecordFounded {
            custodian: Some(v1::PersonEnrolled { person: id("mira").to_vec(), ..Default::default() }),
            custodian_key: Some(rinsebook_client::enrol::person_key(id("mira"), &key_of("mira"))),
            custodian_device: Some(v1::DeviceEnrolled {
                device: id("desk").to_vec(),
                tls_key_digest: vec![1; 32],
                ..Default::default()
            }),
            service_fact_key: key_of("service").verifying_key().as_bytes().to_vec(),
            service_device: id("service").to_vec(),
            ..Default::default()
        });
        self.custody(kind, vec![], at_ms, None)?;
        self.record = self.history.hash_of(0);
        Ok(())
    }

    /// Enrols somebody with their key and what they may do.
    pub fn enrol(&mut self, name: &str, authorities: &[Authority], at_ms: u64) -> Result<()> {
        let person = v1::PersonEnrolled { person: id(name).to_vec(), ..Default::default() };
        // One card: a fact signed before is judged by what the whole card says.
        let card = Some(Id::random());
        self.custody(Kind::PersonEnrolled(person), vec![], at_ms, card)?;
        let enrolled = rinsebook_client::enrol::person_key(id(name), &key_of(name));
        let at = self.custody(Kind::KeyEnrolled(enrolled), vec![], at_ms, card)?;
        self.label(&format!("key-{name}"), at);
        for authority in authorities {
            let granted =
                v1::AuthorityGranted { person: id(name).to_vec(), authority: *authority as i32, ..Default::default() };
            let at = self.custody(Kind::AuthorityGranted(granted), vec![], at_ms, card)?;
            self.label(&format!("{name}-{}", format!("{authority:?}").to_lowercase()), at);
        }
        Ok(())
    }

    fn list(&mut self, registration: &str, engine_type: &str, serials: &[&str], at_ms: u64) -> Result<()> {
        let at = |(position, serial): (u32, &&str)| EngineAt { position, serial: (*serial).to_owned() };
        let engines: Vec<EngineAt> = (1..).zip(serials).map(at).collect();
        let known = engines.iter().map(|e| (e.position.to_string(), e.serial.clone())).collect();
        let aircraft = Aircraft { id: id(registration).to_string(), engines: known };
        self.names.aircraft.insert(registration.to_owned(), aircraft);
        let mut also = vec![Subject::Aircraft(id(registration))];
        also.extend(serials.iter().map(|serial| Subject::Engine((*serial).to_owned())));
        let installed = |engine| v1::InstalledEngine { engine: Some(engine), engine_type: engine_type.to_owned() };
        let kind = Kind::AircraftListed(v1::AircraftListed {
            aircraft: id(registration).to_vec(),
            registration: registration.to_owned(),
            aircraft_type: "invented".to_owned(),
            engines: engines.into_iter().map(installed).collect(),
        });
        self.custody(kind, also, at_ms, None).map(|_| ())
    }

    /// Publishes a procedure's text.
    pub fn publish(&mut self, text: &str, at_ms: u64) -> Result<()> {
        let read = Procedure::parse(text)?;
        let digest = Hash::of(text.as_bytes());
        self.texts.insert(digest, text.as_bytes().to_vec());
        self.names.procedures.insert(format!("{} r{}", read.title, read.revision), digest.to_string());
        let kind = rinsebook_client::enrol::publication(&read, digest);
        self.custody(kind, vec![], at_ms, None).map(|_| ())
    }

    fn custody(&mut self, kind: Kind, also: Vec<Subject>, at_ms: u64, card: Option<Id>) -> Result<u64> {
        let draft = rinsebook_client::enrol::roster_fact(kind, also, at_ms);
        let by = Delivery {
            station: "desk".to_owned(),
            signer: "mira".to_owned(),
            received_ms: at_ms,
            recorded_ms: None,
            seen_size: None,
            clock_offset_ms: Some(0),
            outcome: Came::Admitted,
        };
        self.sign(&draft, &by, card).map(|_| self.history.size() - 1)
    }

    fn label(&mut self, label: &str, index: u64) {
        self.indices.insert(label.to_owned(), index);
        if let Some(hash) = self.history.hash_of(index) {
            self.names.facts.insert(label.to_owned(), hash.to_string());
        }
    }

    /// Reads a card, signs it, and takes it in.
    pub fn card(&mut self, card: &toml::Table, by: &Delivery) -> Result<()> {
        let read = Card::from_table(card, &Context { names: &self.names, now_ms: by.received_ms, folder: None })?;
        self.names.devices.entry(by.station.clone()).or_insert_with(|| id(&by.station).to_string());
        let card_id = (read.facts.len() > 1).then(Id::random);
        let last_ms = read.facts.iter().map(|fact| fact.draft.happened_ms).max();
        let by = Delivery { recorded_ms: by.recorded_ms.or(last_ms), ..by.clone() };
        let mut signed = Vec::new();
        for fact in &read.facts {
            let mut draft = fact.draft.clone();
            draft.refers.extend(fact.earlier.iter().map(|at| signed[*at]));
            signed.push(self.sign(&draft, &by, card_id)?);
            if let Some(label) = &fact.label {
                self.indices.insert(label.clone(), self.history.size() - 1);
            }
        }
        read.remember(&signed, &mut self.names);
        Ok(())
    }

    /// Signs a fact and takes in what became of it; its hash.
    fn sign(&mut self, draft: &Draft, by: &Delivery, card: Option<Id>) -> Result<Hash> {
        let mut subjects = draft.subjects.clone();
        subjects.sort();
        subjects.dedup();
        let signer = key_of(&by.signer);
        let seen_size = by.seen_size.unwrap_or(self.history.size());
        let recorded_ms = by.recorded_ms.unwrap_or(draft.happened_ms);
        let run = self.runs.entry(by.station.clone()).or_default();
        let run_id = *run.run.get_or_insert_with(|| id(&format!("{} run", by.station)));
        let header = Header {
            record: self.record.unwrap_or(Hash::ZERO),
            device: id(&by.station),
            run: run_id,
            counter: run.counter - u64::from(by.outcome == Came::Forked),
            previous: run.previous.unwrap_or(Hash::ZERO),
            author_key: key::key_id(&signer.verifying_key()),
            happened_ms: draft.happened_ms,
            recorded_ms,
            clock_offset_ms: by.clock_offset_ms,
            clock_measured_ms: by.clock_offset_ms.map(|_| recorded_ms),
            seen: Seen { size: seen_size, ..Seen::nothing() },
            card,
            subjects,
            refers: draft.refers.clone(),
        };
        let fact = Signed::sign(header, draft.kind.clone(), &signer);
        ensure!(fact.kind().is_some(), "nobody could read this fact: {:?}", fact.body());
        let hash = fact.hash();
        if by.outcome != Came::Forked {
            (run.counter, run.previous) = (run.counter + 1, Some(hash));
        }
        match by.outcome {
            Came::Admitted => {
                self.put(fact, by.received_ms);
            }
            Came::Refused => self.service(refused(&fact), fact.header().subjects.clone(), by.received_ms)?,
            Came::Forked => self.service(fork_seen(&fact), fact.header().subjects.clone(), by.received_ms)?,
        }
        Ok(hash)
    }

    /// A fact of the service.
    fn service(&mut self, kind: Kind, subjects: Vec<Subject>, received_ms: u64) -> Result<()> {
        let draft = Draft { happened_ms: received_ms, kind, subjects, refers: vec![] };
        let by = Delivery {
            station: "service".to_owned(),
            signer: "service".to_owned(),
            received_ms,
            recorded_ms: None,
            seen_size: None,
            clock_offset_ms: None,
            outcome: Came::Admitted,
        };
        self.sign(&draft, &by, None).map(|_| ())
    }

    fn put(&mut self, fact: Signed, received_ms: u64) -> u64 {
        let roster = self.history.roster();
        let author = fact.header().author_key;
        let founding = self.history.size() == 0;
        let known = founding || roster.service_key() == Some(author) || roster.key(&author, u64::MAX).is_some();
        let signature = if known { SignatureState::Good } else { SignatureState::Unchecked };
        let index = self.history.size();
        let recorded = Recorded { index, received_ms, clock_unsure: false, fact: Arc::new(fact), signature };
        let texts = &self.texts;
        self.history.add(recorded, &|digest| texts.get(digest).cloned());
        index
    }

    /// The station's program is ended and started anew; with `lost`, what it signed last never came.
    pub fn restart(&mut self, station: &str, lost: bool) {
        let run = self.runs.entry(station.to_owned()).or_default();
        run.run = Some(Id::random());
        run.counter = 0;
        if lost {
            run.previous = Some(Hash::of(b"an envelope that never came"));
        }
    }

    /// The station reports, and the service records it.
    pub fn report(&mut self, station: &str, received_ms: u64, unsent: u64) -> Result<()> {
        let run = self.runs.get(station).cloned().unwrap_or_default();
        let report = v1::Report {
            device: id(station).to_vec(),
            made_ms: received_ms,
            unsent,
            head: run.previous.map(|hash| hash.to_vec()).unwrap_or_default(),
            ..Default::default()
        };
        let envelope = Envelope::sign(report.encode_to_vec(), REPORT_TYPE, &key_of("report key"));
        let kind = Kind::DeviceReported(v1::DeviceReported { report: envelope.bytes().to_vec() });
        self.service(kind, vec![Subject::Device(id(station))], received_ms)
    }

    /// Stations that signed something, the custodian's desk and the service apart.
    pub fn stations(&self) -> Vec<String> {
        let mut stations: Vec<String> =
            self.runs.keys().filter(|s| !["desk", "service"].contains(&s.as_str())).cloned().collect();
        stations.sort();
        stations
    }
}

fn refused(fact: &Signed) -> Kind {
    let header = fact.header();
    Kind::FactRefused(v1::FactRefused {
        device: header.device.to_vec(),
        run: header.run.to_vec(),
        counter: header.counter,
        received_digest: fact.hash().to_vec(),
        received_bytes: fact.bytes().len() as u64,
        reason: v1::RefusalReason::TooLarge as i32,
    })
}

fn fork_seen(fact: &Signed) -> Kind {
    let header = fact.header();
    Kind::ForkSeen(v1::ForkSeen {
        device: header.device.to_vec(),
        run: header.run.to_vec(),
        counter: header.counter,
        envelope: fact.bytes().to_vec(),
    })
}
