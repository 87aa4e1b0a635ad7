//! `enrol erase`: a custodian has names, licences and texts erased that are kept beside the log.

use std::collections::BTreeMap;
use std::io::Write;
use std::process::ExitCode;

use crate::remote::Channel;
use clap::Args;
use rinsebook_proto::bytes::Hash;
use rinsebook_proto::fact::Kind;
use rinsebook_proto::v1;

use super::act::Signing;
use super::enrol::{card_of, now_ms, sign_and_send};
use super::{FAILED, print};
use crate::names::Names;
use crate::query::annexes::{self, Annex};
use crate::query::text::plain;
use crate::{ClientError, enrol, query, remote};

/// The log would not hold a longer list in one fact.
const MOST_ANNEXES: usize = 256;

#[derive(Args)]
pub(super) struct Erase {
    #[command(flatten)]
    signing: Signing,
    /// People, by name or id: their names, staff numbers and licences go. Or single annexes, by digest (64 hex digits).
    /// A signer's name stays as long as the record of their work has to be kept.
    #[arg(required = true, value_name = "PERSON|DIGEST")]
    what: Vec<String>,
    /// Why. It stands in the log for ever: name nobody in it.
    #[arg(long)]
    reason: String,
}

impl Erase {
    pub(super) async fn run(&self) -> Result<ExitCode, ClientError> {
        if self.reason.trim().is_empty() {
            return Err(ClientError::Usage("--reason: say why; the log keeps it".to_owned()));
        }
        let mut desk = self.signing.open()?;
        let channel = remote::connect(&desk.station.home).await?;
        let people = query::every_person(channel.clone()).await?;
        let mut wanted = BTreeMap::new();
        for what in &self.what {
            wanted.extend(annexes_of(what, &people, &desk.names)?);
        }
        let digests = shown(channel.clone(), wanted).await?;
        if digests.is_empty() {
            return Err(ClientError::Usage("all of that is erased already; nothing was signed".to_owned()));
        }
        if digests.len() > MOST_ANNEXES {
            let why = format!("{} annexes are more than {MOST_ANNEXES}; erase them in parts", digests.len());
            return Err(ClientError::Usage(why));
        }
        let digests: Vec<Vec<u8>> = digests.into_iter().map(Hash::to_vec).collect();
        let kind = Kind::AnnexErased(v1::AnnexErased { digests: digests.clone(), reason: self.reason.clone() });
        let draft = enrol::roster_fact(kind, vec![], now_ms());
        let code = sign_and_send(&mut desk, &card_of(vec![draft], vec![])).await?;
        if code != ExitCode::SUCCESS {
            return Ok(code);
        }
        let erased = query::every_erasure(channel).await?;
        let stay = digests.iter().filter(|digest| !erased.iter().any(|erasure| erasure.digest == **digest)).count();
        print(|o| writeln!(o, "erased {} of {} annexes", digests.len() - stay, digests.len()))?;
        Ok(if stay == 0 { ExitCode::SUCCESS } else { ExitCode::from(FAILED) })
    }
}

/// The annexes that one word of the command names, and what each is.
fn annexes_of(what: &str, people: &[v1::Person], names: &Names) -> Result<Vec<(Hash, String)>, ClientError> {
    if let Some(digest) = Hash::from_hex(what) {
        return Ok(vec![(digest, "an annex".to_owned())]);
    }
    let id = names.person(what).map_err(ClientError::Usage)?;
    let of: Vec<&v1::Person> = people.iter().filter(|person| person.person == id.0).collect();
    let parts = of.iter().flat_map(|person| {
        [("name", &person.name), ("staff number", &person.staff_number), ("licence", &person.licence)]
    });
    let named: Vec<(Hash, String)> = parts
        .filter_map(|(part, annex)| {
            let digest = Hash::from_slice(&annex.as_ref()?.digest)?;
            Some((digest, format!("the {part} of person {id}")))
        })
        .collect();
    match named.is_empty() {
        true => Err(ClientError::Usage(format!("no annex of person {id} is in this record"))),
        false => Ok(named),
    }
}

/// Shows what will go, with its text as far as it is there; gives the digests of what is not erased yet.
async fn shown(channel: Channel, wanted: BTreeMap<Hash, String>) -> Result<Vec<Hash>, ClientError> {
    let unseen = || ClientError::file("cannot show what is to be erased");
    let mut err = std::io::stderr();
    let mut digests = Vec::new();
    for (digest, what) in wanted {
        let found = annexes::get(channel.clone(), &digest).await?;
        let held = match &found {
            Annex::Text(text) => format!("\"{}\"", plain(text)),
            Annex::Bytes(bytes) => format!("{bytes} bytes that are no text"),
            Annex::Erased(erased) => erased.to_string(),
            Annex::Withheld => "it is not shown to this role".to_owned(),
            Annex::Unknown => "the service does not have it; it will not take it either".to_owned(),
        };
        writeln!(err, "{what}, {}…: {held}", digest.short()).map_err(unseen())?;
        if !matches!(found, Annex::Erased(_)) {
            digests.push(digest);
        }
    }
    writeln!(err, "What is erased cannot be brought back.").map_err(unseen())?;
    Ok(digests)
}
