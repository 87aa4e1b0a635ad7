//! The verifier on the command line.

use std::io::Write;
use std::path::PathBuf;
use std::process::ExitCode;

use indicatif::ProgressBar;
use rinsebook_proto::note::VerifierKey;
use rinsebook_proto::rules::erasures::KEEP_SIGNER_NAME_YEARS;

use super::pack::{AskedOfPack, PackGood, pack};
use super::{Asked, Fault, Good, check};
use crate::ClientError;

/// Checked and found bad.
const BAD: u8 = 3;
/// Could not check.
const COULD_NOT: u8 = 5;

/// What to verify, and by what.
#[derive(Debug, Clone, clap::Args)]
pub struct Args {
    /// The folder with the log's segment files, or a pack.
    #[arg(value_name = "PATH")]
    pub log: PathBuf,
    /// The log's verifier key, or a file that holds it. Bring your own: one from the same place proves little.
    #[arg(long, value_name = "KEY")]
    pub log_key: Option<String>,
    /// Check the annexes and attachments in this folder too.
    #[arg(long, value_name = "DIR")]
    pub blobs: Option<PathBuf>,
    /// For so many years a signer's name cannot be erased, as the service is configured.
    #[arg(long, value_name = "YEARS", default_value_t = KEEP_SIGNER_NAME_YEARS)]
    #[arg(value_parser = clap::value_parser!(u32).range(2..=100))]
    pub keep_signer_name_years: u32,
    /// Answer as one JSON object.
    #[arg(long)]
    pub json: bool,
}

/// Verifies and tells: exit code 0 good, 3 checked and found bad, 5 could not check. How far it has come is told on
/// standard error, where that is a terminal.
pub fn run(args: &Args, out: &mut dyn Write) -> Result<ExitCode, ClientError> {
    let log_key = args.log_key.as_deref().map(log_key).transpose()?;
    let told = if args.log.is_file() {
        packed(args, log_key.as_ref()).map(|good| if args.json { good.to_json().to_string() } else { good.to_string() })
    } else {
        verified(args, log_key.as_ref())
            .map(|good| if args.json { good.to_json().to_string() } else { good.to_string() })
    };
    let text = match &told {
        Ok(good) => good.clone(),
        Err(fault) if args.json => fault.to_json().to_string(),
        Err(fault) => fault.to_string(),
    };
    writeln!(out, "{text}").map_err(ClientError::file("cannot write to standard output"))?;
    Ok(match told {
        Ok(_) => ExitCode::SUCCESS,
        Err(Fault::Bad { .. }) => ExitCode::from(BAD),
        Err(Fault::CouldNot(_)) => ExitCode::from(COULD_NOT),
    })
}

fn packed(args: &Args, log_key: Option<&VerifierKey>) -> Result<PackGood, Fault> {
    let bytes = std::fs::read(&args.log).map_err(|e| Fault::CouldNot(format!("{}: {e}", args.log.display())))?;
    pack(&bytes, &AskedOfPack { log_key, keep_signer_name_years: args.keep_signer_name_years })
}

fn verified(args: &Args, log_key: Option<&VerifierKey>) -> Result<Good, Fault> {
    // A folder mistyped must not look like annexes that went missing.
    if let Some(dir) = args.blobs.as_deref()
        && let Err(error) = std::fs::read_dir(dir)
    {
        return Err(Fault::CouldNot(format!("the folder of blobs, {}: {error}", dir.display())));
    }
    let bar = ProgressBar::new_spinner();
    let keep_signer_name_years = args.keep_signer_name_years;
    let asked = Asked { log_key, blobs: args.blobs.as_deref(), keep_signer_name_years };
    let told = check(&args.log, &asked, &mut |entries| bar.set_message(format!("{entries} entries checked")));
    bar.finish_and_clear();
    told
}

/// A key as text, or the file that holds it. A file that is there and cannot be read is told as such.
fn log_key(given: &str) -> Result<VerifierKey, ClientError> {
    let text = match std::fs::read_to_string(given) {
        Ok(text) => text,
        Err(error) if error.kind() == std::io::ErrorKind::NotFound => given.to_owned(),
        Err(error) => return Err(ClientError::Usage(format!("--log-key: {given}: {error}"))),
    };
    VerifierKey::parse(text.trim())
        .map_err(|e| ClientError::Usage(format!("--log-key: neither a file nor a verifier key (name+hash+key): {e}")))
}
