//! `fact`: signs a card into the station's outbox, with or without a network.

use std::path::Path;
use std::process::ExitCode;

use rinsebook_proto::bytes::Hash;
use rinsebook_proto::clock::{Clock, SystemClock};
use rinsebook_proto::rules::kind_name;

use super::act::{Desk, Signing};
use super::{FAILED, print, say};
use crate::ClientError;
use crate::card::{Card, Context};
use crate::home::read;
use crate::names::Names;
use crate::remote;

pub(super) async fn sign(file: &Path, signing: &Signing) -> Result<ExitCode, ClientError> {
    let text = read(file)?;
    let mut desk = signing.open()?;
    let (now_ms, folder) = (SystemClock.wall_ms(), file.parent().map(Path::to_owned));
    let parse = |names: &Names| Card::parse(&text, &Context { names, now_ms, folder: folder.clone() });
    let mut card = parse(&desk.names)?;
    let strangers = card.strangers(&desk.names);
    if !strangers.is_empty() {
        ask_about(&mut desk, &strangers).await;
        card = parse(&desk.names)?;
    }
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

/// Asks the record what the facts are about that the card acts on. Without an answer it can be signed all the same: a
/// station works offline.
async fn ask_about(desk: &mut Desk, facts: &[Hash]) {
    let channel = remote::connect(&desk.station.home).await;
    for fact in facts {
        let unknown = match &channel {
            Ok(channel) => desk.names.learn_fact(channel.clone(), fact).await.err().map(|e| e.to_string()),
            Err(error) => Some(error.to_string()),
        };
        if let Some(error) = unknown {
            say(&format!(
                "nobody here knows what fact {}… is about ({error}); an act on something of another wash or engine \
                 counts only if it is signed with the network there",
                fact.short()
            ));
        }
    }
}
