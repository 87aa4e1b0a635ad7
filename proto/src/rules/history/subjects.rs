//! What the facts are about: each subject once, by a number; the facts about it; and what is named together with it.

use std::collections::BTreeSet;
use std::hash::BuildHasher;

use hashbrown::{DefaultHashBuilder, HashSet, HashTable};

use crate::fact::Subject;

/// Combinations of subjects that are remembered: a fact about one of them has nothing new to say of what is named together.
const MOST_COMBINATIONS: usize = 65_536;

#[derive(Debug, Clone)]
struct About {
    subject: Subject,
    facts: Vec<u64>,
    /// Subjects that some fact names together with it.
    beside: BTreeSet<u32>,
}

/// See the module.
#[derive(Debug, Clone, Default)]
pub(super) struct Subjects {
    all: Vec<About>,
    numbers: HashTable<u32>,
    hashes: DefaultHashBuilder,
    combinations: HashSet<Box<[u32]>>,
}

impl Subjects {
    /// The number of a subject, which gets one where it has none.
    pub(super) fn number(&mut self, subject: &Subject) -> u32 {
        let Subjects { all, numbers, hashes, .. } = self;
        let slot = hashes.hash_one(subject);
        let is_it = |number: &u32| all[*number as usize].subject == *subject;
        if let Some(number) = numbers.find(slot, is_it) {
            return *number;
        }
        let number = u32::try_from(all.len()).expect("there are fewer than 2^32 subjects");
        numbers.insert_unique(slot, number, |number| hashes.hash_one(&all[*number as usize].subject));
        all.push(About { subject: subject.clone(), facts: Vec::new(), beside: BTreeSet::new() });
        number
    }

    pub(super) fn subject(&self, number: u32) -> &Subject {
        &self.all[number as usize].subject
    }

    /// A fact is about it.
    pub(super) fn add(&mut self, number: u32, index: u64) {
        self.all[number as usize].facts.push(index);
    }

    pub(super) fn add_all(&mut self, number: u32, indices: impl Iterator<Item = u64>) {
        self.all[number as usize].facts.extend(indices);
    }

    /// Some fact names these together; `new` is told each pair that none named before. They are put in order.
    pub(super) fn together(&mut self, named: &mut Vec<u32>, mut new: impl FnMut(&Subjects, u32, u32)) {
        named.sort_unstable();
        named.dedup();
        if self.combinations.contains(named.as_slice()) {
            return;
        }
        if self.combinations.len() >= MOST_COMBINATIONS {
            self.combinations.clear();
        }
        self.combinations.insert(named.as_slice().into());
        for one in named.iter() {
            for other in named.iter().filter(|other| *other != one) {
                if self.beside(*one, *other) {
                    new(self, *one, *other);
                }
            }
        }
    }

    /// A subject is named beside another; whether that is new.
    pub(super) fn beside(&mut self, one: u32, other: u32) -> bool {
        self.all[one as usize].beside.insert(other)
    }

    fn about(&self, subject: &Subject) -> Option<&About> {
        let is_it = |number: &u32| self.all[*number as usize].subject == *subject;
        let number = self.numbers.find(self.hashes.hash_one(subject), is_it)?;
        Some(&self.all[*number as usize])
    }

    /// Indices of the facts about a subject, ascending.
    pub(super) fn facts(&self, subject: &Subject) -> &[u64] {
        self.about(subject).map_or(&[], |about| &about.facts)
    }

    /// Subjects that some fact names together with this one.
    pub(super) fn named_with(&self, subject: &Subject) -> impl Iterator<Item = &Subject> {
        let beside = self.about(subject).into_iter().flat_map(|about| &about.beside);
        beside.map(|number| self.subject(*number))
    }
}
