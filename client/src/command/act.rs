//! The one deliberate act: every fact of a card is shown whole, the person says yes once, and only then is it signed.

use std::io::{BufRead, Write};
use std::path::PathBuf;
use std::sync::Arc;

use clap::Args;
use rinsebook_proto::bytes::Hash;
use rinsebook_proto::clock::SystemClock;
use rinsebook_proto::key::SigningKey;
use rinsebook_proto::rules::kind_name;

use crate::card::{Card, describe};
use crate::home::Home;
use crate::names::Names;
use crate::station::Station;
use crate::{ClientError, render, secret};

/// Who signs, and where.
#[derive(Args)]
pub(super) struct Signing {
    /// The station's folder.
    #[arg(long, value_name = "DIR")]
    pub(super) station: PathBuf,
    /// The signer's key file.
    #[arg(long, value_name = "FILE")]
    pub(super) key: PathBuf,
    /// A file with the key's passphrase, or - for standard input; without it you are asked.
    #[arg(long, value_name = "FILE")]
    pub(super) passphrase_file: Option<PathBuf>,
    /// Sign without asking: only where the text was reviewed before.
    #[arg(long)]
    pub(super) yes: bool,
}

/// A station whose person has shown their key.
pub(super) struct Desk {
    pub(super) station: Station,
    pub(super) signer: SigningKey,
    pub(super) names: Names,
    yes: bool,
}

impl Signing {
    /// Opens station and key.
    pub(super) fn open(&self) -> Result<Desk, ClientError> {
        if !self.yes && self.passphrase_file.as_deref().is_some_and(|file| file.as_os_str() == "-") {
            let why = "with the passphrase on standard input nobody can answer there; review the text and give --yes";
            return Err(ClientError::Usage(why.to_owned()));
        }
        let home = Home::open(&self.station)?;
        let names = Names::load(&home)?;
        let station = Station::open(home, Arc::new(SystemClock))?;
        let signer = secret::open_key(&self.key, self.passphrase_file.as_deref())?;
        Ok(Desk { station, signer, names, yes: self.yes })
    }
}

impl Desk {
    /// Shows the card, asks, signs. None: the person did not agree, and nothing was signed.
    pub(super) fn sign(&mut self, card: &Card) -> Result<Option<Vec<Hash>>, ClientError> {
        show(card, &self.names, &mut std::io::stderr())?;
        if !self.yes && !agreed(card.facts.len())? {
            return Ok(None);
        }
        // The texts first: a fact that names one is worth nothing without it.
        for blob in &card.blobs {
            self.station.keep(blob)?;
        }
        let hashes = self.station.sign_linked(&self.signer, card.linked())?;
        card.remember(&hashes, &mut self.names);
        self.names.save(&self.station.home)?;
        Ok(Some(hashes))
    }
}

/// Each fact with all that it holds.
fn show(card: &Card, names: &Names, out: &mut dyn Write) -> Result<(), ClientError> {
    let mut lines = Vec::new();
    for (n, fact) in card.facts.iter().enumerate() {
        let draft = &fact.draft;
        lines.push(format!("{}. {}  {}", n + 1, kind_name(&draft.kind), render::second(draft.happened_ms)));
        for (field, value) in describe(&draft.kind, &card.blobs, names)? {
            lines.push(format!("     {field}: {value}"));
        }
        lines.extend(fact.earlier.iter().map(|place| format!("     acts on: fact {} of this card", place + 1)));
        lines.extend(draft.refers.iter().map(|hash| format!("     acts on: {}", called(hash, names))));
    }
    let unseen = ClientError::file("cannot show what is to be signed");
    lines.iter().try_for_each(|line| writeln!(out, "{line}")).map_err(unseen)
}

fn called(hash: &Hash, names: &Names) -> String {
    let hex = hash.to_string();
    let label = names.facts.iter().find(|(_, known)| **known == hex).map(|(label, _)| label);
    label.map_or_else(|| format!("{}…", hash.short()), |label| format!("{label} ({}…)", hash.short()))
}

fn agreed(facts: usize) -> Result<bool, ClientError> {
    let failed = || ClientError::file("cannot ask whether to sign");
    let mut err = std::io::stderr();
    let what = if facts == 1 { "this fact".to_owned() } else { format!("these {facts} facts") };
    write!(err, "Sign {what}? [y/N] ").and_then(|()| err.flush()).map_err(failed())?;
    let mut answer = String::new();
    std::io::stdin().lock().read_line(&mut answer).map_err(failed())?;
    Ok(matches!(answer.trim(), "y" | "Y" | "yes"))
}
