//! From a stopped service to one that serves, what it then holds in memory, and how fast the projection is built anew.

use std::io::Write;
use std::path::Path;
use std::process::Command;
use std::sync::Arc;
use std::time::{Duration, Instant};

use anyhow::{Context, Result};
use rinsebook_client::rpc::open_items_client::OpenItemsClient;
use rinsebook_proto::clock::SystemClock;
use rinsebook_proto::journal::RealDisk;
use rinsebook_proto::v1;
use rinsebook_service::admission::KnownKeys;
use rinsebook_service::blobs::Blobs;
use rinsebook_service::identity::Identity;
use rinsebook_service::recovery;

use super::figure::{Figure, Reach, Round};
use super::server::Server;
use super::{Run, clocks, runtime};
use crate::fleet::Fleet;

/// What the child is told that builds a projection.
pub(super) const FOLD: &str = "--fold-for-measure";

/// The first start on a log checks every entry and leaves what later ones go on from: made once, and not measured.
pub(super) fn opened_before(fleet: &Fleet) -> Result<()> {
    let done = fleet.config().data.join("checked-before");
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
    let (now, most) = (clocks::memory_mib(server.pid(), "VmRSS")?, clocks::memory_mib(server.pid(), "VmHWM")?);
    server.stop()?;
    let round = Round::new(now, 512.0).with("the most ever", most, "MiB");
    let of = format!("{} facts, {} aircraft", run.large, crate::fleet::AIRCRAFT);
    Ok(vec![Figure::of("memory", of, "MiB", run.large, Reach::AtMost(1.0), vec![round])])
}

/// From the log's files to a whole projection, no register being there; the signatures were checked before.
pub(super) fn rebuild(run: &Run) -> Result<Vec<Figure>> {
    let fleet = Fleet::of(run.large)?;
    opened_before(&fleet)?;
    let mut rounds = Vec::new();
    let mut entries = 0.0;
    let registers = fleet.config().data.join("derived/registers");
    let away = registers.with_extension("away");
    std::fs::rename(&registers, &away)?;
    // A log of one open file leaves none behind.
    let none = || if registers.exists() { std::fs::remove_dir_all(&registers) } else { Ok(()) };
    for _ in 0..run.rounds {
        none()?;
        let output = Command::new(std::env::current_exe()?).arg(FOLD).arg(fleet.config().data).output()?;
        let text = String::from_utf8(output.stdout)?;
        let mut numbers = text.split_whitespace().filter_map(|n| n.parse::<f64>().ok());
        entries = numbers.next().context("the projection was not built")?;
        let mut next = || numbers.next().context("a number is missing");
        let (wall, cpu) = (next()?, next()?);
        rounds.push(Round::new(entries / wall, 200_000.0).with("CPU a fact", cpu / entries * 1e6, "µs"));
    }
    none()?;
    std::fs::rename(&away, &registers)?;
    Ok(vec![Figure::of("rebuild", "", "facts/s", entries as u64, Reach::AtLeast(1.0), rounds)])
}

/// Opens the log in this data folder, signatures not checked again, and says entries, seconds, CPU seconds.
pub(super) fn fold(data: &Path) -> Result<()> {
    let config = Fleet::at(data.parent().context("a data folder lies in a fleet's")?).config();
    let (identity, blobs) = (Arc::new(Identity::open(&config)?), Blobs::open(&config.data.join("blobs"))?);
    let (begun, cpu_before) = (Instant::now(), clocks::process_cpu(std::process::id())?);
    let opened =
        recovery::open(&config, Arc::new(RealDisk), identity, Arc::new(SystemClock), blobs, KnownKeys::default())?;
    let (seconds, cpu) = (begun.elapsed().as_secs_f64(), clocks::process_cpu(std::process::id())? - cpu_before);
    anyhow::ensure!(opened.report.resumed == opened.report.entries, "it was not opened before: {:?}", opened.report);
    writeln!(std::io::stdout(), "{} {seconds} {}", opened.report.entries, cpu.as_secs_f64())?;
    Ok(())
}
