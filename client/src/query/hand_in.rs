//! An audit that is handed in: the checkpoint that an auditor cosigned once they had found the whole log good.

use std::io::Write;
use std::path::PathBuf;
use std::process::ExitCode;

use rinsebook_proto::note::Checkpoint;
use rinsebook_proto::v1;

use super::text::second;
use super::through::Through;
use super::told;
use crate::ClientError;
use crate::home::read;
use crate::remote::Channel;
use crate::rpc::ledger_client::LedgerClient;

/// Which audit?
#[derive(Debug, Clone, clap::Args)]
pub struct HandInArgs {
    /// As whom to call.
    #[command(flatten)]
    pub through: Through,
    /// The file that `rinsebook verify --cosign KEY` wrote: --cosigned FILE.
    pub file: PathBuf,
}

/// Hands it in, and tells what was taken.
pub async fn run_hand_in(channel: Channel, args: &HandInArgs, out: &mut dyn Write) -> Result<ExitCode, ClientError> {
    let cosigned_note = read(&args.file)?;
    Checkpoint::read_unverified(&cosigned_note).map_err(|error| {
        let file = args.file.display();
        ClientError::Usage(format!(
            "{file}: {error}; hand in the file that `rinsebook verify` wrote with --cosigned FILE"
        ))
    })?;
    let answer = LedgerClient::new(channel).hand_in_audit(v1::HandInAuditRequest { cosigned_note }).await?;
    for v1::HandedInAudit { auditor, size, cosigned_ms, newest } in answer.into_inner().audits {
        let what = format!("{auditor}, up to entry {}, cosigned {}", size.saturating_sub(1), second(cosigned_ms));
        let said = if newest {
            format!("taken in: {what}; the quality page shows it")
        } else {
            format!("not kept: {what}; a newer audit by {auditor} was handed in before, and stays")
        };
        told(writeln!(out, "{said}"))?;
    }
    Ok(ExitCode::SUCCESS)
}
