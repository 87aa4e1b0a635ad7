//! What a witness has cosigned of one log: a file with the note, and the witness's own line below it, so that the file
//! proves itself. It is written anew beside the old one, synced, put in its place, and the folder synced.

use std::path::{Path, PathBuf};

use rinsebook_proto::bytes::Hash;
use rinsebook_proto::cosignature::cosigners;
use rinsebook_proto::note::{Checkpoint, CosignerKey};
use rinsebook_proto::tree::empty_root;

use crate::ClientError;
use crate::home::replace;

/// The newest checkpoint cosigned, in memory and on disk.
pub(super) struct State {
    file: PathBuf,
    stands: Checkpoint,
    /// A write failed: what is on disk is not known before it is read again.
    unsure: bool,
}

impl State {
    /// Reads the state of a log; without a file, nothing of it was cosigned.
    ///
    /// # Errors
    /// A file that cannot be read, or that this witness's key did not sign: it must not start from less than it said.
    pub(super) fn open(dir: &Path, origin: &str, key: &CosignerKey) -> Result<State, ClientError> {
        let file = dir.join(format!("{}.checkpoint", Hash::of(origin.as_bytes())));
        let stands = match std::fs::read_to_string(&file) {
            Ok(note) => read(&note, origin, key).map_err(|why| ClientError::Key {
                what: file.display().to_string(),
                why: format!(
                    "this is not what this witness cosigned last of {origin}: {why}; it does not start, since it could \
                     contradict itself: give the key and name that wrote the state, or take a new key and a new folder"
                ),
            })?,
            Err(e) if e.kind() == std::io::ErrorKind::NotFound => {
                Checkpoint { origin: origin.to_owned(), size: 0, root: empty_root() }
            }
            Err(source) => return Err(ClientError::File { what: format!("cannot read {}", file.display()), source }),
        };
        Ok(State { file, stands, unsure: false })
    }

    pub(super) fn stands(&self) -> &Checkpoint {
        &self.stands
    }

    /// Makes the checkpoint durable; only then it counts.
    pub(super) fn keep(&mut self, note: &str, line: &str, checkpoint: Checkpoint) -> Result<(), ClientError> {
        let file = self.file.display();
        if self.unsure {
            let why = "an earlier write failed, so that what it holds is not known; start the witness anew".to_owned();
            return Err(ClientError::Key { what: file.to_string(), why });
        }
        self.unsure = true;
        replace(&self.file, format!("{note}{line}").as_bytes())?;
        self.unsure = false;
        self.stands = checkpoint;
        Ok(())
    }
}

/// The checkpoint of a state file. The log's own signature was checked before it was written.
fn read(note: &str, origin: &str, key: &CosignerKey) -> Result<Checkpoint, String> {
    let own = cosigners(note, std::slice::from_ref(key)).map_err(|e| e.to_string())?;
    if own.is_empty() {
        return Err(format!("it bears no cosignature by {key}"));
    }
    let checkpoint = Checkpoint::read_unverified(note).map_err(|e| e.to_string())?;
    if checkpoint.origin == origin { Ok(checkpoint) } else { Err(format!("it is about {}", checkpoint.origin)) }
}
