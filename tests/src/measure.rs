//! Figures as ratios, each measured in one run on the same cores: what we need, against what the machine can do or what
//! was asked. Nothing is replaced by something lighter: TLS is on, every group is synced, every signature is checked.
//!
//! ```text
//! measure [NAME…] [--json]     figures by name, all without one; a table, or one JSON object a line
//! measure --growth FOLDER      ingest, queries, start and audit at 10 k, 100 k and 1 M facts, drawn as SVG files
//! ```
//!
//! The service runs in a process of its own, so that its CPU time and memory are told apart from those of the stations that
//! load it. The logs that it serves are written once and kept below the target folder.

mod audit;
mod clocks;
mod disk;
pub mod figure;
mod growth;
mod hot;
mod ingest;
mod latency;
mod peers;
mod queries;
mod server;
mod start;
mod stations;
mod watch;

use std::cell::OnceCell;
use std::io::Write;
use std::path::{Path, PathBuf};

use anyhow::{Result, bail};

use figure::Figure;
pub use hot::Hot;

/// Facts of the small, the middle and the large log.
pub const SIZES: [u64; 3] = [10_000, 100_000, 1_000_000];

type Measure = fn(&Run) -> Result<Vec<Figure>>;

/// Every figure, in the order in which they run: what is light on the machine first.
const FIGURES: [(&str, Measure); 13] = [
    ("disk", disk::disk),
    ("ingest-cost", ingest::cost),
    ("ingest-rate", ingest::rate),
    ("ack-latency", latency::ack_latency),
    ("watch-delay", watch::watch_delay),
    ("peers", peers::peers),
    ("items-query", queries::items),
    ("fleet-query", queries::fleet),
    ("proofs", queries::proofs),
    ("restart", start::restart),
    ("memory", start::memory),
    ("rebuild", start::rebuild),
    ("audit", audit::audit),
];

/// What a run goes by.
#[derive(Debug)]
pub struct Run {
    /// Facts of the largest log; less while developing.
    pub large: u64,
    /// Rounds of each figure.
    pub rounds: usize,
    /// Where logs are copied to that are written to; on the disk that is measured.
    pub scratch: PathBuf,
    /// Rounds at saturation, once they were made: two figures rest on them.
    saturated: OnceCell<Vec<ingest::Ingested>>,
}

impl Run {
    /// As the figures are published; `RINSEBOOK_MEASURE_LARGE` and `RINSEBOOK_MEASURE_ROUNDS` make it shorter.
    fn usual() -> Result<Run> {
        let number = |name: &str, usual| std::env::var(name).ok().and_then(|n| n.parse().ok()).unwrap_or(usual);
        let scratch = folder()?.join(format!("scratch-{}", std::process::id()));
        std::fs::create_dir_all(&scratch)?;
        let rounds = number("RINSEBOOK_MEASURE_ROUNDS", 3) as usize;
        Ok(Run { large: number("RINSEBOOK_MEASURE_LARGE", SIZES[2]), rounds, scratch, saturated: OnceCell::new() })
    }

    /// Facts of the smallest log.
    pub fn small(&self) -> u64 {
        SIZES[0].min(self.large)
    }

    /// The sizes up to the largest.
    pub fn sizes(&self) -> Vec<u64> {
        SIZES.into_iter().filter(|size| *size < self.large).chain([self.large]).collect()
    }

    /// A folder for one round; what was there before is taken away.
    pub fn folder(&self, name: &str) -> Result<PathBuf> {
        let dir = self.scratch.join(name);
        if dir.exists() {
            std::fs::remove_dir_all(&dir)?;
        }
        Ok(dir)
    }
}

impl Drop for Run {
    fn drop(&mut self) {
        // What is left lies below the target folder, and is of no use to anybody.
        let _ = std::fs::remove_dir_all(&self.scratch);
    }
}

/// The folder below the target folder where everything is written that is measured.
fn folder() -> Result<PathBuf> {
    let folder = crate::fleet::cache();
    std::fs::create_dir_all(&folder)?;
    Ok(folder)
}

/// Several at once of what waits for the network.
fn runtime() -> Result<tokio::runtime::Runtime> {
    Ok(tokio::runtime::Builder::new_multi_thread().enable_all().build()?)
}

/// The program, given what stands behind its name.
pub fn main(args: &[String]) -> Result<()> {
    match args {
        [serve, data] if serve == server::SERVE => return server::serve(Path::new(data)),
        [audit, log] if audit == audit::AUDIT => return audit::child(Path::new(log)),
        [fold, dir] if fold == start::FOLD => return start::fold(Path::new(dir)),
        [growth, folder] if growth == "--growth" => return growth::draw(&Run::usual()?, Path::new(folder)),
        _ => {}
    }
    let json = args.iter().any(|arg| arg == "--json");
    let names: Vec<&str> = args.iter().map(String::as_str).filter(|arg| *arg != "--json").collect();
    if let Some(unknown) = names.iter().find(|name| !FIGURES.iter().any(|(known, _)| known == *name)) {
        let known: Vec<&str> = FIGURES.iter().map(|(name, _)| *name).collect();
        bail!("there is no figure {unknown}; there are: {}", known.join(", "));
    }
    let run = Run::usual()?;
    let mut out = std::io::stdout();
    if !json {
        writeln!(out, "{}", figure::HEAD)?;
    }
    for (_, measure) in FIGURES.iter().filter(|(name, _)| names.is_empty() || names.contains(name)) {
        for figure in measure(&run)? {
            writeln!(out, "{}", if json { figure.json() } else { figure.row() })?;
        }
        out.flush()?;
    }
    Ok(())
}
