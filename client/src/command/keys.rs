//! `key`: a person's signing key, and the request by which a custodian enrols it without ever holding it.

use std::path::{Path, PathBuf};
use std::process::ExitCode;

use clap::Subcommand;
use rinsebook_proto::bytes::Id;
use rinsebook_proto::key::{self, SigningKey};
use rinsebook_proto::note::CosignerKey;
use serde::{Deserialize, Serialize};

use super::print;
use crate::home::{read, write_new};
use crate::{ClientError, secret};

#[derive(Subcommand)]
pub(super) enum Keys {
    /// Make a signing key, encrypted by a passphrase.
    New {
        /// Where to write it (PKCS #8, PEM); an existing file is never overwritten.
        #[arg(long, value_name = "FILE")]
        out: PathBuf,
        /// A file with the passphrase, or - for standard input; without it you are asked.
        #[arg(long, value_name = "FILE")]
        passphrase_file: Option<PathBuf>,
        /// Write a request for the custodian too: a new person's id, the public key, and proof that you hold its other
        /// half.
        #[arg(long, value_name = "FILE")]
        request: Option<PathBuf>,
    },
    /// Show the public half of a key.
    Show {
        /// The key file.
        file: PathBuf,
        /// A file with the passphrase, or - for standard input; without it you are asked.
        #[arg(long, value_name = "FILE")]
        passphrase_file: Option<PathBuf>,
        /// Write a request for the custodian, as with `key new`.
        #[arg(long, value_name = "FILE")]
        request: Option<PathBuf>,
        /// The id of the person, where they are enrolled already and this is one more key of theirs.
        #[arg(long, value_name = "ID", requires = "request")]
        person: Option<String>,
        /// Show it as the key of a cosigner of this name too, as `verify --witness` and a service's `[[auditor]]` take it.
        #[arg(long, value_name = "NAME")]
        cosigner: Option<String>,
    },
}

impl Keys {
    pub(super) fn run(&self) -> Result<ExitCode, ClientError> {
        match self {
            Keys::New { out, passphrase_file, request } => {
                let passphrase = secret::new_passphrase(passphrase_file.as_deref())?;
                let signer = secret::new_key(out, &passphrase)?;
                told(out, &signer, request.as_deref(), Id::random(), None)
            }
            Keys::Show { file, passphrase_file, request, person, cosigner } => {
                let person = match person {
                    Some(hex) => Id::from_hex(hex).ok_or_else(|| usage("--person takes an id of 32 hex digits"))?,
                    None => Id::random(),
                };
                let signer = secret::open_key(file, passphrase_file.as_deref())?;
                let named = |name: &String| CosignerKey::new(name, signer.verifying_key()).to_string();
                let cosigner = cosigner.as_ref().map(named);
                // A name that no signature line can bear makes a key that nobody can read.
                if let Some(Err(error)) = cosigner.as_deref().map(CosignerKey::parse) {
                    return Err(usage(&format!("--cosigner: {error}")));
                }
                told(file, &signer, request.as_deref(), person, cosigner.as_deref())
            }
        }
    }
}

fn usage(why: &str) -> ClientError {
    ClientError::Usage(why.to_owned())
}

fn told(
    file: &Path,
    signer: &SigningKey,
    request: Option<&Path>,
    person: Id,
    cosigner: Option<&str>,
) -> Result<ExitCode, ClientError> {
    let public = signer.verifying_key();
    if let Some(request) = request {
        KeyRequest::new(person, signer).write(request)?;
    }
    print(|o| {
        writeln!(o, "key file    {}", file.display())?;
        writeln!(o, "public key  {}", hex::encode(public.as_bytes()))?;
        writeln!(o, "key id      {}", key::key_id(&public))?;
        if let Some(cosigner) = cosigner {
            writeln!(o, "cosigner    {cosigner}")?;
        }
        match request {
            Some(request) => writeln!(o, "person      {person}\nrequest     {}", request.display()),
            None => Ok(()),
        }
    })?;
    Ok(ExitCode::SUCCESS)
}

/// What a person hands to the custodian; nothing in it is secret.
#[derive(Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct KeyRequest {
    person: String,
    public_key: String,
    /// The key's signature over person and public key, as `fact.proto` says at `KeyEnrolled`.
    possession: String,
}

impl KeyRequest {
    fn new(person: Id, signer: &SigningKey) -> KeyRequest {
        KeyRequest {
            person: person.to_string(),
            public_key: hex::encode(signer.verifying_key().as_bytes()),
            possession: hex::encode(key::prove_possession(signer, &person.0)),
        }
    }

    fn write(&self, file: &Path) -> Result<(), ClientError> {
        let text = toml::to_string(self).map_err(|e| ClientError::Usage(e.to_string()))?;
        write_new(file, text.as_bytes())
    }

    /// Reads a request and checks its proof: the person, and what the enrolling fact holds.
    pub(super) fn read(file: &Path) -> Result<(Id, rinsebook_proto::v1::KeyEnrolled), ClientError> {
        let bad = |why: String| ClientError::Key { what: file.display().to_string(), why };
        let request: KeyRequest = toml::from_str(&read(file)?).map_err(|e| bad(e.to_string()))?;
        let person = Id::from_hex(&request.person).ok_or_else(|| bad("`person` is no id of 32 hex digits".into()))?;
        let hex = |name: &str, text: &str| hex::decode(text).map_err(|_| bad(format!("`{name}` is not in hex")));
        let public_key = hex("public_key", &request.public_key)?;
        let possession = hex("possession", &request.possession)?;
        let public = key::public_key(&public_key).map_err(|e| bad(e.to_string()))?;
        if !key::possesses(&public, &person.0, &possession) {
            return Err(bad("its proof does not hold: the key was not there when it was written".to_owned()));
        }
        Ok((person, rinsebook_proto::v1::KeyEnrolled { person: person.to_vec(), public_key, possession }))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_request_whose_person_was_exchanged_is_turned_away() {
        let dir = tempfile::tempdir().unwrap();
        let (file, other) = (dir.path().join("r.toml"), dir.path().join("other.toml"));
        let mut request = KeyRequest::new(Id([1; 16]), &key::generate());
        request.write(&file).unwrap();
        assert_eq!(KeyRequest::read(&file).unwrap().0, Id([1; 16]));
        request.person = Id([2; 16]).to_string();
        request.write(&other).unwrap();
        assert!(KeyRequest::read(&other).unwrap_err().to_string().contains("proof does not hold"));
    }
}
