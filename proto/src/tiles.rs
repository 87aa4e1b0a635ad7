//! The log as static files: C2SP tlog-tiles v0.1.0, read only.
//!
//! ```text
//! checkpoint                       the newest checkpoint's note
//! tile/<L>/<N>[.p/<W>]             hashes: the nodes 256·N … of level 8·L, 32 bytes each; 256 of them, or W at the edge
//! tile/entries/<N>[.p/<W>]         entries 256·N …, each as u16 length (big-endian) and bytes
//! ```
//!
//! N is written in groups of three digits, each but the last with an `x` before it: 1234067 is `x001/x234/067`. A full tile
//! never changes. Hash tiles may be open to everybody: a leaf holds a signature, so its hash cannot be guessed. Bundles of
//! entries are confidential.

use crate::bytes::Hash;
use crate::tree::{Edge, node_hash};

/// Hashes in a full tile, entries in a full bundle.
pub const WIDTH: u64 = 256;
const BITS_A_LEVEL: u32 = 8;

/// How many of so many hashes or entries the file of this number holds, 0 to 256.
pub fn width(count: u64, number: u64) -> u16 {
    let left = count.saturating_sub(number.saturating_mul(WIDTH));
    u16::try_from(left.min(WIDTH)).expect("256 at most")
}

/// Which file.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Sort {
    /// Hashes of this level.
    Hashes(u8),
    /// Entries.
    Entries,
}

/// A file of the log.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub struct Tile {
    /// Hashes or entries.
    pub sort: Sort,
    /// Which, from 0.
    pub number: u64,
    /// How many it holds, 1 to 256.
    pub width: u16,
}

impl Tile {
    /// Its path below the log's prefix.
    pub fn path(&self) -> String {
        let folder = match self.sort {
            Sort::Hashes(level) => format!("tile/{level}"),
            Sort::Entries => "tile/entries".to_owned(),
        };
        let mut number = format!("{:03}", self.number % 1000);
        let mut rest = self.number / 1000;
        while rest > 0 {
            number = format!("x{:03}/{number}", rest % 1000);
            rest /= 1000;
        }
        match u64::from(self.width) {
            WIDTH => format!("{folder}/{number}"),
            width => format!("{folder}/{number}.p/{width}"),
        }
    }

    /// Reads a path in exactly the form of [`Tile::path`].
    pub fn parse(path: &str) -> Option<Tile> {
        let (folder, rest) = path.strip_prefix("tile/")?.split_once('/')?;
        let sort = match folder {
            "entries" => Sort::Entries,
            level => Sort::Hashes(level.parse().ok().filter(|level| *level < 64)?),
        };
        let (number, width) = match rest.split_once(".p/") {
            Some((number, width)) => (number, width.parse().ok().filter(|w| (1..256).contains(w))?),
            None => (rest, 256),
        };
        let digits: String = number.split('/').map(|group| group.trim_start_matches('x')).collect();
        let tile = Tile { sort, number: digits.parse().ok()?, width };
        // One file has one name.
        (tile.path() == path).then_some(tile)
    }

    /// The files of a log of this size, from the leaves up; `entries` says whether bundles are among them.
    pub fn all(size: u64, entries: bool) -> impl Iterator<Item = Tile> {
        let rows = (0u8..8).map(move |level| (Sort::Hashes(level), size >> (BITS_A_LEVEL * u32::from(level))));
        let bundles = entries.then_some((Sort::Entries, size));
        bundles.into_iter().chain(rows).flat_map(|(sort, count)| {
            (0..count.div_ceil(WIDTH)).map(move |number| Tile { sort, number, width: width(count, number) })
        })
    }

    /// Whether a log of this size has it.
    pub fn is_within(&self, size: u64) -> bool {
        let count = match self.sort {
            Sort::Hashes(level) if level < 8 => size >> (BITS_A_LEVEL * u32::from(level)),
            Sort::Hashes(_) => 0,
            Sort::Entries => size,
        };
        self.number
            .checked_mul(WIDTH)
            .and_then(|first| first.checked_add(self.width.into()))
            .is_some_and(|end| end <= count)
    }
}

/// The bytes of a bundle; an error where an entry's length has no room in its field.
pub fn bundle<E: AsRef<[u8]>>(entries: &[E]) -> Result<Vec<u8>, BadBundle> {
    let mut out = Vec::new();
    for entry in entries.iter().map(AsRef::as_ref) {
        let length = u16::try_from(entry.len()).map_err(|_| BadBundle("an entry is longer than 65,535 bytes"))?;
        out.extend_from_slice(&length.to_be_bytes());
        out.extend_from_slice(entry);
    }
    Ok(out)
}

/// Why these are no bundle of so many entries.
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
#[error("this is no bundle of entries: {0}")]
pub struct BadBundle(pub &'static str);

/// Takes a bundle apart; every byte is accounted for.
pub fn read_bundle(bytes: &[u8], width: u16) -> Result<Vec<Vec<u8>>, BadBundle> {
    let mut rest = bytes;
    let mut entries = Vec::with_capacity(width.into());
    for _ in 0..width {
        let (length, after) = rest.split_first_chunk::<2>().ok_or(BadBundle("it is cut short"))?;
        let (entry, after) =
            after.split_at_checked(u16::from_be_bytes(*length).into()).ok_or(BadBundle("it is cut short"))?;
        entries.push(entry.to_vec());
        rest = after;
    }
    if rest.is_empty() { Ok(entries) } else { Err(BadBundle("bytes follow its last entry")) }
}

/// Hash tiles as leaves come, in memory that grows with the tree's height only.
#[derive(Debug, Clone, Default)]
pub struct HashTiles {
    /// The unfinished tile of each level, and its number.
    rows: Vec<(u64, Vec<Hash>)>,
}

impl HashTiles {
    /// Goes on at a size: `read` gives the bytes of the unfinished tile of a level. They are believed only because they give
    /// the peaks of an edge that was checked; none where they do not.
    pub fn resume<E>(edge: &Edge, mut read: impl FnMut(Tile) -> Result<Vec<u8>, E>) -> Result<Option<HashTiles>, E> {
        let (mut rows, mut peaks) = (Vec::new(), edge.peaks().iter().rev());
        for level in (0u8..8).take_while(|level| edge.size() >> (BITS_A_LEVEL * u32::from(*level)) > 0) {
            let count = edge.size() >> (BITS_A_LEVEL * u32::from(level));
            let number = count / WIDTH;
            let width = width(count, number);
            let mut row = Vec::new();
            if width > 0 {
                let bytes = read(Tile { sort: Sort::Hashes(level), number, width })?;
                row.extend(bytes.chunks(32).filter_map(Hash::from_slice).take(width.into()));
            }
            // One peak for each bit of the width, the smallest subtree last.
            let mut end = row.len();
            for bit in (0..BITS_A_LEVEL).filter(|bit| width >> bit & 1 == 1) {
                let start = end.checked_sub(1 << bit);
                let Some(start) = start.filter(|start| Some(&root_of(&row[*start..end])) == peaks.next()) else {
                    return Ok(None);
                };
                end = start;
            }
            rows.push((number, row));
        }
        Ok(Some(HashTiles { rows }))
    }

    /// Takes the next leaf; gives each tile that it fills, with its bytes.
    pub fn push(&mut self, leaf: Hash) -> Vec<(Tile, Vec<u8>)> {
        let mut filled = Vec::new();
        let mut node = leaf;
        for level in 0u8.. {
            if self.rows.len() == usize::from(level) {
                self.rows.push((0, Vec::new()));
            }
            let (number, row) = &mut self.rows[usize::from(level)];
            row.push(node);
            let held = width(row.len() as u64, 0);
            if u64::from(held) < WIDTH {
                break;
            }
            filled.push((Tile { sort: Sort::Hashes(level), number: *number, width: held }, bytes_of(row)));
            node = root_of(row);
            row.clear();
            *number += 1;
        }
        filled
    }

    /// The unfinished tiles.
    pub fn edge(&self) -> Vec<(Tile, Vec<u8>)> {
        // A row is emptied at 256, so that eight of them count all that a u64 can.
        let rows = (0u8..).zip(&self.rows).filter(|(_, (_, row))| !row.is_empty());
        rows.map(|(level, (number, row))| {
            (Tile { sort: Sort::Hashes(level), number: *number, width: width(row.len() as u64, 0) }, bytes_of(row))
        })
        .collect()
    }
}

fn bytes_of(row: &[Hash]) -> Vec<u8> {
    row.iter().flat_map(|hash| hash.0).collect()
}

/// The root over a power of two of nodes.
fn root_of(row: &[Hash]) -> Hash {
    let mut nodes = row.to_vec();
    while nodes.len() > 1 {
        nodes = nodes.chunks_exact(2).map(|pair| node_hash(&pair[0], &pair[1])).collect();
    }
    nodes[0]
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::tree::{Tree, leaf_hash};

    #[test]
    fn a_tile_has_one_path_and_the_one_of_the_standard() {
        let tile = |sort, number, width| Tile { sort, number, width };
        // The example of C2SP tlog-tiles: tile index 1234067.
        assert_eq!(tile(Sort::Hashes(0), 1_234_067, 256).path(), "tile/0/x001/x234/067");
        assert_eq!(tile(Sort::Entries, 0, 7).path(), "tile/entries/000.p/7");
        for tile in Tile::all(70_000, true).chain([tile(Sort::Hashes(2), 1_000_000_999, 3)]) {
            assert_eq!(Tile::parse(&tile.path()), Some(tile));
        }
        for other in [
            "tile/0/1",
            "tile/0/0001",
            "tile/00/001",
            "tile/0/001.p/256",
            "tile/0/001.p/0",
            "tile/0/x001",
            "tile/64/000",
        ] {
            assert_eq!(Tile::parse(other), None, "{other}");
        }
    }

    #[test]
    fn tiles_hold_the_nodes_of_the_tree_at_every_size() {
        let (mut tiles, mut tree) = (HashTiles::default(), Tree::default());
        for leaf in 0..70_000u64 {
            let hash = leaf_hash(&leaf.to_be_bytes());
            tree.push(hash);
            for (tile, bytes) in tiles.push(hash) {
                check(&tree, &tile, &bytes);
            }
            if leaf % 1017 == 0 {
                tiles.edge().iter().for_each(|(tile, bytes)| check(&tree, tile, bytes));
            }
        }
    }

    #[test]
    fn tiles_go_on_from_an_edge_and_from_no_other_bytes() {
        let (mut tiles, mut edge, mut tree) = (HashTiles::default(), Edge::default(), Tree::default());
        for leaf in 0..1500u64 {
            let hash = leaf_hash(&leaf.to_be_bytes());
            let again = HashTiles::resume(&edge, |tile| {
                let Sort::Hashes(level) = tile.sort else { panic!("hashes") };
                let nodes =
                    (0..tile.width.into()).map(|i| tree.node(8 * u32::from(level), tile.number * 256 + i).unwrap());
                Ok::<_, ()>(nodes.flat_map(|node| node.0).collect())
            });
            assert_eq!(again.unwrap().unwrap().edge(), tiles.edge(), "at {leaf}");
            if leaf % 256 > 0 {
                let zeros = HashTiles::resume(&edge, |tile| Ok::<_, ()>(vec![0; 32 * usize::from(tile.width)]));
                assert!(zeros.unwrap().is_none());
            }
            tree.push(hash);
            edge.push(hash);
            tiles.push(hash);
        }
    }

    fn check(tree: &Tree, tile: &Tile, bytes: &[u8]) {
        let Sort::Hashes(level) = tile.sort else { panic!("hashes") };
        assert!(tile.is_within(tree.size()));
        let nodes = (0..u64::from(tile.width)).map(|i| tree.node(8 * u32::from(level), tile.number * 256 + i).unwrap());
        assert_eq!(bytes, nodes.flat_map(|node| node.0).collect::<Vec<u8>>());
    }

    #[test]
    fn a_bundle_reads_back_and_no_cut_or_addition_does() {
        let entries = [vec![1; 3], vec![], vec![2; 300]];
        let bytes = bundle(&entries).unwrap();
        assert_eq!(read_bundle(&bytes, 3).unwrap(), entries);
        for length in 0..bytes.len() {
            assert!(read_bundle(&bytes[..length], 3).is_err());
        }
        assert!(read_bundle(&[bytes.clone(), vec![0]].concat(), 3).is_err());
        assert!(read_bundle(&bytes, 2).is_err());
    }

    #[test]
    fn the_longest_entry_is_bundled_and_a_longer_one_is_refused_and_not_cut_to_fit() {
        let longest = vec![vec![1; 65_535], vec![2; 3]];
        assert_eq!(read_bundle(&bundle(&longest).unwrap(), 2).unwrap(), longest);
        assert_eq!(bundle(&[vec![2; 3], vec![1; 65_536]]), Err(BadBundle("an entry is longer than 65,535 bytes")));
    }

    #[test]
    fn a_file_is_as_wide_as_the_log_goes_and_256_at_the_most() {
        let widths = [(0, 0, 0), (1, 0, 1), (256, 0, 256), (256, 1, 0), (257, 1, 1), (9, 4, 0), (u64::MAX, 0, 256)];
        for (count, number, expected) in widths {
            assert_eq!(width(count, number), expected, "{number} of {count}");
        }
        assert_eq!(width(u64::MAX, u64::MAX), 0);
        assert_eq!(width(u64::MAX, u64::MAX / WIDTH), 255);
    }
}
