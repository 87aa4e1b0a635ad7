//! The log of an invented airline, of any length, as a service would have written it: one custodian, three people, eight
//! stations, ten thousand aircraft with two engines each, and washes from their opening to their release reference. It is
//! written once below the target folder and kept there.
//!
//! Facts of eight stations take turns in groups of 64. Two washes after one another are done on each aircraft; of every
//! tenth aircraft the second is left after its second cycle, with everything open. An aircraft that was washed has the
//! same facts in every log, however long that is.
//!
//! The keys of people follow from their names, so that a log that was kept can be gone on with; the service's own and those
//! of the stations lie in its folders.

mod pen;
mod wash;
mod writer;

use std::path::{Path, PathBuf};
use std::time::{SystemTime, UNIX_EPOCH};

use anyhow::{Context, Result};
use rinsebook_client::home::Home;
use rinsebook_proto::bytes::{Hash, Id};
use rinsebook_proto::fact::{MAX_SERVICE_ENVELOPE_BYTES, Seen, Signed};
use rinsebook_proto::journal::{self, RealDisk};
use rinsebook_proto::key::SigningKey;
use rinsebook_proto::note::Checkpoint;
use rinsebook_service::Config;

pub use pen::Pen;
pub use wash::{FACTS_A_WASH, Hand, Plan};
pub use writer::{procedure_digest, sign_wash};

/// Aircraft that are listed.
pub const AIRCRAFT: u64 = 10_000;
/// Stations.
pub const STATIONS: usize = 8;
/// Facts in a group.
pub const GROUP: usize = 64;
/// The log's name without the epoch.
pub const ORIGIN_NAME: &str = "fleet.example";
/// When the record begins: 2025-06-01, Unix milliseconds. It ends before any machine that measures has its clock.
pub const BEGIN_MS: u64 = 1_748_736_000_000;
/// Changes with what is written here, so that no older log is taken for it.
const FORM: &str = "fleet 1";

/// The id of an aircraft.
pub fn aircraft(number: u64) -> Id {
    named(&format!("aircraft {number}"))
}

/// The serial numbers of its engines.
pub fn serials(number: u64) -> [String; 2] {
    [1, 2].map(|position| format!("OT-{number:05}-{position}"))
}

/// The id that a name stands for.
pub(crate) fn named(name: &str) -> Id {
    Id::from_slice(&Hash::of(name.as_bytes()).0[..16]).expect("sixteen bytes")
}

/// The key that a name stands for.
pub(crate) fn key_of(name: &str) -> SigningKey {
    SigningKey::from_bytes(&Hash::of(name.as_bytes()).0)
}

/// Now, Unix milliseconds.
pub fn now_ms() -> u64 {
    SystemTime::now().duration_since(UNIX_EPOCH).map_or(0, |since| since.as_millis() as u64)
}

/// The folder below the target folder where logs are kept.
pub fn cache() -> PathBuf {
    let target = std::env::var_os("CARGO_TARGET_DIR").map(PathBuf::from);
    target.unwrap_or_else(|| Path::new(env!("CARGO_MANIFEST_DIR")).join("../target")).join("measure")
}

/// A log of this form in its folder.
#[derive(Debug, Clone)]
pub struct Fleet {
    dir: PathBuf,
}

/// Where a log ends, for those who sign what follows.
#[derive(Debug, Clone)]
pub struct End {
    /// The record's id.
    pub record: Hash,
    /// Its last checkpoint.
    pub seen: Seen,
    /// The last envelope of each station.
    pub last: Vec<Hash>,
    /// The procedure that washes are done by.
    pub procedure: Hash,
}

impl Fleet {
    /// The log with the listings and this many facts of washes, rounded up to whole washes; written where it is not there.
    pub fn of(facts: u64) -> Result<Fleet> {
        Fleet::in_folder(&cache().join(format!("fleet-{facts}")), facts, AIRCRAFT)
    }

    /// As [`Fleet::of`], in this folder and with so many aircraft.
    pub fn in_folder(dir: &Path, facts: u64, aircraft: u64) -> Result<Fleet> {
        let fleet = Fleet { dir: dir.to_owned() };
        let form = format!("{FORM}, {facts} facts, {aircraft} aircraft");
        let ready = dir.join("ready");
        if std::fs::read_to_string(&ready).ok().as_deref() != Some(&form) {
            if dir.exists() {
                std::fs::remove_dir_all(dir).context("the log of another form cannot be taken away")?;
            }
            std::fs::create_dir_all(dir)?;
            writer::write(&fleet, facts, aircraft)?;
            std::fs::write(&ready, form)?;
        }
        Ok(fleet)
    }

    /// One that is there.
    pub fn at(dir: &Path) -> Fleet {
        Fleet { dir: dir.to_owned() }
    }

    /// A copy that may be written to, in this folder.
    pub fn copy_to(&self, dir: &Path) -> Result<Fleet> {
        copy(&self.dir, dir)?;
        Ok(Fleet { dir: dir.to_owned() })
    }

    /// The service's configuration: as for use, not as for demonstrations.
    pub fn config(&self) -> Config {
        let mut config = Config::local(&self.data());
        config.origin_name = ORIGIN_NAME.to_owned();
        (config.grow_bytes, config.segment_bytes) = (1 << 20, 64 << 20);
        // How much may be asked for is what is measured here.
        (config.limits.calls_a_second, config.limits.calls_burst) = (1_000_000, 1_000_000);
        (config.limits.facts_a_second, config.limits.facts_burst) = (1_000_000, 10_000_000);
        config
    }

    /// The service's data folder.
    pub fn data(&self) -> PathBuf {
        self.dir.join("data")
    }

    /// The folder of the log's segment files.
    pub fn log(&self) -> PathBuf {
        self.config().log_dir()
    }

    /// A station's folder; it has its certificate.
    pub fn station(&self, number: usize) -> Result<Home> {
        Ok(Home::open(&self.station_dir(number))?)
    }

    pub(crate) fn station_dir(&self, number: usize) -> PathBuf {
        self.dir.join(format!("station-{number}"))
    }

    /// Reads where it ends.
    pub fn end(&self) -> Result<End> {
        let stations: Vec<Id> = (0..STATIONS).map(|n| Ok(self.station(n)?.device)).collect::<Result<_>>()?;
        let mut end = End {
            record: Hash::ZERO,
            seen: Seen::nothing(),
            last: vec![Hash::ZERO; STATIONS],
            procedure: writer::procedure_digest(),
        };
        let mut note = Vec::new();
        journal::scan(&RealDisk, &self.log(), journal::Kind::Log, |group| {
            for data in &group.records {
                let entry = rinsebook_proto::entry::Entry::decode(data).map_err(|e| e.to_string())?;
                let fact = Signed::parse(&entry.envelope, MAX_SERVICE_ENVELOPE_BYTES).map_err(|e| e.to_string())?;
                if entry.index == 0 {
                    end.record = fact.hash();
                }
                if let Some(at) = stations.iter().position(|device| *device == fact.header().device) {
                    end.last[at] = fact.hash();
                }
            }
            note.clone_from(&group.end);
            Ok::<_, String>(rinsebook_proto::tree::leaf_hash(group.records.last().expect("a group has entries")).0)
        })?;
        let checkpoint = Checkpoint::read_unverified(std::str::from_utf8(&note)?)?;
        end.seen = Seen { epoch: 1, size: checkpoint.size, root: checkpoint.root };
        Ok(end)
    }
}

impl End {
    /// The pen of a station that begins a run behind this end.
    pub fn pen(&self, fleet: &Fleet, station: usize) -> Result<Pen> {
        let device = fleet.station(station)?.device;
        Ok(Pen::new(self.record, device, self.last[station], self.seen))
    }
}

/// Copies a folder with all that is in it.
pub fn copy(from: &Path, to: &Path) -> Result<()> {
    std::fs::create_dir_all(to)?;
    for entry in std::fs::read_dir(from)? {
        let entry = entry?;
        let target = to.join(entry.file_name());
        if entry.file_type()?.is_dir() {
            copy(&entry.path(), &target)?;
        } else {
            std::fs::copy(entry.path(), target)?;
        }
    }
    Ok(())
}

#[cfg(test)]
mod tests;
