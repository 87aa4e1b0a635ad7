//! What the sequencer must know of the roster at once, inside one group: keys to check signatures with, devices to check
//! certificates and reports with. Only facts signed by somebody with custody count here; who may do what in a wash is
//! the rules' matter, not admission's.

use std::collections::{HashMap, HashSet};

use rinsebook_proto::bytes::{Hash, Id};
use rinsebook_proto::fact::Kind;
use rinsebook_proto::key::{self, VerifyingKey};
use rinsebook_proto::v1::{self, Authority};

use crate::admission::KnownKeys;

/// A device that facts may come from.
#[derive(Debug, Clone)]
pub struct Device {
    /// SHA-256 of its TLS public key.
    pub tls_key_digest: Hash,
    /// Checks its reports.
    pub report_key: VerifyingKey,
    /// Facts are taken from it no more.
    pub retired: bool,
}

/// Keys and devices enrolled so far.
#[derive(Debug, Default)]
pub struct Enrolled {
    keys: KnownKeys,
    persons: HashMap<Hash, Id>,
    custodians: HashSet<Id>,
    devices: HashMap<Id, Device>,
}

impl Enrolled {
    /// Begins with nobody; the keys go to `keys` too, where the parallel checks read them.
    pub fn new(keys: KnownKeys) -> Enrolled {
        Enrolled { keys, ..Enrolled::default() }
    }

    /// The key of this id.
    pub fn key(&self, id: &Hash) -> Option<VerifyingKey> {
        self.keys.get(id)
    }

    /// A device.
    pub fn device(&self, id: &Id) -> Option<&Device> {
        self.devices.get(id)
    }

    /// The device with this TLS key, unless it is retired.
    pub fn device_by_tls_key(&self, digest: &Hash) -> Option<Id> {
        self.devices.iter().find(|(_, d)| d.tls_key_digest == *digest && !d.retired).map(|(id, _)| *id)
    }

    /// Takes note of an admitted fact with a good signature by `author`.
    pub fn note(&mut self, author: &Hash, kind: &Kind) {
        if let Kind::RecordFounded(founded) = kind {
            self.found(founded);
            return;
        }
        if !self.persons.get(author).is_some_and(|person| self.custodians.contains(person)) {
            return;
        }
        match kind {
            Kind::KeyEnrolled(enrolled) => self.enrol_key(enrolled),
            Kind::DeviceEnrolled(enrolled) => self.enrol_device(enrolled),
            Kind::DeviceRetired(retired) => {
                if let Some(device) = Id::from_slice(&retired.device).and_then(|id| self.devices.get_mut(&id)) {
                    device.retired = true;
                }
            }
            Kind::AuthorityGranted(granted) if granted.authority == Authority::Custody as i32 => {
                self.custodians.extend(Id::from_slice(&granted.person));
            }
            _ => {}
        }
    }

    fn found(&mut self, founded: &v1::RecordFounded) {
        if let Some(custodian) = &founded.custodian_key {
            self.enrol_key(custodian);
            self.custodians.extend(Id::from_slice(&custodian.person));
        }
        if let Some(device) = &founded.custodian_device {
            self.enrol_device(device);
        }
        if let Ok(service) = key::public_key(&founded.service_fact_key) {
            self.keys.add(key::key_id(&service), service);
        }
    }

    fn enrol_key(&mut self, enrolled: &v1::KeyEnrolled) {
        let Some(person) = Id::from_slice(&enrolled.person) else { return };
        let Ok(public) = key::public_key(&enrolled.public_key) else { return };
        if key::possesses(&public, &enrolled.person, &enrolled.possession) {
            let id = key::key_id(&public);
            self.keys.add(id, public);
            self.persons.insert(id, person);
        }
    }

    fn enrol_device(&mut self, enrolled: &v1::DeviceEnrolled) {
        let (Some(id), Some(tls_key_digest), Ok(report_key)) = (
            Id::from_slice(&enrolled.device),
            Hash::from_slice(&enrolled.tls_key_digest),
            key::public_key(&enrolled.report_key),
        ) else {
            return;
        };
        if key::possesses(&report_key, &enrolled.device, &enrolled.possession) {
            self.devices.insert(id, Device { tls_key_digest, report_key, retired: false });
        }
    }
}

/// Whether a founding fact fits this service and the certificate it came over; otherwise why not.
pub fn check_founding(
    founded: &v1::RecordFounded,
    author: &Hash,
    identity: &crate::identity::Identity,
    peer_tls_key: &Hash,
) -> Result<VerifyingKey, &'static str> {
    let custodian = founded.custodian_key.as_ref().ok_or("it names no custodian's key")?;
    let key = key::public_key(&custodian.public_key).map_err(|_| "the custodian's key is not usable")?;
    let device = founded.custodian_device.as_ref().ok_or("it names no device")?;
    let report_key = key::public_key(&device.report_key).map_err(|_| "the device's report key is not usable")?;
    let checks = [
        (key::key_id(&key) == *author, "it is not signed by the custodian's key that it names"),
        (
            key::possesses(&key, &custodian.person, &custodian.possession),
            "the custodian's proof of possession does not hold",
        ),
        (
            key::possesses(&report_key, &device.device, &device.possession),
            "the device's proof of possession does not hold",
        ),
        (device.tls_key_digest == peer_tls_key.0, "the device that it names has another certificate"),
        (founded.origin_name == identity.origin_name, "it names another log than this service keeps"),
        (
            founded.log_public_key == identity.log_key.verifying_key().as_bytes(),
            "it names another log key than this service has",
        ),
        (
            founded.service_fact_key == identity.fact_key.verifying_key().as_bytes(),
            "it names another fact key than this service has",
        ),
        (founded.service_device == identity.device.0, "it names another service device"),
    ];
    match checks.iter().find(|(good, _)| !good) {
        Some((_, why)) => Err(why),
        None => Ok(key),
    }
}
