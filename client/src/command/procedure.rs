//! `procedure`: checks a procedure's text, and publishes it.

use std::path::{Path, PathBuf};
use std::process::ExitCode;

use clap::Subcommand;
use rinsebook_proto::bytes::Hash;
use rinsebook_proto::fact::Kind;
use rinsebook_proto::rules::procedure::Procedure;
use rinsebook_proto::v1;

use super::act::Signing;
use super::enrol::{card_of, now_ms, sign_and_send};
use super::{BAD, print};
use crate::home::{Home, read};
use crate::{ClientError, enrol, query, remote};

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
    let full = |p: &v1::Procedure| format!("{} r{}", p.title, p.revision);
    let digest = |p: &v1::Procedure| p.text.as_ref().map(|t| t.digest.clone()).unwrap_or_default();
    let Some(name) = name else {
        print(|o| {
            published.iter().try_for_each(|p| {
                let withdrawn = p.withdrawn_index.map(|at| format!(", withdrawn by entry {at}")).unwrap_or_default();
                writeln!(o, "{}  (engine type {}{withdrawn})\n  {}", full(p), p.engine_type, hex::encode(digest(p)))
            })
        })?;
        return Ok(ExitCode::SUCCESS);
    };
    let asked = published.iter().find(|p| full(p) == name || hex::encode(digest(p)) == name);
    let asked = asked.ok_or_else(|| {
        ClientError::Usage(format!("no procedure {name:?} is published; `rinsebook procedure show` lists them"))
    })?;
    let text = query::text_of(channel, Some(digest(asked))).await;
    let text =
        text.ok_or_else(|| ClientError::Answered("the service did not give the text that was published".into()))?;
    print(|o| write!(o, "{text}"))?;
    Ok(ExitCode::SUCCESS)
}

async fn publish(file: &Path, signing: &Signing) -> Result<ExitCode, ClientError> {
    let text = read(file)?;
    let procedure = Procedure::parse(&text)
        .map_err(|e| ClientError::Usage(format!("{} cannot be published: {e}", file.display())))?;
    let digest = Hash::of(text.as_bytes());
    let kind = Kind::ProcedurePublished(v1::ProcedurePublished {
        procedure: procedure.procedure.to_vec(),
        revision: procedure.revision,
        text: Some(v1::AttachmentRef { digest: digest.to_vec() }),
        engine_type: procedure.engine_type,
        title: procedure.title,
    });
    let blobs = vec![v1::Blob { salt: Vec::new(), content: text.into_bytes() }];
    let draft = enrol::roster_fact(kind, vec![], now_ms());
    sign_and_send(&mut signing.open()?, &card_of(vec![draft], blobs)).await
}
