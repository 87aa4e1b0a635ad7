//! Ledger: the log as such.

use std::path::PathBuf;
use std::sync::{Arc, RwLock};
use std::time::Duration;

use rinsebook_proto::bytes::Hash;
use rinsebook_proto::fact::Subject;
use rinsebook_proto::note::Checkpoint;
use rinsebook_proto::tree::{BadProof, Tree};
use rinsebook_proto::{RULES_VERSION, v1};
use tonic::{Request, Response, Status};

use super::told::{Told, telling};
use crate::audits::{Audit, Audits, HandedIn};
use crate::error::{CallError, ServiceError};
use crate::identity::Identity;
use crate::log::LogReader;
use crate::query::{Moment, Queries};
use crate::rpc::ledger_server::Ledger;
use crate::signing::Signing;
use crate::standstill::Standstill;
use crate::witnesses::{Cosigned, Witnesses};

/// Entries in one answer of a stream.
const ENTRIES_A_MESSAGE: usize = 64;

/// See the module.
#[derive(Clone)]
pub struct LedgerService {
    /// Names and keys.
    pub identity: Arc<Identity>,
    /// The log's signature.
    pub signing: Signing,
    /// Where it is written why nothing is recorded.
    pub data: PathBuf,
    /// Knows the size and the note.
    pub queries: Queries,
    /// Leaf hashes; the sequencer writes them.
    pub tree: Arc<RwLock<Tree>>,
    /// Reads entries.
    pub reader: LogReader,
    /// What others have cosigned.
    pub witnesses: Witnesses,
    /// What auditors have cosigned, and handed in.
    pub audits: Audits,
    /// Who does not read for so long is dropped.
    pub reader_wait: Duration,
}

type Entries = Told<v1::ReadEntriesResponse>;

#[tonic::async_trait]
impl Ledger for LedgerService {
    type ReadEntriesStream = Entries;

    async fn get_identity(
        &self,
        _: Request<v1::GetIdentityRequest>,
    ) -> Result<Response<v1::GetIdentityResponse>, Status> {
        let record = self.queries.view().history().recorded(0).map(|founding| founding.fact.hash());
        Ok(Response::new(v1::GetIdentityResponse {
            record: record.map(Hash::to_vec).unwrap_or_default(),
            origin_name: self.identity.origin_name.clone(),
            epoch: self.signing.epoch(),
            log_public_key: self.signing.verifier_key().key().as_bytes().to_vec(),
            service_fact_key: self.identity.fact_key.verifying_key().as_bytes().to_vec(),
            service_device: self.identity.device.to_vec(),
            verifier_key: self.signing.verifier_key().to_string(),
            rules_version: RULES_VERSION,
            service_time_ms: self.queries.now_ms(),
        }))
    }

    async fn get_checkpoint(
        &self,
        request: Request<v1::GetCheckpointRequest>,
    ) -> Result<Response<v1::GetCheckpointResponse>, Status> {
        let v1::GetCheckpointRequest { at_least_size, cosigned } = request.into_inner();
        self.reach(at_least_size).await?;
        let by_witnesses = self.witnesses.cosigned(self.queries.now_ms());
        let policy_met = by_witnesses.as_ref().is_some_and(|shown| shown.policy_met);
        let (checkpoint_note, cosignatures) = match by_witnesses.filter(|_| cosigned) {
            Some(Cosigned { note, by, .. }) => (note, u32::try_from(by.len()).unwrap_or(u32::MAX)),
            None => (self.note(), 0),
        };
        Ok(Response::new(v1::GetCheckpointResponse { checkpoint_note, cosignatures, policy_met }))
    }

    async fn get_inclusion_proof(
        &self,
        request: Request<v1::GetInclusionProofRequest>,
    ) -> Result<Response<v1::GetInclusionProofResponse>, Status> {
        let v1::GetInclusionProofRequest { index, size, cosigned } = request.into_inner();
        let known = self.queries.view().known();
        let (size, checkpoint_note) = match self.cosigned_beyond(index).filter(|_| cosigned) {
            Some(cosigned) => cosigned,
            None => (self.known_size(size, known.size)?, known.note),
        };
        let reader = self.reader.clone();
        let (hashes, entry_hash) = {
            let tree = self.tree.read().expect("the tree's writer does not panic");
            let hashes = tree.inclusion(index, size).map_err(sizes)?;
            (hashes, tree.leaf(index).map(Hash::to_vec).unwrap_or_default())
        };
        let entry = crate::work::blocking(move || read_entry(&reader, index));
        let entry = entry.await.map_err(|_| CallError::Stopping)??;
        let hashes = hashes.into_iter().map(Hash::to_vec).collect();
        Ok(Response::new(v1::GetInclusionProofResponse { index, entry_hash, hashes, checkpoint_note, entry }))
    }

    async fn get_consistency_proof(
        &self,
        request: Request<v1::GetConsistencyProofRequest>,
    ) -> Result<Response<v1::GetConsistencyProofResponse>, Status> {
        let v1::GetConsistencyProofRequest { old_size, new_size } = request.into_inner();
        let known = self.queries.view().known();
        let new_size = self.known_size(new_size, known.size)?;
        let tree = self.tree.read().expect("the tree's writer does not panic");
        let hashes = tree.consistency(old_size, new_size).map_err(sizes)?;
        let hashes = hashes.into_iter().map(Hash::to_vec).collect();
        Ok(Response::new(v1::GetConsistencyProofResponse { hashes, checkpoint_note: known.note }))
    }

    async fn prepare_log_key(
        &self,
        _: Request<v1::PrepareLogKeyRequest>,
    ) -> Result<Response<v1::PrepareLogKeyResponse>, Status> {
        let note = self.note();
        let checkpoint = Checkpoint::read_unverified(&note).map_err(|_| CallError::NotFounded)?;
        let failed = |error: ServiceError| {
            tracing::error!(%error, "the next log key cannot be made");
            Status::internal("the service could not make its next log key; its log says why")
        };
        let old = self.signing.verifier_key();
        let (next, checkpoint_note) = self.signing.prepare(&checkpoint).map_err(failed)?;
        let standstill = Standstill::open(&self.data).map_err(failed)?;
        Ok(Response::new(v1::PrepareLogKeyResponse {
            old_public_key: old.key().as_bytes().to_vec(),
            new_public_key: next.key().as_bytes().to_vec(),
            checkpoint_note,
            epoch: self.signing.epoch(),
            size: checkpoint.size,
            root: checkpoint.root.to_vec(),
            not_recording: standstill.why().unwrap_or_default().to_owned(),
        }))
    }

    async fn hand_in_audit(
        &self,
        request: Request<v1::HandInAuditRequest>,
    ) -> Result<Response<v1::HandInAuditResponse>, Status> {
        let note = request.into_inner().cosigned_note;
        let (audits, known, now_ms) = (self.audits.clone(), self.queries.view().known().size, self.queries.now_ms());
        let taken = crate::work::blocking(move || audits.hand_in(&note, known, now_ms));
        let taken = taken.await.map_err(|_| CallError::Stopping)??;
        let told = |HandedIn { audit: Audit { auditor, size, unix_seconds }, newest }| v1::HandedInAudit {
            auditor,
            size,
            cosigned_ms: unix_seconds.saturating_mul(1000),
            newest,
        };
        Ok(Response::new(v1::HandInAuditResponse { audits: taken.into_iter().map(told).collect() }))
    }

    async fn read_entries(&self, request: Request<v1::ReadEntriesRequest>) -> Result<Response<Entries>, Status> {
        let v1::ReadEntriesRequest { from_index, limit, roster_only } = request.into_inner();
        let size = self.queries.view().known().size;
        let end = if limit == 0 { size } else { from_index.saturating_add(limit).min(size) };
        let reader = self.reader.clone();
        let (answers, stream) = telling(4, self.reader_wait);
        let mut indices: Box<dyn Iterator<Item = u64> + Send> = Box::new(from_index..end);
        if roster_only {
            let about = self.queries.view().history().facts_of(&Subject::Roster).to_vec();
            indices = Box::new(about.into_iter().filter(move |index| (from_index..end).contains(index)));
        }
        tokio::spawn(async move {
            loop {
                let some: Vec<u64> = indices.by_ref().take(ENTRIES_A_MESSAGE).collect();
                let Some(first_index) = some.first().copied() else { return };
                let reader = reader.clone();
                // A thread reads, and is free again while whoever asked takes what was read.
                let read = move || some.into_iter().map(|index| read_entry(&reader, index)).collect::<Result<_, _>>();
                let Ok(entries) = tokio::task::spawn_blocking(read).await else { return };
                let answer = entries.map(|entries| v1::ReadEntriesResponse { first_index, entries });
                let failed = answer.is_err();
                if !answers.tell(answer).await || failed {
                    return;
                }
            }
        });
        Ok(Response::new(stream))
    }
}

impl LedgerService {
    async fn reach(&self, at_least_size: u64) -> Result<(), CallError> {
        self.queries.settle(Moment { at_least_size, ..Moment::default() }).await.map(|_| ())
    }

    /// The tree runs ahead of what is synced: nothing beyond the known size is spoken of.
    fn known_size(&self, asked: u64, known: u64) -> Result<u64, CallError> {
        match asked {
            0 => Ok(known),
            size if size <= known => Ok(size),
            _ => Err(CallError::Field { field: "size", why: format!("the log has {known} entries") }),
        }
    }

    /// The cosigned checkpoint, where there is one that covers the entry: size and note.
    fn cosigned_beyond(&self, index: u64) -> Option<(u64, String)> {
        let note = self.witnesses.cosigned(self.queries.now_ms())?.note;
        let size = Checkpoint::read_unverified(&note).ok()?.size;
        (index < size).then_some((size, note))
    }

    fn note(&self) -> String {
        self.queries.view().known().note
    }
}

fn read_entry(reader: &LogReader, index: u64) -> Result<Vec<u8>, Status> {
    match reader.read(index) {
        Ok(Some(entry)) => Ok(entry),
        Ok(None) => Err(CallError::NotFound { what: "entry", name: index.to_string() }.into()),
        Err(error) => {
            tracing::error!(index, %error, "an entry cannot be read back");
            Err(Status::data_loss(format!("entry {index} cannot be read back: {error}; verify the log folder")))
        }
    }
}

fn sizes(error: BadProof) -> CallError {
    CallError::Field { field: "size", why: error.to_string() }
}
