//! The entries by index. A mark of each stays in memory, of a hundred bytes and less; the fact itself too, or it is read back
//! from the log where an answer asks for it, and stays at hand for the next ones until others take its room.
//!
//! What is at hand is let go only by whoever holds all of it alone ([`Facts::let_go`]): until then every answer borrows it.

use std::collections::VecDeque;
use std::fmt;
use std::sync::atomic::{AtomicUsize, Ordering};
use std::sync::{Arc, Mutex, OnceLock};

use hashbrown::{DefaultHashBuilder, HashTable};
use std::hash::BuildHasher;

use super::super::held::Held;
use super::super::{Recorded, SignatureState};
use crate::bytes::Hash;
use crate::fact::Signed;

/// Where facts are read back from.
pub trait ReadBack: fmt::Debug + Send + Sync {
    /// The fact that the log holds at this index, which was added before.
    ///
    /// # Panics
    /// Where it cannot be read: an answer that does without it would be wrong, so that there must be none.
    fn fact(&self, index: u64) -> Arc<Signed>;
}

/// What stays of an entry.
#[derive(Debug, Clone)]
pub(super) struct Mark {
    pub(super) index: u64,
    pub(super) received_ms: u64,
    pub(super) hash: Hash,
    pub(super) clock_unsure: bool,
    pub(super) signature: SignatureState,
    /// See [`Held::good`].
    pub(super) good: Option<bool>,
    fact: OnceLock<Box<Held>>,
}

impl Mark {
    pub(super) fn new(recorded: &Recorded, good: Option<bool>) -> Mark {
        Mark {
            index: recorded.index,
            received_ms: recorded.received_ms,
            hash: recorded.fact.hash(),
            clock_unsure: recorded.clock_unsure,
            signature: recorded.signature,
            good,
            fact: OnceLock::new(),
        }
    }

    /// That of an entry whose fact is not there.
    pub(super) fn away(
        index: u64,
        received_ms: u64,
        hash: Hash,
        clock_unsure: bool,
        signature: SignatureState,
    ) -> Mark {
        let good = (signature == SignatureState::Good).then_some(true);
        Mark { index, received_ms, hash, clock_unsure, signature, good, fact: OnceLock::new() }
    }

    fn held(&self, fact: Arc<Signed>) -> Box<Held> {
        let recorded = Recorded {
            index: self.index,
            received_ms: self.received_ms,
            clock_unsure: self.clock_unsure,
            fact,
            signature: self.signature,
        };
        Box::new(Held { recorded, hash: self.hash, good: self.good })
    }
}

/// See the module.
#[derive(Debug, Clone, Default)]
pub(super) struct Facts {
    marks: Vec<Mark>,
    /// Places among the marks; of envelopes that the log holds twice the first.
    by_hash: HashTable<u32>,
    hashes: DefaultHashBuilder,
    /// None: every fact stays.
    back: Option<Back>,
}

#[derive(Debug)]
struct Back {
    from: Arc<dyn ReadBack>,
    most_bytes: usize,
    bytes: AtomicUsize,
    /// Places of the facts at hand, oldest first.
    at_hand: Mutex<VecDeque<usize>>,
}

impl Clone for Back {
    fn clone(&self) -> Back {
        let at_hand = self.at_hand.lock().expect("no holder of this lock panics").clone();
        let bytes = AtomicUsize::new(self.bytes.load(Ordering::Relaxed));
        Back { from: self.from.clone(), most_bytes: self.most_bytes, bytes, at_hand: Mutex::new(at_hand) }
    }
}

/// About what a fact takes in memory, taken apart beside its bytes.
fn bytes(held: &Held) -> usize {
    800 + 3 * held.recorded.fact.bytes().len()
}

impl Facts {
    pub(super) fn reading(from: Arc<dyn ReadBack>, most_bytes: usize) -> Facts {
        let back = Back { from, most_bytes, bytes: AtomicUsize::new(0), at_hand: Mutex::default() };
        Facts { back: Some(back), ..Facts::default() }
    }

    pub(super) fn push(&mut self, mark: Mark) -> usize {
        let last = self.marks.last().is_none_or(|last| last.index < mark.index);
        assert!(last, "indices ascend");
        let at = self.marks.len();
        let place = u32::try_from(at).expect("a history has fewer than 2^32 entries");
        let (marks, hashes) = (&self.marks, &self.hashes);
        let hash_at = |at: &u32| marks[*at as usize].hash;
        let slot = hashes.hash_one(mark.hash);
        self.by_hash.entry(slot, |at| hash_at(at) == mark.hash, |at| hashes.hash_one(hash_at(at))).or_insert(place);
        self.marks.push(mark);
        at
    }

    /// As [`push`](Self::push), of many: the table is gone through from its beginning to its end, and not here and there.
    pub(super) fn push_all(&mut self, marks: impl Iterator<Item = Mark>) {
        let first = self.marks.len();
        self.marks.extend(marks);
        assert!(
            self.marks[first.saturating_sub(1)..].is_sorted_by(|one, next| one.index < next.index),
            "indices ascend"
        );
        self.reserve(0);
        let slots = self.by_hash.num_buckets().next_power_of_two() as u64 - 1;
        let (marks, hashes) = (&self.marks, &self.hashes);
        let new = marks.iter().enumerate().skip(first).map(|(at, mark)| (hashes.hash_one(mark.hash), at));
        let mut new: Vec<(u64, usize)> = new.collect();
        new.sort_unstable_by_key(|(slot, at)| (slot & slots, *at));
        for (slot, at) in new {
            let hash_at = |at: &u32| marks[*at as usize].hash;
            let place = u32::try_from(at).expect("a history has fewer than 2^32 entries");
            self.by_hash
                .entry(slot, |of| hash_at(of) == marks[at].hash, |of| hashes.hash_one(hash_at(of)))
                .or_insert(place);
        }
    }

    /// Room for so many more.
    pub(super) fn reserve(&mut self, more: usize) {
        let (marks, hashes) = (&self.marks, &self.hashes);
        self.by_hash.reserve(more, |at| hashes.hash_one(marks[*at as usize].hash));
        self.marks.reserve(more);
    }

    /// Has the fact of that mark at hand.
    pub(super) fn keep(&self, at: usize, fact: Arc<Signed>) {
        let mark = &self.marks[at];
        mark.fact.get_or_init(|| self.noted(at, mark.held(fact)));
    }

    /// Takes note of a fact that will be at hand.
    fn noted(&self, at: usize, held: Box<Held>) -> Box<Held> {
        if let Some(back) = &self.back {
            back.bytes.fetch_add(bytes(&held), Ordering::Relaxed);
            back.at_hand.lock().expect("no holder of this lock panics").push_back(at);
        }
        held
    }

    pub(super) fn mark(&self, index: u64) -> Option<&Mark> {
        Some(&self.marks[self.place(index)?])
    }

    /// The place of an index among the marks.
    pub(super) fn place(&self, index: u64) -> Option<usize> {
        let at = usize::try_from(index).ok()?;
        match self.marks.get(at) {
            Some(mark) if mark.index == index => Some(at),
            // A part of the log has gaps.
            _ => self.marks.binary_search_by_key(&index, |mark| mark.index).ok(),
        }
    }

    pub(super) fn held(&self, index: u64) -> Option<&Held> {
        Some(self.at(self.place(index)?))
    }

    /// The entry at a place among the marks.
    pub(super) fn at(&self, at: usize) -> &Held {
        let mark = &self.marks[at];
        mark.fact.get_or_init(|| {
            let back = self.back.as_ref().expect("a fact that stays was put there with its mark");
            self.noted(at, mark.held(back.from.fact(mark.index)))
        })
    }

    /// As [`held`](Self::held), of one that will not be asked for again soon: it is not kept at hand.
    pub(super) fn glance(&self, index: u64) -> Option<Recorded> {
        let at = self.place(index)?;
        let mark = &self.marks[at];
        match (mark.fact.get(), &self.back) {
            (None, Some(back)) => Some(mark.held(back.from.fact(index)).recorded),
            _ => Some(self.at(at).recorded.clone()),
        }
    }

    pub(super) fn by_hash(&self, hash: &Hash) -> Option<u64> {
        let found = self.by_hash.find(self.hashes.hash_one(hash), |at| self.marks[*at as usize].hash == *hash)?;
        Some(self.marks[*found as usize].index)
    }

    pub(super) fn last(&self) -> Option<&Mark> {
        self.marks.last()
    }

    /// What a signature came to that could be checked only now.
    pub(super) fn set_good(&mut self, at: usize, good: bool) {
        let mark = &mut self.marks[at];
        mark.good = Some(good);
        if let Some(held) = mark.fact.get_mut() {
            held.good = Some(good);
        }
    }

    /// About what the facts at hand take; nothing where every fact stays.
    pub(super) fn at_hand_bytes(&self) -> usize {
        self.back.as_ref().map_or(0, |back| back.bytes.load(Ordering::Relaxed))
    }

    /// Lets the older half go where there is more at hand than room for it.
    pub(super) fn let_go(&mut self) -> Vec<Arc<Signed>> {
        let mut gone = Vec::new();
        let Some(back) = self.back.as_mut().filter(|back| back.bytes.load(Ordering::Relaxed) > back.most_bytes) else {
            return gone;
        };
        let at_hand = back.at_hand.get_mut().expect("no holder of this lock panics");
        while *back.bytes.get_mut() > back.most_bytes / 2
            && let Some(at) = at_hand.pop_front()
        {
            let Some(held) = self.marks[at].fact.take() else { continue };
            *back.bytes.get_mut() -= bytes(&held);
            gone.push(held.recorded.fact);
        }
        gone
    }
}
