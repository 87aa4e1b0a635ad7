//! From an acknowledgement to the watcher's screen, while stations send at half of what the service takes.

use std::collections::HashMap;
use std::sync::{Arc, Mutex};
use std::time::{Duration, Instant};

use anyhow::{Context, Result};
use rinsebook_client::rpc::open_items_client::OpenItemsClient;
use rinsebook_proto::fact::{Signed, Subject};
use rinsebook_proto::v1;

use super::clocks::percentile;
use super::figure::{Figure, Reach, Round};
use super::server::Server;
use super::stations::{FACTS_A_MESSAGE, IN_FLIGHT, Signature, Stream, message, presigned};
use super::{Run, runtime};
use crate::fleet::{Fleet, STATIONS};

/// Facts that are sent to find out how many are taken a second.
const PROBED: usize = 40_000;
/// Seconds of half load.
const SECONDS: f64 = 8.0;

/// What was acknowledged of an aircraft and not seen yet: index and when.
type Acknowledged = Arc<Mutex<HashMap<Vec<u8>, Vec<(u64, Instant)>>>>;

/// Delays in milliseconds at half of what was just found to be the most.
pub(super) fn watch_delay(run: &Run) -> Result<Vec<Figure>> {
    let base = Fleet::of(run.small())?;
    super::start::opened_before(&base)?;
    let most = super::ingest::once(run, &base, PROBED)?;
    let a_second = most.facts as f64 / most.seconds / 2.0;
    let mut rounds = Vec::new();
    let mut seen = 0;
    for _ in 0..run.rounds {
        let fleet = base.copy_to(&run.folder("watch")?)?;
        let server = Server::start(&fleet)?;
        let signed = presigned(&fleet, STATIONS, (a_second * SECONDS) as usize)?;
        let mut delays = runtime()?.block_on(half_load(&fleet, &server, signed, a_second))?;
        server.stop()?;
        seen = delays.len() as u64;
        let half = percentile(&mut delays, 0.5);
        let round = Round::new(percentile(&mut delays, 0.99), 50.0).with("p50", half, "ms").with(
            "half load",
            a_second,
            "facts/s",
        );
        rounds.push(round);
    }
    Ok(vec![Figure::of("watch-delay", "p99", "ms", seen, Reach::AtMost(1.0), rounds)])
}

async fn half_load(fleet: &Fleet, server: &Server, signed: Vec<Signature>, a_second: f64) -> Result<Vec<f64>> {
    let acknowledged = Acknowledged::default();
    let mut client = OpenItemsClient::new(server.channel(fleet, 0).await?);
    let mut watch = client.watch_items(v1::WatchItemsRequest::default()).await?.into_inner();
    while !watch.message().await?.context("the watch ended")?.snapshot_complete {}
    let noted = acknowledged.clone();
    let watching = tokio::spawn(async move {
        let mut delays = Vec::new();
        // It ends with the silence behind the last fact.
        while let Ok(Ok(Some(answer))) = tokio::time::timeout(Duration::from_secs(3), watch.message()).await {
            let now = Instant::now();
            let (Some(aircraft), Some(as_of)) = (answer.aircraft, answer.as_of) else { continue };
            let mut noted = noted.lock().expect("no holder of this lock panics");
            let waiting = noted.entry(aircraft.aircraft).or_default();
            let told = waiting.iter().filter(|(index, _)| *index < as_of.size);
            // What arrives before its own acknowledgement did not wait at all; it is not in the list yet.
            delays.extend(told.map(|(_, at)| now.duration_since(*at).as_secs_f64() * 1e3));
            waiting.retain(|(index, _)| *index >= as_of.size);
        }
        delays
    });
    let every = Duration::from_secs_f64(FACTS_A_MESSAGE as f64 * signed.len() as f64 / a_second);
    let mut stations = Vec::new();
    for (station, signature) in signed.into_iter().enumerate() {
        let channel = server.channel(fleet, station).await?;
        let first = every.mul_f64(station as f64 / STATIONS as f64);
        stations.push(tokio::spawn(paced(channel, signature.facts, first, every, acknowledged.clone())));
    }
    for station in stations {
        station.await??;
    }
    Ok(watching.await?)
}

/// Sends a message at every beat, whatever became of those before, and notes what was acknowledged.
async fn paced(
    channel: rinsebook_client::remote::Channel,
    facts: Vec<Signed>,
    first: Duration,
    every: Duration,
    acknowledged: Acknowledged,
) -> Result<()> {
    let mut stream = Stream::open(channel).await?;
    let mut beat = tokio::time::interval_at(tokio::time::Instant::now() + first, every);
    let mut on_their_way = std::collections::VecDeque::new();
    for chunk in facts.chunks(FACTS_A_MESSAGE) {
        while on_their_way.len() >= IN_FLIGHT {
            take(&mut stream, &mut on_their_way, &acknowledged).await?;
        }
        loop {
            tokio::select! {
                _ = beat.tick() => break,
                done = take(&mut stream, &mut on_their_way, &acknowledged), if !on_their_way.is_empty() => done?,
            }
        }
        stream.send(message(chunk)).await?;
        on_their_way.push_back(chunk.to_vec());
    }
    while !on_their_way.is_empty() {
        take(&mut stream, &mut on_their_way, &acknowledged).await?;
    }
    Ok(())
}

/// The next acknowledgement, noted for the aircraft of its last fact.
async fn take(
    stream: &mut Stream,
    on_their_way: &mut std::collections::VecDeque<Vec<Signed>>,
    acknowledged: &Acknowledged,
) -> Result<()> {
    let newest = stream.admitted().await?;
    let now = Instant::now();
    let chunk = on_their_way.pop_front().context("an answer to nothing")?;
    let subjects = &chunk.last().context("a message has facts")?.header().subjects;
    let aircraft = subjects.iter().find_map(|s| if let Subject::Aircraft(id) = s { Some(id.to_vec()) } else { None });
    let mut noted = acknowledged.lock().expect("no holder of this lock panics");
    noted.entry(aircraft.context("a wash fact names its aircraft")?).or_default().push((newest, now));
    Ok(())
}
