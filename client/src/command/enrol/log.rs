//! What a custodian does about the log itself: change its key, open an epoch, take custody over with the recovery keys.

use std::path::PathBuf;
use std::process::ExitCode;

use clap::Args;
use rinsebook_proto::bytes::Id;
use rinsebook_proto::note::Checkpoint;
use rinsebook_proto::v1;

use super::{annex, card_of, now_ms, recovery_key, sign_and_send};
use crate::command::act::{Desk, Signing};
use crate::command::{FAILED, print, station};
use crate::rpc::ledger_client::LedgerClient;
use crate::sync::deliver_own_run;
use crate::{ClientError, enrol, remote, secret};

/// Change the key that signs the log's checkpoints.
#[derive(Args)]
pub(in crate::command) struct LogKey {
    #[command(flatten)]
    signing: Signing,
}

/// Open an epoch, after an older state of the service was put back; stations then send again what was lost.
#[derive(Args)]
pub(in crate::command) struct Epoch {
    #[command(flatten)]
    signing: Signing,
}

/// Establish custody anew with the recovery keys, when the custodian's key is lost. The key that signs is the new one.
#[derive(Args)]
pub(in crate::command) struct Custody {
    #[command(flatten)]
    signing: Signing,
    /// A recovery key's file, as many as the founding fact asks. Repeat it; each asks for its passphrase.
    #[arg(long, value_name = "FILE", required = true)]
    recovery: Vec<PathBuf>,
    /// A file with the recovery keys' passphrase, where they share one; without it you are asked for each.
    #[arg(long, value_name = "FILE")]
    recovery_passphrase_file: Option<PathBuf>,
    /// The new custodian's name; kept beside the log, where it can be erased.
    #[arg(long)]
    name: String,
    /// Where this device is used.
    #[arg(long)]
    place: String,
    /// Public halves (hex) of the recovery keys from now on; without any, those of the founding stay.
    #[arg(long, value_name = "HEX")]
    recovery_key: Vec<String>,
    /// Why.
    #[arg(long)]
    reason: String,
}

async fn prepared(desk: &Desk) -> Result<v1::PrepareLogKeyResponse, ClientError> {
    let channel = remote::connect(&desk.station.home).await?;
    Ok(LedgerClient::new(channel).prepare_log_key(v1::PrepareLogKeyRequest {}).await?.into_inner())
}

impl LogKey {
    pub(super) async fn run(&self) -> Result<ExitCode, ClientError> {
        let mut desk = self.signing.open()?;
        let prepared = prepared(&desk).await?;
        if !prepared.not_recording.is_empty() {
            let why =
                format!("the service does not record: {}; `rinsebook enrol epoch` comes first", prepared.not_recording);
            return Err(ClientError::Usage(why));
        }
        let kind = enrol::log_key_changed(&prepared);
        let draft = enrol::roster_fact(kind, vec![], now_ms());
        sign_and_send(&mut desk, &card_of(vec![draft], vec![])).await
    }
}

impl Epoch {
    pub(super) async fn run(&self) -> Result<ExitCode, ClientError> {
        let mut desk = self.signing.open()?;
        let prepared = prepared(&desk).await?;
        if prepared.not_recording.is_empty() {
            let why = "the service records: an epoch is opened only where an older state was put back";
            return Err(ClientError::Usage(why.to_owned()));
        }
        print(|o| writeln!(o, "the service says: {}", prepared.not_recording))?;
        let own = desk.station.home.text("checkpoint")?.unwrap_or_default();
        let is_lost = Checkpoint::read_unverified(&own).is_ok_and(|seen| seen.size > prepared.size);
        let kind = enrol::epoch_opened(&prepared, if is_lost { &own } else { "" });
        let draft = enrol::roster_fact(kind, vec![], now_ms());
        if desk.sign(&card_of(vec![draft], vec![]))?.is_none() {
            print(|o| writeln!(o, "nothing was signed"))?;
            return Ok(ExitCode::from(FAILED));
        }
        let report = deliver_own_run(&mut desk.station).await?;
        report.refused.iter().try_for_each(|why| print(|o| writeln!(o, "  {why}")))?;
        station::send(&mut desk.station, 3, false).await
    }
}

impl Custody {
    pub(super) async fn run(&self) -> Result<ExitCode, ClientError> {
        let next = self.recovery_key.iter().map(|hex| recovery_key(hex)).collect::<Result<Vec<_>, _>>()?;
        let mut desk = self.signing.open()?;
        let passphrase = self.recovery_passphrase_file.as_deref();
        let opened = self.recovery.iter().map(|file| secret::open_key(file, passphrase));
        let recovery = opened.collect::<Result<Vec<_>, _>>()?;
        let home = desk.station.home.clone();
        // The device is enrolled already: it is the one that this goes over.
        let digest = enrol::certificate(&home, &home.path("."))?;
        let device = enrol::device(&home, digest, &self.place)?;
        let person = Id::random();
        let (name, blob) = annex(&self.name);
        let custodian = v1::PersonEnrolled { person: person.to_vec(), name: Some(name), ..Default::default() };
        let key = enrol::person_key(person, &desk.signer);
        let kind = enrol::custody_reestablished(custodian, key, device, next, &self.reason);
        let card = card_of(vec![enrol::roster_fact(kind, vec![], now_ms())], vec![blob]);
        let Some(signed) = desk.sign(&card)? else {
            print(|o| writeln!(o, "nothing was signed"))?;
            return Ok(ExitCode::from(FAILED));
        };
        for key in &recovery {
            desk.station.sign_card(key, vec![enrol::recovery_agreed(signed[0], now_ms())])?;
        }
        print(|o| writeln!(o, "custodian   {person}"))?;
        station::send(&mut desk.station, 3, false).await
    }
}
