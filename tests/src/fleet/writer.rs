//! Writes the log: signs in blocks of one wash a station, then appends them in turn.

use std::sync::Arc;

use anyhow::Result;
use prost::Message;
use rinsebook_client::enrol;
use rinsebook_client::home::Home;
use rinsebook_proto::bytes::{Hash, Id};
use rinsebook_proto::entry::{Built, EntryChain};
use rinsebook_proto::fact::{Envelope, Kind, REPORT_TYPE, Seen, Signed, Subject};
use rinsebook_proto::journal::{self, Journal, Options, RealDisk};
use rinsebook_proto::key::SigningKey;
use rinsebook_proto::note::Checkpoint;
use rinsebook_proto::rules::procedure::Procedure;
use rinsebook_proto::tree::Edge;
use rinsebook_proto::v1::{self, Authority, EngineAt};
use rinsebook_service::authority::Authority as TlsAuthority;
use rinsebook_service::blobs::{Blob, Blobs};
use rinsebook_service::identity::Identity;

use super::wash::{Hand, Plan, wash};
use super::{BEGIN_MS, Fleet, GROUP, Pen, STATIONS, aircraft, key_of, named, serials};

const PROCEDURE: &[u8] = include_bytes!("../../../deploy/procedures/ossavar-t2.toml");
/// Between two facts of the log.
const TICK_MS: u64 = 20_000;

impl Hand {
    /// Their id.
    pub fn person(self) -> Id {
        named(self.name())
    }

    /// What they sign with.
    pub fn key(self) -> SigningKey {
        key_of(self.name())
    }

    fn name(self) -> &'static str {
        match self {
            Hand::Technician => "fleet technician",
            Hand::Inspector => "fleet inspector",
            Hand::Certifier => "fleet certifier",
        }
    }

    fn authorities(self) -> &'static [Authority] {
        match self {
            Hand::Technician => &[Authority::Perform],
            Hand::Inspector => &[Authority::Perform, Authority::Inspect],
            Hand::Certifier => &[Authority::Perform, Authority::Certify, Authority::Run],
        }
    }
}

/// The annex that sign-offs name.
pub(super) fn certificate_annex() -> Blob {
    Blob { salt: vec![7; 16], content: b"C-0815 (invented)".to_vec() }
}

/// What washes are done by.
pub fn procedure_digest() -> Hash {
    Hash::of(PROCEDURE)
}

/// Writes the log of this length into the fleet's folder.
pub(super) fn write(fleet: &Fleet, facts: u64, aircraft_listed: u64) -> Result<()> {
    let config = fleet.config();
    std::fs::create_dir_all(&config.data)?;
    let identity = Identity::open(&config)?;
    let authority = TlsAuthority::open(&config.data)?;
    let blobs = Blobs::open(&config.data.join("blobs"))?;
    blobs.keep(&Blob { salt: vec![], content: PROCEDURE.to_vec() }).map_err(|e| anyhow::anyhow!("{e:?}"))?;
    blobs.keep(&certificate_annex()).map_err(|e| anyhow::anyhow!("{e:?}"))?;
    let mut writer = Writer::begin(fleet, identity)?;
    let homes: Vec<Home> = (0..STATIONS)
        .map(|n| {
            let ca = std::fs::read_to_string(authority.certificate_file())?;
            Ok(Home::create(&fleet.station_dir(n), &format!("ramp-{n}"), "https://localhost:1", &ca)?)
        })
        .collect::<Result<_>>()?;
    writer.found(&homes, &authority)?;
    (0..aircraft_listed).try_for_each(|number| writer.list(number))?;
    writer.wash_all(facts, aircraft_listed, &homes)?;
    writer.close()
}

struct Writer {
    identity: Identity,
    custodian: SigningKey,
    desk: Pen,
    service: Pen,
    stations: Vec<Pen>,
    report_keys: Vec<SigningKey>,
    journal: Journal,
    chain: EntryChain,
    edge: Edge,
    group: Vec<Vec<u8>>,
    group_begins: (u64, Hash),
    seen: Seen,
}

impl Writer {
    fn begin(fleet: &Fleet, identity: Identity) -> Result<Writer> {
        let options = Options::new(journal::Kind::Log);
        let (journal, _) = Journal::create_or_open(Arc::new(RealDisk), &fleet.log(), options, |_| Ok::<_, String>(()))?;
        let pen = |device| Pen::new(Hash::ZERO, device, Hash::ZERO, Seen::nothing());
        Ok(Writer {
            custodian: key_of("fleet custodian"),
            desk: pen(named("fleet desk")),
            service: pen(identity.device),
            identity,
            stations: vec![],
            report_keys: vec![],
            journal,
            chain: EntryChain::default(),
            edge: Edge::default(),
            group: vec![],
            group_begins: (0, Hash::ZERO),
            seen: Seen::nothing(),
        })
    }

    fn now_ms(&self) -> u64 {
        BEGIN_MS + self.chain.next_index() * TICK_MS
    }

    fn append(&mut self, fact: &Signed) -> Result<()> {
        let now_ms = self.now_ms();
        let Built { data, hash, .. } = self.chain.build(&fact.header().subjects, fact.bytes(), now_ms, false)?;
        self.edge.push(hash);
        self.group.push(data);
        if self.group.len() >= GROUP { self.close() } else { Ok(()) }
    }

    fn close(&mut self) -> Result<()> {
        if self.group.is_empty() {
            return Ok(());
        }
        let origin = self.identity.first_origin();
        let checkpoint = Checkpoint { origin, size: self.edge.size(), root: self.edge.root() };
        let note = checkpoint.sign(&self.identity.log_key);
        let (first, previous) = self.group_begins;
        self.journal.append(first, previous.0, &self.group, note.as_bytes())?;
        self.group.clear();
        self.group_begins = (self.edge.size(), self.chain.last_hash());
        self.seen = Seen { epoch: 1, size: checkpoint.size, root: checkpoint.root };
        Ok(())
    }

    fn custody(&mut self, kind: Kind, also: Vec<Subject>) -> Result<Hash> {
        let subjects = [vec![Subject::Roster], also].concat();
        self.desk.seen = self.seen;
        let now_ms = self.now_ms();
        let fact = self.desk.sign(&self.custodian, kind, subjects, vec![], now_ms);
        self.append(&fact)?;
        Ok(fact.hash())
    }

    fn found(&mut self, homes: &[Home], authority: &TlsAuthority) -> Result<()> {
        let custodian = named("fleet custodian");
        let desk_key = key_of("fleet desk");
        let founded = v1::RecordFounded {
            custodian: Some(person(custodian)),
            custodian_key: Some(enrol::person_key(custodian, &self.custodian)),
            custodian_device: Some(v1::DeviceEnrolled {
                device: self.desk.device.to_vec(),
                tls_key_digest: vec![1; 32],
                report_key: desk_key.verifying_key().as_bytes().to_vec(),
                possession: rinsebook_proto::key::prove_possession(&desk_key, &self.desk.device.0).to_vec(),
                ..v1::DeviceEnrolled::default()
            }),
            service_fact_key: self.identity.fact_key.verifying_key().as_bytes().to_vec(),
            service_device: self.identity.device.to_vec(),
            origin_name: self.identity.origin_name.clone(),
            log_public_key: self.identity.log_key.verifying_key().as_bytes().to_vec(),
            rules_version: 1,
            ..v1::RecordFounded::default()
        };
        let record = self.custody(Kind::RecordFounded(founded), vec![Subject::Device(self.desk.device)])?;
        self.close()?;
        (self.desk.record, self.service.record) = (record, record);
        for hand in [Hand::Technician, Hand::Inspector, Hand::Certifier] {
            self.enrol(hand)?;
        }
        let procedure = Procedure::parse(std::str::from_utf8(PROCEDURE)?)?;
        self.custody(enrol::publication(&procedure, procedure_digest()), vec![])?;
        for home in homes {
            let digest = enrol::issue_certificate(home, authority.dir())?;
            let enrolled = enrol::device(home, digest, "North ramp")?;
            self.custody(Kind::DeviceEnrolled(enrolled), vec![Subject::Device(home.device)])?;
            self.stations.push(Pen::new(record, home.device, Hash::ZERO, self.seen));
            self.report_keys.push(home.report_key()?);
        }
        Ok(())
    }

    fn enrol(&mut self, hand: Hand) -> Result<()> {
        self.custody(Kind::PersonEnrolled(person(hand.person())), vec![])?;
        self.custody(Kind::KeyEnrolled(enrol::person_key(hand.person(), &hand.key())), vec![])?;
        for authority in hand.authorities() {
            let granted = v1::AuthorityGranted {
                person: hand.person().to_vec(),
                authority: *authority as i32,
                ..v1::AuthorityGranted::default()
            };
            self.custody(Kind::AuthorityGranted(granted), vec![])?;
        }
        Ok(())
    }

    fn list(&mut self, number: u64) -> Result<()> {
        let id = aircraft(number);
        let serials = serials(number);
        let installed = |(position, serial): (u32, &String)| v1::InstalledEngine {
            engine: Some(EngineAt { position, serial: serial.clone() }),
            engine_type: "Ossavar T2".to_owned(),
        };
        let listed = v1::AircraftListed {
            aircraft: id.to_vec(),
            registration: format!("ZZ-{number:05}"),
            aircraft_type: "Invented 200".to_owned(),
            engines: (1..).zip(&serials).map(installed).collect(),
        };
        let also = [vec![Subject::Aircraft(id)], serials.map(Subject::Engine).to_vec()].concat();
        self.custody(Kind::AircraftListed(listed), also).map(|_| ())
    }

    /// Washes until there are so many facts: two of each aircraft, one aircraft a station at once.
    fn wash_all(&mut self, facts: u64, listed: u64, homes: &[Home]) -> Result<()> {
        self.close()?;
        let begins = self.chain.next_index();
        for block in 0.. {
            if self.chain.next_index() >= begins + facts {
                break;
            }
            let first = (block / 2) * STATIONS as u64;
            anyhow::ensure!(first + STATIONS as u64 <= listed, "there are not enough aircraft for so many facts");
            let opened_ms = self.now_ms();
            for pen in &mut self.stations {
                pen.seen = self.seen;
            }
            let plan = |station: usize| {
                let number = first + station as u64;
                Plan {
                    aircraft: aircraft(number),
                    wash: named(&format!("wash {block} of {number}")),
                    serials: serials(number),
                    procedure: procedure_digest(),
                    opened_ms,
                    left: block % 2 == 1 && number % 10 == 9,
                }
            };
            let signed: Vec<Vec<Signed>> = std::thread::scope(|scope| {
                let signers: Vec<_> = self
                    .stations
                    .chunks_mut(STATIONS / 2)
                    .zip([0, STATIONS / 2])
                    .map(|(pens, from)| {
                        scope.spawn(move || {
                            let signed = |(at, pen): (usize, &mut Pen)| sign_wash(pen, &plan(from + at));
                            pens.iter_mut().enumerate().map(signed).collect::<Vec<_>>()
                        })
                    })
                    .collect();
                signers.into_iter().flat_map(|signer| signer.join().expect("signing does not panic")).collect()
            });
            let longest = signed.iter().map(Vec::len).max().unwrap_or(0);
            for step in 0..longest {
                signed.iter().filter_map(|facts| facts.get(step)).try_for_each(|fact| self.append(fact))?;
            }
            (0..STATIONS).try_for_each(|station| self.report(station, &homes[station]))?;
        }
        Ok(())
    }

    /// A station reports that nothing waits there.
    fn report(&mut self, station: usize, home: &Home) -> Result<()> {
        let pen = &self.stations[station];
        let now_ms = self.now_ms();
        let report = v1::Report {
            record: pen.record.to_vec(),
            device: home.device.to_vec(),
            run: pen.run.to_vec(),
            made_ms: now_ms,
            head: pen.previous.to_vec(),
            head_run: pen.run.to_vec(),
            head_counter: pen.counter.saturating_sub(1),
            ..v1::Report::default()
        };
        let envelope = Envelope::sign(report.encode_to_vec(), REPORT_TYPE, &self.report_keys[station]);
        let kind = Kind::DeviceReported(v1::DeviceReported { report: envelope.bytes().to_vec() });
        self.service.seen = self.seen;
        let subjects = vec![Subject::Device(home.device)];
        let fact = self.service.sign(&self.identity.fact_key, kind, subjects, vec![], now_ms);
        self.append(&fact)
    }
}

/// Every fact of a wash, signed with this pen.
pub fn sign_wash(pen: &mut Pen, plan: &Plan) -> Vec<Signed> {
    let keys = [Hand::Technician, Hand::Inspector, Hand::Certifier].map(Hand::key);
    let mut signed = Vec::new();
    wash(plan, &mut |hand, kind, subjects, refers, happened_ms| {
        let fact = pen.sign(&keys[hand as usize], kind, subjects, refers, happened_ms);
        let hash = fact.hash();
        signed.push(fact);
        hash
    });
    signed
}

fn person(id: Id) -> v1::PersonEnrolled {
    v1::PersonEnrolled { person: id.to_vec(), ..v1::PersonEnrolled::default() }
}
