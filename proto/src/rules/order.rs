//! The order that the rules take facts in: repeatedly, of the facts whose named facts are taken, the least by happened
//! time (whole seconds), run, counter, envelope hash. So a fact that came late stands where it would have stood.

use std::cmp::Reverse;
use std::collections::{BinaryHeap, HashMap};

use crate::bytes::{Hash, Id};

/// What orders facts that do not name each other.
pub(super) type Key = (u64, Id, u64, Hash);

/// Positions of `facts` in the rules' order. `facts` come sorted by key; `names` gives the hashes that one names,
/// those absent among the facts make nobody wait.
pub(super) fn ordered<'a, F>(
    facts: &'a [F],
    key: impl Fn(&F) -> Key,
    names: impl Fn(&'a F) -> &'a [Hash],
) -> Vec<usize> {
    let places: HashMap<Hash, usize> = facts.iter().enumerate().map(|(at, f)| (key(f).3, at)).collect();
    let mut waits = vec![0usize; facts.len()];
    let mut awaited: HashMap<usize, Vec<usize>> = HashMap::new();
    for (at, fact) in facts.iter().enumerate() {
        for named in names(fact).iter().filter_map(|h| places.get(h)).filter(|named| **named != at) {
            waits[at] += 1;
            awaited.entry(*named).or_default().push(at);
        }
    }
    // Facts are sorted by key, so that the least free one is the one with the least place.
    let mut free: BinaryHeap<Reverse<usize>> = (0..facts.len()).filter(|at| waits[*at] == 0).map(Reverse).collect();
    let mut order = Vec::with_capacity(facts.len());
    while let Some(Reverse(at)) = free.pop() {
        order.push(at);
        for next in awaited.remove(&at).unwrap_or_default() {
            waits[next] -= 1;
            if waits[next] == 0 {
                free.push(Reverse(next));
            }
        }
    }
    order
}

#[cfg(test)]
mod tests {
    use super::*;

    fn fact(happened_s: u64, hash: u8, names: &[u8]) -> (Key, Vec<Hash>) {
        ((happened_s, Id([0; 16]), 0, Hash([hash; 32])), names.iter().map(|n| Hash([*n; 32])).collect())
    }

    fn order_of(mut facts: Vec<(Key, Vec<Hash>)>) -> Vec<u8> {
        facts.sort();
        ordered(&facts, |f| f.0, |f| &f.1).into_iter().map(|at| facts[at].0.3.0[0]).collect()
    }

    #[test]
    fn a_fact_waits_for_the_one_that_it_names_even_if_it_happened_before() {
        assert_eq!(order_of(vec![fact(1, 1, &[3]), fact(2, 2, &[]), fact(3, 3, &[]), fact(4, 4, &[])]), [2, 3, 1, 4]);
    }

    #[test]
    fn a_named_fact_that_is_absent_makes_nobody_wait() {
        assert_eq!(order_of(vec![fact(2, 2, &[]), fact(1, 1, &[9])]), [1, 2]);
    }

    #[test]
    fn facts_of_one_second_stand_by_their_hashes_at_last() {
        assert_eq!(order_of(vec![fact(1, 7, &[]), fact(1, 5, &[])]), [5, 7]);
    }
}
