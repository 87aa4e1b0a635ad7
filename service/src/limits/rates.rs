//! Rates: a bucket for each of a kind, filled so fast and no further than so high. Who takes more than is in it is told when
//! there will be enough.

use std::collections::HashMap;
use std::hash::Hash;
use std::sync::{Arc, Mutex, PoisonError};
use std::time::{Duration, Instant};

/// Buckets that are kept at the most; a full one need not be kept.
const BUCKETS: usize = 10_000;

/// See the module; clones share the buckets.
#[derive(Debug)]
pub struct Rates<K> {
    buckets: Arc<Mutex<HashMap<K, Bucket>>>,
    a_second: f64,
    burst: f64,
}

#[derive(Debug, Clone, Copy)]
struct Bucket {
    level: f64,
    at: Instant,
}

impl<K> Clone for Rates<K> {
    fn clone(&self) -> Rates<K> {
        Rates { buckets: self.buckets.clone(), a_second: self.a_second, burst: self.burst }
    }
}

impl<K: Eq + Hash> Rates<K> {
    /// So many a second over a while, and so many at once after a rest.
    pub fn new(a_second: u32, burst: u32) -> Rates<K> {
        Rates { buckets: Arc::default(), a_second: a_second.into(), burst: burst.into() }
    }

    /// Takes so many at that time, or says how long to wait until there are as many. More than the bucket ever holds is
    /// taken from a full one.
    pub fn take(&self, key: K, count: usize, now: Instant) -> Result<(), Duration> {
        let mut buckets = self.buckets.lock().unwrap_or_else(PoisonError::into_inner);
        if buckets.len() >= BUCKETS && !buckets.contains_key(&key) {
            buckets.retain(|_, bucket| self.level(bucket, now) < self.burst);
            if buckets.len() >= BUCKETS {
                return Err(Duration::from_secs(1));
            }
        }
        let count = (count as f64).min(self.burst);
        let bucket = buckets.entry(key).or_insert(Bucket { level: self.burst, at: now });
        let level = self.level(bucket, now);
        if level < count {
            return Err(Duration::from_secs_f64((count - level) / self.a_second));
        }
        *bucket = Bucket { level: level - count, at: now.max(bucket.at) };
        Ok(())
    }

    fn level(&self, bucket: &Bucket, now: Instant) -> f64 {
        let since = now.saturating_duration_since(bucket.at).as_secs_f64();
        (bucket.level + since * self.a_second).min(self.burst)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_burst_is_taken_then_the_rate_and_the_wait_that_is_told_is_enough_and_no_longer() {
        let (rates, start) = (Rates::new(10, 50), Instant::now());
        assert_eq!(rates.take("a", 50, start), Ok(()));
        let wait = rates.take("a", 5, start).unwrap_err();
        assert_eq!(wait, Duration::from_millis(500));
        let early = start + wait - Duration::from_millis(1);
        assert!(rates.take("a", 5, early).is_err());
        assert_eq!(rates.take("a", 5, start + wait), Ok(()));
        assert_eq!(rates.take("b", 50, start), Ok(()), "another's bucket is another");
        let rested = start + Duration::from_secs(3600);
        assert!(rates.take("a", 51, rested).is_ok(), "more than it ever holds is taken from a full one");
        assert!(rates.take("a", 1, rested).is_err(), "and it is empty then");
    }

    #[test]
    fn more_keys_than_are_kept_push_out_full_buckets_and_never_grow_the_table() {
        let (rates, start) = (Rates::new(1, 2), Instant::now());
        for n in 0..BUCKETS {
            assert_eq!(rates.take(n, 1, start), Ok(()));
        }
        assert!(rates.take(BUCKETS, 1, start).is_err(), "all of them are in use");
        assert_eq!(rates.take(BUCKETS, 1, start + Duration::from_secs(2)), Ok(()));
        assert_eq!(rates.buckets.lock().unwrap().len(), 1);
    }
}
