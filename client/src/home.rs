//! A station's folder: who the device is, its keys, its outbox, what it knows of the log. Making one never overwrites.
//!
//! | file | what |
//! |---|---|
//! | `station.toml` | device id, label, the service's address |
//! | `ca.pem` | the authority that the service's certificate is checked against |
//! | `device.crt`, `device.key` | the device's TLS certificate and key |
//! | `report.pem`, `passphrase` | the key that signs the device's reports, encrypted, and what opens it |
//! | `outbox/` | every envelope this device ever signed |
//! | `blobs/` | texts and pictures that facts name |
//! | `receipts.log` | what became of each envelope |
//! | `checkpoint`, `log.vkey` | the newest checkpoint proved, and the key it was proved under |
//! | `mirror/` | a copy of the log, checked whenever it is opened |
//! | `drafts/` | what was noted on the page and not signed yet |
//! | `keys/` | people's key files, each with a line that says whose it is |
//! | `page-secret` | what the page's address must hold |
//!
//! The passphrase beside the report key keeps the key from a copied file, not from a stolen tablet: a lost device is
//! retired on the log.

use std::io::Write;
use std::os::unix::fs::OpenOptionsExt;
use std::path::{Path, PathBuf};

use rinsebook_proto::bytes::{Hash, Id};
use rinsebook_proto::key::{self, SigningKey};
use rinsebook_proto::v1;
use serde::{Deserialize, Serialize};

use crate::ClientError;
use crate::dial::Dial;

/// What stands in `station.toml`.
#[derive(Debug, Clone, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct About {
    /// 32 hex digits.
    pub device: String,
    /// What people call it.
    pub label: String,
    /// Such as `https://localhost:7420`.
    pub address: String,
}

/// The folder, open.
#[derive(Debug, Clone)]
pub struct Home {
    dir: PathBuf,
    /// What stands in `station.toml`.
    pub about: About,
    /// The device.
    pub device: Id,
    dial: Option<Dial>,
}

impl Home {
    /// Makes a folder for a new device; its certificate comes with enrolment.
    pub fn create(dir: &Path, label: &str, address: &str, ca_pem: &str) -> Result<Home, ClientError> {
        std::fs::create_dir_all(dir).map_err(ClientError::file(format!("cannot make {}", dir.display())))?;
        let device = Id::random();
        let about = About { device: device.to_string(), label: label.to_owned(), address: address.to_owned() };
        let passphrase = Id::random().to_string();
        let report = key::to_pem(&key::generate(), passphrase.as_bytes()).map_err(|e| bad(dir, "report.pem", e))?;
        let text = toml::to_string(&about).map_err(|e| bad(dir, "station.toml", e))?;
        for (name, content) in
            [("station.toml", text.as_str()), ("ca.pem", ca_pem), ("passphrase", &passphrase), ("report.pem", &report)]
        {
            write_new(&dir.join(name), content.as_bytes())?;
        }
        Home::open(dir)
    }

    /// Opens the folder.
    pub fn open(dir: &Path) -> Result<Home, ClientError> {
        let text = read(&dir.join("station.toml"))?;
        let about: About = toml::from_str(&text).map_err(|e| bad(dir, "station.toml", e))?;
        let device = Id::from_hex(&about.device).ok_or_else(|| bad(dir, "station.toml", "its device is no id"))?;
        Ok(Home { dir: dir.to_owned(), about, device, dial: None })
    }

    /// A file or folder in it.
    pub fn path(&self, name: &str) -> PathBuf {
        self.dir.join(name)
    }

    /// Where the service listens now; it may move between two starts.
    pub fn set_address(&mut self, address: &str) -> Result<(), ClientError> {
        address.clone_into(&mut self.about.address);
        let text = toml::to_string(&self.about).map_err(|e| bad(&self.dir, "station.toml", e))?;
        replace(&self.path("station.toml"), text.as_bytes())
    }

    /// From now on the service is reached by this way, and not at its address.
    pub fn reach_by(&mut self, dial: Dial) {
        self.dial = Some(dial);
    }

    pub(crate) fn dial(&self) -> Option<&Dial> {
        self.dial.as_ref()
    }

    /// The key that signs this device's reports.
    pub fn report_key(&self) -> Result<SigningKey, ClientError> {
        let (pem, passphrase) = (read(&self.path("report.pem"))?, read(&self.path("passphrase"))?);
        key::from_pem(&pem, passphrase.trim_end().as_bytes()).map_err(|e| bad(&self.dir, "report.pem", e))
    }

    /// Certificate and key for TLS, once enrolled.
    pub fn tls_identity(&self) -> Result<(String, String), ClientError> {
        Ok((read(&self.path("device.crt"))?, read(&self.path("device.key"))?))
    }

    /// The authority's certificate.
    pub fn ca_pem(&self) -> Result<String, ClientError> {
        read(&self.path("ca.pem"))
    }

    /// A small text file that may not be there yet.
    pub fn text(&self, name: &str) -> Result<Option<String>, ClientError> {
        match std::fs::read_to_string(self.path(name)) {
            Ok(text) => Ok(Some(text)),
            Err(e) if e.kind() == std::io::ErrorKind::NotFound => Ok(None),
            Err(source) => Err(ClientError::File { what: format!("cannot read {name}"), source }),
        }
    }

    /// A blob that is kept here, if its bytes are still those that its digest names.
    pub fn blob(&self, digest: &Hash) -> Option<v1::Blob> {
        let bytes = std::fs::read(self.path("blobs").join(digest.to_string())).ok()?;
        let (&salt_bytes, rest) = bytes.split_first()?;
        let (salt, content) = rest.split_at_checked(salt_bytes.into())?;
        let same = Hash::of_parts(&[salt, content]) == *digest;
        same.then(|| v1::Blob { salt: salt.to_vec(), content: content.to_vec() })
    }

    /// Replaces a small file whole, synced.
    pub fn replace(&self, name: &str, content: &[u8]) -> Result<(), ClientError> {
        replace(&self.path(name), content)
    }
}

fn bad(dir: &Path, name: &str, why: impl std::fmt::Display) -> ClientError {
    ClientError::Key { what: dir.join(name).display().to_string(), why: why.to_string() }
}

/// Reads a text file.
pub fn read(file: &Path) -> Result<String, ClientError> {
    std::fs::read_to_string(file).map_err(ClientError::file(format!("cannot read {}", file.display())))
}

/// Writes a file that must not exist yet, readable by its owner alone, synced.
pub fn write_new(file: &Path, content: &[u8]) -> Result<(), ClientError> {
    let write = || {
        let mut out = std::fs::OpenOptions::new().write(true).create_new(true).mode(0o600).open(file)?;
        out.write_all(content)?;
        out.sync_all()
    };
    write().map_err(ClientError::file(format!("cannot write {}", file.display())))
}

/// Replaces a file whole, or makes it: written beside it, synced, put in its place, the folder synced. An error leaves open
/// which of the two is there.
pub fn replace(file: &Path, content: &[u8]) -> Result<(), ClientError> {
    let part = file.with_extension("part");
    let write = || {
        let mut out = std::fs::OpenOptions::new().write(true).create(true).truncate(true).mode(0o600).open(&part)?;
        out.write_all(content)?;
        out.sync_all()?;
        std::fs::rename(&part, file)?;
        std::fs::File::open(file.parent().unwrap_or(Path::new(".")))?.sync_all()
    };
    write().map_err(ClientError::file(format!("cannot write {}", file.display())))
}
