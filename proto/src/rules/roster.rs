//! The roster: people, keys, authorities, devices, procedures, aircraft, as the custodian's facts make it.
//!
//! Every record carries the index of the entry it came by, so that "as at an index" is a comparison: a record is in
//! force at a point when its index is below it. A custodian's fact counts only when its signer held custody, with a
//! trusted key, both at what they had seen and at its own index. A revocation may reach back: the roster is then made
//! again from its facts, and what the revoked key signed from that index on falls away. A custodian's fact that came
//! before its signer's key takes effect with the fact that lets it count, and carries that index: no answer as known
//! before it changes.
//!
//! Custody is established anew by as many of the offline recovery keys as the founding fact asks: their owners outrank
//! whoever holds custody then, for that key may be lost or stolen. So it passes to the new custodian alone.

mod early;
mod erasings;
mod placings;
mod recovery;
mod successions;

use std::collections::BTreeSet;
use std::sync::Arc;

use hashbrown::HashMap;

use super::Recorded;
use super::enrolments::Texts;
use super::fleet;
use super::judge::Types;
use super::procedure::Procedure;
use crate::bytes::{Hash, Id};
use crate::fact::{Kind, Subject};
use crate::key::{self, VerifyingKey};
use crate::v1::{self, Authority};
pub use erasings::Erasing;
use recovery::Recovery;
use successions::Successions;
pub use successions::{NextKey, Succession};

/// A person.
#[derive(Debug, Clone, PartialEq, Eq)]
#[allow(missing_docs)]
pub struct Person {
    pub index: u64,
    pub person: Id,
    /// Annexes that hold name, staff number and licence.
    pub name: Option<Hash>,
    pub staff_number: Option<Hash>,
    pub licence: Option<Hash>,
}

/// A person's key.
#[derive(Debug, Clone)]
#[allow(missing_docs)]
pub struct PersonKey {
    pub index: u64,
    pub person: Id,
    pub key_id: Hash,
    pub public_key: VerifyingKey,
    pub card: Option<Id>,
}

/// A granted authority. Validity in whole seconds, both ends inside.
#[derive(Debug, Clone, PartialEq, Eq)]
#[allow(missing_docs)]
pub struct Grant {
    pub index: u64,
    pub fact: Hash,
    pub person: Id,
    pub authority: Authority,
    /// Empty: every type.
    pub engine_type: String,
    pub valid_from_s: Option<u64>,
    pub valid_until_s: Option<u64>,
    pub withdrawn_index: Option<u64>,
}

/// A device.
#[derive(Debug, Clone)]
#[allow(missing_docs)]
pub struct Device {
    pub index: u64,
    pub device: Id,
    pub label: String,
    pub station: String,
    /// SHA-256 of its TLS public key.
    pub tls_key_digest: Option<Hash>,
    pub report_key: Option<VerifyingKey>,
    pub retired_index: Option<u64>,
}

/// A published revision of a procedure.
#[derive(Debug, Clone)]
#[allow(missing_docs)]
pub struct Published {
    pub index: u64,
    pub procedure: Id,
    pub revision: u32,
    /// SHA-256 of its text: how washes name it.
    pub digest: Hash,
    pub engine_type: String,
    pub title: String,
    pub withdrawn_index: Option<u64>,
    /// The text, read; or why it cannot be.
    pub text: Result<Arc<Procedure>, String>,
}

/// An aircraft as it was listed or its engines changed. Positions count from 1.
#[derive(Debug, Clone, PartialEq, Eq)]
#[allow(missing_docs)]
pub struct Placing {
    pub index: u64,
    pub aircraft: Id,
    pub happened_s: u64,
    pub counts_from_s: u64,
    pub step: Step,
    /// Its place in the rules' order.
    pub(super) order: (u64, Id, u64, Hash),
}

/// What a placing says.
#[derive(Debug, Clone, PartialEq, Eq)]
#[allow(missing_docs)]
pub enum Step {
    /// All its engines at that time.
    Listed { registration: String, aircraft_type: String, engines: Vec<Installed> },
    /// One out, one in.
    Changed { removed: Option<(u32, String)>, installed: Option<Installed> },
}

/// An engine at its place.
#[derive(Debug, Clone, PartialEq, Eq)]
#[allow(missing_docs)]
pub struct Installed {
    pub position: u32,
    pub serial: String,
    pub engine_type: String,
}

/// A key that is not trusted from an index on, said by the entry at `index`.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[allow(missing_docs)]
pub struct Revocation {
    pub index: u64,
    pub key_id: Hash,
    pub untrusted_from_index: u64,
}

/// The custodian's word that the service's clock is right.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct ClockConfirmation {
    pub(super) index: u64,
    /// Entries below it are known to whoever said so: seen, or told by their index.
    known_below: u64,
}

impl ClockConfirmation {
    /// Whether it answers a doubt that began with that entry: who did not know of the doubt confirmed another clock.
    pub(super) fn answers(&self, since: u64) -> bool {
        since < self.known_below && since <= self.index
    }
}

/// Who may do what, and what there is.
#[derive(Debug, Clone, Default)]
pub struct Roster {
    people: Vec<Person>,
    keys: Vec<PersonKey>,
    by_key: HashMap<Hash, usize>,
    grants: Vec<Grant>,
    grants_of: HashMap<Id, Vec<usize>>,
    devices: Vec<Device>,
    procedures: Vec<Published>,
    placings: Vec<Placing>,
    /// Where those of each aircraft stand, in the rules' order.
    placings_of: HashMap<Id, Vec<usize>>,
    /// Where those that name an engine by its serial number stand, as they came.
    placings_naming: HashMap<String, Vec<usize>>,
    /// What each engine's type was said to be, and by which entry.
    engine_types: HashMap<String, Vec<(u64, String)>>,
    revocations: Vec<Revocation>,
    /// Revocations that lie ahead in the replay but reach back to where it is.
    ahead: Vec<Revocation>,
    cards: HashMap<Id, Vec<u64>>,
    successions: Successions,
    erasings: Vec<Erasing>,
    clock_confirmations: Vec<ClockConfirmation>,
    /// Facts that wait for their signer's key.
    early: Vec<Recorded>,
    recovery: Recovery,
    service_key: Option<Hash>,
    service_public_key: Option<VerifyingKey>,
    service_device: Option<Id>,
}

impl Roster {
    /// People, in the order of their enrolment.
    pub fn people(&self) -> &[Person] {
        &self.people
    }

    /// Keys, in the order of their enrolment.
    pub fn keys(&self) -> &[PersonKey] {
        &self.keys
    }

    /// Granted authorities.
    pub fn grants(&self) -> &[Grant] {
        &self.grants
    }

    /// Devices.
    pub fn devices(&self) -> &[Device] {
        &self.devices
    }

    /// Published procedures.
    pub fn procedures(&self) -> &[Published] {
        &self.procedures
    }

    /// The service's own device, once the record is founded.
    pub fn service_device(&self) -> Option<Id> {
        self.service_device
    }

    /// The device enrolled with this TLS key (SHA-256 of its SubjectPublicKeyInfo), unless it is retired.
    pub fn device_by_tls_key(&self, digest: &Hash) -> Option<Id> {
        let holds = |d: &&Device| d.tls_key_digest == Some(*digest) && d.retired_index.is_none();
        self.devices.iter().find(holds).map(|d| d.device)
    }

    /// The key id of the service's own fact key.
    pub fn service_key(&self) -> Option<Hash> {
        self.service_key
    }

    /// What a signature by this key is checked under: a person's key, or the service's own.
    pub fn public_key(&self, key_id: &Hash) -> Option<VerifyingKey> {
        let own = self.service_public_key.filter(|_| self.service_key == Some(*key_id));
        own.or_else(|| self.key(key_id, u64::MAX).map(|k| k.public_key))
    }

    /// The person's key, when it was enrolled below `size`.
    pub fn key(&self, key_id: &Hash, size: u64) -> Option<&PersonKey> {
        self.by_key.get(key_id).map(|at| &self.keys[*at]).filter(|k| k.index < size)
    }

    /// The device, as last enrolled below `size`.
    pub fn device(&self, device: &Id, size: u64) -> Option<&Device> {
        self.devices.iter().rev().find(|d| d.device == *device && d.index < size)
    }

    /// The procedure of that text, published below `size`.
    pub fn procedure(&self, digest: &Hash, size: u64) -> Option<&Published> {
        self.procedures.iter().find(|p| p.digest == *digest && p.index < size)
    }

    /// The type of an engine, by the newest word on it below `size`; empty while there is none.
    pub fn engine_type(&self, serial: &str, size: u64) -> &str {
        let said = self.engine_types.get(serial).map_or(&[][..], Vec::as_slice);
        said.iter().rev().find(|(index, _)| *index < size).map_or("", |(_, engine_type)| engine_type)
    }

    /// From which index on a key is not trusted, as known at `size`.
    pub fn untrusted_from(&self, key_id: &Hash, size: u64) -> Option<u64> {
        let known = self.revocations.iter().filter(|r| r.index < size).chain(&self.ahead);
        known.filter(|r| r.key_id == *key_id).map(|r| r.untrusted_from_index).min()
    }

    /// Whether the person holds the authority by grants in force at the point, for something that happened then.
    pub(super) fn holds(&self, person: &Id, authority: Authority, types: &Types, happened_s: u64, point: u64) -> bool {
        let own = self.grants_of.get(person).map_or(&[][..], Vec::as_slice);
        let own = || own.iter().map(|at| &self.grants[*at]);
        let in_force = |grant: &&Grant| {
            grant.authority == authority
                && grant.index < point
                && grant.withdrawn_index.is_none_or(|w| w >= point)
                && grant.valid_from_s.is_none_or(|from| from <= happened_s)
                && grant.valid_until_s.is_none_or(|until| happened_s <= until)
        };
        let covers = |engine_type: &str| {
            let fits = |g: &Grant| g.engine_type.is_empty() || g.engine_type == engine_type;
            own().filter(in_force).any(fits)
        };
        match types {
            Types::Any => own().any(|g| in_force(&g)),
            Types::EachOf(types) => types.iter().all(|t| covers(t)),
            Types::OneOf(types) if types.is_empty() => covers(""),
            Types::OneOf(types) => types.iter().any(|t| covers(t)),
        }
    }

    /// The point after the last fact, known at `size`, of the card that enrolled this key.
    pub(super) fn after_card(&self, key: &PersonKey, size: u64) -> u64 {
        let card = key.card.and_then(|card| self.cards.get(&card));
        let last = card.and_then(|facts| facts.iter().rev().find(|i| **i < size));
        last.copied().unwrap_or(key.index).max(key.index) + 1
    }

    /// The point in the log of a station's `seen`: what an epoch lost was seen by nobody in this one.
    pub(super) fn seen_point(&self, recorded: &Recorded) -> u64 {
        let seen = recorded.fact.header().seen;
        // Every fact names the founding fact's hash as its record: that entry at least was seen.
        self.successions.kept(seen.epoch, seen.size).min(recorded.index).max(1)
    }

    /// Types of the engines that hung on the aircraft at that time, as known at `size`; of all that it was ever listed
    /// with, where it is not known which hung then.
    pub(super) fn types_on(&self, aircraft: &Id, at_s: u64, size: u64) -> Vec<String> {
        let hanging = fleet::hanging(self.placings_on(aircraft, size).filter(|p| p.happened_s <= at_s));
        let mut types: BTreeSet<&str> = hanging.values().map(|e| e.engine_type.as_str()).collect();
        if types.is_empty() {
            let fitted = self.placings_on(aircraft, size).flat_map(|placing| match &placing.step {
                Step::Listed { engines, .. } => engines.as_slice(),
                Step::Changed { installed, .. } => installed.as_slice(),
            });
            types.extend(fitted.map(|e| e.engine_type.as_str()));
        }
        types.into_iter().map(str::to_owned).collect()
    }

    /// Confirmations of the service's clock known at `size`, as they came.
    pub(super) fn clock_confirmations(&self, size: u64) -> impl Iterator<Item = &ClockConfirmation> {
        self.clock_confirmations.iter().filter(move |c| c.index < size)
    }

    /// Revocations, as they came.
    pub(super) fn revocations(&self) -> &[Revocation] {
        &self.revocations
    }

    /// Makes the roster from its facts, in index order. A revocation that reaches back begins it again; those that are
    /// `known` beforehand may lie beyond the facts.
    pub(super) fn replay<'a>(
        facts: impl Iterator<Item = &'a Recorded> + Clone,
        texts: &Texts,
        known: &[Revocation],
    ) -> Roster {
        let mut ahead: Vec<Revocation> = known.to_vec();
        loop {
            let mut roster = Roster { ahead: ahead.clone(), ..Roster::default() };
            facts.clone().for_each(|recorded| roster.apply(recorded, texts));
            let new: Vec<Revocation> = roster.revocations.iter().filter(|r| !ahead.contains(r)).copied().collect();
            if new.is_empty() {
                return roster;
            }
            ahead.extend(new);
        }
    }

    /// Takes the next fact, where it counts; and those that it lets count.
    pub(super) fn apply(&mut self, recorded: &Recorded, texts: &Texts) {
        let Some(kind) = recorded.fact.kind() else { return };
        match kind {
            Kind::RecordFounded(founding) => {
                if recorded.index == 0 {
                    self.found(recorded, founding);
                }
                return;
            }
            Kind::CustodyReestablished(_) | Kind::Countersigned(_) => self.recovery.hear(recorded, kind),
            _ if !recorded.fact.header().subjects.contains(&Subject::Roster) => return,
            _ if self.key(&recorded.fact.header().author_key, recorded.index).is_none() => {
                self.early.push(recorded.clone());
            }
            _ if self.signed_well(recorded) && self.counts(recorded, recorded.index) => {
                self.take(recorded, kind, texts);
            }
            _ => return,
        }
        self.reestablish(recorded.index);
        self.take_early(recorded.index, texts);
    }

    fn take(&mut self, recorded: &Recorded, kind: &Kind, texts: &Texts) {
        let index = recorded.index;
        if let Some(card) = recorded.fact.header().card {
            self.cards.entry(card).or_default().push(index);
        }
        match kind {
            Kind::PersonEnrolled(b) => self.person(index, b),
            Kind::KeyEnrolled(b) => self.enrol_key(recorded, b),
            Kind::KeyRevoked(b) => self.revocations.extend(Hash::from_slice(&b.key_id).map(|key_id| Revocation {
                index,
                key_id,
                untrusted_from_index: b.untrusted_from_index.unwrap_or(index),
            })),
            Kind::AuthorityGranted(b) => self.grant(recorded, b),
            Kind::AuthorityWithdrawn(_) => self.withdraw(recorded),
            Kind::DeviceEnrolled(b) => self.enrol_device(index, b),
            Kind::DeviceRetired(b) => {
                let of = self.devices.iter_mut().filter(|d| d.device.as_ref() == b.device.as_slice());
                of.for_each(|d| d.retired_index = d.retired_index.or(Some(index)));
            }
            Kind::ProcedurePublished(b) => self.publish(index, b, texts),
            Kind::ProcedureWithdrawn(b) => {
                let named =
                    |p: &&mut Published| p.procedure.as_ref() == b.procedure.as_slice() && p.revision == b.revision;
                self.procedures.iter_mut().filter(named).for_each(|p| p.withdrawn_index = Some(index));
            }
            Kind::LogKeyChanged(b) => self.successions.push(index, NextKey::Changed(b.clone())),
            Kind::AnnexErased(b) => self.erase(recorded, b),
            Kind::EpochOpened(b) => self.successions.push(index, NextKey::Epoch(b.clone())),
            // One that speaks of entries to come says nothing about a clock that was compared.
            Kind::ClockConfirmed(b) if b.from_index <= index => {
                let known_below = self.seen_point(recorded).max(b.from_index);
                self.clock_confirmations.push(ClockConfirmation { index, known_below });
            }
            Kind::AircraftListed(b) => self.list(recorded, b),
            Kind::EngineChanged(b) => self.change(recorded, b),
            _ => {}
        }
    }

    fn found(&mut self, recorded: &Recorded, founding: &v1::RecordFounded) {
        let (Some(person), Some(enrolled), Some(device)) =
            (&founding.custodian, &founding.custodian_key, &founding.custodian_device)
        else {
            return;
        };
        self.person(0, person);
        self.enrol_key(recorded, enrolled);
        self.enrol_device(0, device);
        self.service_public_key = key::public_key(&founding.service_fact_key).ok();
        self.service_key = self.service_public_key.as_ref().map(key::key_id);
        self.service_device = Id::from_slice(&founding.service_device);
        self.recovery = Recovery::of(&founding.recovery_keys, founding.recovery_threshold);
        if let Some(person) = Id::from_slice(&person.person) {
            self.keep_grant(Grant {
                index: 0,
                fact: recorded.fact.hash(),
                person,
                authority: Authority::Custody,
                engine_type: String::new(),
                valid_from_s: None,
                valid_until_s: None,
                withdrawn_index: None,
            });
        }
    }

    fn person(&mut self, index: u64, b: &v1::PersonEnrolled) {
        let annex = |r: &Option<v1::AnnexRef>| r.as_ref().and_then(|r| Hash::from_slice(&r.digest));
        self.people.extend(Id::from_slice(&b.person).map(|person| Person {
            index,
            person,
            name: annex(&b.name),
            staff_number: annex(&b.staff_number),
            licence: annex(&b.licence),
        }));
    }

    /// A key without a good proof of possession, or one that is there already, is not taken.
    fn enrol_key(&mut self, recorded: &Recorded, b: &v1::KeyEnrolled) {
        let (Some(person), Ok(public_key)) = (Id::from_slice(&b.person), key::public_key(&b.public_key)) else {
            return;
        };
        let key_id = key::key_id(&public_key);
        if !self.by_key.contains_key(&key_id) && key::possesses(&public_key, &b.person, &b.possession) {
            self.by_key.insert(key_id, self.keys.len());
            let card = recorded.fact.header().card;
            self.keys.push(PersonKey { index: recorded.index, person, key_id, public_key, card });
        }
    }

    fn grant(&mut self, recorded: &Recorded, b: &v1::AuthorityGranted) {
        let (Some(person), Ok(authority)) = (Id::from_slice(&b.person), Authority::try_from(b.authority)) else {
            return;
        };
        self.keep_grant(Grant {
            index: recorded.index,
            fact: recorded.fact.hash(),
            person,
            authority,
            engine_type: b.engine_type.clone(),
            valid_from_s: b.valid_from_ms.map(|ms| ms / 1000),
            valid_until_s: b.valid_until_ms.map(|ms| ms / 1000),
            withdrawn_index: None,
        });
    }

    fn keep_grant(&mut self, grant: Grant) {
        self.grants_of.entry(grant.person).or_default().push(self.grants.len());
        self.grants.push(grant);
    }

    fn withdraw(&mut self, recorded: &Recorded) {
        let named = &recorded.fact.header().refers;
        for grant in self.grants.iter_mut().filter(|g| g.index > 0 && named.contains(&g.fact)) {
            grant.withdrawn_index = grant.withdrawn_index.or(Some(recorded.index));
        }
    }

    fn enrol_device(&mut self, index: u64, b: &v1::DeviceEnrolled) {
        self.devices.extend(Id::from_slice(&b.device).map(|device| {
            Device {
                index,
                device,
                label: b.label.clone(),
                station: b.station.clone(),
                tls_key_digest: Hash::from_slice(&b.tls_key_digest),
                // A key that nobody proved to have vouches for nothing.
                report_key: key::public_key(&b.report_key)
                    .ok()
                    .filter(|report_key| key::possesses(report_key, &b.device, &b.possession)),
                retired_index: None,
            }
        }));
    }

    fn publish(&mut self, index: u64, b: &v1::ProcedurePublished, texts: &Texts) {
        let digest = b.text.as_ref().and_then(|t| Hash::from_slice(&t.digest));
        let (Some(procedure), Some(digest)) = (Id::from_slice(&b.procedure), digest) else { return };
        let text = match texts.get(&digest) {
            None => Err("its text is not at hand".to_owned()),
            Some(Ok(read)) if read.procedure != procedure || read.revision != b.revision => {
                Err("its text is another procedure or revision than was published".to_owned())
            }
            Some(text) => text.clone(),
        };
        let (engine_type, title) = (b.engine_type.clone(), b.title.clone());
        let revision = b.revision;
        self.procedures.push(Published {
            index,
            procedure,
            revision,
            digest,
            engine_type,
            title,
            withdrawn_index: None,
            text,
        });
    }
}
