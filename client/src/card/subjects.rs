//! What a fact is about, worked out from what it names: each subject has a chain of its own through the log.

use rinsebook_proto::bytes::Id;
use rinsebook_proto::fact::{Kind, Subject, engines_named};

use crate::about;

/// The wash and aircraft of a fact, as far as it has them.
pub(super) struct About {
    pub(super) wash_label: String,
    pub(super) wash: Option<Id>,
    pub(super) aircraft_name: String,
    pub(super) aircraft: Option<Id>,
    /// The engines in the wash's scope, by serial number.
    pub(super) engines: Vec<String>,
}

/// What `about` on a card adds, written as `rinsebook show` writes it: "engine serial OT-1", "wash …", "the roster".
pub(super) fn written(text: &str) -> Result<Subject, String> {
    about::read(text).ok_or_else(|| {
        format!(
            "{text:?} is nothing that a fact can be about; write it as `rinsebook show` does, such as \"engine serial \
             OT-1\", ids with 32 hex digits"
        )
    })
}

/// A fact of a wash that names no engine is about all in its scope; `more` is what the facts that it acts on are about.
pub(super) fn of(kind: &Kind, about: &About, more: Vec<Subject>) -> Vec<Subject> {
    let mut subjects = more;
    if is_of_roster(kind) {
        subjects.push(Subject::Roster);
    }
    subjects.extend(about.aircraft.map(Subject::Aircraft));
    subjects.extend(about.wash.map(Subject::Wash));
    subjects.extend(aircraft_named(kind).and_then(Id::from_slice).map(Subject::Aircraft));
    subjects.extend(device_named(kind).and_then(Id::from_slice).map(Subject::Device));
    let named = engines_named(kind);
    if named.is_empty() && !is_of_roster(kind) {
        subjects.extend(about.engines.iter().cloned().map(Subject::Engine));
    }
    subjects.extend(named.into_iter().map(|engine| Subject::Engine(engine.serial.clone())));
    subjects.sort();
    subjects.dedup();
    subjects
}

fn is_of_roster(kind: &Kind) -> bool {
    matches!(
        kind,
        Kind::RecordFounded(_)
            | Kind::PersonEnrolled(_)
            | Kind::KeyEnrolled(_)
            | Kind::KeyRevoked(_)
            | Kind::AuthorityGranted(_)
            | Kind::AuthorityWithdrawn(_)
            | Kind::DeviceEnrolled(_)
            | Kind::DeviceRetired(_)
            | Kind::ProcedurePublished(_)
            | Kind::ProcedureWithdrawn(_)
            | Kind::RulesAdopted(_)
            | Kind::FactSetAside(_)
            | Kind::LogKeyChanged(_)
            | Kind::CustodyReestablished(_)
            | Kind::ClockConfirmed(_)
            | Kind::AircraftListed(_)
            | Kind::EngineChanged(_)
            | Kind::AnnexErased(_)
            | Kind::EpochOpened(_)
    )
}

fn aircraft_named(kind: &Kind) -> Option<&[u8]> {
    match kind {
        Kind::AircraftListed(b) => Some(&b.aircraft),
        Kind::EngineChanged(b) => Some(&b.aircraft),
        _ => None,
    }
}

fn device_named(kind: &Kind) -> Option<&[u8]> {
    match kind {
        Kind::DeviceEnrolled(b) => Some(&b.device),
        Kind::DeviceRetired(b) => Some(&b.device),
        Kind::DeviceJoined(b) => Some(&b.device),
        Kind::DeviceLeft(b) => Some(&b.device),
        Kind::DeviceSettled(b) => Some(&b.device),
        _ => None,
    }
}
