//! Checkpoints that the verifier holds from before: a note kept, a receipt, what a witness published. The log must have been
//! that, and the times that it gives its entries must fit those of the cosignatures.

use rinsebook_proto::bytes::Hash;
use rinsebook_proto::cosignature::Cosignature;
use rinsebook_proto::note::Checkpoint;

use super::Wrong;

/// A witness cosigns the newest checkpoint within seconds; its clock and the service's are each right to a minute.
pub const COSIGNED_WITHIN_MS: u64 = 120_000;

/// A checkpoint, and when witnesses of the verifier's choice cosigned it.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Held {
    /// What the log was.
    pub checkpoint: Checkpoint,
    /// By whom and when that was seen; none: nobody says when.
    pub cosignatures: Vec<Cosignature>,
}

impl Held {
    fn cosigned_ms(&self) -> impl Iterator<Item = u64> {
        self.cosignatures.iter().map(|c| c.unix_seconds.saturating_mul(1000))
    }

    /// Whether the log as it is after the entry at `index`, received then, can have been this.
    pub(super) fn check(&self, index: u64, received_ms: u64, root: impl Fn() -> Hash) -> Result<(), Wrong> {
        let size = self.checkpoint.size;
        if index + 1 == size && root() != self.checkpoint.root {
            let why =
                format!("a checkpoint of {size} entries that you hold has another root: these entries were changed");
            return Err(Wrong::of("root", "held")(why));
        }
        let wrong = Wrong::of("chain", "time received");
        if index < size {
            return fits_before(received_ms, self.cosigned_ms()).map_err(wrong);
        }
        match self.cosigned_ms().find(|cosigned_ms| received_ms.saturating_add(COSIGNED_WITHIN_MS) < *cosigned_ms) {
            Some(_) => Err(wrong("it was received, it says, before a witness saw a log without it".to_owned())),
            None => Ok(()),
        }
    }

    /// What is wrong with a log that ends before it.
    pub(super) fn beyond(&self, size: u64) -> Option<Wrong> {
        let held = self.checkpoint.size;
        (size < held).then(|| {
            Wrong::of("root", "held")(format!("it has {size} entries, and a checkpoint that you hold has {held}"))
        })
    }
}

/// Whether an entry that a cosigned checkpoint covers was received before that was cosigned.
pub(super) fn fits_before(received_ms: u64, mut cosigned_ms: impl Iterator<Item = u64>) -> Result<(), String> {
    match cosigned_ms.find(|cosigned_ms| received_ms > cosigned_ms.saturating_add(COSIGNED_WITHIN_MS)) {
        Some(_) => Err("it was received, it says, after a witness had cosigned a checkpoint that covers it".to_owned()),
        None => Ok(()),
    }
}
