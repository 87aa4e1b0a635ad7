//! What signers had seen of the log. Each fact names the newest checkpoint that its station had proved: a size and a root,
//! under the author's own signature. One that disagrees shows that the author was shown another log than this.

use rinsebook_proto::bytes::Hash;
use rinsebook_proto::fact;
use rinsebook_proto::tree::empty_root;

/// The epoch of a log that goes on under its first key; no other is followed here.
const EPOCH: u32 = 1;

/// The checkpoints so far, ascending: 40 bytes each, so that this grows with groups. A device may stay away for as long as
/// it likes and a restored one goes back, so none can be forgotten.
pub(super) struct Checkpoints(Vec<(u64, Hash)>);

impl Default for Checkpoints {
    fn default() -> Checkpoints {
        Checkpoints(vec![(0, empty_root())])
    }
}

impl Checkpoints {
    /// Takes the checkpoint of a group, once it holds.
    pub(super) fn push(&mut self, size: u64, root: Hash) {
        self.0.push((size, root));
    }

    /// Whether what the signer of the entry at `index` says to have seen was there by then.
    pub(super) fn agree(&self, seen: &fact::Seen, index: u64) -> Result<(), String> {
        let fact::Seen { epoch, size, root } = seen;
        if *epoch != EPOCH {
            return Err(format!("its signer had seen epoch {epoch}, and this log is in epoch {EPOCH}"));
        }
        if *size > index {
            return Err(format!("its signer had seen {size} entries, more than were there when it came"));
        }
        match self.0.binary_search_by_key(size, |(size, _)| *size) {
            Ok(at) if self.0[at].1 == *root => Ok(()),
            Ok(_) => {
                Err(format!("its signer had seen another log: the root of the first {size} entries is not theirs"))
            }
            Err(_) => Err(format!("its signer had seen a checkpoint of {size} entries, and this log has none")),
        }
    }
}
