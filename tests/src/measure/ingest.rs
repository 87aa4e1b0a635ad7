//! What a fact costs the service when eight stations send as fast as it takes, and how much of the machine that is.

use std::time::Duration;

use anyhow::Result;

use super::figure::{Figure, Reach, Round};
use super::server::Server;
use super::stations::{Load, connected, key_of, presigned, saturate};
use super::{Run, clocks, runtime};
use crate::fleet::{Fleet, STATIONS};

/// Facts of one round.
const FACTS: usize = 80_000;

/// What one round gave.
#[derive(Debug, Clone, Copy)]
pub(super) struct Ingested {
    pub(super) facts: u64,
    pub(super) seconds: f64,
    /// CPU seconds of the service, its projection's thread included.
    pub(super) cpu: f64,
    pub(super) projection: f64,
    /// CPU seconds of one verify_strict over these facts.
    pub(super) verify: f64,
}

/// Eight stations on a copy of this log.
pub(super) fn once(run: &Run, base: &Fleet, facts: usize) -> Result<Ingested> {
    let fleet = base.copy_to(&run.folder("ingest")?)?;
    let server = Server::start(&fleet)?;
    let signed = presigned(&fleet, STATIONS, facts)?;
    let sample: Vec<_> = signed.iter().flat_map(|s| s.facts.iter().step_by(53)).take(1000).collect();
    let before = clocks::verify_seconds_on_all(&sample, key_of);
    let runtime = runtime()?;
    let channels = runtime.block_on(connected(&fleet, &server, STATIONS))?;
    let (cpu_before, projection_before) = server.cpu()?;
    let Load { seconds, facts } = runtime.block_on(saturate(channels, &signed))?;
    settle(&server)?;
    let (cpu, projection) = server.cpu()?;
    // The machine may have been slower or faster after than before.
    let verify = (before + clocks::verify_seconds_on_all(&sample, key_of)) / 2.0;
    server.stop()?;
    Ok(Ingested { facts, seconds, cpu: cpu - cpu_before, projection: projection - projection_before, verify })
}

/// What was acknowledged may still be on its way into the projection: it counts too.
fn settle(server: &Server) -> Result<()> {
    let mut last = server.cpu()?.0;
    loop {
        std::thread::sleep(Duration::from_millis(1500));
        let now = server.cpu()?.0;
        if now - last < 0.03 {
            return Ok(());
        }
        last = now;
    }
}

fn rounds(run: &Run) -> Result<Vec<Ingested>> {
    if let Some(rounds) = run.saturated.get() {
        return Ok(rounds.clone());
    }
    let base = Fleet::of(run.small())?;
    super::start::opened_before(&base)?;
    let rounds = (0..run.rounds).map(|_| once(run, &base, FACTS)).collect::<Result<Vec<Ingested>>>()?;
    Ok(run.saturated.get_or_init(|| rounds).clone())
}

/// CPU time a fact ÷ CPU time of one check of a signature.
pub(super) fn cost(run: &Run) -> Result<Vec<Figure>> {
    let rounds = rounds(run)?;
    let micros = |seconds: f64, n: u64| seconds / n as f64 * 1e6;
    let of = |with: bool| {
        let round = |i: &Ingested| {
            let cpu = if with { i.cpu } else { i.cpu - i.projection };
            Round::new(micros(cpu, i.facts), i.verify * 1e6)
                .with("projection", micros(i.projection, i.facts), "µs")
                .with("facts/s", i.facts as f64 / i.seconds, "1/s")
        };
        rounds.iter().map(round).collect::<Vec<_>>()
    };
    let n = rounds[0].facts;
    Ok(vec![
        Figure::of("ingest-cost", "without projection", "µs CPU a fact", n, Reach::AtMost(1.25), of(false)),
        Figure::of("ingest-cost", "with projection", "µs CPU a fact", n, Reach::AtMost(1.5), of(true)),
    ])
}

/// Facts a second ÷ what the CPU time that the service got could check.
pub(super) fn rate(run: &Run) -> Result<Vec<Figure>> {
    let rounds = rounds(run)?;
    let n = rounds[0].facts;
    let round = |i: Ingested| {
        let could = i.cpu / i.seconds / i.verify;
        Round::new(i.facts as f64 / i.seconds, could)
            .with("service's share of a core", i.cpu / i.seconds, "cores")
            .with("verify_strict", i.verify * 1e6, "µs")
    };
    let rounds = rounds.into_iter().map(round).collect();
    Ok(vec![Figure::of("ingest-rate", "", "facts/s", n, Reach::AtLeast(0.7), rounds)])
}
