//! How long one fact waits for its acknowledgement, against the things that it cannot be without: one check, one sync, one
//! signature, one way there and back.

use std::time::Instant;

use anyhow::{Context, Result};
use rinsebook_client::remote::Channel;
use tokio::sync::mpsc;
use tokio_stream::wrappers::ReceiverStream;
use tonic_reflection::pb::v1::server_reflection_client::ServerReflectionClient;
use tonic_reflection::pb::v1::server_reflection_request::MessageRequest;
use tonic_reflection::pb::v1::{ServerReflectionRequest, ServerReflectionResponse};

use super::clocks::{self, percentile};
use super::figure::{Figure, Reach, Round};
use super::server::Server;
use super::stations::{Stream, key_of, message, presigned};
use super::{Run, runtime};
use crate::fleet::Fleet;

/// Facts of one round, one in flight.
const FACTS: usize = 3000;
/// Those that warm connections and caches up, and are not counted.
const WARM: usize = 300;

struct Times {
    acknowledged: Vec<f64>,
    round_trip: Vec<f64>,
    sync: Vec<f64>,
}

/// One at a time; between them an empty message there and back on another stream of the same connection, and a write that
/// is synced on the same disk: what else this machine does meanwhile falls on all alike.
async fn times(fleet: &Fleet, server: &Server, facts: &[rinsebook_proto::fact::Signed]) -> Result<Times> {
    let channel = server.channel(fleet, 0).await?;
    let mut empty = Empty::open(channel.clone()).await?;
    let mut stream = Stream::open(channel).await?;
    let mut times = Times { acknowledged: vec![], round_trip: vec![], sync: vec![] };
    let mut probe = clocks::SyncProbe::new(&fleet.config().data, facts.len())?;
    for fact in facts {
        let message = message(std::slice::from_ref(fact));
        let begun = Instant::now();
        stream.send(message).await?;
        stream.admitted().await?;
        times.acknowledged.push(begun.elapsed().as_secs_f64());
        let begun = Instant::now();
        empty.there_and_back().await?;
        times.round_trip.push(begun.elapsed().as_secs_f64());
        times.sync.push(probe.once()?);
    }
    for samples in [&mut times.acknowledged, &mut times.round_trip, &mut times.sync] {
        samples.drain(..WARM.min(facts.len()));
    }
    Ok(times)
}

/// A two-way stream of the same server whose messages ask for next to nothing: reflection, asked for a file that is none.
struct Empty {
    send: mpsc::Sender<ServerReflectionRequest>,
    answers: tonic::Streaming<ServerReflectionResponse>,
}

impl Empty {
    async fn open(channel: Channel) -> Result<Empty> {
        let (send, messages) = mpsc::channel(1);
        let mut client = ServerReflectionClient::new(channel);
        let answers = client.server_reflection_info(ReceiverStream::new(messages)).await?.into_inner();
        Ok(Empty { send, answers })
    }

    async fn there_and_back(&mut self) -> Result<()> {
        let request = MessageRequest::ListServices(String::new());
        let message = ServerReflectionRequest { host: String::new(), message_request: Some(request) };
        self.send.send(message).await.ok().context("the stream ended")?;
        self.answers.message().await?.context("the stream ended").map(|_| ())
    }
}

/// p50 and p99 of an acknowledgement ÷ p50 of its parts.
pub(super) fn ack_latency(run: &Run) -> Result<Vec<Figure>> {
    let base = Fleet::of(run.small())?;
    super::start::opened_before(&base)?;
    let sign = clocks::sign_seconds();
    let mut rounds: [Vec<Round>; 2] = [vec![], vec![]];
    for _ in 0..run.rounds {
        let fleet = base.copy_to(&run.folder("latency")?)?;
        let server = Server::start(&fleet)?;
        let signed = presigned(&fleet, 1, FACTS)?;
        let facts = &signed[0].facts[..FACTS];
        let verify = clocks::verify_seconds(&facts.iter().step_by(5).collect::<Vec<_>>(), key_of);
        let mut times = runtime()?.block_on(times(&fleet, &server, facts))?;
        server.stop()?;
        for (rounds, share) in rounds.iter_mut().zip([0.5, 0.99]) {
            let part = |samples: &mut Vec<f64>| percentile(samples, share) * 1e6;
            let (sync, empty) = (part(&mut times.sync), part(&mut times.round_trip));
            let floor = sync + empty + (verify + sign) * 1e6;
            let round = Round::new(part(&mut times.acknowledged), floor)
                .with("fdatasync", sync, "µs")
                .with("empty round trip", empty, "µs")
                .with("verify", verify * 1e6, "µs")
                .with("sign", sign * 1e6, "µs");
            rounds.push(round);
        }
    }
    let n = (FACTS - WARM) as u64;
    let [half, most] = rounds;
    Ok(vec![
        Figure::of("ack-latency", "p50", "µs", n, Reach::AtMost(1.3), half),
        Figure::of("ack-latency", "p99 ÷ p99 of the parts", "µs", n, Reach::AtMost(1.3), most),
    ])
}
