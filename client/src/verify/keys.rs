//! Who the log enrols: the rules' own roster, as admission asks it, so that a verifier cannot differ from what a service
//! in the right would have taken. Kept beside it is only what the roster does not hold or gives up.

use std::collections::HashMap;

use prost::Message;
use rinsebook_proto::bytes::{Hash, Id};
use rinsebook_proto::fact::{Envelope, MAX_ENVELOPE_BYTES, REPORT_TYPE, Signed};
use rinsebook_proto::key::{self, KeysById, VerifyingKey};
use rinsebook_proto::rules::erasures::{Erasures, Known};
use rinsebook_proto::rules::{Enrolments, Recorded, Roster, Succession, Texts};
use rinsebook_proto::v1;

/// See the module.
#[derive(Default)]
pub(super) struct Keys {
    enrolments: Enrolments,
    /// The service's own fact key; the roster knows its id.
    service: Option<VerifyingKey>,
    /// Kept offline: what they sign can be checked, but here it gives nobody custody.
    recovery: HashMap<Hash, VerifyingKey>,
    /// Every report key that a device ever had, wider than the roster on purpose. A report is checked when it arrives and
    /// recorded a little later; in between its device may be retired, enrolled anew, or fall away by a revocation that
    /// reaches back. To call such a report unsigned would be a false alarm.
    report_keys: HashMap<Id, Vec<VerifyingKey>>,
    /// The facts that all this is made of.
    noted: Vec<Recorded>,
}

impl Keys {
    /// Who may do what, as known now.
    pub(super) fn roster(&self) -> &Roster {
        self.enrolments.roster()
    }

    /// A key that is enrolled now.
    pub(super) fn get(&self, id: &Hash) -> Option<VerifyingKey> {
        if self.is_service(id) {
            return self.service;
        }
        self.roster().key(id, u64::MAX).map(|key| key.public_key)
    }

    /// All keys that are enrolled now, for whoever checks signatures ahead of their place.
    pub(super) fn all(&self) -> KeysById {
        self.roster().keys().iter().map(|key| key.public_key).chain(self.service).collect()
    }

    /// Whether this is the service's own fact key.
    pub(super) fn is_service(&self, id: &Hash) -> bool {
        self.roster().service_key() == Some(*id)
    }

    /// Whether this is the service's own device.
    pub(super) fn is_service_device(&self, device: &Id) -> bool {
        self.roster().service_device() == Some(*device)
    }

    /// Takes the founding fact, before its signature is checked with the key that it brings.
    pub(super) fn found(&mut self, recorded: &Recorded, founded: &v1::RecordFounded) {
        self.service = key::public_key(&founded.service_fact_key).ok();
        let recovery = founded.recovery_keys.iter().filter_map(|bytes| key::public_key(bytes).ok());
        self.recovery = recovery.map(|key| (key::key_id(&key), key)).collect();
        self.note(recorded);
    }

    /// Takes note of a fact, whoever signed it, as admission does: the roster judges for itself, and keeps what may count
    /// once its signer is known. Gives the ids of people's keys that came in with it.
    pub(super) fn note(&mut self, recorded: &Recorded) -> Vec<Hash> {
        if !self.enrolments.add(recorded, &Texts::default()) {
            return Vec::new();
        }
        self.noted.push(recorded.clone());
        let roster = self.enrolments.roster();
        for device in roster.devices().iter().rev().take_while(|device| device.index == recorded.index) {
            self.report_keys.entry(device.device).or_default().extend(device.report_key);
        }
        roster.keys().iter().rev().take_while(|key| key.index == recorded.index).map(|key| key.key_id).collect()
    }

    /// The facts that all this is made of, in their order: whoever takes note of them again knows the same.
    pub(super) fn noted(&self) -> &[Recorded] {
        &self.noted
    }

    /// What custodians said of the log's own keys, as they came.
    pub(super) fn successions(&self) -> &[Succession] {
        self.roster().successions()
    }

    /// Those that came since so many were known. A revocation that reaches back leaves fewer than there were.
    pub(super) fn successions_since(&self, known: usize) -> &[Succession] {
        self.successions().get(known..).unwrap_or_default()
    }

    /// Whether a recovery key signed it.
    pub(super) fn by_recovery_key(&self, fact: &Signed) -> bool {
        self.recovery.get(&fact.header().author_key).is_some_and(|key| fact.signed_by(key))
    }

    /// Whether the device is enrolled now, as admission asks before it takes a fact.
    pub(super) fn device_holds(&self, device: &Id) -> Result<(), &'static str> {
        match self.roster().device(device, u64::MAX) {
            None => Err("its device was not enrolled when it came"),
            Some(device) if device.retired_index.is_some() => Err("its device was retired when it came"),
            Some(device) if device.report_key.is_none() => Err("its device never proved its report key"),
            Some(_) => Ok(()),
        }
    }

    /// Takes note of a fact of the service's own, or of no kind that is known: it adds nobody.
    pub(super) fn overhear(&mut self, recorded: &Recorded) {
        self.enrolments.hear(recorded);
    }

    /// What people with custody wanted erased, and what came of it.
    pub(super) fn erasures(&self) -> &Erasures {
        self.enrolments.erasures()
    }

    /// Puts them where they stood, once the noted facts were taken again.
    pub(super) fn resume_erasures(&mut self, known: Known) {
        self.enrolments.resume_erasures(known);
    }

    /// Whether a report's signature holds under a report key of its device, and the device is the one it is taken to be
    /// about, where a fact says so.
    pub(super) fn check_report(&self, bytes: &[u8], about: Option<&[u8]>) -> Result<(), String> {
        let envelope = Envelope::parse(bytes, REPORT_TYPE, MAX_ENVELOPE_BYTES).map_err(|e| e.to_string())?;
        let report = v1::Report::decode(envelope.payload()).map_err(|e| e.to_string())?;
        let device = Id::from_slice(&report.device).ok_or("it names no device")?;
        if about.is_some_and(|about| about != device.0) {
            return Err("it is by another device than the one whose places it gives up".to_owned());
        }
        let keys = self.report_keys.get(&device).ok_or("its device is not enrolled")?;
        if keys.iter().any(|key| envelope.verifies(key)) {
            Ok(())
        } else {
            Err("its signature does not hold".to_owned())
        }
    }
}
