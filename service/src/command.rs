//! `rinsebook-service serve | backup | restore | check-config | issue-token | revoke-token`. Exit codes: 0 good, 1 failed, 2 usage.

use std::io::Write;
use std::path::PathBuf;
use std::process::ExitCode;
use std::sync::Arc;

use clap::{Parser, Subcommand};
use rinsebook_proto::clock::{Clock, SystemClock};
use tokio::signal::unix::{SignalKind, signal};
use tracing_subscriber::EnvFilter;

use crate::backup::{Backup, backup};
use crate::caller::Role;
use crate::config::Config;
use crate::restore::restore;
use crate::run::{Running, start};
use crate::tokens::own::{MAX_HOURS, OwnIssuer};
use crate::tokens::revoked::revoke;

#[derive(Parser)]
#[command(name = "rinsebook-service", version, about = "Keeps the record of engine core washes.")]
struct Arguments {
    #[command(subcommand)]
    command: Command,
}

#[derive(Subcommand)]
enum Command {
    /// Open the log and answer until told to stop (SIGTERM or Ctrl-C). SIGHUP reads certificate files, revoked tokens and
    /// issuers' keys again.
    Serve {
        /// Configuration; without it everything is kept in ./rinsebook-data and served on the loopback address.
        #[arg(long, value_name = "FILE")]
        config: Option<PathBuf>,
        /// Write log lines as JSON.
        #[arg(long)]
        json_logs: bool,
    },
    /// Copy the data folder, while the service runs or not: the log up to its last whole group, blobs, keys, authority, audits. The
    /// copy is checked and synced. It holds keys: keep it where nobody else can read it.
    Backup {
        /// Configuration of the service.
        #[arg(long, value_name = "FILE")]
        config: Option<PathBuf>,
        /// Where to; it must not exist.
        #[arg(long, value_name = "DIR")]
        to: PathBuf,
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
    /// Print a token, and nothing else, on standard output; its id, for revoke-token, on standard error.
    IssueToken {
        /// The configuration of the service that is to take it.
        #[arg(long, value_name = "FILE")]
        config: Option<PathBuf>,
        /// Whose it is: their id in this record, or a name. It stands in the log with each question that they have kept
        /// there, and cannot be taken out: an id tells outsiders less.
        #[arg(long, value_name = "NAME|ID")]
        person: String,
        /// What they may be: planner, quality or custodian; may be given several times.
        #[arg(long, value_name = "ROLE", required = true, value_parser = role)]
        role: Vec<Role>,
        /// How long it is good, up to 744.
        #[arg(long, value_name = "N", value_parser = clap::value_parser!(u32).range(1..=i64::from(MAX_HOURS)))]
        hours: u32,
    },
    /// Take a token back before it expires. A service that runs takes note on SIGHUP.
    RevokeToken {
        /// The configuration of the service that takes it.
        #[arg(long, value_name = "FILE")]
        config: Option<PathBuf>,
        /// The token's id (its `jti`), which issue-token told; not the token.
        #[arg(value_name = "JTI")]
        token_id: String,
    },
}

fn role(name: &str) -> Result<Role, String> {
    match Role::named(name) {
        Some(Role::Station) => Err("stations show certificates, not tokens".to_owned()),
        Some(role) => Ok(role),
        None => Err("there are planner, quality and custodian".to_owned()),
    }
}

/// Runs the command line.
pub fn main() -> ExitCode {
    let result = match Arguments::parse().command {
        Command::Serve { config, json_logs } => read(config.as_deref()).and_then(|config| {
            init_logs(json_logs);
            tokio::runtime::Runtime::new()?.block_on(serve(config))
        }),
        Command::Backup { config, to } => read(config.as_deref()).and_then(|config| {
            let Backup { entries, files } = backup(&config, &to)?;
            say(&format!("{entries} entries and {files} files beside them copied to {}", to.display()));
            if let Some(file) = &config.passphrase_file {
                say(&format!("the passphrase in {} is not in it; keep it elsewhere", file.display()));
            }
            Ok(())
        }),
        Command::Restore { from, config } => read(config.as_deref()).and_then(|config| {
            let files = restore(&from, &config.data)?;
            say(&format!(
                "{files} files put back in {}; serve, then open an epoch with `rinsebook enrol epoch`",
                config.data.display()
            ));
            Ok(())
        }),
        Command::IssueToken { config, person, role, hours } => {
            read(config.as_deref()).and_then(|config| issue(&config, &person, &role, hours))
        }
        Command::RevokeToken { config, token_id } => {
            read(config.as_deref()).and_then(|config| Ok(revoke(&config.keys_dir(), &token_id)?))
        }
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

fn issue(config: &Config, person: &str, roles: &[Role], hours: u32) -> anyhow::Result<()> {
    let issued = OwnIssuer::open(config)?.issue(person, roles, hours, SystemClock.wall_ms())?;
    let until = i64::try_from(issued.expires_ms).ok().and_then(chrono::DateTime::from_timestamp_millis);
    writeln!(std::io::stdout(), "{}", issued.token)?;
    let until = until.map(|time| time.to_rfc3339()).unwrap_or_default();
    // The token is out; standard error may be closed.
    let _ = writeln!(std::io::stderr(), "token id {}, good until {until}", issued.token_id);
    Ok(())
}

async fn serve(config: Config) -> anyhow::Result<()> {
    let mut terminate = signal(SignalKind::terminate())?;
    let mut hangup = signal(SignalKind::hangup())?;
    let mut running = start(config, Arc::new(SystemClock)).await?;
    introduce(&running)?;
    loop {
        tokio::select! {
            _ = terminate.recv() => break,
            _ = tokio::signal::ctrl_c() => break,
            _ = hangup.recv() => reload(&running).await,
            error = running.failed() => return Err(error.into()),
        }
    }
    tracing::info!("stopping");
    let done = running.stop().await?;
    tracing::info!(entries = done.entries, groups = done.groups, syncs = done.syncs, "stopped");
    Ok(())
}

async fn reload(running: &Running) {
    let failed = running.reload().await;
    for error in &failed {
        tracing::error!(%error, "what was read before stays in use");
    }
    tracing::info!(failed = failed.len(), "read certificates, revoked tokens and issuers' keys again");
}

fn introduce(running: &Running) -> anyhow::Result<()> {
    let start = &running.start;
    tracing::info!(
        entries = start.entries,
        resumed = start.resumed,
        from_registers = start.from_registers,
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
