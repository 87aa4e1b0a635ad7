//! Stations with facts that are signed already: what they cost is not in any figure, and they come as fast as they are
//! taken.

use std::time::Instant;

use anyhow::{Context, Result, ensure};
use rinsebook_client::remote::Channel;
use rinsebook_client::rpc::intake_client::IntakeClient;
use rinsebook_proto::fact::Signed;
use rinsebook_proto::key::VerifyingKey;
use rinsebook_proto::v1::{self, deliver_request, deliver_response, outcome};
use tokio::sync::mpsc;
use tokio_stream::wrappers::ReceiverStream;
use tonic::Streaming;

use super::server::Server;
use crate::fleet::{Fleet, Hand, Plan, aircraft, now_ms, procedure_digest, serials, sign_wash};

/// Facts in one message, as the station's own program sends them.
pub(super) const FACTS_A_MESSAGE: usize = 64;
/// Messages of a station on their way at once.
pub(super) const IN_FLIGHT: usize = 8;

/// Facts of one station, in order.
pub(super) struct Signature {
    /// The facts.
    pub(super) facts: Vec<Signed>,
}

/// Washes signed at each of these stations on this log, at least so many facts in all, nothing sent yet. Each station goes
/// from aircraft to aircraft.
pub(super) fn presigned(fleet: &Fleet, stations: usize, facts: usize) -> Result<Vec<Signature>> {
    let end = fleet.end()?;
    let pens = (0..stations).map(|station| end.pen(fleet, station)).collect::<Result<Vec<_>>>()?;
    std::thread::scope(|scope| {
        let signing = pens.into_iter().enumerate().map(|(station, mut pen)| {
            scope.spawn(move || {
                let mut signed = Vec::with_capacity(facts / stations + 100);
                let mut number = 2000 + station as u64;
                while signed.len() * stations < facts {
                    let plan = Plan {
                        aircraft: aircraft(number),
                        wash: rinsebook_proto::bytes::Id::random(),
                        serials: serials(number),
                        procedure: procedure_digest(),
                        opened_ms: now_ms() - 3 * 3_600_000,
                        left: false,
                    };
                    signed.extend(sign_wash(&mut pen, &plan));
                    number += stations as u64;
                }
                Signature { facts: signed }
            })
        });
        let signing: Vec<_> = signing.collect();
        Ok(signing.into_iter().map(|signed| signed.join().expect("signing does not panic")).collect())
    })
}

/// The key that signed a fact of these.
pub(super) fn key_of(fact: &Signed) -> VerifyingKey {
    let hands = [Hand::Technician, Hand::Inspector, Hand::Certifier].map(|hand| hand.key().verifying_key());
    let author = fact.header().author_key;
    hands.into_iter().find(|key| rinsebook_proto::key::key_id(key) == author).expect("one of three signed it")
}

/// Facts as one message.
pub(super) fn message(facts: &[Signed]) -> v1::DeliverRequest {
    let item = |fact: &Signed| v1::IntakeItem {
        run: fact.header().run.to_vec(),
        counter: fact.header().counter,
        envelope: fact.bytes().to_vec(),
    };
    let facts = v1::Facts { items: facts.iter().map(item).collect() };
    v1::DeliverRequest { message: Some(deliver_request::Message::Facts(facts)) }
}

/// An intake stream.
pub(super) struct Stream {
    send: mpsc::Sender<v1::DeliverRequest>,
    answers: Streaming<v1::DeliverResponse>,
}

impl Stream {
    /// Opens one.
    pub(super) async fn open(channel: Channel) -> Result<Stream> {
        let (send, messages) = mpsc::channel(IN_FLIGHT);
        let answers = IntakeClient::new(channel).deliver(ReceiverStream::new(messages)).await?.into_inner();
        Ok(Stream { send, answers })
    }

    /// Sends a message.
    pub(super) async fn send(&self, message: v1::DeliverRequest) -> Result<()> {
        self.send.send(message).await.ok().context("the stream ended")
    }

    /// The next answer: the index of its last fact; all of it was admitted.
    pub(super) async fn admitted(&mut self) -> Result<u64> {
        let answer = self.answers.message().await?.and_then(|answer| answer.message).context("the stream ended")?;
        let deliver_response::Message::Outcomes(outcomes) = answer else { anyhow::bail!("an answer out of turn") };
        ensure!(!outcomes.checkpoint_note.is_empty(), "it was acknowledged without a checkpoint");
        let mut newest = 0;
        for outcome in outcomes.outcomes {
            match outcome.result {
                Some(outcome::Result::Admitted(a)) if a.unread_because.is_empty() => newest = newest.max(a.index),
                other => anyhow::bail!("a fact was not admitted: {other:?}"),
            }
        }
        Ok(newest)
    }
}

/// Sends everything, with some messages on their way at once.
pub(super) async fn deliver(channel: Channel, messages: Vec<v1::DeliverRequest>) -> Result<()> {
    let mut stream = Stream::open(channel).await?;
    let mut on_their_way = 0;
    for message in messages {
        if on_their_way == IN_FLIGHT {
            stream.admitted().await?;
            on_their_way -= 1;
        }
        stream.send(message).await?;
        on_their_way += 1;
    }
    for _ in 0..on_their_way {
        stream.admitted().await?;
    }
    Ok(())
}

/// What was sent and acknowledged.
pub(super) struct Load {
    /// Seconds from the first message to the last acknowledgement.
    pub(super) seconds: f64,
    /// Facts.
    pub(super) facts: u64,
}

/// Connections of as many stations.
pub(super) async fn connected(fleet: &Fleet, server: &Server, stations: usize) -> Result<Vec<Channel>> {
    let mut channels = Vec::new();
    for station in 0..stations {
        channels.push(server.channel(fleet, station).await?);
    }
    Ok(channels)
}

/// All stations at once, each over a connection of its own.
pub(super) async fn saturate(channels: Vec<Channel>, signed: &[Signature]) -> Result<Load> {
    let messages = signed.iter().map(|signature| signature.facts.chunks(FACTS_A_MESSAGE).map(message).collect());
    let prepared: Vec<(Channel, Vec<_>)> = channels.into_iter().zip(messages).collect();
    let begun = Instant::now();
    let tasks: Vec<_> =
        prepared.into_iter().map(|(channel, messages)| tokio::spawn(deliver(channel, messages))).collect();
    for task in tasks {
        task.await??;
    }
    let facts = signed.iter().map(|signature| signature.facts.len() as u64).sum();
    Ok(Load { seconds: begun.elapsed().as_secs_f64(), facts })
}
