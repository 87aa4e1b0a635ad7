//! Records: what was recorded.

use std::time::Duration;

use rinsebook_proto::bytes::Id;
use rinsebook_proto::fact::{BlobNamed, Subject};
use rinsebook_proto::rules::{History, lists};
use rinsebook_proto::v1;
use tonic::{Request, Response, Status};

use super::told::{Told, telling};
use crate::error::CallError;
use crate::log::LogReader;
use crate::packs::Packs;
use crate::query::{Moment, Queries, hash, id, page};
use crate::rpc::records_server::Records;

/// See the module.
#[derive(Clone)]
pub struct RecordsService {
    /// Answers questions.
    pub queries: Queries,
    /// Reads entries, for their hashes.
    pub reader: LogReader,
    /// Gives packs out.
    pub packs: Packs,
    /// Who does not read for so long is dropped.
    pub reader_wait: Duration,
}

type PackPieces = Told<v1::IssuePackResponse>;

/// Bytes of a pack in one answer of a stream.
const PACK_BYTES_A_MESSAGE: usize = 64 << 10;

fn at_least(size: u64) -> Moment {
    Moment { at_least_size: size, ..Moment::default() }
}

#[tonic::async_trait]
impl Records for RecordsService {
    type IssuePackStream = PackPieces;

    async fn list_aircraft(
        &self,
        request: Request<v1::ListAircraftRequest>,
    ) -> Result<Response<v1::ListAircraftResponse>, Status> {
        let request = request.into_inner();
        let as_of = self.queries.settle(at_least(request.at_least_size)).await?;
        let history = self.queries.view().history();
        let known: Vec<Id> = history.aircraft().collect();
        let list = known.iter().map(|aircraft| (aircraft.to_vec(), lists::aircraft(&history, aircraft, as_of.size)));
        let (aircraft, next_page_token) = page(list, request.page_size, &request.page_token)?;
        let as_of = Some(self.queries.as_of(as_of));
        Ok(Response::new(v1::ListAircraftResponse { aircraft, as_of, next_page_token }))
    }

    async fn list_washes(
        &self,
        request: Request<v1::ListWashesRequest>,
    ) -> Result<Response<v1::ListWashesResponse>, Status> {
        let request = request.into_inner();
        let as_of = self.queries.settle(at_least(request.at_least_size)).await?;
        let history = self.queries.view().history();
        let asked: Vec<Id> = if request.aircraft.is_empty() {
            history.aircraft().collect()
        } else {
            Some(id(&request.aircraft, "aircraft")?).filter(|one| history.knows_aircraft(one)).into_iter().collect()
        };
        let washes = asked.iter().flat_map(|aircraft| lists::washes(&history, aircraft, as_of.size, as_of.time_ms));
        let mut list: Vec<(Vec<u8>, v1::Wash)> = washes.map(|wash| (wash.wash.clone(), wash)).collect();
        list.sort_by(|a, b| a.0.cmp(&b.0));
        let (washes, next_page_token) = page(list.into_iter(), request.page_size, &request.page_token)?;
        let as_of = Some(self.queries.as_of(as_of));
        Ok(Response::new(v1::ListWashesResponse { washes, as_of, next_page_token }))
    }

    async fn list_facts(
        &self,
        request: Request<v1::ListFactsRequest>,
    ) -> Result<Response<v1::ListFactsResponse>, Status> {
        let request = request.into_inner();
        let as_of = self.queries.settle(at_least(request.at_least_size)).await?;
        let subject = match (request.aircraft.is_empty(), request.wash.is_empty()) {
            (_, false) => Subject::Wash(id(&request.wash, "wash")?),
            (false, true) => Subject::Aircraft(id(&request.aircraft, "aircraft")?),
            (true, true) => {
                let why = "name an aircraft or a wash".to_owned();
                return Err(CallError::Field { field: "wash", why }.into());
            }
        };
        let history = self.queries.view().history();
        let indices = history.facts_of(&subject).iter().copied().filter(|index| *index < as_of.size);
        let list = indices.map(|index| (index.to_be_bytes().to_vec(), index));
        let (indices, next_page_token) = page(list, request.page_size, &request.page_token)?;
        let facts = indices.iter().filter_map(|index| self.fact(&history, *index, as_of.size)).collect();
        let as_of = Some(self.queries.as_of(as_of));
        Ok(Response::new(v1::ListFactsResponse { facts, as_of, next_page_token }))
    }

    async fn get_fact(&self, request: Request<v1::GetFactRequest>) -> Result<Response<v1::GetFactResponse>, Status> {
        let as_of = self.queries.settle(Moment::default()).await?;
        let history = self.queries.view().history();
        let (index, name) = match request.into_inner().by {
            Some(v1::get_fact_request::By::Index(index)) => (Some(index), index.to_string()),
            Some(v1::get_fact_request::By::EnvelopeHash(bytes)) => {
                let wanted = hash(&bytes, "envelope_hash")?;
                (history.by_hash(&wanted), wanted.to_string())
            }
            None => return Err(CallError::Field { field: "by", why: "name an index or a hash".to_owned() }.into()),
        };
        let fact = index.and_then(|index| self.fact(&history, index, as_of.size));
        let fact = fact.ok_or(CallError::NotFound { what: "fact", name })?;
        let as_of = Some(self.queries.as_of(as_of));
        Ok(Response::new(v1::GetFactResponse { fact: Some(fact), as_of }))
    }

    async fn get_blob(&self, request: Request<v1::GetBlobRequest>) -> Result<Response<v1::GetBlobResponse>, Status> {
        let request = request.into_inner();
        let digest = hash(&request.digest, "digest")?;
        let blobs = self.queries.blobs().clone();
        let read = move || match request.salted {
            Some(true) => blobs.read_as(BlobNamed::Annex(digest)),
            Some(false) => blobs.read_as(BlobNamed::Attachment(digest)),
            None => blobs.read(&digest),
        };
        let blob = tokio::task::spawn_blocking(read).await.map_err(|_| CallError::Stopping)?;
        let blob = blob.ok_or_else(|| match self.queries.blobs().erased(&digest) {
            Some(erasure) => CallError::erased(&erasure),
            None => CallError::NotFound { what: "blob", name: digest.to_string() },
        })?;
        Ok(Response::new(v1::GetBlobResponse { salt: blob.salt, content: blob.content }))
    }

    async fn issue_pack(&self, request: Request<v1::IssuePackRequest>) -> Result<Response<PackPieces>, Status> {
        let pack = self.packs.issue(request.into_inner()).await?;
        let (pieces, stream) = telling(4, self.reader_wait);
        tokio::spawn(async move {
            for piece in pack.chunks(PACK_BYTES_A_MESSAGE) {
                // Whoever asked has gone, or does not read: nothing is lost, the pack can be asked for again.
                let piece = v1::IssuePackResponse { content: piece.to_vec() };
                if !pieces.tell(Ok(piece)).await {
                    return;
                }
            }
        });
        Ok(Response::new(stream))
    }
}

impl RecordsService {
    fn fact(&self, history: &History, index: u64, size: u64) -> Option<v1::RecordedFact> {
        let recorded = history.recorded(index)?;
        let entry = self.reader.read(index).ok().flatten();
        Some(v1::RecordedFact {
            entry_hash: entry.map(|data| rinsebook_proto::tree::leaf_hash(&data).to_vec()).unwrap_or_default(),
            ..lists::recorded_fact(history, recorded, size)
        })
    }
}
