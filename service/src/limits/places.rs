//! Places that are taken and given back: so many together, so many for one of a kind.

use std::collections::HashMap;
use std::hash::Hash;
use std::sync::{Arc, Mutex, PoisonError};

/// See the module; clones share the places.
#[derive(Debug)]
pub struct Places<K> {
    taken: Arc<Mutex<Taken<K>>>,
    most: u32,
    most_each: u32,
}

#[derive(Debug)]
struct Taken<K> {
    together: u32,
    /// Holds nobody without a place, so it is never larger than `most`.
    each: HashMap<K, u32>,
}

/// A place; dropping it gives it back.
#[derive(Debug)]
pub struct Place<K: Eq + Hash> {
    key: K,
    taken: Arc<Mutex<Taken<K>>>,
}

impl<K> Clone for Places<K> {
    fn clone(&self) -> Places<K> {
        Places { taken: self.taken.clone(), most: self.most, most_each: self.most_each }
    }
}

impl<K: Eq + Hash + Clone> Places<K> {
    /// So many together, and for one key.
    pub fn new(most: u32, most_each: u32) -> Places<K> {
        Places { taken: Arc::new(Mutex::new(Taken { together: 0, each: HashMap::new() })), most, most_each }
    }

    /// Takes a place; none where there is none left.
    pub fn take(&self, key: K) -> Option<Place<K>> {
        let mut taken = self.taken.lock().unwrap_or_else(PoisonError::into_inner);
        let own = taken.each.get(&key).copied().unwrap_or(0);
        if taken.together >= self.most || own >= self.most_each {
            return None;
        }
        taken.together += 1;
        taken.each.insert(key.clone(), own + 1);
        Some(Place { key, taken: self.taken.clone() })
    }
}

impl<K: Eq + Hash> Drop for Place<K> {
    fn drop(&mut self) {
        let mut taken = self.taken.lock().unwrap_or_else(PoisonError::into_inner);
        taken.together -= 1;
        if let Some(own) = taken.each.get_mut(&self.key) {
            *own -= 1;
            if *own == 0 {
                taken.each.remove(&self.key);
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn one_takes_no_more_than_their_share_all_together_no_more_than_there_are_and_a_place_comes_back() {
        let places = Places::new(3, 2);
        let (first, _second) = (places.take("a").unwrap(), places.take("a").unwrap());
        assert!(places.take("a").is_none(), "two for one");
        let _third = places.take("b").unwrap();
        assert!(places.take("c").is_none(), "three together");
        drop(first);
        assert!(places.take("c").is_some());
    }

    #[test]
    fn nobody_is_remembered_who_has_no_place() {
        let places = Places::new(10, 10);
        (0..1000).for_each(|n| drop(places.take(n)));
        assert_eq!(places.taken.lock().unwrap().each.len(), 0);
    }
}
