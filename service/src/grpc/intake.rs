//! Intake: one stream a device.

mod room;

use std::pin::Pin;
use std::sync::Arc;

use axum_server::tls::TlsInfo;
use prost::Message;
use rinsebook_proto::bytes::Id;
use rinsebook_proto::fact::{Envelope, MAX_ENVELOPE_BYTES, REPORT_TYPE};
use rinsebook_proto::v1::{self, deliver_request, deliver_response};
use tokio::sync::{mpsc, oneshot};
use tokio_stream::wrappers::ReceiverStream;
use tokio_stream::{Stream, StreamExt};
use tonic::{Request, Response, Status, Streaming};

use crate::admission::Checks;
use crate::authority::tls_key_digest;
use crate::blobs::{Blob, Blobs};
use crate::desk::Peer;
use crate::error::CallError;
use crate::projection::View;
use crate::rpc::intake_server::Intake;
use crate::sequencer::{Command, Reply, Sequencer};
use crate::work;
pub use room::Room;
use room::{Held, StreamRoom};

/// Messages of one stream that may be on their way to the log at once.
const IN_FLIGHT: usize = 16;
/// Facts of one message, at the most: a group of the log takes as many.
const MAX_FACTS: usize = 1024;
/// Blobs of one message, at the most: each is synced by itself.
const MAX_BLOBS: usize = 64;
/// The most lost ranges that one report may name.
const MAX_LOST_RANGES: usize = 8;

/// See the module.
#[derive(Clone)]
pub struct IntakeService {
    /// Checks what comes.
    pub checks: Checks,
    /// Keeps what facts name.
    pub blobs: Blobs,
    /// Decides and writes.
    pub sequencer: Sequencer,
    /// Knows the devices.
    pub view: View,
    /// Has room for so much.
    pub room: Room,
}

/// What is made of a message; the end of the stream that answers waits for it.
type Answer = oneshot::Receiver<Result<Taken, CallError>>;
type Answers = Pin<Box<dyn Stream<Item = Result<v1::DeliverResponse, Status>> + Send>>;

#[tonic::async_trait]
impl Intake for IntakeService {
    type DeliverStream = Answers;

    async fn deliver(&self, request: Request<Streaming<v1::DeliverRequest>>) -> Result<Response<Answers>, Status> {
        let peer = self.peer(&request)?;
        let room = self.room.stream(peer.tls_key_digest)?;
        let messages = request.into_inner();
        // Answers leave in the order of the messages; a full channel stops reading, which is the back-pressure.
        let (answers, waiting) = mpsc::channel::<Answer>(IN_FLIGHT);
        tokio::spawn(Arc::new(self.clone()).read(peer, messages, answers, room));
        let stream = ReceiverStream::new(waiting).then(|answer| async {
            let taken = answer.await.unwrap_or(Err(CallError::Stopping))?;
            Ok(v1::DeliverResponse { message: Some(taken.answered().await?) })
        });
        Ok(Response::new(Box::pin(stream)))
    }
}

impl IntakeService {
    /// Who calls: an enrolled device, or anyone with a certificate of ours while the record is not founded.
    fn peer<T>(&self, request: &Request<T>) -> Result<Peer, CallError> {
        let tls = request.extensions().get::<Arc<TlsInfo>>();
        let certificate = tls.and_then(|info| info.peer_certificates.first()).ok_or(CallError::NoCertificate)?;
        let tls_key_digest = tls_key_digest(certificate).ok_or(CallError::UnknownCertificate)?;
        let history = self.view.history();
        let device = history.roster().device_by_tls_key(&tls_key_digest);
        if device.is_none() && history.size() > 0 {
            tracing::warn!(%tls_key_digest, "intake refused: no enrolled device has this certificate");
            return Err(CallError::UnknownCertificate);
        }
        Ok(Peer { device, tls_key_digest })
    }

    /// Reads a stream to its end: the station's, or when it brings nothing or reads nothing for too long.
    async fn read(
        self: Arc<Self>,
        peer: Peer,
        mut messages: Streaming<v1::DeliverRequest>,
        answers: mpsc::Sender<Answer>,
        room: StreamRoom,
    ) {
        while let Ok(Some(message)) = tokio::time::timeout(self.room.message_wait(), messages.next()).await {
            let (reply, answer) = oneshot::channel();
            // The station has gone, or does not read: what is not read here yet it will send again.
            if answers.send_timeout(answer, self.room.reader_wait()).await.is_err() {
                return;
            }
            let result = match message {
                Ok(message) => self.take(peer, message, reply, &room).await,
                Err(status) => {
                    tracing::info!(%status, "an intake stream broke");
                    // Whoever broke off hears nothing; whoever sent too large a message does.
                    let _ = reply.send(Err(CallError::Field { field: "message", why: status.message().to_owned() }));
                    return;
                }
            };
            if result.is_err() {
                return;
            }
        }
    }

    /// Takes one message; its answer comes by `reply`. An error ends the stream after that answer.
    async fn take(
        self: &Arc<Self>,
        peer: Peer,
        message: v1::DeliverRequest,
        reply: oneshot::Sender<Result<Taken, CallError>>,
        room: &StreamRoom,
    ) -> Result<(), ()> {
        let taken = self.taken(peer, message, room).await;
        let goes_on = taken.is_ok();
        // Where nobody waits for the answer any more, nothing more will be sent.
        let heard = reply.send(taken).is_ok();
        if goes_on && heard { Ok(()) } else { Err(()) }
    }

    async fn taken(&self, peer: Peer, message: v1::DeliverRequest, room: &StreamRoom) -> Result<Taken, CallError> {
        let held = room.take(bounded(&message)?, message.encoded_len()).await?;
        match message.message {
            Some(deliver_request::Message::Hello(hello)) => self.hello(peer, hello, held).await,
            Some(deliver_request::Message::Blobs(blobs)) => self.keep(blobs, held).await,
            Some(deliver_request::Message::Facts(facts)) => self.facts(peer, facts, held).await,
            None => Err(CallError::Field { field: "message", why: "it is empty".to_owned() }),
        }
    }

    async fn hello(&self, peer: Peer, hello: v1::Hello, held: Held) -> Result<Taken, CallError> {
        // The device may have been enrolled a moment ago.
        self.view.caught_up().await;
        let report = self.checked_report(&peer, &hello.report)?;
        let (reply, standing) = Reply::new();
        let reply = reply.holding(held);
        self.sequencer.send(Command::Report { peer, envelope: hello.report, report: Box::new(report), reply }).await?;
        Ok(Taken::Standing(standing))
    }

    fn checked_report(&self, peer: &Peer, bytes: &[u8]) -> Result<v1::Report, CallError> {
        let bad = |why: &str| CallError::Field { field: "hello.report", why: why.to_owned() };
        let envelope = Envelope::parse(bytes, REPORT_TYPE, MAX_ENVELOPE_BYTES).map_err(|e| bad(&e.to_string()))?;
        let report = v1::Report::decode(envelope.payload()).map_err(|_| bad("it does not decode"))?;
        if report.encode_to_vec() != envelope.payload() {
            return Err(bad("it is not in the exact form"));
        }
        if report.lost.len() > MAX_LOST_RANGES {
            return Err(bad("it names more than 8 lost ranges; send the others in a later report"));
        }
        let Some(device) = peer.device else { return Ok(report) };
        if Id::from_slice(&report.device) != Some(device) {
            tracing::warn!(%device, "a report in another device's name was refused");
            return Err(CallError::OtherDevice);
        }
        let history = self.view.history();
        let enrolled = history.roster().device(&device, history.size());
        let report_key = enrolled.and_then(|d| d.report_key).ok_or(CallError::UnknownCertificate)?;
        if !envelope.verifies(&report_key) {
            return Err(bad("its signature does not hold under the device's report key"));
        }
        Ok(report)
    }

    async fn keep(&self, blobs: v1::Blobs, held: Held) -> Result<Taken, CallError> {
        let store = self.blobs.clone();
        let kept = work::blocking(move || {
            let mut kept = v1::BlobsKept::default();
            for blob in blobs.blobs {
                match store.keep(&Blob { salt: blob.salt, content: blob.content }) {
                    Ok(digest) => kept.digests.push(digest.to_vec()),
                    // No reason to end the stream: what names it is taken without it, and what follows has to come.
                    Err(CallError::Erased { digest, .. }) => kept.erased_digests.push(digest.to_vec()),
                    Err(error) => return Err(error),
                }
            }
            Ok(kept)
        });
        let kept = kept.await.map_err(|_| CallError::Stopping)??;
        drop(held);
        Ok(Taken::Now(deliver_response::Message::BlobsKept(kept)))
    }

    async fn facts(&self, peer: Peer, facts: v1::Facts, held: Held) -> Result<Taken, CallError> {
        let candidates = self.checks.of(facts.items).await?;
        let (reply, outcomes) = Reply::new();
        self.sequencer.send(Command::Facts { peer, candidates, reply: reply.holding(held) }).await?;
        Ok(Taken::Outcomes(outcomes))
    }
}

/// How many facts, blobs or reports a message holds, where that is no more than one message may.
fn bounded(message: &v1::DeliverRequest) -> Result<usize, CallError> {
    let (field, count, most) = match &message.message {
        Some(deliver_request::Message::Facts(facts)) => ("facts.items", facts.items.len(), MAX_FACTS),
        Some(deliver_request::Message::Blobs(blobs)) => ("blobs.blobs", blobs.blobs.len(), MAX_BLOBS),
        Some(deliver_request::Message::Hello(_)) | None => ("message", 1, 1),
    };
    if count > most {
        return Err(CallError::Field { field, why: format!("{count} in one message are more than {most}") });
    }
    Ok(count)
}

/// A message taken: answered at once, or when the sequencer has answered.
enum Taken {
    Now(deliver_response::Message),
    Standing(oneshot::Receiver<Result<v1::Standing, CallError>>),
    Outcomes(oneshot::Receiver<Result<v1::Outcomes, CallError>>),
}

impl Taken {
    /// The answer, once the sequencer has given it.
    async fn answered(self) -> Result<deliver_response::Message, CallError> {
        match self {
            Taken::Now(message) => Ok(message),
            Taken::Standing(standing) => {
                standing.await.unwrap_or(Err(CallError::Stopping)).map(deliver_response::Message::Standing)
            }
            Taken::Outcomes(outcomes) => {
                outcomes.await.unwrap_or(Err(CallError::Stopping)).map(deliver_response::Message::Outcomes)
            }
        }
    }
}
