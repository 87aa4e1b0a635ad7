//! The keys that a log enrols, and who of them may enrol others.

use std::collections::{HashMap, HashSet};

use prost::Message;
use rinsebook_proto::bytes::{Hash, Id};
use rinsebook_proto::fact::{Envelope, Kind, MAX_ENVELOPE_BYTES, REPORT_TYPE, Signed, Subject};
use rinsebook_proto::key::{self, VerifyingKey};
use rinsebook_proto::v1::{self, Authority};

/// See the module.
#[derive(Default)]
pub(super) struct Keys {
    keys: HashMap<Hash, (VerifyingKey, Option<Id>)>,
    /// Who has custody, by the fact that granted it: what is withdrawn is a grant.
    custody: HashMap<Hash, Id>,
    ever_custodians: HashSet<Id>,
    service: Option<Hash>,
    /// Kept offline: what they sign can be checked, but here it gives nobody custody.
    recovery: HashMap<Hash, VerifyingKey>,
    report_keys: HashMap<Id, VerifyingKey>,
}

impl Keys {
    pub(super) fn get(&self, id: &Hash) -> Option<VerifyingKey> {
        self.keys.get(id).map(|(key, _)| *key)
    }

    /// Whether this is the service's own fact key.
    pub(super) fn is_service(&self, id: &Hash) -> bool {
        self.service == Some(*id)
    }

    pub(super) fn found(&mut self, founding: Hash, founded: &v1::RecordFounded) {
        if let Some(custodian) = &founded.custodian_key {
            self.enrol(custodian);
            self.grant_custody(founding, &custodian.person);
        }
        if let Some(device) = &founded.custodian_device {
            self.enrol_device(device);
        }
        if let Ok(service) = key::public_key(&founded.service_fact_key) {
            self.keys.insert(key::key_id(&service), (service, None));
            self.service = Some(key::key_id(&service));
        }
        let recovery = founded.recovery_keys.iter().filter_map(|bytes| key::public_key(bytes).ok());
        self.recovery = recovery.map(|key| (key::key_id(&key), key)).collect();
    }

    /// Whether a recovery key signed it.
    pub(super) fn by_recovery_key(&self, fact: &Signed) -> bool {
        self.recovery.get(&fact.header().author_key).is_some_and(|key| fact.signed_by(key))
    }

    /// Whether its signer has custody, as a fact about the roster asks.
    pub(super) fn by_custodian(&self, fact: &Signed) -> bool {
        let on_roster = fact.header().subjects.contains(&Subject::Roster);
        on_roster && self.signer(fact).is_some_and(|person| self.custody.values().any(|holder| *holder == person))
    }

    fn signer(&self, fact: &Signed) -> Option<Id> {
        self.keys.get(&fact.header().author_key).and_then(|(_, person)| *person)
    }

    /// Takes note of a fact with a good signature; gives the id of a person's key that came in with it.
    pub(super) fn note(&mut self, fact: &Signed, kind: &Kind) -> Option<Hash> {
        let person = self.signer(fact)?;
        // A report is taken from a device whose enroller had custody once: to call it unproved for what was withdrawn
        // since would be a false alarm. Its signature is checked all the same.
        if let (Kind::DeviceEnrolled(enrolled), true) = (kind, self.ever_custodians.contains(&person)) {
            self.enrol_device(enrolled);
        }
        if !self.by_custodian(fact) {
            return None;
        }
        match kind {
            Kind::KeyEnrolled(enrolled) => return self.enrol(enrolled),
            Kind::AuthorityGranted(granted) if granted.authority == Authority::Custody as i32 => {
                self.grant_custody(fact.hash(), &granted.person);
            }
            // The founder's custody is no grant that could be withdrawn; it passes on by other acts.
            Kind::AuthorityWithdrawn(_) => {
                let withdrawn = &fact.header().refers;
                self.custody.retain(|grant, _| *grant == fact.header().record || !withdrawn.contains(grant));
            }
            _ => {}
        }
        None
    }

    fn grant_custody(&mut self, grant: Hash, person: &[u8]) {
        if let Some(person) = Id::from_slice(person) {
            self.custody.insert(grant, person);
            self.ever_custodians.insert(person);
        }
    }

    /// Gives the key's id, where it was not known and its proof holds. The first enrolment stands: a key does not pass
    /// from one person to another.
    fn enrol(&mut self, enrolled: &v1::KeyEnrolled) -> Option<Hash> {
        let public = key::public_key(&enrolled.public_key).ok()?;
        let id = key::key_id(&public);
        if self.keys.contains_key(&id) || !key::possesses(&public, &enrolled.person, &enrolled.possession) {
            return None;
        }
        self.keys.insert(id, (public, Id::from_slice(&enrolled.person)));
        Some(id)
    }

    fn enrol_device(&mut self, enrolled: &v1::DeviceEnrolled) {
        if let (Some(device), Ok(report_key)) =
            (Id::from_slice(&enrolled.device), key::public_key(&enrolled.report_key))
            && key::possesses(&report_key, &enrolled.device, &enrolled.possession)
        {
            self.report_keys.insert(device, report_key);
        }
    }

    /// Whether a report's signature holds under its device's report key, and the device is the one it is taken to be
    /// about, where a fact says so.
    pub(super) fn check_report(&self, bytes: &[u8], about: Option<&[u8]>) -> Result<(), String> {
        let envelope = Envelope::parse(bytes, REPORT_TYPE, MAX_ENVELOPE_BYTES).map_err(|e| e.to_string())?;
        let report = v1::Report::decode(envelope.payload()).map_err(|e| e.to_string())?;
        let device = Id::from_slice(&report.device).ok_or("it names no device")?;
        if about.is_some_and(|about| about != device.0) {
            return Err("it is by another device than the one whose places it gives up".to_owned());
        }
        let key = self.report_keys.get(&device).ok_or("its device is not enrolled")?;
        if envelope.verifies(key) { Ok(()) } else { Err("its signature does not hold".to_owned()) }
    }
}
