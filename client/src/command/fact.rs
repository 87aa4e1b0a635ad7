//! `fact`: signs a card into the station's outbox, with or without a network.

use std::path::Path;
use std::process::ExitCode;

use rinsebook_proto::clock::{Clock, SystemClock};
use rinsebook_proto::rules::kind_name;

use super::act::Signing;
use super::{FAILED, print};
use crate::ClientError;
use crate::card::{Card, Context};
use crate::home::read;

pub(super) fn sign(file: &Path, signing: &Signing) -> Result<ExitCode, ClientError> {
    let text = read(file)?;
    let mut desk = signing.open()?;
    let folder = file.parent().map(Path::to_owned);
    let card = Card::parse(&text, &Context { names: &desk.names, now_ms: SystemClock.wall_ms(), folder })?;
    let Some(hashes) = desk.sign(&card)? else {
        print(|o| writeln!(o, "nothing was signed"))?;
        return Ok(ExitCode::from(FAILED));
    };
    print(|o| {
        for (fact, hash) in card.facts.iter().zip(&hashes) {
            let label = fact.label.as_deref().map(|label| format!("  {label}")).unwrap_or_default();
            writeln!(o, "saved  {hash}  {}{label}", kind_name(&fact.draft.kind))?;
        }
        Ok(())
    })?;
    Ok(ExitCode::SUCCESS)
}
