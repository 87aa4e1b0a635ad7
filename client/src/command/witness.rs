//! `witness`: cosigning the checkpoints of logs that others keep.

use std::net::SocketAddr;
use std::path::PathBuf;
use std::process::ExitCode;
use std::sync::Arc;

use clap::Subcommand;
use rinsebook_proto::clock::SystemClock;
use rinsebook_proto::note::VerifierKey;
use tokio::signal::unix::{SignalKind, signal};
use tracing_subscriber::EnvFilter;

use super::print;
use crate::witness::{Running, Settings, Witness, serve};
use crate::{ClientError, secret};

#[derive(Subcommand)]
pub(super) enum Witnesses {
    /// Cosign checkpoints until told to stop (SIGTERM or Ctrl-C).
    #[command(after_help = "Never put an older copy of the state back, and never lose it: take a new key then.")]
    Serve {
        /// The witness's key, as `rinsebook key new` makes one; use it for nothing else.
        #[arg(long, value_name = "FILE")]
        key: PathBuf,
        /// A file with the passphrase, or - for standard input; without it you are asked.
        #[arg(long, value_name = "FILE")]
        passphrase_file: Option<PathBuf>,
        /// The witness's name in signature lines, such as witness.example/w1.
        #[arg(long)]
        name: String,
        /// The folder of what it has cosigned.
        #[arg(long, value_name = "DIR")]
        state: PathBuf,
        /// Address and port for HTTP; put TLS in front where others are to reach it.
        #[arg(long, value_name = "ADDRESS", default_value = "127.0.0.1:7430")]
        listen: SocketAddr,
        /// The key of each log to be cosigned, or a file that holds it.
        #[arg(long = "log", value_name = "KEY", required = true, num_args = 1..)]
        logs: Vec<String>,
    },
}

impl Witnesses {
    pub(super) async fn run(self) -> Result<ExitCode, ClientError> {
        let Witnesses::Serve { key, passphrase_file, name, state, listen, logs } = self;
        let logs = logs.iter().map(|given| log_key(given)).collect::<Result<Vec<_>, _>>()?;
        let signer = secret::open_key(&key, passphrase_file.as_deref())?;
        let filter = EnvFilter::try_from_env("RINSEBOOK_LOG").unwrap_or_else(|_| EnvFilter::new("info"));
        tracing_subscriber::fmt().with_env_filter(filter).with_writer(std::io::stderr).init();
        let witness = Witness::open(Settings { name, signer, state, logs, clock: Arc::new(SystemClock) })?;
        let failed = || ClientError::file("cannot wait for signals");
        let mut terminate = signal(SignalKind::terminate()).map_err(failed())?;
        let mut running = serve(witness, listen)?;
        introduce(&running)?;
        tokio::select! {
            _ = terminate.recv() => {}
            waited = tokio::signal::ctrl_c() => waited.map_err(failed())?,
            error = running.failed() => return Err(error),
        }
        running.stop().await;
        Ok(ExitCode::SUCCESS)
    }
}

fn introduce(running: &Running) -> Result<(), ClientError> {
    print(|o| {
        writeln!(o, "witnessing  http://{}/add-checkpoint", running.address)?;
        writeln!(o, "key         {}", running.witness().key())?;
        for (origin, size) in running.witness().stands() {
            writeln!(o, "log         {origin}, cosigned up to {size}")?;
        }
        Ok(())
    })
}

/// A key as text, or the file that holds it. A file that is there and cannot be read is told as such.
fn log_key(given: &str) -> Result<VerifierKey, ClientError> {
    let text = match std::fs::read_to_string(given) {
        Ok(text) => text,
        Err(error) if error.kind() == std::io::ErrorKind::NotFound => given.to_owned(),
        Err(error) => return Err(ClientError::Usage(format!("--log: {given}: {error}"))),
    };
    VerifierKey::parse(text.trim())
        .map_err(|e| ClientError::Usage(format!("--log: neither a file nor a verifier key (name+hash+key): {e}")))
}
