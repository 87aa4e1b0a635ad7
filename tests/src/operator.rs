//! What somebody could do who keeps a log and holds its key and the service's, but nobody else's: take it apart, put it
//! together otherwise, sign it again. And what a pack of it would then look like.

use std::path::Path;
use std::sync::Arc;

use rinsebook_proto::bytes::Hash;
use rinsebook_proto::entry::{Entry, Link, SubjectHeads};
use rinsebook_proto::fact::{MAX_SERVICE_ENVELOPE_BYTES, Signed};
use rinsebook_proto::journal::{self, Journal, Options, RealDisk};
use rinsebook_proto::key::SigningKey;
use rinsebook_proto::note::Checkpoint;
use rinsebook_proto::pack::{Pack, PackedBlob, Proved, View};
use rinsebook_proto::tree::{Tree, leaf_hash};

/// An entry before it gets its place.
#[derive(Debug, Clone)]
pub struct Piece {
    /// The envelope.
    pub envelope: Vec<u8>,
    /// When it is said to have been received.
    pub received_ms: u64,
    /// Done to the entry once it has place and links.
    pub tweak: Option<fn(&mut Entry)>,
    /// The last of its group.
    pub closes: bool,
}

/// A log taken apart.
pub fn pieces(log: &Path) -> Vec<Piece> {
    let mut pieces: Vec<Piece> = Vec::new();
    journal::scan(&RealDisk, log, journal::Kind::Log, |group| {
        for data in &group.records {
            let entry = Entry::decode(data).map_err(|e| e.to_string())?;
            let (envelope, received_ms) = (entry.envelope, entry.received_ms);
            pieces.push(Piece { envelope, received_ms, tweak: None, closes: false });
        }
        pieces.last_mut().expect("a group has entries").closes = true;
        Ok::<_, String>(leaf_hash(group.records.last().expect("a group has entries")).0)
    })
    .unwrap();
    pieces
}

/// A log put together, hashed and signed.
pub struct Rebuilt {
    /// The entries as stored.
    pub entries: Vec<Vec<u8>>,
    /// Where each group ends, with its checkpoint's note.
    pub notes: Vec<(usize, String)>,
    /// The whole tree.
    pub tree: Tree,
}

/// Puts pieces together under this log key and origin.
pub fn rebuild(pieces: &[Piece], origin: &str, log_key: &SigningKey) -> Rebuilt {
    let (mut heads, mut tree, mut previous) = (SubjectHeads::default(), Tree::default(), Hash::ZERO);
    let mut rebuilt = Rebuilt { entries: Vec::new(), notes: Vec::new(), tree: Tree::default() };
    for (index, piece) in pieces.iter().enumerate() {
        let fact = Signed::parse(&piece.envelope, MAX_SERVICE_ENVELOPE_BYTES).unwrap();
        let subjects = &fact.header().subjects;
        let mut entry = Entry {
            index: index as u64,
            previous,
            received_ms: piece.received_ms,
            term: 0,
            clock_unsure: false,
            links: subjects.iter().map(|subject| Link::to(subject, &heads.head(subject))).collect(),
            envelope: piece.envelope.clone(),
        };
        if let Some(tweak) = piece.tweak {
            tweak(&mut entry);
        }
        let data = entry.encode().unwrap();
        previous = leaf_hash(&data);
        heads.advance(subjects, index as u64, previous);
        tree.push(previous);
        rebuilt.entries.push(data);
        if piece.closes || index + 1 == pieces.len() {
            let size = index as u64 + 1;
            let checkpoint = Checkpoint { origin: origin.to_owned(), size, root: tree.root(size) };
            rebuilt.notes.push((index + 1, checkpoint.sign(log_key)));
        }
    }
    rebuilt.tree = tree;
    rebuilt
}

impl Rebuilt {
    /// Writes it as segment files.
    pub fn write(&self, dir: &Path) {
        let options = Options::small(journal::Kind::Log);
        let (mut out, _) = Journal::create_or_open(Arc::new(RealDisk), dir, options, |_| Ok::<_, String>(())).unwrap();
        let mut first = 0;
        let mut previous = Hash::ZERO;
        for (end, note) in &self.notes {
            let records = &self.entries[first..*end];
            out.make_room(previous.0, records.iter().map(|data| data.len() as u64 + 64).sum()).unwrap();
            out.append(first as u64, previous.0, records, note.as_bytes()).unwrap();
            previous = leaf_hash(records.last().unwrap());
            first = *end;
        }
    }

    /// The last checkpoint's note.
    pub fn note(&self) -> &str {
        &self.notes.last().unwrap().1
    }

    /// A pack of all of it; its last entry says that it was issued.
    pub fn pack(&self, blobs: Vec<PackedBlob>) -> Pack {
        let size = self.entries.len() as u64;
        let proved = |(index, data): (usize, &Vec<u8>)| Proved {
            entry: Entry::decode(data).unwrap(),
            data: data.clone(),
            proof: self.tree.inclusion(index as u64, size).unwrap(),
        };
        let entries: Vec<Proved> = self.entries.iter().enumerate().rev().map(proved).collect();
        let seen = |proved: &Proved| {
            let fact = Signed::parse(&proved.entry.envelope, MAX_SERVICE_ENVELOPE_BYTES).unwrap();
            fact.header().seen.size
        };
        let mut seen: Vec<u64> = entries.iter().map(seen).filter(|seen| (1..=size).contains(seen)).collect();
        seen.sort_unstable();
        seen.dedup();
        let view =
            |seen| View { size: seen, root: self.tree.root(seen), proof: self.tree.consistency(seen, size).unwrap() };
        let mut blobs = blobs;
        blobs.sort_by_key(PackedBlob::name);
        Pack { entries, views: seen.into_iter().map(view).collect(), blobs, note: self.note().to_owned() }
    }
}
