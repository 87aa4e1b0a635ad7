//! A witness: it checks that the logs it knows only ever grow, and cosigns their checkpoints (C2SP tlog-witness v1.0.0).
//! Run it on a machine that whoever runs the log has no hand on.
//!
//! ```text
//! POST /add-checkpoint ─► body in form ─► log known ─► log's signature ─► at the size told, proof ─► on disk ─► cosignature
//!                         400             404          403                 409, 422                  500        200
//! ```
//!
//! What a witness says is worth something only as long as its state never goes back. So each answer waits until the
//! state is synced; a state that cannot be read keeps the witness from starting; and a state that is lost or was put back
//! from a copy is the end of that key: make a new key, in a new folder.

mod serve;
mod state;

use std::collections::BTreeMap;
use std::path::PathBuf;
use std::sync::{Arc, Mutex};

use rinsebook_proto::clock::Clock;
use rinsebook_proto::cosignature::{AddCheckpoint, cosign};
use rinsebook_proto::journal::{self, Disk, RealDisk};
use rinsebook_proto::key::SigningKey;
use rinsebook_proto::note::{Checkpoint, CosignerKey, VerifierKey};
use rinsebook_proto::tree::verify_consistency;

use crate::ClientError;
pub use serve::{Running, serve};
use state::State;

/// What a witness is made of.
pub struct Settings {
    /// Its name in signature lines; by C2SP tlog-cosignature an address without scheme, such as `witness.example/w1`.
    pub name: String,
    /// Its key: one for a cosigner, used for nothing else.
    pub signer: SigningKey,
    /// The folder of its state; made where there is none. Its parent must exist.
    pub state: PathBuf,
    /// The keys of the logs it cosigns; several of one name are keys of one log.
    pub logs: Vec<VerifierKey>,
    /// Where times come from.
    pub clock: Arc<dyn Clock>,
}

/// What a witness answers.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Answer {
    /// 200: its signature line, with the newline.
    Cosigned(String),
    /// 400: the body is not in its form, or its old size is beyond its checkpoint.
    Malformed(String),
    /// 403: no signature by a key of this log, or one that fails.
    Untrusted(String),
    /// 404: a log it does not know.
    UnknownOrigin(String),
    /// 409: it stands at this size, and at another size or root than it was asked from. The root of an equal size is
    /// answered so by v1.0.0 of the standard; drafts after it say 422.
    Conflict(u64),
    /// 422: the proof does not hold.
    BadProof(String),
    /// 500: its state could not be written.
    Failed(String),
}

/// A witness with its state, the only one on its folder.
pub struct Witness {
    key: CosignerKey,
    signer: SigningKey,
    clock: Arc<dyn Clock>,
    logs: BTreeMap<String, Log>,
    _lock: journal::Lock,
}

/// A log it knows. One request at a time is checked, written and answered: the lock is held from the comparison of sizes
/// to the sync.
struct Log {
    keys: Vec<VerifierKey>,
    state: Mutex<State>,
}

impl Witness {
    /// Opens the state.
    ///
    /// # Errors
    /// A name that no signature line can bear; no log; a state that is in use, cannot be read, or was not written with
    /// this key.
    pub fn open(settings: Settings) -> Result<Witness, ClientError> {
        let Settings { name, signer, state, logs: keys, clock } = settings;
        let key = CosignerKey::new(&name, signer.verifying_key());
        CosignerKey::parse(&key.to_string()).map_err(|e| ClientError::Usage(format!("--name {name:?}: {e}")))?;
        if keys.is_empty() {
            return Err(ClientError::Usage("a witness needs the key of one log at least: --log KEY".to_owned()));
        }
        make_dir(&state).map_err(ClientError::file(format!("cannot make {}", state.display())))?;
        let lock = journal::lock(&state)
            .map_err(|e| ClientError::Key { what: state.display().to_string(), why: e.to_string() })?;
        let mut logs: BTreeMap<String, Log> = BTreeMap::new();
        for log_key in keys {
            let origin = log_key.name().to_owned();
            match logs.get_mut(&origin) {
                Some(log) => log.keys.push(log_key),
                None => {
                    let state = Mutex::new(State::open(&state, &origin, &key)?);
                    logs.insert(origin, Log { keys: vec![log_key], state });
                }
            }
        }
        Ok(Witness { key, signer, clock, logs, _lock: lock })
    }

    /// The key that its cosignatures are checked with.
    pub fn key(&self) -> &CosignerKey {
        &self.key
    }

    /// The logs it knows, by origin, with the size it has cosigned of each.
    pub fn stands(&self) -> Vec<(String, u64)> {
        self.logs.iter().map(|(origin, log)| (origin.clone(), lock(&log.state).stands().size)).collect()
    }

    /// Answers a request, whose body this is. A cosignature is given only once the state is on disk: this blocks.
    pub fn add_checkpoint(&self, body: &[u8]) -> Answer {
        let parsed = std::str::from_utf8(body).map_err(|e| e.to_string());
        let parsed = parsed.and_then(|text| AddCheckpoint::parse(text).map_err(|e| e.to_string()));
        let (request, unverified) = match parsed {
            Ok(parsed) => parsed,
            Err(why) => return Answer::Malformed(why),
        };
        let Some(log) = self.logs.get(&unverified.origin) else {
            return Answer::UnknownOrigin(format!("this witness does not know the log {}", unverified.origin));
        };
        let checkpoint = match Checkpoint::open(&request.note, &log.keys) {
            Ok(checkpoint) => checkpoint,
            Err(error) => return Answer::Untrusted(error.to_string()),
        };
        if request.old_size > checkpoint.size {
            return Answer::Malformed("the old size is beyond the checkpoint's".to_owned());
        }
        self.check_and_keep(&mut lock(&log.state), &request, checkpoint)
    }

    fn check_and_keep(&self, state: &mut State, request: &AddCheckpoint, new: Checkpoint) -> Answer {
        let stands = state.stands();
        let forked = request.old_size == new.size && stands.root != new.root;
        if request.old_size != stands.size || forked {
            return Answer::Conflict(stands.size);
        }
        let proved = match stands.size {
            // Every tree begins with the empty one: there is nothing to prove.
            0 => request.proof.is_empty(),
            size => verify_consistency(size, new.size, &request.proof, &stands.root, &new.root).is_ok(),
        };
        if !proved {
            return Answer::BadProof(format!("the proof from {} to {} does not hold", stands.size, new.size));
        }
        let line = match cosign(&request.note, &self.signer, self.key.name(), self.clock.wall_ms() / 1000) {
            Ok(line) => line,
            Err(error) => return Answer::Failed(error.to_string()),
        };
        match state.keep(&request.note, &line, new) {
            Ok(()) => Answer::Cosigned(line),
            Err(error) => Answer::Failed(error.to_string()),
        }
    }
}

/// A folder whose name is not durable could come back empty after a power cut.
fn make_dir(dir: &std::path::Path) -> std::io::Result<()> {
    RealDisk.create_dir(dir)?;
    RealDisk.sync_dir(dir.parent().unwrap_or(dir))
}

fn lock(state: &Mutex<State>) -> std::sync::MutexGuard<'_, State> {
    state.lock().expect("nobody panics while holding it")
}

#[cfg(test)]
mod tests;
