//! `rinsebook-service serve | restore | check-config`. Exit codes: 0 good, 1 failed, 2 usage.

use std::io::Write;
use std::path::PathBuf;
use std::process::ExitCode;
use std::sync::Arc;

use clap::{Parser, Subcommand};
use rinsebook_proto::clock::SystemClock;
use tokio::signal::unix::{SignalKind, signal};
use tracing_subscriber::EnvFilter;

use crate::config::Config;
use crate::restore::restore;
use crate::run::{Running, start};

#[derive(Parser)]
#[command(name = "rinsebook-service", version, about = "Keeps the record of engine core washes.")]
struct Arguments {
    #[command(subcommand)]
    command: Command,
}

#[derive(Subcommand)]
enum Command {
    /// Open the log and answer until told to stop (SIGTERM or Ctrl-C).
    Serve {
        /// Configuration; without it everything is kept in ./rinsebook-data and served on the loopback address.
        #[arg(long, value_name = "FILE")]
        config: Option<PathBuf>,
        /// Write log lines as JSON.
        #[arg(long)]
        json_logs: bool,
    },
    /// Put a copy of a data folder back where there is none. Nothing is recorded then until a custodian opens an epoch:
    /// what was recorded after the copy was made is lost, and stations send it again.
    Restore {
        /// The copy.
        from: PathBuf,
        /// Configuration; its data folder must not exist, or be empty.
        #[arg(long, value_name = "FILE")]
        config: Option<PathBuf>,
    },
    /// Read a configuration and say whether it can be used.
    CheckConfig {
        /// The configuration.
        file: PathBuf,
    },
}

/// Runs the command line.
pub fn main() -> ExitCode {
    let result = match Arguments::parse().command {
        Command::Serve { config, json_logs } => read(config.as_deref()).and_then(|config| {
            init_logs(json_logs);
            tokio::runtime::Runtime::new()?.block_on(serve(config))
        }),
        Command::Restore { from, config } => read(config.as_deref()).and_then(|config| {
            let files = restore(&from, &config.data)?;
            say(&format!(
                "{files} files put back in {}; serve, then open an epoch with `rinsebook enrol epoch`",
                config.data.display()
            ));
            Ok(())
        }),
        Command::CheckConfig { file } => read(Some(&file)).map(|config| say(&format!("good: {config:#?}"))),
    };
    match result {
        Ok(()) => ExitCode::SUCCESS,
        Err(error) => {
            // Standard error may be closed; there is nobody else to tell then.
            let _ = writeln!(std::io::stderr(), "rinsebook-service: {error:#}");
            ExitCode::from(1)
        }
    }
}

fn read(file: Option<&std::path::Path>) -> anyhow::Result<Config> {
    Ok(match file {
        Some(file) => Config::read(file)?,
        None => Config::parse("")?,
    })
}

fn init_logs(json: bool) {
    let filter = EnvFilter::try_from_env("RINSEBOOK_LOG").unwrap_or_else(|_| EnvFilter::new("info"));
    let logs = tracing_subscriber::fmt().with_env_filter(filter).with_writer(std::io::stderr);
    if json { logs.json().init() } else { logs.init() }
}

fn say(line: &str) {
    // Nobody reads standard output any more: the service goes on.
    let _ = writeln!(std::io::stdout(), "{line}");
}

async fn serve(config: Config) -> anyhow::Result<()> {
    let mut terminate = signal(SignalKind::terminate())?;
    let mut running = start(config, Arc::new(SystemClock)).await?;
    introduce(&running)?;
    tokio::select! {
        _ = terminate.recv() => {}
        _ = tokio::signal::ctrl_c() => {}
        error = running.failed() => return Err(error.into()),
    }
    tracing::info!("stopping");
    let done = running.stop().await?;
    tracing::info!(entries = done.entries, groups = done.groups, syncs = done.syncs, "stopped");
    Ok(())
}

fn introduce(running: &Running) -> anyhow::Result<()> {
    let start = &running.start;
    tracing::info!(
        entries = start.entries,
        resumed = start.resumed,
        replayed = start.replayed,
        torn_bytes_cut = start.torn_bytes_cut,
        annexes_erased = start.annexes_erased,
        "the log is open"
    );
    say(&format!("serving     https://{}", running.address));
    say(&format!("authority   {}", running.authority_file().display()));
    say(&format!("            SHA-256 {}", running.fingerprint()?));
    say(&format!("log key     {}", running.verifier_key));
    Ok(())
}
