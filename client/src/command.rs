//! The command line. Results go to standard output, all else to standard error. Exit codes: 0 good, 1 failed, 2 usage,
//! 3 checked and found bad (or compared and found
//! different), 4 items block, 5 could not check.

mod act;
mod enrol;
mod erase;
mod fact;
mod keys;
mod procedure;
mod station;
mod witness;

use std::io::Write;
use std::path::{Path, PathBuf};
use std::process::ExitCode;
use std::sync::Arc;

use clap::{Parser, Subcommand};
use rinsebook_proto::clock::SystemClock;

use crate::home::Home;
use crate::query::text::say;
use crate::remote::Channel;
use crate::station::Station;
use crate::{ClientError, demo, explain, query, receipt, remote, verify};

/// It did not work, or not everything was taken.
const FAILED: u8 = 1;
/// Checked, and found bad; compared, and found different.
const BAD: u8 = 3;
/// It could not be checked.
const UNCHECKED: u8 = 5;

#[derive(Parser)]
#[command(name = "rinsebook", version, about = "The record of engine core washes: what is open, and proof of it.")]
struct Arguments {
    #[command(subcommand)]
    command: Command,
}

#[derive(Subcommand)]
enum Command {
    /// Play three invented turn-rounds on this machine, through real sockets and files, and prove their log.
    Demo(demo::Args),
    /// A person's signing key.
    #[command(subcommand)]
    Key(keys::Keys),
    /// A device's folder: make one, or ask what it holds.
    #[command(subcommand)]
    Station(station::Stations),
    /// What a custodian does: found a record, enrol people, stations and aircraft, erase names.
    #[command(subcommand)]
    Enrol(enrol::Enrol),
    /// Procedures: check a text, compare two, publish a revision, list what is published.
    #[command(subcommand)]
    Procedure(procedure::Procedures),
    /// Sign a card of facts; it is saved here and sent with `sync`.
    #[command(after_help = A_CARD)]
    Fact {
        /// The card, a TOML file such as the one below.
        card: PathBuf,
        #[command(flatten)]
        signing: act::Signing,
    },
    /// Send what this station has signed, and learn what became of it.
    Sync {
        /// The station's folder.
        #[arg(long, value_name = "DIR")]
        station: PathBuf,
        /// How often to try while the service is not reachable.
        #[arg(long, default_value_t = 5)]
        tries: u32,
        /// Answer as one JSON object.
        #[arg(long)]
        json: bool,
    },
    /// Fetch the proof of everything that this station was told is recorded; kept beside its journal, for `verify`.
    Receipt {
        /// The station's folder.
        #[arg(long, value_name = "DIR")]
        station: PathBuf,
    },
    /// Check a whole log, a pack, a station's receipts or one proof; no service is needed.
    Verify(verify::Args),
    /// Hand in an audit: the checkpoint that you cosigned with `verify --cosign`; the quality page shows it.
    HandIn(query::hand_in::HandInArgs),
    /// Write a log folder as static files that any web server can serve; `verify` reads them there.
    Tiles(verify::tiles::Args),
    /// Give out everything about an aircraft in one file that can be checked without trusting anybody.
    Pack(query::pack::PackArgs),
    /// Show what is open.
    Items(query::ItemsArgs),
    /// Show what is open, and then every change as it comes.
    Watch(query::watch::WatchArgs),
    /// Ask what stands in the way of one aircraft.
    Assess(query::AssessArgs),
    /// Show a fact, a wash or an aircraft.
    Show(query::ShowArgs),
    /// Witness logs that others keep: check that they only ever grow, and cosign their checkpoints.
    #[command(subcommand)]
    Witness(witness::Witnesses),
    /// Explain an open item, a finding, or a kind of them, in plain words.
    Explain(explain::Args),
}

const A_CARD: &str = r#"A card:
  wash = "north-1"             # its label here; wash-opened makes it known
  aircraft = "ZZ-RBA"          # registration or id; a known wash says it itself
  day = 2031-03-04             # for times of day, which are UTC

  [[fact]]
  kind = "line-disconnected"   # kinds and fields as in rinsebook/v1/fact.proto
  at = 08:04:00                # when it happened; without it, now
  label = "ps1-off"            # for acts_on = ["ps1-off"], here and on later cards
  engine = 2                   # position; the serial number is looked up
  line = "PS-1""#;

/// Runs the command line.
pub fn main() -> ExitCode {
    let command = Arguments::parse().command;
    let runtime = match tokio::runtime::Runtime::new() {
        Ok(runtime) => runtime,
        Err(error) => return failed(&error),
    };
    match runtime.block_on(run(command)) {
        Ok(code) => code,
        Err(error @ ClientError::Usage(_)) => {
            failed(&error);
            ExitCode::from(2)
        }
        Err(error) => failed(&error),
    }
}

fn failed(error: &dyn std::error::Error) -> ExitCode {
    say(&error.to_string());
    ExitCode::from(FAILED)
}

async fn run(command: Command) -> Result<ExitCode, ClientError> {
    match command {
        Command::Demo(args) => {
            let told = demo::run(args, &mut std::io::stdout()).await;
            told.map(|()| ExitCode::SUCCESS).map_err(|e| ClientError::Answered(format!("the demonstration: {e:#}")))
        }
        Command::Key(keys) => keys.run(),
        Command::Station(stations) => stations.run().await,
        Command::Enrol(enrol) => enrol.run().await,
        Command::Procedure(procedures) => procedures.run().await,
        Command::Fact { card, signing } => fact::sign(&card, &signing).await,
        Command::Sync { station, tries, json } => {
            let mut station = Station::open(Home::open(&station)?, Arc::new(SystemClock))?;
            station::send(&mut station, tries, json).await
        }
        Command::Receipt { station } => {
            let mut station = Station::open(Home::open(&station)?, Arc::new(SystemClock))?;
            let receipt::Fetched { proofs, kept, without } = receipt::fetch(&mut station).await?;
            print(|o| {
                writeln!(o, "proofs fetched {proofs}, kept before {kept}; {without} envelopes have no place yet")
            })?;
            Ok(ExitCode::SUCCESS)
        }
        Command::Verify(args) => verify::run(&args, &mut std::io::stdout()),
        Command::Items(args) => query::run_items(args.through.connect().await?, &args, &mut std::io::stdout()).await,
        Command::Watch(args) => {
            query::watch::run_watch(async || args.through.connect().await, &args, &mut std::io::stdout()).await
        }
        Command::Assess(args) => query::run_assess(args.through.connect().await?, &args, &mut std::io::stdout()).await,
        Command::Show(args) => query::run_show(args.through.connect().await?, &args, &mut std::io::stdout()).await,
        Command::Tiles(args) => verify::tiles::run(&args, &mut std::io::stdout()),
        Command::Pack(args) => {
            query::pack::run_pack(args.through.connect().await?, &args, &mut std::io::stdout()).await
        }
        Command::HandIn(args) => {
            query::hand_in::run_hand_in(args.through.connect().await?, &args, &mut std::io::stdout()).await
        }
        Command::Witness(witnesses) => witnesses.run().await,
        Command::Explain(args) => explained(&args).await,
    }
}

/// A kind needs no service; an aircraft does. What an aircraft's items mean for its going is for `items` and `assess` to say,
/// by their exit codes: an explanation that was given is good.
async fn explained(args: &explain::Args) -> Result<ExitCode, ClientError> {
    let out = &mut std::io::stdout();
    let word = args.word();
    if let Some(told) = explain::kind(&word, args.json, out) {
        return told.map(|()| ExitCode::SUCCESS);
    }
    let Some(station) = &args.station else { return Err(explain::unknown(&word)) };
    explain::run(connect(station).await?, args, out).await.map(|()| ExitCode::SUCCESS)
}

async fn connect(station: &Path) -> Result<Channel, ClientError> {
    remote::connect(&Home::open(station)?).await
}

fn print(write: impl FnOnce(&mut dyn Write) -> std::io::Result<()>) -> Result<(), ClientError> {
    let mut out = std::io::stdout().lock();
    write(&mut out).and_then(|()| out.flush()).map_err(ClientError::file("cannot write to standard output"))
}
