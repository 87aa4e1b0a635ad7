//! Which witnesses a verifier asks for below a checkpoint: its own choice, whatever the log's keeper thinks of them.

use rinsebook_proto::cosignature::{Cosignature, cosigners};
use rinsebook_proto::note::CosignerKey;

use super::Wrong;

/// See the module.
#[derive(Debug, Clone, Default)]
pub struct Policy {
    /// The witnesses that count.
    pub witnesses: Vec<CosignerKey>,
    /// So many of them must have cosigned.
    pub quorum: usize,
}

impl Policy {
    /// The cosignatures of these witnesses that a note bears, each of them good.
    pub(super) fn cosigned(&self, note: &str) -> Result<Vec<Cosignature>, Wrong> {
        let wrong = Wrong::of("root", "cosignature");
        let found = cosigners(note, &self.witnesses).map_err(|e| wrong(e.to_string()))?;
        let mut names: Vec<&str> = found.iter().map(|cosignature| cosignature.name.as_str()).collect();
        names.sort_unstable();
        names.dedup();
        if names.len() < self.quorum {
            return Err(wrong(format!(
                "{} of the witnesses named cosigned it, {} are asked",
                names.len(),
                self.quorum
            )));
        }
        Ok(found)
    }
}

/// Cosignatures in a sentence; empty where there are none.
pub(super) fn told(cosignatures: &[Cosignature]) -> String {
    let one = |c: &Cosignature| format!("{} at {}", c.name, crate::render::second(c.unix_seconds.saturating_mul(1000)));
    cosignatures.iter().map(one).collect::<Vec<_>>().join(", ")
}
