//! What is handed out as files: bundles and tiles, packs, proofs of entries; and what is sent to a witness.

use rinsebook_proto::bytes::Hash;
use rinsebook_proto::cosignature::AddCheckpoint;
use rinsebook_proto::pack::Pack;
use rinsebook_proto::proof::Proof;
use rinsebook_proto::tiles::{self, Tile, read_bundle};

use crate::Input;

/// A bundle of as many entries as its first byte says, less one; what is read has no second way of being written.
pub fn bundle(data: &[u8]) -> bool {
    let mut input = Input(data);
    let width = u16::from(input.u8()) + 1;
    let Ok(entries) = read_bundle(input.0, width) else { return false };
    assert_eq!(entries.len(), usize::from(width));
    assert_eq!(tiles::bundle(&entries).unwrap(), input.0, "a bundle writes back to its bytes");
    true
}

/// A tile's path has one form.
pub fn tile(data: &[u8]) -> bool {
    let Ok(text) = std::str::from_utf8(data) else { return false };
    let Some(tile) = Tile::parse(text) else { return false };
    assert_eq!(tile.path(), text, "a path writes back to its text");
    // Asked of any log, it is there or not.
    for size in [0, 1, 255, 256, 70_000, u64::MAX] {
        let _ = tile.is_within(size);
    }
    true
}

/// A pack with its sum made to fit, so that what stands before it is reached.
pub fn pack(data: &[u8]) -> bool {
    let Some(end) = data.len().checked_sub(32) else { return Pack::parse(data).is_ok() };
    let sealed = [&data[..end], &Hash::of(&data[..end]).0].concat();
    assert!(data == sealed || Pack::parse(data).is_err(), "a pack whose sum does not fit is taken");
    let Ok(pack) = Pack::parse(&sealed) else { return false };
    assert_eq!(pack.encode().unwrap(), sealed, "a pack writes back to its bytes");
    true
}

/// The proof of one entry, as a file.
pub fn receipt(data: &[u8]) -> bool {
    let Ok(text) = std::str::from_utf8(data) else { return false };
    let Ok(proof) = Proof::parse(text) else { return false };
    assert_eq!(proof.to_string(), text, "a proof writes back to its text");
    true
}

/// What a witness is asked with.
pub fn request(data: &[u8]) -> bool {
    let Ok(text) = std::str::from_utf8(data) else { return false };
    let Ok((asked, _)) = AddCheckpoint::parse(text) else { return false };
    assert_eq!(asked.to_string(), text, "a request writes back to its text");
    true
}
