//! The service's own keys: the log key signs checkpoints, the fact key signs service facts. Made at the first start,
//! encrypted at rest, opened with the passphrase file.
//!
//! A log may change its key: `log.pem` is the first, `log-2.pem` the next, and so on. Which of them signs is for the log to
//! say, see [`rinsebook_proto::succession`]. The key before the one that signs goes on signing beside it while its file is
//! there: take the file away once every witness knows the new key.

use std::io::Write;
use std::os::unix::fs::OpenOptionsExt;
use std::path::{Path, PathBuf};
use std::sync::Mutex;

use rinsebook_proto::bytes::Id;
use rinsebook_proto::key::{self, SigningKey, VerifyingKey};
use rinsebook_proto::note::VerifierKey;
use zeroize::Zeroizing;

use crate::config::Config;
use crate::error::ServiceError;

/// Names and keys of this service.
pub struct Identity {
    /// The log's name without the epoch.
    pub origin_name: String,
    /// The oldest log key that is there: a log founded now begins with it.
    pub log_key: SigningKey,
    /// Signs service facts.
    pub fact_key: SigningKey,
    /// The device that service facts come from.
    pub device: Id,
    dir: PathBuf,
    passphrase: Zeroizing<String>,
    /// Every log key whose file is there, oldest first.
    log_keys: Mutex<Vec<SigningKey>>,
}

impl std::fmt::Debug for Identity {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        write!(f, "Identity({})", self.origin_name)
    }
}

impl Identity {
    /// Opens the keys below the data folder, or makes them.
    pub fn open(config: &Config) -> Result<Identity, ServiceError> {
        let dir = config.keys_dir();
        let passphrase = passphrase(config)?;
        let device = made_once(&dir.join("device"), || Ok(Id::random().to_string()))?;
        let numbers = log_key_numbers(&dir)?;
        // It takes long to open one, on purpose.
        let log_key = |number| signing_key(&log_key_file(&dir, number), &passphrase);
        let (log_keys, fact_key) = rayon::join(
            || numbers.into_iter().map(log_key).collect::<Result<Vec<SigningKey>, _>>(),
            || signing_key(&dir.join("fact.pem"), &passphrase),
        );
        let mut log_keys = log_keys?;
        // Made where there is none at all: one that was taken away later must not come back as another.
        if log_keys.is_empty() {
            log_keys.push(signing_key(&log_key_file(&dir, 1), &passphrase)?);
        }
        let log_key = log_keys[0].clone();
        Ok(Identity {
            origin_name: config.origin_name.clone(),
            log_key,
            log_keys: Mutex::new(log_keys),
            fact_key: fact_key?,
            device: Id::from_hex(device.trim_end()).ok_or_else(|| ServiceError::Key {
                what: dir.join("device").display().to_string(),
                why: "it does not hold 32 hex digits".to_owned(),
            })?,
            dir,
            passphrase,
        })
    }

    /// `<name>/1`: where a log begins.
    pub fn first_origin(&self) -> String {
        format!("{}/1", self.origin_name)
    }

    /// What verifiers of a log that is not founded yet start from.
    pub fn first_verifier_key(&self) -> VerifierKey {
        VerifierKey::new(&self.first_origin(), self.log_key.verifying_key())
    }

    /// The log key with this public half, where its file is there.
    pub fn log_key_of(&self, public: &VerifyingKey) -> Option<SigningKey> {
        let keys = self.log_keys.lock().expect("no holder of this lock panics");
        keys.iter().find(|key| key.verifying_key() == *public).cloned()
    }

    /// A log key that signed nothing yet, made where there is none: the next one.
    pub fn next_log_key(&self, used: &[VerifierKey]) -> Result<SigningKey, ServiceError> {
        let mut keys = self.log_keys.lock().expect("no holder of this lock panics");
        let is_used = |key: &SigningKey| used.iter().any(|known| *known.key() == key.verifying_key());
        if let Some(fresh) = keys.iter().find(|key| !is_used(key)) {
            return Ok(fresh.clone());
        }
        let number = log_key_numbers(&self.dir)?.last().map_or(1, |last| last + 1);
        let made = signing_key(&log_key_file(&self.dir, number), &self.passphrase)?;
        keys.push(made.clone());
        Ok(made)
    }
}

/// The numbers of the log keys that are there, ascending.
fn log_key_numbers(dir: &Path) -> Result<Vec<u32>, ServiceError> {
    let unreadable = || ServiceError::file(format!("cannot read {}", dir.display()));
    let mut numbers = Vec::new();
    for entry in std::fs::read_dir(dir).map_err(unreadable())? {
        let name = entry.map_err(unreadable())?.file_name();
        let number = name.to_str().and_then(|name| name.strip_prefix("log")?.strip_suffix(".pem"));
        numbers.extend(match number {
            Some("") => Some(1),
            Some(number) => number.strip_prefix('-').and_then(|number| number.parse().ok()),
            None => None,
        });
    }
    numbers.sort_unstable();
    Ok(numbers)
}

fn log_key_file(dir: &Path, number: u32) -> PathBuf {
    dir.join(if number == 1 { "log.pem".to_owned() } else { format!("log-{number}.pem") })
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
