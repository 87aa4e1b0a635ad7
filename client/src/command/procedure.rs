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
use crate::home::read;
use crate::{ClientError, enrol};

#[derive(Subcommand)]
pub(super) enum Procedures {
    /// Say whether a text can be read as a procedure, and where not.
    Check {
        /// The text.
        file: PathBuf,
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
