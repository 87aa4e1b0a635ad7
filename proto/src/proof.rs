//! The proof of one entry as a file: C2SP tlog-proof.
//!
//! ```text
//! c2sp.org/tlog-proof@v1
//! extra <base64>                                           may be left out; here it is the entry as stored
//! index 41
//! bjQLnP+zepicpUTmu3gKLHiQHT+zNzh2hRGjBhevoB0=             the inclusion proof, a hash a line
//!                                                          an empty line
//! invented.example/log/1                                   and a checkpoint's note that covers the entry
//! …
//! ```

use base64::Engine as _;
use base64::engine::general_purpose::STANDARD as BASE64;

use crate::bytes::Hash;
use crate::note::Checkpoint;
use crate::tree::{BadProof, leaf_hash, verify_inclusion};

const HEAD: &str = "c2sp.org/tlog-proof@v1";
/// A path in a tree of 2^63 leaves is no longer.
const MAX_HASHES: usize = 63;

/// Why bytes are no proof in this form.
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
#[error("this is no proof of an entry in its form: {0}")]
pub struct BadForm(pub &'static str);

/// See the module.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Proof {
    /// The entry, where it is there.
    pub entry: Option<Vec<u8>>,
    /// Its place in the log.
    pub index: u64,
    /// The inclusion proof.
    pub hashes: Vec<Hash>,
    /// The checkpoint's note.
    pub note: String,
}

impl Proof {
    /// Whether a file begins as one of these does.
    pub fn is_one(bytes: &[u8]) -> bool {
        bytes.starts_with(HEAD.as_bytes())
    }

    /// Reads the file's text; what it says is not checked.
    pub fn parse(text: &str) -> Result<Proof, BadForm> {
        let (head, note) = text.split_once("\n\n").ok_or(BadForm("it has no empty line before its checkpoint"))?;
        let mut lines = head.split('\n').peekable();
        if lines.next() != Some(HEAD) {
            return Err(BadForm("it does not begin as a proof of version 1 does"));
        }
        let extra = lines.next_if(|line| line.starts_with("extra ")).map(|line| bytes(&line["extra ".len()..]));
        let index = lines.next().and_then(|line| line.strip_prefix("index ")).ok_or(BadForm("it names no index"))?;
        let parsed: u64 = index.parse().map_err(|_| BadForm("its index is no number"))?;
        if parsed.to_string() != index {
            return Err(BadForm("its index is not written plainly"));
        }
        let hashes: Vec<&str> = lines.collect();
        if hashes.len() > MAX_HASHES {
            return Err(BadForm("it has more hashes than any proof"));
        }
        let hash = |line: &&str| Hash::from_slice(&bytes(line)?).ok_or(BadForm("a hash of it is not 32 bytes"));
        Ok(Proof {
            entry: extra.transpose()?,
            index: parsed,
            hashes: hashes.iter().map(hash).collect::<Result<_, _>>()?,
            note: note.to_owned(),
        })
    }

    /// Whether the entry stands at its index under this checkpoint, which its note was opened to.
    pub fn verify(&self, entry: &[u8], checkpoint: &Checkpoint) -> Result<(), BadProof> {
        verify_inclusion(&leaf_hash(entry), self.index, checkpoint.size, &self.hashes, &checkpoint.root)
    }
}

fn bytes(text: &str) -> Result<Vec<u8>, BadForm> {
    BASE64.decode(text).map_err(|_| BadForm("a line of it is not base64"))
}

impl std::fmt::Display for Proof {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        writeln!(f, "{HEAD}")?;
        if let Some(entry) = &self.entry {
            writeln!(f, "extra {}", BASE64.encode(entry))?;
        }
        writeln!(f, "index {}", self.index)?;
        self.hashes.iter().try_for_each(|hash| writeln!(f, "{}", BASE64.encode(hash.0)))?;
        write!(f, "\n{}", self.note)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::key;
    use crate::tree::Tree;

    #[test]
    fn a_proof_reads_back_and_holds_for_its_entry_alone() {
        let mut tree = Tree::default();
        let entries: Vec<Vec<u8>> = (0..9u8).map(|n| vec![n; 40]).collect();
        entries.iter().for_each(|entry| tree.push(leaf_hash(entry)));
        let checkpoint = Checkpoint { origin: "invented.example/log/1".into(), size: 9, root: tree.root(9) };
        let note = checkpoint.sign(&key::generate());
        for (index, entry) in (0..).zip(&entries) {
            let hashes = tree.inclusion(index, 9).unwrap();
            let proof = Proof { entry: Some(entry.clone()), index, hashes, note: note.clone() };
            let text = proof.to_string();
            assert_eq!(Proof::parse(&text).unwrap(), proof);
            proof.verify(entry, &checkpoint).unwrap();
            assert!(proof.verify(&entries[(index as usize + 1) % 9], &checkpoint).is_err());
            let bare = Proof { entry: None, ..proof };
            assert_eq!(Proof::parse(&bare.to_string()).unwrap(), bare);
        }
    }

    #[test]
    fn what_is_written_otherwise_is_refused() {
        let good = "c2sp.org/tlog-proof@v1\nindex 4\n\nnote\n";
        assert!(Proof::parse(good).is_ok());
        for bad in [
            "c2sp.org/tlog-proof@v2\nindex 4\n\nnote\n",
            "c2sp.org/tlog-proof@v1\nindex 04\n\nnote\n",
            "c2sp.org/tlog-proof@v1\nindex four\n\nnote\n",
            "c2sp.org/tlog-proof@v1\nextra !\nindex 4\n\nnote\n",
            "c2sp.org/tlog-proof@v1\nindex 4\nAAAA\n\nnote\n",
            "c2sp.org/tlog-proof@v1\nindex 4\n",
            "",
        ] {
            assert!(Proof::parse(bad).is_err(), "{bad:?}");
        }
    }
}
