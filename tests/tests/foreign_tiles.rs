//! Our tiles read by another implementation, and its proofs from them: the crate tlog_tiles 0.2.0 (cloudflare/azul, after
//! golang.org/x/mod/sumdb/tlog), whose paths carry the tile's height besides.

use std::collections::HashMap;

use rinsebook_proto::bytes::Hash;
use rinsebook_proto::tiles::{HashTiles, Sort, Tile};
use rinsebook_proto::tree::{Tree, leaf_hash, verify_consistency, verify_inclusion};
use tlog_tiles::tlog::{Error, check_record, check_tree, prove_record, prove_tree, record_hash, tree_hash};
use tlog_tiles::{TileHashReader, TileReader};

const SIZE: u64 = 70_000;

/// Our files, by path.
struct Files(HashMap<String, Vec<u8>>);

/// Their path as ours: without the height, and entries called so.
fn path_here(there: &tlog_tiles::tile::Tile) -> String {
    there.path().replacen("tile/8/", "tile/", 1).replacen("tile/data/", "tile/entries/", 1)
}

impl TileReader for Files {
    fn height(&self) -> u8 {
        8
    }

    fn read_tiles(&self, tiles: &[tlog_tiles::tile::Tile]) -> Result<Vec<Vec<u8>>, Error> {
        let read = |tile| self.0.get(&path_here(tile)).cloned().unwrap_or_else(|| panic!("{}", path_here(tile)));
        Ok(tiles.iter().map(read).collect())
    }

    fn save_tiles(&self, _: &[tlog_tiles::tile::Tile], _: &[Vec<u8>]) {}
}

fn written() -> (Tree, Files) {
    let (mut tree, mut tiles, mut files) = (Tree::default(), HashTiles::default(), HashMap::new());
    for n in 0..SIZE {
        let leaf = leaf_hash(&n.to_be_bytes());
        tree.push(leaf);
        files.extend(tiles.push(leaf).into_iter().map(|(tile, bytes)| (tile.path(), bytes)));
    }
    files.extend(tiles.edge().into_iter().map(|(tile, bytes)| (tile.path(), bytes)));
    (tree, Files(files))
}

fn theirs(hash: Hash) -> tlog_tiles::tlog::Hash {
    tlog_tiles::tlog::Hash(hash.0)
}

#[test]
fn a_tile_has_the_same_path_there() {
    for tile in Tile::all(SIZE, true).chain([Tile { sort: Sort::Hashes(3), number: 1_234_067, width: 1 }]) {
        let (level, is_data) = match tile.sort {
            Sort::Hashes(level) => (level, false),
            Sort::Entries => (0, true),
        };
        let there = tlog_tiles::tile::Tile::new(8, level, tile.number, tile.width.into(), is_data);
        assert_eq!(path_here(&there), tile.path());
    }
    let mut needed: Vec<String> = tlog_tiles::tile::Tile::new_tiles(8, 0, SIZE).iter().map(path_here).collect();
    let mut ours: Vec<String> = Tile::all(SIZE, false).map(|tile| tile.path()).collect();
    needed.sort();
    ours.sort();
    assert_eq!(ours, needed, "a log of this size has the very tiles that they say it needs");
}

#[test]
fn what_is_proved_there_from_our_tiles_holds_here_and_there_and_is_the_same_proof() {
    let (tree, files) = written();
    let root = tree.root(SIZE);
    let reader = TileHashReader::new(SIZE, theirs(root), &files);
    assert_eq!(tree_hash(SIZE, &reader).unwrap().0, root.0);
    for index in [0, 1, 255, 256, 65_535, 65_536, 69_887, 69_888, SIZE - 1] {
        let proof = prove_record(SIZE, index, &reader).unwrap();
        let ours: Vec<Hash> = proof.iter().map(|hash| Hash(hash.0)).collect();
        assert_eq!(ours, tree.inclusion(index, SIZE).unwrap());
        verify_inclusion(&leaf_hash(&index.to_be_bytes()), index, SIZE, &ours, &root).unwrap();
        check_record(&proof, SIZE, theirs(root), index, record_hash(&index.to_be_bytes())).unwrap();
    }
    for old in [1, 2, 255, 256, 257, 65_536, 69_999] {
        let proof = prove_tree(SIZE, old, &reader).unwrap();
        let ours: Vec<Hash> = proof.iter().map(|hash| Hash(hash.0)).collect();
        verify_consistency(old, SIZE, &tree.consistency(old, SIZE).unwrap(), &tree.root(old), &root).unwrap();
        check_tree(&proof, SIZE, theirs(root), old, theirs(tree.root(old))).unwrap();
        assert_eq!(ours, tree.consistency(old, SIZE).unwrap());
    }
}

#[test]
fn no_proof_that_holds_comes_there_from_an_altered_tile() {
    let (tree, mut files) = written();
    let index: u64 = 12 * 256 + 5;
    // The neighbour of that leaf, which its proof begins with.
    files.0.get_mut("tile/0/012").unwrap()[4 * 32] ^= 1;
    let root = theirs(tree.root(SIZE));
    let reader = TileHashReader::new(SIZE, root, &files);
    let leaf = record_hash(&index.to_be_bytes());
    let held = prove_record(SIZE, index, &reader).and_then(|proof| check_record(&proof, SIZE, root, index, leaf));
    assert!(held.is_err());
    let elsewhere = 40 * 256;
    let proof = prove_record(SIZE, elsewhere, &reader).unwrap();
    check_record(&proof, SIZE, root, elsewhere, record_hash(&elsewhere.to_be_bytes())).unwrap();
}
