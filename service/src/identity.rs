//! The service's own keys: the log key signs checkpoints, the fact key signs service facts. Made at the first start,
//! encrypted at rest, opened with the passphrase file.

use std::io::Write;
use std::os::unix::fs::OpenOptionsExt;
use std::path::Path;

use rinsebook_proto::bytes::Id;
use rinsebook_proto::key::{self, SigningKey};
use rinsebook_proto::note::VerifierKey;
use zeroize::Zeroizing;

use crate::config::Config;
use crate::error::ServiceError;

/// Names and keys of this service.
pub struct Identity {
    /// The log's name without the epoch.
    pub origin_name: String,
    /// From 1.
    pub epoch: u32,
    /// Signs checkpoints.
    pub log_key: SigningKey,
    /// Signs service facts.
    pub fact_key: SigningKey,
    /// The device that service facts come from.
    pub device: Id,
}

impl std::fmt::Debug for Identity {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        write!(f, "Identity({})", self.origin())
    }
}

impl Identity {
    /// Opens the keys below the data folder, or makes them.
    pub fn open(config: &Config) -> Result<Identity, ServiceError> {
        let dir = config.keys_dir();
        let passphrase = passphrase(config)?;
        let device = made_once(&dir.join("device"), || Ok(Id::random().to_string()))?;
        Ok(Identity {
            origin_name: config.origin_name.clone(),
            epoch: 1,
            log_key: signing_key(&dir.join("log.pem"), &passphrase)?,
            fact_key: signing_key(&dir.join("fact.pem"), &passphrase)?,
            device: Id::from_hex(device.trim_end()).ok_or_else(|| ServiceError::Key {
                what: dir.join("device").display().to_string(),
                why: "it does not hold 32 hex digits".to_owned(),
            })?,
        })
    }

    /// `<name>/<epoch>`.
    pub fn origin(&self) -> String {
        format!("{}/{}", self.origin_name, self.epoch)
    }

    /// What verifiers start from.
    pub fn verifier_key(&self) -> VerifierKey {
        VerifierKey::new(&self.origin(), self.log_key.verifying_key())
    }
}

/// What opens the service's keys; made beside them at the first start, where the configuration names none.
pub(crate) fn passphrase(config: &Config) -> Result<Zeroizing<String>, ServiceError> {
    let dir = config.keys_dir();
    std::fs::create_dir_all(&dir).map_err(ServiceError::file(format!("cannot make {}", dir.display())))?;
    let text = Zeroizing::new(match &config.passphrase_file {
        Some(file) => read_passphrase(file)?,
        None => made_once(&dir.join("passphrase"), || Ok(Id::random().to_string()))?,
    });
    Ok(Zeroizing::new(text.trim_end().to_owned()))
}

fn read_passphrase(file: &Path) -> Result<String, ServiceError> {
    std::fs::read_to_string(file).map_err(ServiceError::file(format!("cannot read {}", file.display())))
}

/// The key in this file; made, encrypted, where there is none.
pub(crate) fn signing_key(file: &Path, passphrase: &str) -> Result<SigningKey, ServiceError> {
    let failed = |e: key::KeyError| ServiceError::Key { what: file.display().to_string(), why: e.to_string() };
    let pem = made_once(file, || {
        key::to_pem(&key::generate(), passphrase.as_bytes()).map(|pem| pem.to_string()).map_err(failed)
    })?;
    key::from_pem(&pem, passphrase.as_bytes()).map_err(failed)
}

/// The file's text; made, readable by its owner alone and synced, where there is none.
pub(crate) fn made_once(
    file: &Path,
    make: impl FnOnce() -> Result<String, ServiceError>,
) -> Result<String, ServiceError> {
    match std::fs::read_to_string(file) {
        Ok(text) => return Ok(text),
        Err(e) if e.kind() == std::io::ErrorKind::NotFound => {}
        Err(source) => return Err(ServiceError::File { what: format!("cannot read {}", file.display()), source }),
    }
    let text = make()?;
    let write = || -> std::io::Result<()> {
        let mut out = std::fs::OpenOptions::new().write(true).create_new(true).mode(0o600).open(file)?;
        out.write_all(text.as_bytes())?;
        out.sync_all()?;
        std::fs::File::open(file.parent().unwrap_or(Path::new(".")))?.sync_all()
    };
    write().map_err(ServiceError::file(format!("cannot write {}", file.display())))?;
    Ok(text)
}
