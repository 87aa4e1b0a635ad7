//! A small shop, all invented, made the way a real one is: a service on loopback with TLS, a custodian who founds the
//! record, people with keys, stations with certificates, one aircraft with two engines, one published procedure.

use std::path::{Path, PathBuf};
use std::sync::Arc;

use crate::enrol;
use crate::home::Home;
use crate::remote;
use crate::rpc::ledger_client::LedgerClient;
use crate::rpc::open_items_client::OpenItemsClient;
use crate::station::{Draft, Station};
use crate::sync::{SyncReport, sync};
use anyhow::{Context, Result};
use rinsebook_proto::bytes::{Hash, Id};
use rinsebook_proto::clock::{Clock, ScriptedClock};
use rinsebook_proto::fact::{Kind, Subject};
use rinsebook_proto::key::{self, SigningKey};
use rinsebook_proto::rules::procedure::Procedure;
use rinsebook_proto::v1::{self, Authority, EngineAt};
use rinsebook_service::{Config, Running};

/// 2031-03-04 08:00:00 UTC: where the stories begin.
pub const MORNING_MS: u64 = 1_930_377_600_000;
/// The engine on position 1.
pub const SERIAL_1: &str = "OT-0001";
/// The engine on position 2.
pub const SERIAL_2: &str = "OT-0002";

/// A person with a key.
pub struct Person {
    /// Their id.
    pub id: Id,
    /// What they sign with.
    pub key: SigningKey,
}

impl Person {
    fn new() -> Person {
        Person { id: Id::random(), key: key::generate() }
    }
}

/// See the module.
pub struct Shop {
    /// Everything lives here.
    pub dir: PathBuf,
    /// Takes the folder away in the end, where it is a temporary one.
    _temporary: Option<tempfile::TempDir>,
    /// Everybody's clock.
    pub clock: Arc<ScriptedClock>,
    /// The service, while it runs.
    pub service: Option<Running>,
    /// The custodian, at a desk of their own.
    pub custodian: Person,
    /// The custodian's desk.
    pub desk: Station,
    /// Does the work.
    pub technician: Person,
    /// Looks at it.
    pub inspector: Person,
    /// Signs the wash off, and runs engines.
    pub certifier: Person,
    /// The aircraft.
    pub aircraft: Id,
    /// The procedure's digest.
    pub procedure: Hash,
}

impl Shop {
    /// A founded shop in a temporary folder; the clock stands at [`MORNING_MS`].
    pub async fn open() -> Result<Shop> {
        let temporary = tempfile::tempdir()?;
        Shop::open_in(temporary.path().to_owned(), Some(temporary)).await
    }

    /// As [`Shop::open`], founded with these recovery keys (32 bytes each).
    pub async fn open_with_recovery(recovery_keys: Vec<Vec<u8>>) -> Result<Shop> {
        let temporary = tempfile::tempdir()?;
        Shop::founded(temporary.path().to_owned(), Some(temporary), recovery_keys).await
    }

    /// A founded shop in this folder.
    pub async fn open_in(dir: PathBuf, temporary: Option<tempfile::TempDir>) -> Result<Shop> {
        Shop::founded(dir, temporary, vec![]).await
    }

    async fn founded(dir: PathBuf, temporary: Option<tempfile::TempDir>, recovery: Vec<Vec<u8>>) -> Result<Shop> {
        let clock = Arc::new(ScriptedClock::at(MORNING_MS));
        let service = rinsebook_service::start(Config::local(&dir.join("service")), clock.clone()).await?;
        let custodian = Person::new();
        let desk = found(dir.as_path(), &clock, &service, &custodian, recovery).await?;
        let mut shop = Shop {
            dir,
            _temporary: temporary,
            clock,
            service: Some(service),
            custodian,
            desk,
            technician: Person::new(),
            inspector: Person::new(),
            certifier: Person::new(),
            aircraft: Id::random(),
            procedure: Hash::ZERO,
        };
        shop.enrol_everybody().await?;
        Ok(shop)
    }

    async fn enrol_everybody(&mut self) -> Result<()> {
        self.procedure = self.publish(include_bytes!("../../../deploy/procedures/ossavar-t2.toml")).await?;
        self.technician = self.enrol("Ida Rasko (invented)", &[Authority::Perform]).await?;
        self.inspector = self.enrol("Tuva Brandel (invented)", &[Authority::Perform, Authority::Inspect]).await?;
        let certifies = [Authority::Perform, Authority::Certify, Authority::Run];
        self.certifier = self.enrol("Halka Sundin (invented)", &certifies).await?;
        self.aircraft = self.list("ZZ-RBA", "Invented 200", "Ossavar T2", [SERIAL_1, SERIAL_2]).await?;
        Ok(())
    }

    /// Publishes a procedure's text.
    pub async fn publish(&mut self, text: &[u8]) -> Result<Hash> {
        let read = Procedure::parse(std::str::from_utf8(text)?)?;
        let digest = self.desk.keep_blob(text, false)?;
        let kind = enrol::publication(&read, digest);
        self.custody(vec![enrol::roster_fact(kind, vec![], self.clock.wall_ms())]).await?;
        Ok(digest)
    }

    /// Enrols a person with a new key, who may do this.
    pub async fn enrol(&mut self, name: &str, authorities: &[Authority]) -> Result<Person> {
        let person = Person::new();
        let now = self.clock.wall_ms();
        let name = self.desk.keep_blob(name.as_bytes(), true)?;
        let enrolled = v1::PersonEnrolled {
            person: person.id.to_vec(),
            name: Some(v1::AnnexRef { digest: name.to_vec() }),
            ..v1::PersonEnrolled::default()
        };
        let mut drafts = vec![
            enrol::roster_fact(Kind::PersonEnrolled(enrolled), vec![], now),
            enrol::roster_fact(Kind::KeyEnrolled(enrol::person_key(person.id, &person.key)), vec![], now),
        ];
        drafts.extend(authorities.iter().map(|a| enrol::grant(person.id, *a, now)));
        self.custody(drafts).await?;
        Ok(person)
    }

    /// Lets a person do more.
    pub async fn grant(&mut self, person: Id, authorities: &[Authority]) -> Result<()> {
        let now = self.clock.wall_ms();
        self.custody(authorities.iter().map(|a| enrol::grant(person, *a, now)).collect()).await
    }

    /// Lists an aircraft with its engines, from position 1 on.
    pub async fn list(
        &mut self,
        registration: &str,
        aircraft_type: &str,
        engine_type: &str,
        serials: [&str; 2],
    ) -> Result<Id> {
        let aircraft = Id::random();
        let installed = |(at, serial): (u32, &str)| v1::InstalledEngine {
            engine: Some(EngineAt { position: at, serial: serial.to_owned() }),
            engine_type: engine_type.to_owned(),
        };
        let kind = Kind::AircraftListed(v1::AircraftListed {
            aircraft: aircraft.to_vec(),
            registration: registration.to_owned(),
            aircraft_type: aircraft_type.to_owned(),
            engines: (1..).zip(serials).map(installed).collect(),
        });
        let engines = serials.map(|serial| Subject::Engine(serial.to_owned()));
        let also = [vec![Subject::Aircraft(aircraft)], engines.to_vec()].concat();
        self.custody(vec![enrol::roster_fact(kind, also, self.clock.wall_ms())]).await?;
        Ok(aircraft)
    }

    /// The custodian signs, and it is sent.
    async fn custody(&mut self, drafts: Vec<Draft>) -> Result<()> {
        self.desk.sign_card(&self.custodian.key, drafts)?;
        all_well(&sync(&mut self.desk, 3).await?)
    }

    /// A new station, enrolled.
    pub async fn station(&mut self, label: &str) -> Result<Station> {
        let home = self.new_home(label)?;
        let digest = enrol::issue_certificate(&home, self.authority_dir()?.as_path())?;
        let enrolled = enrol::device(&home, digest, "North ramp")?;
        let also = vec![Subject::Device(home.device)];
        let draft = enrol::roster_fact(Kind::DeviceEnrolled(enrolled), also, self.clock.wall_ms());
        self.custody(vec![draft]).await?;
        let mut station = Station::open(home, self.clock.clone())?;
        all_well(&sync(&mut station, 3).await?)?;
        Ok(station)
    }

    /// A folder for a new station, without a certificate.
    pub fn new_home(&self, label: &str) -> Result<Home> {
        let running = self.service.as_ref().context("the service runs")?;
        new_home(self.dir.as_path(), running, label)
    }

    /// Where certificates are issued from.
    pub fn authority_dir(&self) -> Result<PathBuf> {
        Ok(self.service.as_ref().context("the service runs")?.authority.dir().to_owned())
    }

    /// The service's data folder.
    pub fn data(&self) -> PathBuf {
        self.dir.join("service")
    }

    /// Stops the service and starts it again; stations are told its new address.
    pub async fn restart(&mut self, stations: &mut [&mut Station]) -> Result<()> {
        self.restart_as(Config::local(&self.data()), stations).await
    }

    /// As [`restart`](Self::restart), configured like this.
    pub async fn restart_as(&mut self, config: Config, stations: &mut [&mut Station]) -> Result<()> {
        if let Some(running) = self.service.take() {
            running.stop().await?;
        }
        let running = rinsebook_service::start(config, self.clock.clone()).await?;
        let address = format!("https://localhost:{}", running.address.port());
        self.desk.home.set_address(&address)?;
        for station in stations {
            station.home.set_address(&address)?;
        }
        self.service = Some(running);
        Ok(())
    }

    /// What the service answers about the aircraft now.
    pub async fn assess(&self) -> Result<v1::Assessment> {
        ask(&self.desk.home, &self.aircraft, false).await
    }

    /// The names of what is open, with engine and subject, sorted.
    pub async fn open_items(&self) -> Result<Vec<String>> {
        let mut items: Vec<String> = self.assess().await?.items.iter().map(name).collect();
        items.sort();
        Ok(items)
    }
}

/// What the service answers about an aircraft now; question and answer are kept in the log where `record` says so.
pub(super) async fn ask(home: &Home, aircraft: &Id, record: bool) -> Result<v1::Assessment> {
    let channel = remote::connect(home).await?;
    let request = v1::AssessRequest { aircraft: aircraft.to_vec(), record, ..v1::AssessRequest::default() };
    let answer = OpenItemsClient::new(channel).assess(request).await?.into_inner();
    answer.assessment.context("an answer holds an assessment")
}

/// An item in a word: its name, the engine's position, the subject.
pub fn name(item: &v1::OpenItem) -> String {
    let engine = item.engine.as_ref().map(|e| format!(" {}", e.position)).unwrap_or_default();
    // A device's id is random: the kind of item says enough.
    let subject = if item.name == "device-outstanding" || item.subject.is_empty() {
        String::new()
    } else {
        format!(" {}", item.subject)
    };
    format!("{}{engine}{subject}", item.name)
}

fn new_home(dir: &Path, service: &Running, label: &str) -> Result<Home> {
    let ca = std::fs::read_to_string(service.authority_file())?;
    let address = format!("https://localhost:{}", service.address.port());
    Ok(Home::create(&dir.join(label), label, &address, &ca)?)
}

async fn found(
    dir: &Path,
    clock: &Arc<ScriptedClock>,
    service: &Running,
    custodian: &Person,
    recovery: Vec<Vec<u8>>,
) -> Result<Station> {
    let home = new_home(dir, service, "desk")?;
    let digest = enrol::issue_certificate(&home, service.authority.dir())?;
    let device = enrol::device(&home, digest, "Records office")?;
    let channel = remote::connect(&home).await?;
    let identity = LedgerClient::new(channel).get_identity(v1::GetIdentityRequest {}).await?.into_inner();
    let mut desk = Station::open(home, clock.clone())?;
    let name = desk.keep_blob(b"Mira Tolvanen (invented)", true)?;
    let person = v1::PersonEnrolled {
        person: custodian.id.to_vec(),
        name: Some(v1::AnnexRef { digest: name.to_vec() }),
        ..v1::PersonEnrolled::default()
    };
    let key = enrol::person_key(custodian.id, &custodian.key);
    let draft = enrol::founding(&identity, person, key, device, recovery, clock.wall_ms());
    desk.sign_card(&custodian.key, vec![draft])?;
    all_well(&sync(&mut desk, 3).await?)?;
    Ok(desk)
}

/// Nothing refused, nothing left, nothing noticed.
pub fn all_well(report: &SyncReport) -> Result<()> {
    let well = report.refused.is_empty() && report.notes.is_empty() && report.left == 0;
    anyhow::ensure!(well, "not everything was taken: {report:?}");
    Ok(())
}

/// Facts of one wash.
pub struct Wash {
    /// Its id.
    pub id: Id,
    aircraft: Id,
}

impl Wash {
    /// A wash of this aircraft.
    pub fn of(aircraft: Id) -> Wash {
        Wash { id: Id::random(), aircraft }
    }

    /// The wash of both engines is opened.
    pub fn opened(&self, shop: &Shop, happened_ms: u64) -> Draft {
        let engine = |position: u32, serial: &str| v1::EngineInScope {
            engine: Some(EngineAt { position, serial: serial.to_owned() }),
            last_shutdown_ms: Some(happened_ms - 7_200_000),
            as_found: "no defect seen".to_owned(),
        };
        let kind = Kind::WashOpened(v1::WashOpened {
            work_order: "WO-4711".to_owned(),
            procedure: Some(v1::ProcedureRef { digest: shop.procedure.to_vec() }),
            engines: vec![engine(1, SERIAL_1), engine(2, SERIAL_2)],
            devices: vec![],
            station: "North ramp".to_owned(),
        });
        self.of_all(kind, happened_ms)
    }

    /// A fact about one engine.
    pub fn on(&self, position: u32, make: impl FnOnce(EngineAt) -> Kind, happened_ms: u64) -> Draft {
        let serial = if position == 1 { SERIAL_1 } else { SERIAL_2 };
        let kind = make(EngineAt { position, serial: serial.to_owned() });
        self.fact(kind, vec![Subject::Engine(serial.to_owned())], happened_ms)
    }

    /// A fact about both engines.
    pub fn of_all(&self, kind: Kind, happened_ms: u64) -> Draft {
        let engines = [SERIAL_1, SERIAL_2].map(|serial| Subject::Engine(serial.to_owned()));
        self.fact(kind, engines.to_vec(), happened_ms)
    }

    /// A fact about the aircraft alone.
    pub fn of_aircraft(&self, kind: Kind, happened_ms: u64) -> Draft {
        self.fact(kind, Vec::new(), happened_ms)
    }

    fn fact(&self, kind: Kind, also: Vec<Subject>, happened_ms: u64) -> Draft {
        let subjects = [vec![Subject::Aircraft(self.aircraft), Subject::Wash(self.id)], also].concat();
        Draft { happened_ms, kind, subjects, refers: vec![] }
    }
}

/// A line is opened.
pub fn disconnected(line: &str) -> impl FnOnce(EngineAt) -> Kind {
    let line = line.to_owned();
    move |engine| Kind::LineDisconnected(v1::LineDisconnected { engine: Some(engine), line, tag: String::new() })
}

/// A line is closed as the procedure asks.
pub fn reconnected(line: &str) -> impl FnOnce(EngineAt) -> Kind {
    let line = line.to_owned();
    move |engine| {
        Kind::LineReconnected(v1::LineReconnected {
            engine: Some(engine),
            line,
            torque_millinewton_metres: Some(17_000),
            tool: Some(v1::ToolUsed { tool: "TW-12".to_owned(), calibration_due_unix_day: Some(30_000) }),
            locking: Some(v1::Locking::Wire as i32),
            helpers: vec![],
        })
    }
}

/// A line's joint was looked at and is good.
pub fn inspected(line: &str) -> impl FnOnce(EngineAt) -> Kind {
    let line = line.to_owned();
    move |engine| {
        let result = v1::CheckResult::Satisfactory as i32;
        Kind::Inspected(v1::Inspected { engine: Some(engine), line, result })
    }
}
