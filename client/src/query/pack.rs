//! A pack asked for and written to a file.

use std::io::Write;
use std::path::PathBuf;
use std::process::ExitCode;

use rinsebook_proto::v1::{self, issue_pack_request::About};

use super::through::Through;
use super::{ask, told, unix_ms};
use crate::ClientError;
use crate::remote::Channel;
use crate::rpc::records_client::RecordsClient;

/// What is to be given out, to whom?
#[derive(Debug, Clone, clap::Args)]
#[command(group(clap::ArgGroup::new("about").required(true).args(["aircraft", "wash", "from"])))]
pub struct PackArgs {
    /// As whom to ask.
    #[command(flatten)]
    pub through: Through,
    /// Everything about the aircraft of this registration or id.
    pub aircraft: Option<String>,
    /// A wash by its id: everything about its aircraft, with the report on this wash.
    #[arg(long, value_name = "ID")]
    pub wash: Option<String>,
    /// Everything about each aircraft of which something came from this time on, such as 2031-03-04T00:00:00Z.
    #[arg(long, value_name = "TIME", value_parser = unix_ms, requires = "until")]
    pub from: Option<u64>,
    /// And up to this one.
    #[arg(long, value_name = "TIME", value_parser = unix_ms, requires = "from")]
    pub until: Option<u64>,
    /// Who gets it; the log keeps that.
    #[arg(long, value_name = "TEXT")]
    pub issued_to: String,
    /// What for.
    #[arg(long, value_name = "TEXT", default_value = "")]
    pub purpose: String,
    /// The file to write; it must not exist.
    #[arg(long, value_name = "FILE")]
    pub out: PathBuf,
}

/// Asks for a pack; gives the file's bytes. That it was given out stands in the log then.
pub async fn issued(channel: Channel, request: v1::IssuePackRequest) -> Result<Vec<u8>, ClientError> {
    let mut pieces = RecordsClient::new(channel).issue_pack(request).await?.into_inner();
    let mut bytes = Vec::new();
    while let Some(piece) = pieces.message().await? {
        bytes.extend(piece.content);
    }
    Ok(bytes)
}

/// Asks for a pack and writes it to its file.
pub async fn run_pack(channel: Channel, args: &PackArgs, out: &mut dyn Write) -> Result<ExitCode, ClientError> {
    // Before it is asked for: an issue stands in the log for ever.
    let mut file = std::fs::OpenOptions::new()
        .write(true)
        .create_new(true)
        .open(&args.out)
        .map_err(ClientError::file(format!("cannot write {}; nothing was issued", args.out.display())))?;
    let about = match (&args.aircraft, &args.wash, args.from, args.until) {
        (Some(name), ..) => About::Aircraft(ask::aircraft(channel.clone(), name).await?),
        (None, Some(wash), ..) => About::Wash(
            hex::decode(wash).map_err(|_| ClientError::Usage("a wash is named by its id, 32 hex digits".to_owned()))?,
        ),
        (None, None, Some(from_ms), Some(until_ms)) => About::Received(v1::ReceivedSpan { from_ms, until_ms }),
        _ => return Err(ClientError::Usage("name an aircraft, --wash, or --from and --until".to_owned())),
    };
    let (issued_to, purpose) = (args.issued_to.clone(), args.purpose.clone());
    let fetched = issued(channel, v1::IssuePackRequest { about: Some(about), issued_to, purpose }).await;
    let bytes = fetched.inspect_err(|_| {
        // The file was made a moment ago and is empty.
        let _ = std::fs::remove_file(&args.out);
    })?;
    let failed = || ClientError::file(format!("cannot write {}", args.out.display()));
    file.write_all(&bytes).and_then(|()| file.sync_all()).map_err(failed())?;
    told(writeln!(
        out,
        "{}: {} bytes; check it with `rinsebook verify {} --log-key KEY`",
        args.out.display(),
        bytes.len(),
        args.out.display()
    ))?;
    Ok(ExitCode::SUCCESS)
}
