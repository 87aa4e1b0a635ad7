//! `enrol`: what a custodian does. Each sub-command shows its facts, asks, signs, and sends.

mod log;

use std::path::PathBuf;
use std::process::ExitCode;

use clap::{Args, Subcommand, ValueEnum};
use rinsebook_proto::bytes::{Hash, Id};
use rinsebook_proto::clock::{Clock, SystemClock};
use rinsebook_proto::fact::{Kind, Subject};
use rinsebook_proto::key;
use rinsebook_proto::v1::{self, Authority, EngineAt};

use super::act::{Desk, Signing};
use super::erase::Erase;
use super::keys::KeyRequest;
use super::{FAILED, print, station};
use crate::card::{Card, CardFact};
use crate::home::Home;
use crate::rpc::ledger_client::LedgerClient;
use crate::station::Draft;
use crate::{ClientError, enrol, remote};

#[derive(Subcommand)]
pub(super) enum Enrol {
    /// Found the record of a new service: its first fact names the custodian, this device and the service's keys.
    Found(Found),
    /// Enrol a person and their key, and say what they may do.
    Person(Person),
    /// Enrol a station: its certificate is issued into its folder.
    Device(Device),
    /// List an aircraft with its engines.
    Aircraft(Aircraft),
    /// Change the key that signs the log's checkpoints.
    LogKey(log::LogKey),
    /// Open an epoch, after an older state of the service was put back; stations then send again what was lost.
    Epoch(log::Epoch),
    /// Establish custody anew with the recovery keys, when the custodian's key is lost.
    Custody(log::Custody),
    /// Have names and other texts erased that are kept beside the log; the log stays as it is, and provable.
    Erase(Erase),
}

#[derive(Args)]
pub(super) struct Found {
    #[command(flatten)]
    signing: Signing,
    /// The service's authority folder (ca.pem, ca.key), from which the certificate of this device is issued.
    #[arg(long, value_name = "DIR")]
    authority: PathBuf,
    /// The custodian's name; kept beside the log, where it can be erased.
    #[arg(long)]
    name: String,
    /// Where this device is used.
    #[arg(long)]
    place: String,
    /// A public key (hex) kept offline: two of them, or the only one, establish custody anew. Repeat it.
    #[arg(long, value_name = "HEX")]
    recovery_key: Vec<String>,
}

#[derive(Args)]
pub(super) struct Person {
    #[command(flatten)]
    signing: Signing,
    /// The request that the person wrote with `key new --request`.
    #[arg(long, value_name = "FILE")]
    request: PathBuf,
    /// Their name; kept beside the log, where it can be erased.
    #[arg(long)]
    name: String,
    /// What they may do. Repeat it.
    #[arg(long, value_enum, required = true)]
    may: Vec<May>,
    /// On which engine type; without it, on every one.
    #[arg(long, default_value = "")]
    engine_type: String,
}

#[derive(Clone, Copy, ValueEnum)]
enum May {
    Perform,
    Inspect,
    Run,
    Certify,
    Waive,
    Plan,
    Custody,
}

#[derive(Args)]
pub(super) struct Device {
    #[command(flatten)]
    signing: Signing,
    /// The new station's folder, from `station new`.
    #[arg(long, value_name = "DIR")]
    device: PathBuf,
    /// The service's authority folder (ca.pem, ca.key).
    #[arg(long, value_name = "DIR")]
    authority: PathBuf,
    /// Where the device is used.
    #[arg(long)]
    place: String,
}

#[derive(Args)]
pub(super) struct Aircraft {
    #[command(flatten)]
    signing: Signing,
    /// As it is painted on.
    #[arg(long)]
    registration: String,
    /// The aircraft's type.
    #[arg(long = "type", value_name = "TYPE")]
    aircraft_type: String,
    /// An engine as POSITION:SERIAL:TYPE, such as "1:OT-0001:Ossavar T2". Repeat it.
    #[arg(long, value_name = "ENGINE", required = true)]
    engine: Vec<String>,
}

impl Enrol {
    pub(super) async fn run(&self) -> Result<ExitCode, ClientError> {
        match self {
            Enrol::Found(found) => found.run().await,
            Enrol::Person(person) => person.run().await,
            Enrol::Device(device) => device.run().await,
            Enrol::Aircraft(aircraft) => aircraft.run().await,
            Enrol::LogKey(log_key) => log_key.run().await,
            Enrol::Epoch(epoch) => epoch.run().await,
            Enrol::Custody(custody) => custody.run().await,
            Enrol::Erase(erase) => erase.run().await,
        }
    }
}

impl Found {
    async fn run(&self) -> Result<ExitCode, ClientError> {
        let recovery = self.recovery_key.iter().map(|hex| recovery_key(hex)).collect::<Result<Vec<_>, _>>()?;
        let mut desk = self.signing.open()?;
        if !desk.station.outbox_items().is_empty() {
            let why = "this station has signed already; a record is founded from a new one. If the founding fact is \
                       still unsent, `rinsebook sync` sends it";
            return Err(ClientError::Usage(why.to_owned()));
        }
        let home = &desk.station.home;
        let digest = enrol::certificate(home, &self.authority)?;
        let device = enrol::device(home, digest, &self.place)?;
        let channel = remote::connect(home).await?;
        let identity = LedgerClient::new(channel).get_identity(v1::GetIdentityRequest {}).await?.into_inner();
        if !identity.record.is_empty() {
            return Err(ClientError::Usage("this service keeps a record already; it is founded once".to_owned()));
        }
        let person = Id::random();
        let (name, blob) = annex(&self.name);
        let custodian = v1::PersonEnrolled { person: person.to_vec(), name: Some(name), ..Default::default() };
        let custodian_key = enrol::person_key(person, &desk.signer);
        let draft = enrol::founding(&identity, custodian, custodian_key, device, recovery, now_ms());
        let code = sign_and_send(&mut desk, &card_of(vec![draft], vec![blob])).await?;
        print(|o| writeln!(o, "custodian   {person}\nlog key     {}", identity.verifier_key))?;
        Ok(code)
    }
}

impl Person {
    async fn run(&self) -> Result<ExitCode, ClientError> {
        let (person, enrolled_key) = KeyRequest::read(&self.request)?;
        let now = now_ms();
        let (name, blob) = annex(&self.name);
        let enrolled = v1::PersonEnrolled { person: person.to_vec(), name: Some(name), ..Default::default() };
        let roster = |kind| enrol::roster_fact(kind, vec![], now);
        let mut facts = vec![roster(Kind::PersonEnrolled(enrolled)), roster(Kind::KeyEnrolled(enrolled_key))];
        for may in &self.may {
            let granted = v1::AuthorityGranted {
                person: person.to_vec(),
                authority: authority(*may) as i32,
                engine_type: self.engine_type.clone(),
                ..Default::default()
            };
            facts.push(roster(Kind::AuthorityGranted(granted)));
        }
        sign_and_send(&mut self.signing.open()?, &card_of(facts, vec![blob])).await
    }
}

impl Device {
    async fn run(&self) -> Result<ExitCode, ClientError> {
        let mut desk = self.signing.open()?;
        let home = Home::open(&self.device)?;
        let digest = enrol::certificate(&home, &self.authority)?;
        let enrolled = enrol::device(&home, digest, &self.place)?;
        let also = vec![Subject::Device(home.device)];
        let draft = enrol::roster_fact(Kind::DeviceEnrolled(enrolled), also, now_ms());
        sign_and_send(&mut desk, &card_of(vec![draft], vec![])).await
    }
}

impl Aircraft {
    async fn run(&self) -> Result<ExitCode, ClientError> {
        let engines = self.engine.iter().map(|text| installed(text)).collect::<Result<Vec<_>, _>>()?;
        let mut desk = self.signing.open()?;
        if desk.names.aircraft.contains_key(&self.registration) {
            return Err(ClientError::Usage(format!("{} is listed already", self.registration)));
        }
        let aircraft = Id::random();
        let mut also = vec![Subject::Aircraft(aircraft)];
        also.extend(engines.iter().filter_map(|e| e.engine.as_ref()).map(|e| Subject::Engine(e.serial.clone())));
        let kind = Kind::AircraftListed(v1::AircraftListed {
            aircraft: aircraft.to_vec(),
            registration: self.registration.clone(),
            aircraft_type: self.aircraft_type.clone(),
            engines,
        });
        let draft = enrol::roster_fact(kind, also, now_ms());
        sign_and_send(&mut desk, &card_of(vec![draft], vec![])).await
    }
}

fn authority(may: May) -> Authority {
    match may {
        May::Perform => Authority::Perform,
        May::Inspect => Authority::Inspect,
        May::Run => Authority::Run,
        May::Certify => Authority::Certify,
        May::Waive => Authority::Waive,
        May::Plan => Authority::Plan,
        May::Custody => Authority::Custody,
    }
}

fn recovery_key(hex: &str) -> Result<Vec<u8>, ClientError> {
    let bad = |why: String| ClientError::Usage(format!("--recovery-key {hex}: {why}"));
    let bytes = hex::decode(hex).map_err(|_| bad("it is not in hex".to_owned()))?;
    key::public_key(&bytes).map_err(|e| bad(e.to_string()))?;
    Ok(bytes)
}

fn installed(text: &str) -> Result<v1::InstalledEngine, ClientError> {
    let bad = || ClientError::Usage(format!("--engine \"{text}\": write POSITION:SERIAL:TYPE, positions from 1"));
    let (position, rest) = text.split_once(':').ok_or_else(bad)?;
    let (serial, engine_type) = rest.split_once(':').ok_or_else(bad)?;
    let position = position.parse().ok().filter(|position| *position > 0).ok_or_else(bad)?;
    if !(1..=32).contains(&serial.len()) || engine_type.is_empty() {
        return Err(bad());
    }
    let engine = EngineAt { position, serial: serial.to_owned() };
    Ok(v1::InstalledEngine { engine: Some(engine), engine_type: engine_type.to_owned() })
}

/// Salted, so that a name cannot be guessed from its digest.
fn annex(text: &str) -> (v1::AnnexRef, v1::Blob) {
    let blob = v1::Blob { salt: Id::random().to_vec(), content: text.as_bytes().to_vec() };
    (v1::AnnexRef { digest: Hash::of_parts(&[&blob.salt, &blob.content]).to_vec() }, blob)
}

/// A card of these facts, with the texts that they name.
pub(super) fn card_of(drafts: Vec<Draft>, blobs: Vec<v1::Blob>) -> Card {
    let facts = drafts.into_iter().map(|draft| CardFact { label: None, draft, earlier: Vec::new() }).collect();
    Card { facts, blobs, opens: Vec::new() }
}

/// When a custodian acts is when they sign.
pub(super) fn now_ms() -> u64 {
    SystemClock.wall_ms()
}

/// Shows, asks, signs; then sends at once, since others wait for what a custodian does.
pub(super) async fn sign_and_send(desk: &mut Desk, card: &Card) -> Result<ExitCode, ClientError> {
    if desk.sign(card)?.is_none() {
        print(|o| writeln!(o, "nothing was signed"))?;
        return Ok(ExitCode::from(FAILED));
    }
    station::send(&mut desk.station, 3, false).await
}
