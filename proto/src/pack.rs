//! A pack: one file with everything that an outsider needs to check a part of the log, and to derive again what was open.
//!
//! All integers big-endian, and not a byte more:
//!
//! ```text
//! "rinsebook pack 1\n"
//! u32 count · entries:  u16 length · entry · u8 n · n hashes (inclusion proof)          descending by index
//! u32 count · views:    u64 size · root (32) · u8 n · n hashes (consistency proof)      ascending by size
//! u32 count · blobs:    u8 salt length (0 or 16) · salt · u32 length · content          ascending by digest, attachment first
//! u32 length · checkpoint, a signed note with what cosignatures there are
//! SHA-256 of all before it
//! ```
//!
//! The first entries are the service's fresh facts "pack issued": every entry about their subjects follows, each reached by
//! the links of a later one, so that the pack is complete up to its first entry, and shows it. An entry that no such link
//! reaches stands beside: it is proved to be in the log, no more. Proofs lead to the checkpoint. A view is a
//! state that the log had and some signer names as seen, by its size, with the proof that this log continues it. One for
//! each such size that the log has come to: a signer whose root is another had seen another log, or says so.
//!
//! The last 32 bytes are against accidents only: whoever alters a pack can make them anew, so that everything before them
//! has to be checked as well.

use crate::bytes::Hash;
use crate::entry::Entry;

const MAGIC: &[u8] = b"rinsebook pack 1\n";
/// No tree that we can count has a longer path.
const MAX_PROOF_HASHES: usize = 64;
/// The largest blob; an empty one says nothing, and is none.
pub const MAX_BLOB_BYTES: usize = 1 << 20;

/// Why bytes are no pack.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error("this is no pack in its form: at byte {offset} {why}")]
pub struct BadPack {
    /// Where it was noticed.
    pub offset: usize,
    /// What does not fit.
    pub why: String,
}

/// An entry with its place in the tree.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Proved {
    /// Taken apart.
    pub entry: Entry,
    /// As stored in the log.
    pub data: Vec<u8>,
    /// Its inclusion proof under the pack's checkpoint.
    pub proof: Vec<Hash>,
}

/// A state of the log that some signer had seen.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct View {
    /// Entries then.
    pub size: u64,
    /// The root then.
    pub root: Hash,
    /// The consistency proof from there to the pack's checkpoint.
    pub proof: Vec<Hash>,
}

/// An annex (with its salt) or an attachment (without).
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct PackedBlob {
    /// 16 bytes, or none.
    pub salt: Vec<u8>,
    /// The bytes, at most 1 MiB.
    pub content: Vec<u8>,
}

impl PackedBlob {
    /// What facts name it by: SHA-256(salt ‖ content).
    pub fn digest(&self) -> Hash {
        Hash::of_parts(&[&self.salt, &self.content])
    }

    /// Digest, and whether it has a salt: one digest can name an annex and an attachment.
    pub fn name(&self) -> (Hash, bool) {
        (self.digest(), !self.salt.is_empty())
    }
}

/// See the module.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Pack {
    /// Descending by index.
    pub entries: Vec<Proved>,
    /// Ascending by size, then root.
    pub views: Vec<View>,
    /// Ascending by digest.
    pub blobs: Vec<PackedBlob>,
    /// The checkpoint's note.
    pub note: String,
}

impl Pack {
    /// The file's bytes; an error where a length has no room in its field. Whether [`Pack::parse`] takes them is not asked.
    pub fn encode(&self) -> Result<Vec<u8>, BadPack> {
        let mut out = MAGIC.to_vec();
        put_count(&mut out, self.entries.len())?;
        for Proved { data, proof, .. } in &self.entries {
            let length =
                u16::try_from(data.len()).map_err(|_| no_room(&out, "an entry is longer than 65,535 bytes"))?;
            out.extend_from_slice(&length.to_be_bytes());
            out.extend_from_slice(data);
            put_hashes(&mut out, proof)?;
        }
        put_count(&mut out, self.views.len())?;
        for View { size, root, proof } in &self.views {
            out.extend_from_slice(&size.to_be_bytes());
            out.extend_from_slice(&root.0);
            put_hashes(&mut out, proof)?;
        }
        put_count(&mut out, self.blobs.len())?;
        for PackedBlob { salt, content } in &self.blobs {
            let length = u8::try_from(salt.len()).map_err(|_| no_room(&out, "a salt is longer than 255 bytes"))?;
            out.push(length);
            out.extend_from_slice(salt);
            put_count(&mut out, content.len())?;
            out.extend_from_slice(content);
        }
        put_count(&mut out, self.note.len())?;
        out.extend_from_slice(self.note.as_bytes());
        let seal = Hash::of(&out);
        out.extend_from_slice(&seal.0);
        Ok(out)
    }

    /// Reads a file; every byte is accounted for. What the parts say is not checked here.
    pub fn parse(bytes: &[u8]) -> Result<Pack, BadPack> {
        let mut rest = Reader { bytes, offset: 0 };
        if rest.take(MAGIC.len())? != MAGIC {
            return Err(BadPack { offset: 0, why: "it does not begin as a pack of version 1 does".to_owned() });
        }
        let entries = rest.list(Reader::entry, |one| std::cmp::Reverse(one.entry.index))?;
        if entries.is_empty() {
            return Err(rest.bad("it has no entry"));
        }
        let views = rest.list(Reader::view, |one| (one.size, one.root))?;
        let blobs = rest.list(Reader::blob, PackedBlob::name)?;
        let length = rest.count()?;
        let note = std::str::from_utf8(rest.take(length)?).map_err(|_| rest.bad("its checkpoint is no text"))?;
        let seal = Hash::of(&bytes[..rest.offset]);
        if rest.take(32)? != seal.0 {
            return Err(rest.bad("the sum over what stands before does not fit"));
        }
        if rest.offset != bytes.len() {
            return Err(rest.bad("bytes follow its end"));
        }
        Ok(Pack { entries, views, blobs, note: note.to_owned() })
    }
}

fn no_room(written: &[u8], why: &str) -> BadPack {
    BadPack { offset: written.len(), why: why.to_owned() }
}

fn put_count(out: &mut Vec<u8>, count: usize) -> Result<(), BadPack> {
    let count = u32::try_from(count).map_err(|_| no_room(out, "a list or content is longer than 4,294,967,295"))?;
    out.extend_from_slice(&count.to_be_bytes());
    Ok(())
}

fn put_hashes(out: &mut Vec<u8>, hashes: &[Hash]) -> Result<(), BadPack> {
    let count = u8::try_from(hashes.len()).map_err(|_| no_room(out, "a proof is longer than any can be"))?;
    out.push(count);
    hashes.iter().for_each(|hash| out.extend_from_slice(&hash.0));
    Ok(())
}

struct Reader<'a> {
    bytes: &'a [u8],
    offset: usize,
}

impl<'a> Reader<'a> {
    fn bad(&self, why: &str) -> BadPack {
        BadPack { offset: self.offset, why: why.to_owned() }
    }

    fn take(&mut self, length: usize) -> Result<&'a [u8], BadPack> {
        let end = self.offset.checked_add(length).filter(|end| *end <= self.bytes.len());
        let end = end.ok_or_else(|| self.bad("it is cut short"))?;
        let taken = &self.bytes[self.offset..end];
        self.offset = end;
        Ok(taken)
    }

    fn array<const N: usize>(&mut self) -> Result<[u8; N], BadPack> {
        Ok(self.take(N)?.try_into().expect("N bytes were taken"))
    }

    fn count(&mut self) -> Result<usize, BadPack> {
        Ok(u32::from_be_bytes(self.array()?) as usize)
    }

    fn hashes(&mut self) -> Result<Vec<Hash>, BadPack> {
        let [count] = self.array()?;
        if usize::from(count) > MAX_PROOF_HASHES {
            return Err(self.bad("a proof is longer than any can be"));
        }
        (0..count).map(|_| Ok(Hash(self.array()?))).collect()
    }

    /// A list whose keys ascend, each once.
    fn list<T, K: Ord>(
        &mut self,
        one: impl Fn(&mut Reader<'a>) -> Result<T, BadPack>,
        key: impl Fn(&T) -> K,
    ) -> Result<Vec<T>, BadPack> {
        let count = self.count()?;
        let mut list: Vec<T> = Vec::new();
        for _ in 0..count {
            let next = one(self)?;
            if list.last().is_some_and(|last| key(last) >= key(&next)) {
                return Err(self.bad("what stands before is out of order"));
            }
            list.push(next);
        }
        Ok(list)
    }

    fn entry(&mut self) -> Result<Proved, BadPack> {
        let length = u16::from_be_bytes(self.array()?);
        let data = self.take(length.into())?.to_vec();
        let entry = Entry::decode(&data).map_err(|e| self.bad(&e.to_string()))?;
        Ok(Proved { entry, data, proof: self.hashes()? })
    }

    fn view(&mut self) -> Result<View, BadPack> {
        let size = u64::from_be_bytes(self.array()?);
        Ok(View { size, root: Hash(self.array()?), proof: self.hashes()? })
    }

    fn blob(&mut self) -> Result<PackedBlob, BadPack> {
        let [salt_bytes] = self.array()?;
        if !matches!(salt_bytes, 0 | 16) {
            return Err(self.bad("a salt has 16 bytes, or none"));
        }
        let salt = self.take(salt_bytes.into())?.to_vec();
        let length = self.count()?;
        if !(1..=MAX_BLOB_BYTES).contains(&length) {
            return Err(self.bad("a blob is empty, or larger than 1 MiB"));
        }
        Ok(PackedBlob { salt, content: self.take(length)?.to_vec() })
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::entry::EntryChain;
    use crate::fact::Subject;

    fn pack() -> Pack {
        let mut chain = EntryChain::default();
        let mut proved = |n: u8| {
            let data = chain.build(&[Subject::Roster], &[n; 20], 5, false).unwrap().data;
            Proved { entry: Entry::decode(&data).unwrap(), data, proof: vec![Hash([n; 32]); n.into()] }
        };
        let mut entries: Vec<Proved> = (0..3).map(&mut proved).collect();
        entries.reverse();
        let mut blobs = vec![
            PackedBlob { salt: vec![], content: b"a procedure".to_vec() },
            PackedBlob { salt: vec![7; 16], content: b"a name".to_vec() },
        ];
        blobs.sort_by_key(PackedBlob::digest);
        let views = vec![View { size: 1, root: Hash([9; 32]), proof: vec![Hash([8; 32])] }];
        Pack { entries, views, blobs, note: "a note\n".to_owned() }
    }

    #[test]
    fn a_pack_reads_back_and_no_cut_no_addition_and_no_altered_byte_does() {
        let bytes = pack().encode().unwrap();
        assert_eq!(Pack::parse(&bytes).unwrap(), pack());
        for length in 0..bytes.len() {
            assert!(Pack::parse(&bytes[..length]).is_err(), "cut to {length}");
            let mut altered = bytes.clone();
            altered[length] ^= 1;
            assert!(Pack::parse(&altered).is_err(), "byte {length}");
        }
        assert!(Pack::parse(&[bytes, vec![0]].concat()).is_err());
    }

    #[test]
    fn what_has_no_room_in_a_pack_is_refused_and_not_cut_to_fit() {
        let refused = |alter: fn(&mut Pack)| {
            let mut pack = pack();
            alter(&mut pack);
            pack.encode().unwrap_err()
        };
        let first_entry = BadPack { offset: MAGIC.len() + 4, why: "an entry is longer than 65,535 bytes".to_owned() };
        assert_eq!(refused(|p| p.entries[0].data = vec![1; 65_536]), first_entry);
        assert_eq!(refused(|p| p.entries[1].proof = vec![Hash::ZERO; 256]).why, "a proof is longer than any can be");
        assert_eq!(refused(|p| p.views[0].proof = vec![Hash::ZERO; 256]).why, "a proof is longer than any can be");
        assert_eq!(refused(|p| p.blobs[0].salt = vec![1; 272]).why, "a salt is longer than 255 bytes");
    }

    #[test]
    fn what_is_out_of_order_or_doubled_is_refused_though_the_sum_fits() {
        let refused = |alter: fn(&mut Pack)| {
            let mut pack = pack();
            alter(&mut pack);
            Pack::parse(&pack.encode().unwrap()).unwrap_err().why
        };
        let order = "what stands before is out of order";
        assert_eq!(refused(|p| p.entries.reverse()), order);
        assert_eq!(refused(|p| p.blobs.reverse()), order);
        assert_eq!(refused(|p| p.views.push(p.views[0].clone())), order);
        assert_eq!(refused(|p| p.entries.clear()), "it has no entry");
        assert_eq!(refused(|p| p.blobs[0].content.clear()), "a blob is empty, or larger than 1 MiB");
    }
}
