//! From a stopped service to one that serves, what it then holds in memory, and how fast the projection is built anew.

use std::io::Write;
use std::path::Path;
use std::process::Command;
use std::sync::Arc;
use std::time::{Duration, Instant};

use anyhow::{Context, Result};
use rinsebook_client::rpc::open_items_client::OpenItemsClient;
use rinsebook_proto::bytes::Hash;
use rinsebook_proto::entry::Entry;
use rinsebook_proto::fact::{MAX_SERVICE_ENVELOPE_BYTES, Signed};
use rinsebook_proto::journal::{self, RealDisk};
use rinsebook_proto::rules::{History, Recorded, SignatureState};
use rinsebook_proto::v1;

use super::figure::{Figure, Reach, Round};
use super::server::Server;
use super::{Run, clocks, runtime};
use crate::fleet::Fleet;

/// What the child is told that builds a projection.
pub(super) const FOLD: &str = "--fold-for-measure";

/// The first start on a log checks every entry and leaves what later ones go on from: made once, and not measured.
pub(super) fn opened_before(fleet: &Fleet) -> Result<()> {
    let done = fleet.config().data.join("opened-before");
    if !done.exists() {
        Server::start(fleet)?.stop()?;
        std::fs::write(done, "")?;
    }
    Ok(())
}

/// Seconds of one start after a clean stop, to the first answer to a question over a new connection.
pub(super) fn start_seconds(fleet: &Fleet) -> Result<(f64, Server)> {
    let runtime = runtime()?;
    let begun = Instant::now();
    let server = Server::start(fleet)?;
    runtime.block_on(async {
        let mut items = OpenItemsClient::new(server.channel(fleet, 0).await?);
        let one = crate::fleet::aircraft(0).to_vec();
        items.list_items(v1::ListItemsRequest { aircraft: one, ..Default::default() }).await?;
        Ok::<_, anyhow::Error>(())
    })?;
    Ok((begun.elapsed().as_secs_f64(), server))
}

/// A clean stop and a start.
pub(super) fn restart(run: &Run) -> Result<Vec<Figure>> {
    let mut figures = Vec::new();
    for size in run.sizes() {
        let fleet = Fleet::of(size)?;
        opened_before(&fleet)?;
        let mut rounds = Vec::new();
        for _ in 0..run.rounds {
            let (seconds, server) = start_seconds(&fleet)?;
            rounds.push(Round::new(seconds, 1.0).with("until it listens", server.start.as_secs_f64(), "s"));
            server.stop()?;
        }
        figures.push(Figure::of("restart", format!("{size} facts"), "s", size, Reach::AtMost(1.0), rounds));
    }
    Ok(figures)
}

/// Resident memory of the service on the largest log.
pub(super) fn memory(run: &Run) -> Result<Vec<Figure>> {
    let fleet = Fleet::of(run.large)?;
    opened_before(&fleet)?;
    let (_, server) = start_seconds(&fleet)?;
    std::thread::sleep(Duration::from_secs(2));
    let (now, most) =
        (clocks::memory_mib(server.pid(), "VmRSS")?, clocks::memory_mib(server.pid(), "VmHWM")?);
    server.stop()?;
    let round = Round::new(now, 512.0).with("the most ever", most, "MiB");
    let of = format!("{} facts, {} aircraft", run.large, crate::fleet::AIRCRAFT);
    Ok(vec![Figure::of("memory", of, "MiB", run.large, Reach::AtMost(1.0), vec![round])])
}

/// From the log's files to a whole projection; the signatures were checked before.
pub(super) fn rebuild(run: &Run) -> Result<Vec<Figure>> {
    let fleet = Fleet::of(run.large)?;
    let mut rounds = Vec::new();
    let mut entries = 0.0;
    for _ in 0..run.rounds {
        let output = Command::new(std::env::current_exe()?).arg(FOLD).arg(fleet.config().data).output()?;
        let text = String::from_utf8(output.stdout)?;
        let mut numbers = text.split_whitespace().filter_map(|n| n.parse::<f64>().ok());
        entries = numbers.next().context("the projection was not built")?;
        let mut next = || numbers.next().context("a number is missing");
        let (wall, cpu) = (next()?, next()?);
        rounds.push(Round::new(entries / wall, 200_000.0).with("CPU a fact", cpu / entries * 1e6, "µs"));
    }
    Ok(vec![Figure::of("rebuild", "", "facts/s", entries as u64, Reach::AtLeast(1.0), rounds)])
}

/// Builds the projection of the log in this data folder, and says entries, seconds, CPU seconds.
pub(super) fn fold(data: &Path) -> Result<()> {
    let blobs = rinsebook_service::blobs::Blobs::open(&data.join("blobs"))?;
    let begun = Instant::now();
    let mut history = History::new();
    journal::scan(&RealDisk, &data.join("log"), journal::Kind::Log, |group| {
        for record in &group.records {
            let entry = Entry::decode(record).map_err(|e| e.to_string())?;
            let fact = Signed::parse(&entry.envelope, MAX_SERVICE_ENVELOPE_BYTES).map_err(|e| e.to_string())?;
            let recorded = Recorded {
                index: entry.index,
                received_ms: entry.received_ms,
                clock_unsure: entry.clock_unsure,
                fact: Arc::new(fact),
                signature: SignatureState::Good,
            };
            history.add(recorded, &|digest: &Hash| blobs.read(digest).map(|blob| blob.content));
        }
        Ok::<_, String>(rinsebook_proto::tree::leaf_hash(group.records.last().expect("a group has entries")).0)
    })?;
    let (seconds, cpu) = (begun.elapsed().as_secs_f64(), clocks::process_cpu(std::process::id())?.as_secs_f64());
    writeln!(std::io::stdout(), "{} {seconds} {cpu}", history.size())?;
    Ok(())
}
