//! One witness asked about one checkpoint: proof, answer, and the cosignature checked.

use std::sync::{Arc, RwLock};

use rinsebook_proto::bytes::Hash;
use rinsebook_proto::cosignature::{AddCheckpoint, Cosignature, cosigners, plain_size};
use rinsebook_proto::note::CosignerKey;
use rinsebook_proto::tree::Tree;

use super::post::{Answer, Post, PostError};

/// Why a witness gave no cosignature.
#[derive(Debug, thiserror::Error)]
pub(super) enum Refusal {
    /// The network.
    #[error("{0}")]
    Post(#[from] PostError),
    /// It knows a longer log.
    #[error(
        "it has cosigned {told} entries of this log, and there are {size} here: either an older copy was put back, or \
         another service signs with this log's key. Stop recording here and find out which, before anything is signed anew"
    )]
    Ahead {
        /// What it cosigned.
        told: u64,
        /// What it was asked about.
        size: u64,
    },
    /// It knows another log.
    #[error(
        "it answers {status}: what it has cosigned of this log is not the beginning of what is here. Stop recording here \
         and find out why, before anything is signed anew; the witness holds the other checkpoint"
    )]
    Disagrees {
        /// 409 or 422.
        status: u16,
    },
    /// Something else.
    #[error("it answers {status}: {said}")]
    Status {
        /// The status code.
        status: u16,
        /// What that means here, or its own words.
        said: String,
    },
    /// An answer that cannot be used.
    #[error("its answer cannot be used: {0}")]
    Answer(String),
}

impl Refusal {
    /// Whether it speaks against the log, and not against the way there.
    pub(super) fn is_about_the_log(&self) -> bool {
        matches!(self, Refusal::Ahead { .. } | Refusal::Disagrees { .. })
    }
}

/// A witness is asked twice at the most: the second time from the size that it told.
const TIMES: u32 = 2;

/// What is asked, and of whom.
pub(super) struct Question {
    pub(super) post: Arc<Post>,
    pub(super) key: CosignerKey,
    pub(super) tree: Arc<RwLock<Tree>>,
    /// The checkpoint's note.
    pub(super) note: String,
    /// The checkpoint's size.
    pub(super) size: u64,
}

impl Question {
    /// Asks from the size told before; gives the size that the witness stands at, as far as it told, and the outcome.
    pub(super) async fn ask(&self, mut told_size: u64) -> (u64, Result<Cosignature, Refusal>) {
        for _ in 0..TIMES {
            // What was told before may be beyond us; the witness has to say so itself.
            let old_size = if told_size > self.size { 0 } else { told_size };
            let request = AddCheckpoint { old_size, proof: self.proof(old_size), note: self.note.clone() };
            match self.post.post(request.to_string()).await {
                Err(error) => return (told_size, Err(error.into())),
                Ok(answer) if answer.status == 409 => match self.conflict(&answer, old_size) {
                    Ok(size) => told_size = size,
                    Err(refusal) => return (told_size, Err(refusal)),
                },
                Ok(answer) => {
                    let outcome = self.read(&answer);
                    return (if outcome.is_ok() { self.size } else { told_size }, outcome);
                }
            }
        }
        let moves = "the size that it tells changes from one request to the next; does another service ask it too?";
        (told_size, Err(Refusal::Answer(moves.to_owned())))
    }

    fn proof(&self, old_size: u64) -> Vec<Hash> {
        let tree = self.tree.read().expect("the tree's writer does not panic");
        // From nothing there is no proof, and none is asked for.
        if old_size == 0 { Vec::new() } else { tree.consistency(old_size, self.size).unwrap_or_default() }
    }

    /// The size that it told, if it is one to go on from.
    fn conflict(&self, answer: &Answer, old_size: u64) -> Result<u64, Refusal> {
        let told = answer.body.strip_suffix('\n').and_then(plain_size);
        match told.filter(|_| answer.content_type == "text/x.tlog.size") {
            Some(told) if told > self.size => Err(Refusal::Ahead { told, size: self.size }),
            Some(told) if told != old_size => Ok(told),
            // Asked from where it stands, at the very size it has cosigned: the roots differ.
            _ if old_size == self.size => Err(Refusal::Disagrees { status: 409 }),
            _ => Err(Refusal::Answer("it answers 409 without a size to go on from".to_owned())),
        }
    }

    fn read(&self, answer: &Answer) -> Result<Cosignature, Refusal> {
        let said = match answer.status {
            200 => return self.cosignature(&answer.body),
            422 => return Err(Refusal::Disagrees { status: 422 }),
            403 => {
                "it does not know this log's key; give it the log key that this service prints at its start".to_owned()
            }
            404 => "it does not know this log; give it the log key that this service prints at its start".to_owned(),
            _ => answer.body.lines().next().unwrap_or_default().chars().take(200).collect(),
        };
        Err(Refusal::Status { status: answer.status, said })
    }

    /// Lines of others in the answer are passed over.
    fn cosignature(&self, lines: &str) -> Result<Cosignature, Refusal> {
        let note = format!("{}{lines}", self.note);
        let found = cosigners(&note, std::slice::from_ref(&self.key)).map_err(|e| Refusal::Answer(e.to_string()))?;
        let missing = || Refusal::Answer(format!("it holds no cosignature by {}", self.key));
        found.into_iter().next().ok_or_else(missing)
    }
}
