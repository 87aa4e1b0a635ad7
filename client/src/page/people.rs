//! Who can sign here: key files in the station's folder, `keys/NAME.pem`. Beside each, once it was opened here,
//! `keys/NAME.key-id` says which key it holds, so that it is known whose it is before anybody types a passphrase.
//!
//! One key is open at a time and for a short time only, which is shown.

use rinsebook_proto::bytes::{Hash, Id};
use rinsebook_proto::key::{self, SigningKey};
use rinsebook_proto::rules::History;

use super::view::person_name;
use crate::ClientError;
use crate::home::{Home, read};
use crate::names::Names;

/// How long a key stays open after it was used.
pub(crate) const OPEN_FOR_MS: u64 = 5 * 60_000;

/// A key file.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) struct KeyFile {
    /// The file's name without its ending.
    pub(crate) name: String,
    /// Whose it is, once that is known.
    pub(crate) person: Option<Id>,
    /// What people read: the person's name where it is known.
    pub(crate) shown: String,
}

/// A key that was opened by its passphrase.
pub(crate) struct OpenKey {
    /// The key file's name.
    pub(crate) name: String,
    /// The key.
    pub(crate) key: SigningKey,
    /// Whose it is; none: nobody's that this station knows of.
    pub(crate) person: Option<Id>,
    /// Until then, by the clock that counts from the machine's start.
    pub(crate) until_boot_ms: u64,
}

/// The key files, by name.
pub(crate) fn key_files(home: &Home, history: &History, names: &Names) -> Vec<KeyFile> {
    let Ok(dir) = std::fs::read_dir(home.path("keys")) else { return Vec::new() };
    let pem = |path: std::path::PathBuf| {
        let is_key = path.extension().is_some_and(|e| e == "pem");
        path.file_stem().filter(|_| is_key).and_then(|stem| stem.to_str()).map(str::to_owned)
    };
    let mut all: Vec<KeyFile> = dir
        .filter_map(Result::ok)
        .filter_map(|entry| pem(entry.path()))
        .map(|name| {
            let person = whose(home, history, names, &name);
            let known = person.map(|person| person_name(names, &person));
            let shown = match known {
                Some(known) if known != name => format!("{name}: {known}"),
                _ => name.clone(),
            };
            KeyFile { name, person, shown }
        })
        .collect();
    all.sort_by(|a, b| a.name.cmp(&b.name));
    all
}

fn whose(home: &Home, history: &History, names: &Names, name: &str) -> Option<Id> {
    let noted = home.text(&format!("keys/{name}.key-id")).ok().flatten();
    let key_id = noted.and_then(|text| Hash::from_hex(text.trim()));
    let enrolled = key_id.and_then(|id| history.roster().key(&id, u64::MAX)).map(|key| key.person);
    enrolled.or_else(|| names.people.get(name).and_then(|hex| Id::from_hex(hex)))
}

/// Opens a key file; slow on purpose.
pub(crate) fn open_key(home: &Home, name: &str, passphrase: &str) -> Result<SigningKey, ClientError> {
    let bad = |why: String| ClientError::Key { what: format!("the key of {name}"), why };
    let plain = |c: char| c.is_alphanumeric() || matches!(c, '-' | '_' | ' ' | '.');
    if name.is_empty() || name.starts_with('.') || !name.chars().all(plain) {
        return Err(bad("there is no such key here".to_owned()));
    }
    let pem = read(&home.path("keys").join(format!("{name}.pem")))?;
    let opened = key::from_pem(&pem, passphrase.as_bytes()).map_err(|e| bad(e.to_string()))?;
    let key_id = key::key_id(&opened.verifying_key()).to_string();
    home.replace(&format!("keys/{name}.key-id"), key_id.as_bytes())?;
    Ok(opened)
}

/// Whose key that is.
pub(crate) fn owner(history: &History, key: &SigningKey) -> Option<Id> {
    history.roster().key(&key::key_id(&key.verifying_key()), u64::MAX).map(|key| key.person)
}
