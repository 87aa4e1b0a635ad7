//! The answer's parts: what is open on one aircraft, what was found, its washes.

use super::act::FactRef;
use super::finding::Finding;
use super::item::Item;
use crate::bytes::{Hash, Id};
use crate::v1::EngineAt;

/// Stands under every answer.
pub const NOTICE: &str = "this answers from the record only; it is not a release to service";
/// Stands under an answer that names nothing.
pub const NOTHING_OPEN_NOTICE: &str = "nothing open in this record; this is not a release to service";

/// The answer in a word.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Verdict {
    /// An item blocks; or the service's clock is in doubt, so that no due time can be trusted.
    Blocked,
    /// Something is open, nothing blocks.
    Conditions,
    /// Nothing is open in this record.
    NothingOpen,
}

impl Verdict {
    /// As it is shown.
    pub fn name(self) -> &'static str {
        match self {
            Verdict::Blocked => "blocked",
            Verdict::Conditions => "conditions",
            Verdict::NothingOpen => "nothing-open",
        }
    }
}

/// What is open on one aircraft, and what was found.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct State {
    /// Open items, by kind, engine, subject.
    pub items: Vec<Item>,
    /// Findings, settled ones included.
    pub findings: Vec<Finding>,
    /// Washes of this aircraft.
    pub washes: Vec<Wash>,
    /// For each engine that waits for its run.
    pub latest_starts: Vec<LatestStart>,
    /// What has to be kept for the aircraft to go.
    pub conditions: Vec<String>,
    /// Until when the awaited devices were heard; none: no device is awaited.
    pub devices_heard_until_ms: Option<u64>,
    /// The entry since which the service's clock has been in doubt, until the custodian confirms it.
    pub clock_unsure_since: Option<u64>,
}

/// A wash, as its opening says.
#[derive(Debug, Clone, PartialEq)]
pub struct Wash {
    /// Its id.
    pub wash: Id,
    /// The aircraft.
    pub aircraft: Id,
    /// The work order.
    pub work_order: String,
    /// SHA-256 of the procedure's text.
    pub procedure: Option<Hash>,
    /// The station.
    pub station: String,
    /// The engines in scope.
    pub engines: Vec<EngineAt>,
    /// The opening.
    pub opened_by: FactRef,
    /// The last sign-off that has effect.
    pub signed_off_by: Option<FactRef>,
}

/// The newest instant at which an engine may be started without a run-up before it. Unix milliseconds.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct LatestStart {
    /// The engine, at its position on this aircraft.
    pub engine: EngineAt,
    /// Window end less the margin.
    pub latest_start_ms: u64,
    /// The end of its run-up window.
    pub window_end_ms: u64,
    /// Where the air comes from, where a waiver says it.
    pub air_source: String,
}
