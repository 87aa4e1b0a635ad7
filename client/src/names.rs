//! The names that people use, and the ids that facts hold: what a station knows of aircraft, people, devices,
//! procedures, its washes and the facts it labelled. A convenience beside the log: an id can always be written instead.

use std::collections::BTreeMap;

use rinsebook_proto::bytes::{Hash, Id};
use rinsebook_proto::fact::{BlobNamed, MAX_SERVICE_ENVELOPE_BYTES, Signed, Subject};
use rinsebook_proto::v1::{self, EngineAt, get_fact_request::By};
use serde::{Deserialize, Serialize};

use crate::home::Home;
use crate::remote::Channel;
use crate::{ClientError, about, query};

const FILE: &str = "names.toml";

/// Names to ids, ids in hex.
#[derive(Debug, Clone, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct Names {
    /// By registration.
    pub aircraft: BTreeMap<String, Aircraft>,
    /// By whatever a station calls them.
    pub people: BTreeMap<String, String>,
    /// By label.
    pub devices: BTreeMap<String, String>,
    /// Digests of published texts, by title and revision, such as "Core wash, Ossavar T2 r1".
    pub procedures: BTreeMap<String, String>,
    /// By the label on the card that opened them.
    pub washes: BTreeMap<String, Wash>,
    /// Envelope hashes, by the label of the wash and the label on the card: `wash/label`.
    pub facts: BTreeMap<String, String>,
    /// What facts are about, by envelope hash: kind and id of each subject, as in "engine serial OT-1".
    pub about: BTreeMap<String, Vec<String>>,
}

/// An aircraft that a card may name.
#[derive(Debug, Clone, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Aircraft {
    /// Its id.
    pub id: String,
    /// Serial numbers by position; TOML asks for text as keys.
    pub engines: BTreeMap<String, String>,
}

/// A wash that a card may name.
#[derive(Debug, Clone, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Wash {
    /// Its id.
    pub id: String,
    /// The aircraft's registration or id, as the card that opened it names it.
    pub aircraft: String,
    /// The engines in scope, by serial number.
    pub engines: Vec<String>,
}

impl Names {
    /// What the station's folder holds; nothing where it holds none.
    pub fn load(home: &Home) -> Result<Names, ClientError> {
        let Some(text) = home.text(FILE)? else { return Ok(Names::default()) };
        toml::from_str(&text).map_err(|e| ClientError::Key {
            what: home.path(FILE).display().to_string(),
            why: format!("{e}; the file only helps in typing: move it away and `rinsebook sync` writes another"),
        })
    }

    /// Writes them there.
    pub fn save(&self, home: &Home) -> Result<(), ClientError> {
        let text = toml::to_string(self)
            .map_err(|e| ClientError::Key { what: FILE.to_owned(), why: format!("it cannot be written: {e}") })?;
        home.replace(FILE, text.as_bytes())
    }

    /// Takes in what the record lists: aircraft, people, devices, procedures. What is known here already stays.
    pub async fn learn(&mut self, channel: Channel) -> Result<(), ClientError> {
        for aircraft in query::every_aircraft(channel.clone()).await? {
            let engines = aircraft.engines.iter().filter_map(|e| e.engine.as_ref());
            let engines = engines.map(|e| (e.position.to_string(), e.serial.clone())).collect();
            self.aircraft.insert(aircraft.registration, Aircraft { id: hex::encode(&aircraft.aircraft), engines });
        }
        for device in query::every_device(channel.clone()).await? {
            self.devices.insert(device.label, hex::encode(&device.device));
        }
        for procedure in query::every_procedure(channel.clone()).await? {
            let digest = procedure.text.map(|t| hex::encode(t.digest)).unwrap_or_default();
            self.procedures.insert(format!("{} r{}", procedure.title, procedure.revision), digest);
        }
        let people = query::every_person(channel.clone()).await?;
        self.forget_erased(&people, &query::every_erasure(channel.clone()).await?);
        for person in people {
            let id = hex::encode(&person.person);
            if self.people.values().any(|known| *known == id) {
                continue;
            }
            // A name may have been erased, and a station may not be let read it: ids do as well.
            let Some(digest) = person.name.and_then(|name| Hash::from_slice(&name.digest)) else { continue };
            if let Some(name) = query::text_of(channel.clone(), BlobNamed::Annex(digest)).await {
                self.people.insert(name, id);
            }
        }
        Ok(())
    }

    /// What people are called of whom a name was erased goes from here too: which of their names it is, nobody can tell
    /// any more. A name that they have still is learnt again.
    fn forget_erased(&mut self, people: &[v1::Person], erasures: &[v1::Erasure]) {
        let erased = |name: &v1::AnnexRef| erasures.iter().any(|erasure| erasure.digest == name.digest);
        for person in people.iter().filter(|person| person.name.as_ref().is_some_and(erased)) {
            let id = hex::encode(&person.person);
            self.people.retain(|_, known| *known != id);
        }
    }

    /// Takes in what a fact of the record is about, so that a card may act on it.
    pub async fn learn_fact(&mut self, channel: Channel, fact: &Hash) -> Result<(), ClientError> {
        let found = query::fact(channel, By::EnvelopeHash(fact.to_vec())).await?;
        let envelope = found.fact.map(|fact| fact.envelope).unwrap_or_default();
        if let Some(signed) = Signed::parse(&envelope, MAX_SERVICE_ENVELOPE_BYTES).ok().filter(|s| s.hash() == *fact) {
            self.learn_subjects(fact, &signed.header().subjects);
        }
        Ok(())
    }

    pub(crate) fn learn_subjects(&mut self, fact: &Hash, subjects: &[Subject]) {
        self.about.insert(fact.to_string(), subjects.iter().map(about::text).collect());
    }

    /// What a fact is about; nothing where it is not known here.
    pub(crate) fn subjects_of(&self, fact: &Hash) -> Option<Vec<Subject>> {
        self.about.get(&fact.to_string()).map(|all| all.iter().filter_map(|text| about::read(text)).collect())
    }

    /// An aircraft by registration or id.
    pub(crate) fn aircraft_id(&self, name: &str) -> Result<Id, String> {
        find(name, self.aircraft.get(name).map(|a| &a.id), "aircraft", self.aircraft.keys())
    }

    /// The engine at a position of the aircraft.
    pub(crate) fn engine(&self, aircraft: &str, position: u32) -> Result<EngineAt, String> {
        let of_id = || self.aircraft.values().find(|known| known.id == aircraft);
        let known = self.aircraft.get(aircraft).or_else(of_id);
        let serial = known.and_then(|a| a.engines.get(&position.to_string())).ok_or_else(|| {
            format!(
                "no engine {position} of {aircraft} is known here; `rinsebook sync` fetches what is listed, or write it \
                 as {{ position = {position}, serial = \"…\" }}"
            )
        })?;
        Ok(EngineAt { position, serial: serial.clone() })
    }

    pub(crate) fn person(&self, name: &str) -> Result<Id, String> {
        find(name, self.people.get(name), "person", self.people.keys())
    }

    pub(crate) fn device(&self, name: &str) -> Result<Id, String> {
        find(name, self.devices.get(name), "device", self.devices.keys())
    }

    pub(crate) fn procedure(&self, name: &str) -> Result<Hash, String> {
        let hex = self.procedures.get(name).map_or(name, String::as_str);
        Hash::from_hex(hex).ok_or_else(|| unknown(name, "procedure", self.procedures.keys()))
    }

    /// A fact by its label in this wash, by `wash/label`, or by its hash.
    pub(crate) fn fact(&self, wash: &str, label: &str) -> Result<Hash, String> {
        let labelled = self.facts.get(&format!("{wash}/{label}")).or_else(|| self.facts.get(label));
        let hex = labelled.map_or(label, String::as_str);
        Hash::from_hex(hex).ok_or_else(|| unknown(label, "fact", self.facts.keys()))
    }
}

fn find<'a>(
    name: &str,
    known: Option<&String>,
    what: &str,
    all: impl Iterator<Item = &'a String>,
) -> Result<Id, String> {
    Id::from_hex(known.map_or(name, String::as_str)).ok_or_else(|| unknown(name, what, all))
}

fn unknown<'a>(name: &str, what: &str, all: impl Iterator<Item = &'a String>) -> String {
    let known: Vec<&str> = all.map(String::as_str).take(12).collect();
    let known = if known.is_empty() { "none".to_owned() } else { known.join(", ") };
    format!("no {what} {name:?} is known here (known: {known}); an id in hex can be written instead")
}
