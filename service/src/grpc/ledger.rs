//! Ledger: the log as such.

use std::pin::Pin;
use std::sync::{Arc, RwLock};

use rinsebook_proto::bytes::Hash;
use rinsebook_proto::tree::{BadProof, Tree};
use rinsebook_proto::{RULES_VERSION, v1};
use tokio_stream::Stream;
use tonic::{Request, Response, Status};

use crate::error::CallError;
use crate::identity::Identity;
use crate::log::LogReader;
use crate::query::{Moment, Queries};
use crate::rpc::ledger_server::Ledger;
use crate::witnesses::{Cosigned, Witnesses};

/// Entries in one answer of a stream.
const ENTRIES_A_MESSAGE: u64 = 64;

/// See the module.
#[derive(Clone)]
pub struct LedgerService {
    /// Names and keys.
    pub identity: Arc<Identity>,
    /// Knows the size and the note.
    pub queries: Queries,
    /// Leaf hashes; the sequencer writes them.
    pub tree: Arc<RwLock<Tree>>,
    /// Reads entries.
    pub reader: LogReader,
    /// What others have cosigned.
    pub witnesses: Witnesses,
}

type Entries = Pin<Box<dyn Stream<Item = Result<v1::ReadEntriesResponse, Status>> + Send>>;

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
            epoch: self.identity.epoch,
            log_public_key: self.identity.log_key.verifying_key().as_bytes().to_vec(),
            service_fact_key: self.identity.fact_key.verifying_key().as_bytes().to_vec(),
            service_device: self.identity.device.to_vec(),
            verifier_key: self.identity.verifier_key().to_string(),
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
            Some(Cosigned { note, cosignatures, .. }) => (note, cosignatures),
            None => (self.note(), 0),
        };
        Ok(Response::new(v1::GetCheckpointResponse { checkpoint_note, cosignatures, policy_met }))
    }

    async fn get_inclusion_proof(
        &self,
        request: Request<v1::GetInclusionProofRequest>,
    ) -> Result<Response<v1::GetInclusionProofResponse>, Status> {
        let v1::GetInclusionProofRequest { index, size } = request.into_inner();
        let known = self.queries.view().known();
        let size = self.known_size(size, known.size)?;
        let tree = self.tree.read().expect("the tree's writer does not panic");
        let hashes = tree.inclusion(index, size).map_err(sizes)?;
        let entry_hash = tree.leaf(index).map(Hash::to_vec).unwrap_or_default();
        let hashes = hashes.into_iter().map(Hash::to_vec).collect();
        Ok(Response::new(v1::GetInclusionProofResponse { index, entry_hash, hashes, checkpoint_note: known.note }))
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

    async fn read_entries(&self, request: Request<v1::ReadEntriesRequest>) -> Result<Response<Entries>, Status> {
        let v1::ReadEntriesRequest { from_index, limit } = request.into_inner();
        let size = self.queries.view().known().size;
        let end = if limit == 0 { size } else { from_index.saturating_add(limit).min(size) };
        let reader = self.reader.clone();
        let (answers, stream) = tokio::sync::mpsc::channel(4);
        tokio::task::spawn_blocking(move || {
            let mut first_index = from_index;
            while first_index < end {
                let last = (first_index + ENTRIES_A_MESSAGE).min(end);
                let entries = (first_index..last).map(|i| read_entry(&reader, i)).collect::<Result<_, _>>();
                let answer = entries.map(|entries| v1::ReadEntriesResponse { first_index, entries });
                let failed = answer.is_err();
                if answers.blocking_send(answer).is_err() || failed {
                    return;
                }
                first_index = last;
            }
        });
        Ok(Response::new(Box::pin(tokio_stream::wrappers::ReceiverStream::new(stream))))
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
