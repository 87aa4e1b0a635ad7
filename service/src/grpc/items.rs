//! OpenItems: what is open, and what stands in the way.

use std::sync::Arc;
use std::time::Duration;

use rinsebook_proto::bytes::Id;
use rinsebook_proto::v1;
use tokio::sync::mpsc;
use tokio_stream::wrappers::ReceiverStream;
use tonic::{Request, Response, Status};

use crate::caller::Caller;
use crate::error::CallError;
use crate::query::{AsOf, Moment, Queries, after, id, page};
use crate::rpc::open_items_server::OpenItems;
use crate::tokens::TokenError;
use crate::watch::watch;

/// See the module.
#[derive(Clone)]
pub struct ItemsService {
    /// Answers questions.
    pub queries: Queries,
    /// A watcher who does not read for so long is dropped.
    pub reader_wait: Duration,
}

type Answer = Result<v1::WatchItemsResponse, Status>;
type Watched = ReceiverStream<Answer>;

#[tonic::async_trait]
impl OpenItems for ItemsService {
    type WatchItemsStream = Watched;

    async fn list_items(
        &self,
        request: Request<v1::ListItemsRequest>,
    ) -> Result<Response<v1::ListItemsResponse>, Status> {
        let request = request.into_inner();
        let moment =
            Moment { at_least_size: request.at_least_size, at_size: request.at_size, at_time_ms: request.at_time_ms };
        let as_of = self.queries.settle(moment).await?;
        let (aircraft, next_page_token) = if request.aircraft.is_empty() {
            let queries = self.queries.clone();
            let listing = tokio::task::spawn_blocking(move || {
                let all: Vec<Id> = queries.view().history().aircraft().collect();
                listed(&queries, &all, as_of, &request)
            });
            listing.await.map_err(|_| CallError::Stopping)??
        } else {
            let one = id(&request.aircraft, "aircraft")?;
            if !self.queries.view().history().knows_aircraft(&one) {
                return Err(CallError::NotFound { what: "aircraft", name: one.to_string() }.into());
            }
            listed(&self.queries, &[one], as_of, &request)?
        };
        let as_of = Some(self.queries.as_of(as_of));
        Ok(Response::new(v1::ListItemsResponse { aircraft, as_of, next_page_token }))
    }

    async fn watch_items(&self, request: Request<v1::WatchItemsRequest>) -> Result<Response<Watched>, Status> {
        let caller = Caller::of(request.extensions());
        let answers = watch(self.queries.clone(), request.into_inner(), self.reader_wait).await?;
        // A device was let in by its certificate, which the log judges; a person alone by a token that ends.
        let answers = match (caller.device, caller.person) {
            (None, Some(person)) => {
                let left_ms = person.expires_ms.saturating_sub(self.queries.now_ms());
                until_expired(answers, Duration::from_millis(left_ms), self.reader_wait)
            }
            _ => answers,
        };
        Ok(Response::new(ReceiverStream::new(answers)))
    }

    async fn assess(&self, request: Request<v1::AssessRequest>) -> Result<Response<v1::AssessResponse>, Status> {
        let caller = Caller::of(request.extensions());
        let request = request.into_inner();
        let moment =
            Moment { at_least_size: request.at_least_size, at_size: request.at_size, at_time_ms: request.at_time_ms };
        let as_of = self.queries.settle(moment).await?;
        let aircraft = id(&request.aircraft, "aircraft")?;
        let assessment = self.queries.assess(aircraft, as_of, &request)?;
        let recorded_as = match request.record {
            true => Some(self.queries.record_answer(aircraft, &assessment, caller.asked_by()).await?),
            false => None,
        };
        Ok(Response::new(v1::AssessResponse { assessment: Some(assessment), recorded_as }))
    }
}

/// A page of those that have something open, of these aircraft in the order of their ids.
fn listed(
    queries: &Queries,
    asked: &[Id],
    as_of: AsOf,
    request: &v1::ListItemsRequest,
) -> Result<(Vec<v1::AircraftItems>, String), CallError> {
    // Nothing is derived for a page that was given before.
    let after = after(&request.page_token)?;
    let rest = asked.iter().filter(|aircraft| aircraft.as_ref() > after.as_slice());
    // The history is let go between two aircraft: recording waits for no reader of the fleet.
    let items = |aircraft: &Id| queries.items(&queries.view().history(), aircraft, as_of);
    let open = rest.filter_map(|aircraft| Some((aircraft.to_vec(), items(aircraft)?)));
    let (aircraft, next) = page(open, request.page_size, &request.page_token)?;
    Ok((aircraft.into_iter().map(Arc::unwrap_or_clone).collect(), next))
}

/// The answers of a watch for as long as its token is good; then the reason why no more come.
fn until_expired(mut answers: mpsc::Receiver<Answer>, left: Duration, reader_wait: Duration) -> mpsc::Receiver<Answer> {
    let (told, telling) = mpsc::channel(1);
    tokio::spawn(async move {
        let expired = tokio::time::sleep(left);
        tokio::pin!(expired);
        loop {
            let answer = tokio::select! {
                () = &mut expired => Some(Err(CallError::Token(TokenError::Expired).into())),
                answer = answers.recv() => answer,
                () = told.closed() => None,
            };
            let Some(answer) = answer else { return };
            let last = answer.is_err();
            if told.send_timeout(answer, reader_wait).await.is_err() || last {
                return;
            }
        }
    });
    telling
}
