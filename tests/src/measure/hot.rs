//! The way of a fact through the service without network and threads: its parts in their order, each callable by itself.
//! For counting what a part allocates, and for timing it alone.

use std::sync::Arc;

use anyhow::Result;
use rinsebook_proto::clock::SystemClock;
use rinsebook_proto::fact::Signed;
use rinsebook_proto::journal::RealDisk;
use rinsebook_proto::v1;
use rinsebook_service::admission::{Candidate, Cut, KnownKeys, check_all};
use rinsebook_service::blobs::Blobs;
use rinsebook_service::desk::{Desk, Peer, Staged};
use rinsebook_service::identity::Identity;
use rinsebook_service::log::Log;
use rinsebook_service::projection::Projection;
use rinsebook_service::recovery;
use rinsebook_service::sequencer::Committed;
use tempfile::TempDir;

use crate::fleet::{Fleet, Pen, Plan, aircraft, procedure_digest, serials, sign_wash};

/// Aircraft that are listed in its log.
const AIRCRAFT: u64 = 64;

/// See the module. One station's pen stands at its end.
pub struct Hot {
    keys: KnownKeys,
    desk: Desk,
    log: Log,
    projection: Projection,
    peer: Peer,
    pen: Pen,
    washes: u64,
    _dir: TempDir,
}

/// A group that was decided and is not written.
pub struct Decided {
    entries: Vec<Staged>,
    note: String,
    previous: rinsebook_proto::bytes::Hash,
}

impl Hot {
    /// On a small log, with as many facts of washes as asked.
    ///
    /// # Errors
    /// When its log cannot be written or opened.
    pub fn new(facts: u64) -> Result<Hot> {
        let dir = tempfile::tempdir_in(super::folder()?)?;
        let fleet = Fleet::in_folder(&dir.path().join("fleet"), facts, AIRCRAFT)?;
        let config = fleet.config();
        let identity = Arc::new(Identity::open(&config)?);
        let (keys, blobs) = (KnownKeys::default(), Blobs::open(&config.data.join("blobs"))?);
        let (disk, clock) = (Arc::new(RealDisk), Arc::new(SystemClock));
        let opened = recovery::open(&config, disk, identity, clock, blobs, keys.clone())?;
        let home = fleet.station(0)?;
        // It has its certificate: none is issued.
        let tls_key_digest = rinsebook_client::enrol::certificate(&home, &config.data)?;
        let pen = fleet.end()?.pen(&fleet, 0)?;
        Ok(Hot {
            keys,
            desk: opened.desk,
            log: opened.log,
            projection: opened.projection,
            peer: Peer { device: Some(home.device), tls_key_digest },
            pen,
            washes: 0,
            _dir: dir,
        })
    }

    /// A wash's facts, signed, as an intake message holds them.
    pub fn message(&mut self) -> Vec<v1::IntakeItem> {
        self.washes += 1;
        let number = AIRCRAFT - 1 - self.washes % (AIRCRAFT / 2);
        let plan = Plan {
            aircraft: aircraft(number),
            wash: rinsebook_proto::bytes::Id::random(),
            serials: serials(number),
            procedure: procedure_digest(),
            opened_ms: crate::fleet::now_ms() - 8 * 3_600_000,
            left: false,
        };
        let item = |fact: &Signed| v1::IntakeItem {
            run: fact.header().run.to_vec(),
            counter: fact.header().counter,
            envelope: fact.bytes().to_vec(),
        };
        sign_wash(&mut self.pen, &plan).iter().map(item).collect()
    }

    /// Admission: form and signature of each.
    ///
    /// # Errors
    /// When the message cannot be one of a device.
    pub fn check(&self, items: Vec<v1::IntakeItem>) -> Result<Vec<Candidate>> {
        Ok(check_all(items, &self.keys, Cut::ForAllCores)?)
    }

    /// The desk: each judged in order, the group closed with the log's signature.
    ///
    /// # Errors
    /// When the log's key is not there.
    pub fn judge(&mut self, candidates: Vec<Candidate>) -> Result<Decided> {
        let previous = self.desk.last_hash();
        for candidate in candidates {
            let outcome = self.desk.judge(&self.peer, candidate);
            let admitted = matches!(outcome.result, Some(v1::outcome::Result::Admitted(_)));
            anyhow::ensure!(admitted, "a fact was not admitted: {outcome:?}");
        }
        let (entries, note) = self.desk.close_group()?;
        Ok(Decided { entries, note, previous })
    }

    /// The log: framed, written, synced.
    ///
    /// # Errors
    /// When the disk fails.
    pub fn write(&mut self, decided: Decided) -> Result<Committed> {
        let placed = self.log.append(&decided.entries, decided.previous, &decided.note)?;
        self.desk.written();
        Ok(Committed { entries: decided.entries, placed, note: decided.note })
    }

    /// The projection: each taken into the history.
    pub fn project(&mut self, committed: Committed) {
        self.projection.apply(committed);
    }
}
