//! What is kept of a segment's entries, as a file beside what sled keeps, `<20 digits: index of its first entry>.register`:
//!
//! ```text
//! "RINSEREG"  u32 1  u32 CRC-32/IEEE of what follows (both big-endian)  a register, as protobuf
//! ```
//!
//! Another form has another number, and is built anew.

use bytes::Bytes;
use prost::Message;
use rinsebook_proto::bytes::Hash;
use rinsebook_proto::rules::{Recorded, Stretch};

const MAGIC: &[u8] = b"RINSEREG\0\0\0\x01";

/// Of a segment's entries, or of the first of them.
#[derive(Clone, PartialEq, Message)]
pub struct Register {
    /// Bytes of the segment file that it was made of.
    #[prost(uint64, tag = "1")]
    pub covered_bytes: u64,
    /// CRC-32/IEEE over them.
    #[prost(fixed32, tag = "2")]
    pub crc32: u32,
    /// They are the whole file, to which nothing is added any more.
    #[prost(bool, tag = "3")]
    pub sealed: bool,
    /// Where in the file the frame of each entry begins.
    #[prost(uint64, repeated, tag = "4")]
    pub offsets: Vec<u64>,
    /// The leaf hash of each, one after another.
    #[prost(bytes = "bytes", tag = "5")]
    pub leaves: Bytes,
    /// The note of the checkpoint that closes the last of them.
    #[prost(string, tag = "6")]
    pub note: String,
    /// What the history keeps.
    #[prost(message, required, tag = "7")]
    pub stretch: Stretch,
}

impl Register {
    /// Takes a file's content apart; its columns of hashes stay where they are.
    ///
    /// # Errors
    /// Why it is none, in words.
    pub fn read(file: impl Into<Bytes>) -> Result<Register, String> {
        let file: Bytes = file.into();
        let rest = file.strip_prefix(MAGIC).ok_or("it is of another form")?;
        let (crc, content) = rest.split_first_chunk().ok_or("it is cut short")?;
        if crc32fast::hash(content) != u32::from_be_bytes(*crc) {
            return Err("the check over its content".to_owned());
        }
        let register = Register::decode(file.slice_ref(content)).map_err(|e| e.to_string())?;
        if register.fits() { Ok(register) } else { Err("what it holds does not go together".to_owned()) }
    }

    /// As a file holds it.
    pub fn bytes(&self) -> Vec<u8> {
        let content = self.encode_to_vec();
        [MAGIC, &crc32fast::hash(&content).to_be_bytes(), &content].concat()
    }

    /// The leaf hash of each entry.
    pub fn leaves(&self) -> impl Iterator<Item = Hash> {
        self.leaves.chunks_exact(32).map(|leaf| Hash::from_slice(leaf).expect("32 bytes"))
    }

    /// The leaf hash at a place.
    pub fn leaf(&self, at: u32) -> Hash {
        let from = 32 * at as usize;
        Hash::from_slice(&self.leaves[from..from + 32]).expect("32 bytes")
    }

    /// The last of them.
    pub fn last_leaf(&self) -> Hash {
        self.leaf(self.offsets.len() as u32 - 1)
    }

    /// Where reading goes on: at the segment behind, or in this one.
    pub fn read_from(&self) -> u64 {
        if self.sealed { self.stretch.end() } else { self.stretch.first }
    }

    fn fits(&self) -> bool {
        let entries = self.offsets.len();
        entries > 0
            && self.leaves.len() == 32 * entries
            && self.stretch.entries() == entries as u64
            && self.stretch.fits()
    }
}

/// A register that is of use.
pub struct Loaded {
    /// As it was kept.
    pub register: Register,
    /// The entries that have to be read whole.
    pub whole: Vec<Recorded>,
}
