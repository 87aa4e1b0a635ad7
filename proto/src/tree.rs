//! The Merkle tree over the log's entries, and its proofs: RFC 6962 section 2.1, RFC 9162 section 2.1.
//!
//! Leaf = SHA-256(00 ‖ data), node = SHA-256(01 ‖ left ‖ right), the empty tree's root = SHA-256(""); a tree of n
//! leaves splits at the largest power of two below n.

use crate::bytes::Hash;

/// Why a proof does not hold. A caller takes it as "checked and found bad".
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
pub enum BadProof {
    /// The index is not below the size, or the sizes are in the wrong order.
    #[error("the sizes do not fit: {0}")]
    Sizes(&'static str),
    /// More or fewer hashes than the sizes ask for.
    #[error("the proof has the wrong number of hashes")]
    Length,
    /// The hashes do not lead to the root.
    #[error("the proof does not lead to the root")]
    Root,
}

/// The hash of a leaf.
pub fn leaf_hash(data: &[u8]) -> Hash {
    Hash::of_parts(&[&[0], data])
}

/// The hash of a node.
pub fn node_hash(left: &Hash, right: &Hash) -> Hash {
    let mut node = [1; 65];
    node[1..33].copy_from_slice(&left.0);
    node[33..].copy_from_slice(&right.0);
    Hash::of(&node)
}

/// The root of the tree without leaves.
pub fn empty_root() -> Hash {
    Hash::of(b"")
}

/// The right edge of a growing tree: enough for its root, and no larger than its height.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Edge {
    size: u64,
    /// Roots of the full subtrees from left to right, one for each bit set in the size.
    peaks: Vec<Hash>,
}

impl Edge {
    /// Adds a leaf by its hash.
    pub fn push(&mut self, leaf: Hash) {
        let mut node = leaf;
        let mut size = self.size;
        while size & 1 == 1 {
            let left = self.peaks.pop().expect("a peak for each bit set");
            node = node_hash(&left, &node);
            size >>= 1;
        }
        self.peaks.push(node);
        self.size += 1;
    }

    /// Goes on from a state that was kept; none where there is not one root for each bit set in the size.
    pub fn resume(size: u64, peaks: Vec<Hash>) -> Option<Edge> {
        (peaks.len() as u32 == size.count_ones()).then_some(Edge { size, peaks })
    }

    /// The roots of the full subtrees, from left to right: one for each bit set in the size.
    pub fn peaks(&self) -> &[Hash] {
        &self.peaks
    }

    /// The number of leaves.
    pub fn size(&self) -> u64 {
        self.size
    }

    /// The root.
    pub fn root(&self) -> Hash {
        self.peaks.iter().rev().copied().reduce(|right, left| node_hash(&left, &right)).unwrap_or_else(empty_root)
    }
}

/// The whole tree in memory, every full subtree kept, so that roots and proofs of any size cost its height.
#[derive(Debug, Clone, Default)]
pub struct Tree {
    /// `levels[l][i]` is the root of the full subtree of 2^l leaves that begins at leaf i·2^l.
    levels: Vec<Vec<Hash>>,
}

impl Tree {
    /// Adds a leaf by its hash.
    pub fn push(&mut self, leaf: Hash) {
        let mut node = leaf;
        for level in 0.. {
            if self.levels.len() == level {
                self.levels.push(Vec::new());
            }
            let row = &mut self.levels[level];
            row.push(node);
            if row.len() % 2 == 1 {
                return;
            }
            node = node_hash(&row[row.len() - 2], &row[row.len() - 1]);
        }
    }

    /// The number of leaves.
    pub fn size(&self) -> u64 {
        self.levels.first().map_or(0, |row| row.len() as u64)
    }

    /// The hash of a leaf that is there.
    pub fn leaf(&self, index: u64) -> Option<Hash> {
        self.levels.first()?.get(usize::try_from(index).ok()?).copied()
    }

    /// The root of the full subtree of 2^`level` leaves that begins at leaf `index`·2^`level`; none where it is not full.
    pub fn node(&self, level: u32, index: u64) -> Option<Hash> {
        self.levels.get(level as usize)?.get(usize::try_from(index).ok()?).copied()
    }

    /// The root of the first `size` leaves.
    ///
    /// # Panics
    /// If the tree has fewer.
    pub fn root(&self, size: u64) -> Hash {
        assert!(size <= self.size(), "a root is asked for beyond the tree");
        if size == 0 { empty_root() } else { self.range(0, size) }
    }

    /// The inclusion proof of leaf `index` in the first `size` leaves (RFC 9162, 2.1.3.1).
    pub fn inclusion(&self, index: u64, size: u64) -> Result<Vec<Hash>, BadProof> {
        if index >= size || size > self.size() {
            return Err(BadProof::Sizes("the entry is not in a tree of this size"));
        }
        let mut proof = Vec::new();
        let (mut start, mut end) = (0, size);
        while end - start > 1 {
            let middle = start + split(end - start);
            if index < middle {
                proof.push(self.range(middle, end));
                end = middle;
            } else {
                proof.push(self.range(start, middle));
                start = middle;
            }
        }
        proof.reverse();
        Ok(proof)
    }

    /// The consistency proof from the first `old` leaves to the first `new` (RFC 9162, 2.1.4.1).
    pub fn consistency(&self, old: u64, new: u64) -> Result<Vec<Hash>, BadProof> {
        if old == 0 || old > new || new > self.size() {
            return Err(BadProof::Sizes("there is no proof between trees of these sizes"));
        }
        let mut proof = Vec::new();
        let (mut start, mut end) = (0, new);
        while old != end {
            let middle = start + split(end - start);
            if old <= middle {
                proof.push(self.range(middle, end));
                end = middle;
            } else {
                proof.push(self.range(start, middle));
                start = middle;
            }
        }
        if start > 0 {
            proof.push(self.range(start, end));
        }
        proof.reverse();
        Ok(proof)
    }

    /// The root over leaves `start..end`, where `start` is a multiple of the range's enclosing power of two.
    fn range(&self, start: u64, end: u64) -> Hash {
        let count = end - start;
        if count.is_power_of_two() {
            let level = count.trailing_zeros() as usize;
            return self.levels[level][(start >> level) as usize];
        }
        let middle = start + split(count);
        node_hash(&self.range(start, middle), &self.range(middle, end))
    }
}

/// The largest power of two below `count`, which is at least 2.
fn split(count: u64) -> u64 {
    1 << (63 - (count - 1).leading_zeros())
}

/// Whether the leaf stands at `index` in the tree of `size` and `root` (RFC 9162, 2.1.3.2).
pub fn verify_inclusion(leaf: &Hash, index: u64, size: u64, proof: &[Hash], root: &Hash) -> Result<(), BadProof> {
    if index >= size {
        return Err(BadProof::Sizes("the index is not below the size"));
    }
    let (mut fn_, mut sn) = (index, size - 1);
    let mut r = *leaf;
    for p in proof {
        if sn == 0 {
            return Err(BadProof::Length);
        }
        if fn_ & 1 == 1 || fn_ == sn {
            r = node_hash(p, &r);
            while fn_ & 1 == 0 && fn_ != 0 {
                fn_ >>= 1;
                sn >>= 1;
            }
        } else {
            r = node_hash(&r, p);
        }
        fn_ >>= 1;
        sn >>= 1;
    }
    match (sn == 0, r == *root) {
        (false, _) => Err(BadProof::Length),
        (true, false) => Err(BadProof::Root),
        (true, true) => Ok(()),
    }
}

/// Whether the tree of `new_size` begins with the whole tree of `old_size` (RFC 9162, 2.1.4.2).
///
/// `old_size` 0 is refused: every tree begins with the empty one, which proves nothing.
pub fn verify_consistency(
    old_size: u64,
    new_size: u64,
    proof: &[Hash],
    old_root: &Hash,
    new_root: &Hash,
) -> Result<(), BadProof> {
    if old_size == 0 || old_size > new_size {
        return Err(BadProof::Sizes("the older tree must have leaves, and not more than the newer"));
    }
    if old_size == new_size {
        return match (proof.is_empty(), old_root == new_root) {
            (false, _) => Err(BadProof::Length),
            (true, false) => Err(BadProof::Root),
            (true, true) => Ok(()),
        };
    }
    let mut hashes = proof.iter();
    if proof.is_empty() {
        return Err(BadProof::Length);
    }
    let first = if old_size.is_power_of_two() { old_root } else { hashes.next().ok_or(BadProof::Length)? };
    let (mut fn_, mut sn) = (old_size - 1, new_size - 1);
    while fn_ & 1 == 1 {
        fn_ >>= 1;
        sn >>= 1;
    }
    let (mut fr, mut sr) = (*first, *first);
    for c in hashes {
        if sn == 0 {
            return Err(BadProof::Length);
        }
        if fn_ & 1 == 1 || fn_ == sn {
            fr = node_hash(c, &fr);
            sr = node_hash(c, &sr);
            while fn_ & 1 == 0 && fn_ != 0 {
                fn_ >>= 1;
                sn >>= 1;
            }
        } else {
            sr = node_hash(&sr, c);
        }
        fn_ >>= 1;
        sn >>= 1;
    }
    match (sn == 0, fr == *old_root && sr == *new_root) {
        (false, _) => Err(BadProof::Length),
        (true, false) => Err(BadProof::Root),
        (true, true) => Ok(()),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn tree(leaves: u64) -> Tree {
        let mut tree = Tree::default();
        (0..leaves).for_each(|i| tree.push(leaf_hash(&i.to_be_bytes())));
        tree
    }

    #[test]
    fn every_proof_of_small_trees_holds_and_no_neighbour_does() {
        let tree = tree(70);
        for size in 1..=70 {
            let root = tree.root(size);
            for index in 0..size {
                let proof = tree.inclusion(index, size).unwrap();
                let leaf = tree.leaf(index).unwrap();
                verify_inclusion(&leaf, index, size, &proof, &root).unwrap();
                assert!(verify_inclusion(&leaf, index + 1, size, &proof, &root).is_err());
                assert!(verify_inclusion(&leaf, index, size, &proof, &Hash::ZERO).is_err());
            }
            for old in 1..=size {
                let proof = tree.consistency(old, size).unwrap();
                verify_consistency(old, size, &proof, &tree.root(old), &root).unwrap();
                assert!(verify_consistency(old, size, &proof, &Hash::ZERO, &root).is_err());
            }
        }
    }

    #[test]
    fn the_edge_has_the_root_of_the_whole_tree() {
        let tree = tree(130);
        let mut edge = Edge::default();
        for size in 0..=130 {
            assert_eq!((edge.size(), edge.root()), (size, tree.root(size)));
            if size < 130 {
                edge.push(tree.leaf(size).unwrap());
            }
        }
    }
}
