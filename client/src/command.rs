//! The command line. Results go to standard output, all else to standard error. Exit codes: 0 good, 1 failed, 2 usage,
//! 3 checked and found bad, 4 items block, 5 could not check.

use std::io::{Read, Write};
use std::path::{Path, PathBuf};
use std::process::ExitCode;
use std::sync::Arc;

use clap::{Parser, Subcommand};
use rinsebook_proto::clock::SystemClock;
use rinsebook_proto::key;
use tonic::transport::Channel;
use zeroize::Zeroizing;

use crate::home::{Home, write_new};
use crate::station::Station;
use crate::{ClientError, demo, query, remote, sync, verify};

#[derive(Parser)]
#[command(name = "rinsebook", version, about = "The record of engine core washes: what is open, and proof of it.")]
struct Arguments {
    #[command(subcommand)]
    command: Command,
}

#[derive(Subcommand)]
enum Command {
    /// Play an invented turn-round on this machine, through real sockets and files, and prove its log.
    Demo {
        /// Leave the log, its key and all else in this new folder.
        #[arg(long, value_name = "DIR")]
        keep: Option<PathBuf>,
    },
    /// Make a signing key, encrypted by a passphrase.
    Key {
        /// Where to write it (PKCS #8, PEM); an existing file is never overwritten.
        #[arg(long, value_name = "FILE")]
        out: PathBuf,
        /// A file with the passphrase, or - for standard input.
        #[arg(long, value_name = "FILE")]
        passphrase_file: PathBuf,
    },
    /// Send what this station has signed, and learn what became of it.
    Sync {
        /// The station's folder.
        #[arg(long, value_name = "DIR")]
        station: PathBuf,
        /// How often to try while the service is not reachable.
        #[arg(long, default_value_t = 5)]
        tries: u32,
    },
    /// Check a whole log folder; no service is needed.
    Verify(verify::Args),
    /// Show what is open.
    Items(query::ItemsArgs),
    /// Ask what stands in the way of one aircraft.
    Assess(query::AssessArgs),
    /// Show a fact, a wash or an aircraft.
    Show(query::ShowArgs),
}

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
    // Standard error may be closed; there is nobody else to tell then.
    let _ = writeln!(std::io::stderr(), "rinsebook: {error}");
    ExitCode::from(1)
}

async fn run(command: Command) -> Result<ExitCode, ClientError> {
    match command {
        Command::Demo { keep } => {
            let told = demo::play(keep, &mut std::io::stdout()).await;
            told.map(|()| ExitCode::SUCCESS).map_err(|e| ClientError::Answered(format!("the demonstration: {e:#}")))
        }
        Command::Key { out, passphrase_file } => make_key(&out, &passphrase_file),
        Command::Sync { station, tries } => send(&station, tries).await,
        Command::Verify(args) => verify::run(&args, &mut std::io::stdout()),
        Command::Items(args) => query::run_items(connect(&args.station).await?, &args, &mut std::io::stdout()).await,
        Command::Assess(args) => query::run_assess(connect(&args.station).await?, &args, &mut std::io::stdout()).await,
        Command::Show(args) => query::run_show(connect(&args.station).await?, &args, &mut std::io::stdout()).await,
    }
}

async fn connect(station: &Path) -> Result<Channel, ClientError> {
    remote::connect(&Home::open(station)?).await
}

fn print(write: impl FnOnce(&mut dyn Write) -> std::io::Result<()>) -> Result<(), ClientError> {
    let mut out = std::io::stdout().lock();
    write(&mut out).and_then(|()| out.flush()).map_err(ClientError::file("cannot write to standard output"))
}

/// The passphrase, without the line's end.
fn passphrase(file: &Path) -> Result<Zeroizing<String>, ClientError> {
    let mut text = Zeroizing::new(String::new());
    if file == Path::new("-") {
        std::io::stdin().read_to_string(&mut text).map_err(ClientError::file("cannot read standard input"))?;
    } else {
        *text = crate::home::read(file)?;
    }
    let trimmed = text.trim_end_matches(['\r', '\n']);
    if trimmed.is_empty() {
        return Err(ClientError::Usage("the passphrase is empty; choose one that only you know".to_owned()));
    }
    Ok(Zeroizing::new(trimmed.to_owned()))
}

fn make_key(out: &Path, passphrase_file: &Path) -> Result<ExitCode, ClientError> {
    let bad = |e: key::KeyError| ClientError::Key { what: out.display().to_string(), why: e.to_string() };
    let signer = key::generate();
    let pem = key::to_pem(&signer, passphrase(passphrase_file)?.as_bytes()).map_err(bad)?;
    write_new(out, pem.as_bytes())?;
    let public = signer.verifying_key();
    print(|o| {
        writeln!(o, "key file    {}", out.display())?;
        writeln!(o, "public key  {}", hex::encode(public.as_bytes()))?;
        writeln!(o, "key id      {}", key::key_id(&public))
    })?;
    Ok(ExitCode::SUCCESS)
}

async fn send(station: &Path, tries: u32) -> Result<ExitCode, ClientError> {
    let mut station = Station::open(Home::open(station)?, Arc::new(SystemClock))?;
    let report = sync::sync(&mut station, tries).await?;
    print(|o| {
        writeln!(
            o,
            "recorded {}, recorded before {}, refused {}, left {}",
            report.admitted,
            report.known,
            report.refused.len(),
            report.left
        )?;
        report.refused.iter().chain(&report.notes).try_for_each(|line| writeln!(o, "  {line}"))
    })?;
    let all_well = report.refused.is_empty() && report.left == 0;
    Ok(if all_well { ExitCode::SUCCESS } else { ExitCode::from(1) })
}
