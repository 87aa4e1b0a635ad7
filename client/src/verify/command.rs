//! The verifier on the command line.

use std::io::Write;
use std::path::{Path, PathBuf};
use std::process::ExitCode;

use indicatif::ProgressBar;
use rinsebook_proto::clock::{Clock, SystemClock};
use rinsebook_proto::cosignature::{cosign, cosigners};
use rinsebook_proto::note::{Checkpoint, CosignerKey, VerifierKey};
use rinsebook_proto::proof::Proof;
use rinsebook_proto::rules::erasures::KEEP_SIGNER_NAME_YEARS;

use super::files::{Access, Files};
use super::pack::{AskedOfPack, PackGood, pack};
use super::tiles::{is_tiles, tiles};
use super::{Asked, Fault, Good, Held, Policy, check, receipt};
use crate::home::write_new;
use crate::{ClientError, secret};

/// What to verify, and by what.
#[derive(Debug, Clone, Default, clap::Args)]
pub struct Args {
    /// The folder with the log's segment files; a folder or an address (https://…) with its static files; a pack;
    /// a station's folder with its receipts; or the proof of one entry.
    #[arg(value_name = "PATH")]
    pub log: String,
    /// The log's verifier key, or a file that holds it. Bring your own: one from the same place proves little.
    #[arg(long, value_name = "KEY")]
    pub log_key: Option<String>,
    /// Check the annexes and attachments in this folder too.
    #[arg(long, value_name = "DIR", conflicts_with = "state")]
    pub blobs: Option<PathBuf>,
    /// Keep how far this audit has come in this file, and go on from there the next time.
    #[arg(long, value_name = "FILE")]
    pub state: Option<PathBuf>,
    /// For an address: the authority's certificate (PEM) that the server's is checked against.
    #[arg(long, value_name = "FILE")]
    pub ca: Option<PathBuf>,
    /// For an address: the folder of a station whose certificate and authority are used.
    #[arg(long, value_name = "DIR", conflicts_with = "ca")]
    pub station: Option<PathBuf>,
    /// For an address: a file with the auditor's token.
    #[arg(long, value_name = "FILE")]
    pub token_file: Option<PathBuf>,
    /// A witness's key, or a file that holds it: its cosignature below the checkpoint of a pack or of static files is
    /// checked. Repeat it.
    #[arg(long = "witness", value_name = "KEY")]
    pub witnesses: Vec<String>,
    /// So many of these witnesses must have cosigned; without it, all of them.
    #[arg(long, value_name = "N", requires = "witnesses")]
    pub quorum: Option<usize>,
    /// A file with a checkpoint that you hold from before, cosigned or not: the log must have been that. Repeat it.
    #[arg(long, value_name = "FILE", requires = "log_key")]
    pub holds: Vec<PathBuf>,
    /// Once the whole log is found good, cosign its last checkpoint with this key of your own.
    #[arg(long, value_name = "FILE", requires_all = ["cosigner", "cosigned"])]
    pub cosign: Option<PathBuf>,
    /// Your name in the cosignature, such as quality.example/auditor.
    #[arg(long, value_name = "NAME")]
    pub cosigner: Option<String>,
    /// A file with the passphrase of your key, or - for standard input; without it you are asked.
    #[arg(long, value_name = "FILE")]
    pub passphrase_file: Option<PathBuf>,
    /// The file to write the checkpoint with your cosignature to.
    #[arg(long, value_name = "FILE")]
    pub cosigned: Option<PathBuf>,
    /// For so many years a signer's name cannot be erased, as the service is configured; without it, 3.
    #[arg(long, value_name = "YEARS")]
    #[arg(value_parser = clap::value_parser!(u32).range(2..=100))]
    pub keep_signer_name_years: Option<u32>,
    /// Answer as one JSON object.
    #[arg(long)]
    pub json: bool,
}

impl Args {
    fn keep_years(&self) -> u32 {
        self.keep_signer_name_years.unwrap_or(KEEP_SIGNER_NAME_YEARS)
    }
}

/// Verifies and tells: exit code 0 good, 3 checked and found bad, 5 could not check. How far it has come is told on
/// standard error, where that is a terminal.
pub fn run(args: &Args, out: &mut dyn Write) -> Result<ExitCode, ClientError> {
    let log_key = args.log_key.as_deref().map(log_key).transpose()?;
    let policy = policy(args)?;
    let path = Path::new(&args.log);
    let proof = path.is_file().then(|| std::fs::read(path).ok()).flatten().filter(|bytes| Proof::is_one(bytes));
    let told = if let Some(bytes) = proof {
        receipt::proof(&bytes, log_key.as_ref(), policy.as_ref())
            .map(|good| if args.json { good.to_json().to_string() } else { good.to_string() })
    } else if path.join("station.toml").is_file() {
        receipt::station(path, log_key.as_ref(), policy.as_ref())
            .map(|good| if args.json { good.to_json().to_string() } else { good.to_string() })
    } else if Path::new(&args.log).is_file() {
        packed(args, log_key.as_ref(), policy.as_ref())
            .map(|good| if args.json { good.to_json().to_string() } else { good.to_string() })
    } else {
        let good = verified(args, log_key.as_ref(), policy.as_ref());
        if let Ok(good) = &good {
            cosign_last(args, good)?;
        }
        good.map(|good| if args.json { good.to_json().to_string() } else { good.to_string() })
    };
    let text = match &told {
        Ok(good) => good.clone(),
        Err(fault) if args.json => fault.to_json().to_string(),
        Err(fault) => fault.to_string(),
    };
    writeln!(out, "{text}").map_err(ClientError::file("cannot write to standard output"))?;
    Ok(match told {
        Ok(_) => ExitCode::SUCCESS,
        Err(fault) => fault.exit_code(),
    })
}

fn packed(args: &Args, log_key: Option<&VerifierKey>, policy: Option<&Policy>) -> Result<PackGood, Fault> {
    let bytes = std::fs::read(&args.log).map_err(|e| Fault::CouldNot(format!("{}: {e}", args.log)))?;
    pack(&bytes, &AskedOfPack { log_key, policy, keep_signer_name_years: args.keep_years() })
}

fn verified(args: &Args, log_key: Option<&VerifierKey>, policy: Option<&Policy>) -> Result<Good, Fault> {
    // A folder mistyped must not look like annexes that went missing.
    if let Some(dir) = args.blobs.as_deref()
        && let Err(error) = std::fs::read_dir(dir)
    {
        return Err(Fault::CouldNot(format!("the folder of blobs, {}: {error}", dir.display())));
    }
    let bar = ProgressBar::new_spinner();
    let held = args.holds.iter().map(|file| held(file, log_key, policy)).collect::<Result<Vec<_>, _>>()?;
    let asked = Asked {
        log_key,
        blobs: args.blobs.as_deref(),
        state: args.state.as_deref(),
        policy,
        held: &held,
        keep_signer_name_years: args.keep_years(),
    };
    let mut progress = |entries| bar.set_message(format!("{entries} entries checked"));
    let is_address = args.log.starts_with("https://") || args.log.starts_with("http://");
    let told = if is_address || is_tiles(Path::new(&args.log)) {
        files(args).and_then(|files| tiles(&files, &asked, &mut progress))
    } else {
        check(Path::new(&args.log), &asked, &mut progress)
    };
    bar.finish_and_clear();
    told
}

fn held(file: &Path, log_key: Option<&VerifierKey>, policy: Option<&Policy>) -> Result<Held, Fault> {
    let could_not = |why: String| Fault::CouldNot(format!("{}: {why}", file.display()));
    let note = std::fs::read_to_string(file).map_err(|e| could_not(e.to_string()))?;
    let checkpoint = Checkpoint::open(&note, log_key.map_or(&[], std::slice::from_ref));
    let checkpoint = checkpoint.map_err(|e| could_not(e.to_string()))?;
    let witnesses = policy.map(|policy| policy.witnesses.as_slice()).unwrap_or_default();
    let cosignatures = cosigners(&note, witnesses).map_err(|e| could_not(e.to_string()))?;
    Ok(Held { checkpoint, cosignatures })
}

fn files(args: &Args) -> Result<Files, Fault> {
    let text =
        |file: &Path| std::fs::read_to_string(file).map_err(|e| Fault::CouldNot(format!("{}: {e}", file.display())));
    let mut access = Access::default();
    if let Some(dir) = &args.station {
        access.authority_pem = Some(text(&dir.join("ca.pem"))?);
        access.device = Some((text(&dir.join("device.crt"))?, text(&dir.join("device.key"))?));
    }
    if let Some(file) = &args.ca {
        access.authority_pem = Some(text(file)?);
    }
    if let Some(file) = &args.token_file {
        access.token = Some(text(file)?.trim().to_owned());
    }
    Files::at(&args.log, &access).map_err(|e| Fault::CouldNot(format!("{}: {e}", args.log)))
}

fn policy(args: &Args) -> Result<Option<Policy>, ClientError> {
    let key = |given: &String| {
        let text = text_or_file(given, "--witness")?;
        CosignerKey::parse(text.trim()).map_err(|e| ClientError::Usage(format!("--witness {given}: {e}")))
    };
    let witnesses = args.witnesses.iter().map(key).collect::<Result<Vec<_>, _>>()?;
    let quorum = args.quorum.unwrap_or(witnesses.len());
    Ok((!witnesses.is_empty()).then_some(Policy { witnesses, quorum }))
}

/// Puts the auditor's own name to what was found good.
fn cosign_last(args: &Args, good: &Good) -> Result<(), ClientError> {
    let (Some(file), Some(name), Some(to)) = (&args.cosign, &args.cosigner, &args.cosigned) else { return Ok(()) };
    if !good.origin_proved {
        let why = "nothing is cosigned that is not proved to be the log: give --log-key";
        return Err(ClientError::Usage(why.to_owned()));
    }
    let signer = secret::open_key(file, args.passphrase_file.as_deref())?;
    let line = cosign(&good.note, &signer, name, SystemClock.wall_ms() / 1000)
        .map_err(|e| ClientError::Usage(format!("--cosigner {name}: {e}")))?;
    write_new(to, format!("{}{line}", good.note).as_bytes())
}

/// A key as text, or the file that holds it. A file that is there and cannot be read is told as such.
fn log_key(given: &str) -> Result<VerifierKey, ClientError> {
    VerifierKey::parse(text_or_file(given, "--log-key")?.trim())
        .map_err(|e| ClientError::Usage(format!("--log-key: neither a file nor a verifier key (name+hash+key): {e}")))
}

fn text_or_file(given: &str, option: &str) -> Result<String, ClientError> {
    match std::fs::read_to_string(given) {
        Ok(text) => Ok(text),
        Err(error) if error.kind() == std::io::ErrorKind::NotFound => Ok(given.to_owned()),
        Err(error) => Err(ClientError::Usage(format!("{option}: {given}: {error}"))),
    }
}
