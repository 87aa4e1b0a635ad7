//! `procedure`: checks a procedure's text, compares two, and publishes one.

use std::path::{Path, PathBuf};
use std::process::ExitCode;

use clap::Subcommand;
use rinsebook_proto::bytes::Hash;
use rinsebook_proto::fact::BlobNamed;
use rinsebook_proto::rules::procedure::Procedure;
use rinsebook_proto::v1;

use super::act::Signing;
use super::enrol::{card_of, now_ms, sign_and_send};
use super::{BAD, UNCHECKED, print, say};
use crate::home::{Home, read};
use crate::remote::Channel;
use crate::{ClientError, enrol, query, remote, revisions};

#[derive(Subcommand)]
pub(super) enum Procedures {
    /// Say whether a text can be read as a procedure, and where not.
    Check {
        /// The text.
        file: PathBuf,
    },
    /// List what is published, or write one text out, exactly.
    Show {
        /// The station's folder.
        #[arg(long, value_name = "DIR")]
        station: PathBuf,
        /// Title and revision as listed, or the text's digest; without it, the list.
        name: Option<String>,
    },
    /// Say what changed between two texts, by meaning; exit code 3 where they do not ask the same.
    Diff {
        /// The older: a file, or title and revision as listed, or its digest.
        old: String,
        /// The newer, likewise.
        new: String,
        /// The station's folder; needed for a published text.
        #[arg(long, value_name = "DIR")]
        station: Option<PathBuf>,
        /// Answer as one JSON object.
        #[arg(long)]
        json: bool,
    },
    /// Publish a revision; washes are then opened against exactly this text.
    Publish {
        /// The text.
        file: PathBuf,
        #[command(flatten)]
        signing: Signing,
    },
}

impl Procedures {
    pub(super) async fn run(&self) -> Result<ExitCode, ClientError> {
        match self {
            Procedures::Check { file } => check(file),
            Procedures::Show { station, name } => show(station, name.as_deref()).await,
            Procedures::Diff { old, new, station, json } => diff(old, new, station.as_deref(), *json).await,
            Procedures::Publish { file, signing } => publish(file, signing).await,
        }
    }
}

fn check(file: &Path) -> Result<ExitCode, ClientError> {
    let text = read(file)?;
    match Procedure::parse(&text) {
        Ok(procedure) => {
            let digest = Hash::of(text.as_bytes());
            print(|o| writeln!(o, "good: {}, revision {}\ndigest {digest}", procedure.title, procedure.revision))?;
            Ok(ExitCode::SUCCESS)
        }
        Err(error) => {
            print(|o| writeln!(o, "bad: {}: {error}", file.display()))?;
            Ok(ExitCode::from(BAD))
        }
    }
}

async fn show(station: &Path, name: Option<&str>) -> Result<ExitCode, ClientError> {
    let channel = remote::connect(&Home::open(station)?).await?;
    let published = query::every_procedure(channel.clone()).await?;
    let Some(name) = name else {
        print(|o| {
            published.iter().try_for_each(|p| {
                let withdrawn = p.withdrawn_index.map(|at| format!(", withdrawn by entry {at}")).unwrap_or_default();
                writeln!(o, "{}  (engine type {}{withdrawn})\n  {}", full(p), p.engine_type, hex::encode(digest(p)))
            })
        })?;
        return Ok(ExitCode::SUCCESS);
    };
    let text = published_text(channel, &published, name).await?;
    print(|o| write!(o, "{text}"))?;
    Ok(ExitCode::SUCCESS)
}

fn full(procedure: &v1::Procedure) -> String {
    format!("{} r{}", procedure.title, procedure.revision)
}

fn digest(procedure: &v1::Procedure) -> Vec<u8> {
    procedure.text.as_ref().map(|t| t.digest.clone()).unwrap_or_default()
}

/// The text published under that title and revision, or digest.
async fn published_text(channel: Channel, published: &[v1::Procedure], name: &str) -> Result<String, ClientError> {
    let asked = published.iter().find(|p| full(p) == name || hex::encode(digest(p)) == name);
    let asked = asked.ok_or_else(|| {
        ClientError::Usage(format!("no procedure {name:?} is published; `rinsebook procedure show` lists them"))
    })?;
    let text = match Hash::from_slice(&digest(asked)) {
        Some(digest) => query::text_of(channel, BlobNamed::Attachment(digest)).await,
        None => None,
    };
    text.ok_or_else(|| ClientError::Answered("the service did not give the text that was published".into()))
}

/// A file, or else what is published under that name.
async fn text_named(name: &str, station: Option<&Path>) -> Result<String, ClientError> {
    let file = Path::new(name);
    if file.exists() {
        return read(file);
    }
    let station = station.ok_or_else(|| {
        ClientError::Usage(format!("{name:?} is no file here; for a published procedure give --station DIR as well"))
    })?;
    let channel = remote::connect(&Home::open(station)?).await?;
    let published = query::every_procedure(channel.clone()).await?;
    published_text(channel, &published, name).await
}

async fn diff(old: &str, new: &str, station: Option<&Path>, json: bool) -> Result<ExitCode, ClientError> {
    let texts = [text_named(old, station).await?, text_named(new, station).await?];
    let mut read = Vec::new();
    for (name, text) in [old, new].iter().zip(&texts) {
        match Procedure::parse(text) {
            Ok(procedure) => read.push(procedure),
            Err(error) => {
                say(&format!("{name} cannot be compared, it is no procedure: {error}"));
                return Ok(ExitCode::from(UNCHECKED));
            }
        }
    }
    let compared = revisions::compare((&texts[0], &read[0]), (&texts[1], &read[1]))
        .map_err(|e| ClientError::Answered(format!("the texts cannot be compared: {e}")))?;
    print(|o| match json {
        true => writeln!(o, "{:#}", serde_json::json!(compared)),
        false => revisions::tell(&compared, o, query::text::paragraph),
    })?;
    Ok(if compared.same_meaning { ExitCode::SUCCESS } else { ExitCode::from(BAD) })
}

async fn publish(file: &Path, signing: &Signing) -> Result<ExitCode, ClientError> {
    let text = read(file)?;
    let procedure = Procedure::parse(&text)
        .map_err(|e| ClientError::Usage(format!("{} cannot be published: {e}", file.display())))?;
    let digest = Hash::of(text.as_bytes());
    let kind = enrol::publication(&procedure, digest);
    let blobs = vec![v1::Blob { salt: Vec::new(), content: text.into_bytes() }];
    let draft = enrol::roster_fact(kind, vec![], now_ms());
    sign_and_send(&mut signing.open()?, &card_of(vec![draft], blobs)).await
}
