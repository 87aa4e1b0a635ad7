//! The log read again at a start: what of an entry needs nothing before it, for many at once; the rest in order.

use std::collections::HashMap;
use std::sync::Arc;

use rinsebook_proto::bytes::{Hash, Id};
use rinsebook_proto::chain::{Held, Place};
use rinsebook_proto::entry::{Entry, Head};
use rinsebook_proto::fact::{self, Kind, Signed};
use rinsebook_proto::key;
use rinsebook_proto::rules::{OfSubject, Recorded, SignatureState, Stretch};
use rinsebook_proto::tree::leaf_hash;

use super::{Desk, places_of, spoken_of};
use crate::admission::KnownKeys;
use crate::register::Loaded;

/// An entry taken apart.
#[derive(Debug)]
pub struct Read {
    entry: Entry,
    fact: Signed,
    hash: Hash,
    /// Whether the signature holds; none: it was not looked at, or its key was not known yet.
    holds: Option<bool>,
}

impl Read {
    /// Takes an entry's data apart, and checks its signature under these keys, if any are given.
    ///
    /// # Errors
    /// What is wrong with the data by itself, in words.
    pub fn new(data: &[u8], keys: Option<&KnownKeys>) -> Result<Read, String> {
        let mut entry = Entry::decode(data).map_err(|e| e.to_string())?;
        let fact = Signed::take(std::mem::take(&mut entry.envelope), fact::MAX_SERVICE_ENVELOPE_BYTES)
            .map_err(|e| e.to_string())?;
        let key = keys.and_then(|keys| keys.get(&fact.header().author_key));
        let holds = key.map(|key| fact.signed_by(&key));
        Ok(Read { entry, fact, hash: leaf_hash(data), holds })
    }

    /// The leaf hash of the entry's data.
    pub fn hash(&self) -> Hash {
        self.hash
    }
}

impl Desk {
    /// Takes the next entry of the log, with every check that a stranger would make. Of one whose signature was checked
    /// when it came (`checked_before`) that alone is not done again.
    ///
    /// # Errors
    /// What is wrong with it, in words.
    pub fn replay(&mut self, read: Read, checked_before: bool) -> Result<Recorded, String> {
        let Read { entry, fact, hash, holds } = read;
        self.chain.check_hashed(&entry, hash, &fact.header().subjects).map_err(|e| e.to_string())?;
        let signature = self.signature(&fact, entry.index, if checked_before { Some(true) } else { holds })?;
        let recorded = Recorded {
            index: entry.index,
            received_ms: entry.received_ms,
            clock_unsure: entry.clock_unsure,
            fact: Arc::new(fact),
            signature,
        };
        self.hold(&places_of(&recorded, &self.identity.device));
        self.tree_mut().push(hash);
        self.remember(&recorded, hash);
        Ok(recorded)
    }

    /// Takes the entries of a register, which go on from the last one here.
    ///
    /// # Errors
    /// Why they do not, in words; what is here is then of no use.
    pub fn resume(&mut self, loaded: &Loaded) -> Result<(), String> {
        let Loaded { register, whole } = loaded;
        let stretch = &register.stretch;
        if stretch.first != self.chain.next_index() {
            return Err("it does not go on from the entries before it".to_owned());
        }
        {
            let mut tree = self.tree_mut();
            register.leaves().for_each(|leaf| tree.push(leaf));
        }
        let last_ms = stretch.times_ms().last().unwrap_or(0);
        let head = |of: OfSubject<'_>| {
            let last = *of.at.last()?;
            let head = Head { count: of.at.len() as u64, index: stretch.index(last), hash: register.leaf(last) };
            Some((of.subject, head))
        };
        let heads = stretch.subjects.each().filter_map(head);
        self.chain.skip(stretch.entries(), register.last_leaf(), last_ms, heads);
        self.resume_runs(stretch, whole)?;
        self.enrolments.hear_stretch(stretch.unsure(), stretch.known());
        let mut grown = false;
        for recorded in whole {
            let at = (recorded.index - stretch.first) as u32;
            grown |= self.take_in(recorded, register.leaf(at));
        }
        if grown {
            self.know_keys();
        }
        self.replay_checkpoint(&register.note)
    }

    fn resume_runs(&mut self, stretch: &Stretch, whole: &[Recorded]) -> Result<(), String> {
        let mut runs: HashMap<(Id, Id), Vec<(u64, Place)>> = HashMap::new();
        let mut own = None;
        for of in &stretch.runs {
            let (Some(device), Some(run)) = (Id::from_slice(&of.device), Id::from_slice(&of.run)) else { continue };
            if device == self.identity.device {
                own = own.max(of.at.last().copied());
            }
            let place = |at: u32| Place { index: stretch.index(at), digest: stretch.hash(at), held: Held::Admitted };
            let places = of.counters.iter().zip(&of.at).map(|(counter, at)| (*counter, place(*at)));
            runs.entry((device, run)).or_default().extend(places);
        }
        for (device, run, counter, place) in whole.iter().flat_map(|fact| spoken_of(fact, &self.identity.device)) {
            runs.entry((device, run)).or_default().push((counter, place));
        }
        if let Some(at) = own {
            self.own.previous = stretch.hash(at);
        }
        for ((device, run), mut places) in runs {
            places.sort_by_key(|(counter, _)| *counter);
            let next = self.runs.next_counter(device, run);
            if !(next..).zip(&places).all(|(expected, (counter, _))| expected == *counter) {
                return Err("the places of a run do not follow one another".to_owned());
            }
            self.runs.hold_all(device, run, places.into_iter().map(|(_, place)| place));
        }
        Ok(())
    }

    fn signature(&self, fact: &Signed, index: u64, holds: Option<bool>) -> Result<SignatureState, String> {
        let founder = match fact.kind() {
            Some(Kind::RecordFounded(b)) if index == 0 => {
                b.custodian_key.as_ref().and_then(|k| key::public_key(&k.public_key).ok())
            }
            _ => None,
        };
        // A key may have come, or gone again, since others looked at the signature: the place decides.
        match founder.or_else(|| self.keys.get(&fact.header().author_key)) {
            Some(key) if holds.unwrap_or_else(|| fact.signed_by(&key)) => Ok(SignatureState::Good),
            // A bad signature by a key enrolled before would have been refused: this entry was never admitted by us.
            Some(_) => Err("signature: it does not hold under the key that it names".to_owned()),
            None => Ok(SignatureState::Unchecked),
        }
    }

    /// Takes a checkpoint that closes a replayed group: it must be ours, of this size and root.
    ///
    /// # Errors
    /// What is wrong with it, in words.
    pub fn replay_checkpoint(&mut self, note: &str) -> Result<(), String> {
        let checkpoint = self.signing.open(note).map_err(|e| e.to_string())?;
        let (size, root) = self.size_and_root();
        if checkpoint.size != size || checkpoint.root != root {
            return Err("root: the group's checkpoint has another size or root than the entries give".to_owned());
        }
        self.checkpoint = checkpoint;
        self.note = note.to_owned();
        Ok(())
    }
}
