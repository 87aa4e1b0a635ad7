//! Room on the way to the log: streams of one device and of all, what they may have under way, and how much a device may
//! bring over a while. A message waits a little for room, which is the back-pressure, and is sent back after that.

use std::sync::Arc;
use std::time::{Duration, Instant};

use rinsebook_proto::bytes::Hash;
use tokio::sync::{OwnedSemaphorePermit, Semaphore};

use crate::error::CallError;
use crate::limits::{Limits, Place, Places, Rates};

/// What a fact needs beside its bytes while it is decided on, KiB: its parsed form, entry, links, outcome.
const FACT_KIBIBYTES: usize = 4;
/// Whoever finds no room tries again after that.
const AGAIN_AFTER: Duration = Duration::from_secs(1);

/// All streams'.
#[derive(Clone)]
pub struct Room {
    streams: Places<Hash>,
    rates: Rates<Hash>,
    all: Arc<Semaphore>,
    limits: Limits,
}

/// One stream's.
pub(super) struct StreamRoom {
    room: Room,
    device: Hash,
    own: Arc<Semaphore>,
    _place: Place<Hash>,
}

/// Held by what is under way; dropping it gives the room back.
pub(super) struct Held {
    _own: OwnedSemaphorePermit,
    _all: OwnedSemaphorePermit,
}

impl Room {
    /// With these limits.
    pub fn new(limits: &Limits) -> Room {
        Room {
            streams: Places::new(limits.intake_streams, limits.intake_streams_a_device),
            rates: Rates::new(limits.facts_a_second, limits.facts_burst),
            all: Arc::new(Semaphore::new(limits.intake_kibibytes as usize)),
            limits: limits.clone(),
        }
    }

    /// How long a stream may bring nothing whole.
    pub(super) fn message_wait(&self) -> Duration {
        self.limits.message_wait()
    }

    /// How long answers may wait to be read.
    pub(super) fn reader_wait(&self) -> Duration {
        self.limits.reader_wait()
    }

    /// Another stream of the device with this TLS key.
    pub(super) fn stream(&self, device: Hash) -> Result<StreamRoom, CallError> {
        let what = "the service has as many intake streams as it takes, or this device has";
        let place = self.streams.take(device).ok_or(CallError::Busy { what, wait: AGAIN_AFTER })?;
        let own = Arc::new(Semaphore::new(self.limits.stream_kibibytes as usize));
        Ok(StreamRoom { room: self.clone(), device, own, _place: place })
    }
}

impl StreamRoom {
    /// For a message with so many facts, reports or blobs, of so many bytes.
    pub(super) async fn take(&self, count: usize, bytes: usize) -> Result<Held, CallError> {
        let what = "this device sends more than the service takes of one";
        self.room.rates.take(self.device, count, Instant::now()).map_err(|wait| CallError::Busy { what, wait })?;
        let kibibytes = bytes.div_ceil(1024) + count * FACT_KIBIBYTES;
        let kibibytes = kibibytes.min(self.room.limits.stream_kibibytes as usize) as u32;
        let both = async {
            let own = self.own.clone().acquire_many_owned(kibibytes).await;
            let all = self.room.all.clone().acquire_many_owned(kibibytes).await;
            own.ok().zip(all.ok())
        };
        match tokio::time::timeout(self.room.limits.room_wait(), both).await {
            Ok(Some((own, all))) => Ok(Held { _own: own, _all: all }),
            // Nobody closes the semaphores: it was the time.
            Ok(None) | Err(_) => {
                tracing::warn!(device_key = %self.device, "no room on the way to the log: a message is sent back");
                let what = "the service has as much on its way to the log as it takes";
                Err(CallError::Busy { what, wait: AGAIN_AFTER })
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn room() -> Room {
        let small = Limits {
            intake_streams: 3,
            intake_streams_a_device: 2,
            stream_kibibytes: 4_096,
            intake_kibibytes: 6_144,
            facts_burst: 100,
            facts_a_second: 10,
            room_seconds: 1,
            ..Limits::default()
        };
        small.check().unwrap();
        Room::new(&small)
    }

    fn key(n: u8) -> Hash {
        Hash::of(&[n])
    }

    #[test]
    fn a_device_has_so_many_streams_and_all_have_so_many() {
        let room = room();
        let _own = (room.stream(key(1)).ok().unwrap(), room.stream(key(1)).ok().unwrap());
        assert!(room.stream(key(1)).is_err());
        let other = room.stream(key(2)).ok().unwrap();
        assert!(room.stream(key(3)).is_err(), "three together");
        drop(other);
        assert!(room.stream(key(3)).is_ok());
    }

    #[tokio::test]
    async fn a_message_waits_for_room_and_is_sent_back_with_a_hint_when_none_comes() {
        let room = room();
        let (one, two) = (room.stream(key(1)).ok().unwrap(), room.stream(key(2)).ok().unwrap());
        let held = one.take(1, 4 << 20).await.ok().unwrap();
        assert!(one.take(1, 1).await.is_err(), "one stream does not take the room of all");
        let _other = two.take(1, 1 << 20).await.ok().unwrap();
        let full = two.take(1, 2 << 20).await.err().unwrap();
        assert_eq!(full.retry_after(), Some(AGAIN_AFTER));
        drop(held);
        assert!(two.take(1, 2 << 20).await.is_ok());
    }

    #[tokio::test]
    async fn a_device_that_brings_more_than_its_rate_is_told_when_to_go_on() {
        let room = room();
        let stream = room.stream(key(1)).ok().unwrap();
        drop(stream.take(100, 1).await.ok().unwrap());
        let wait = stream.take(50, 1).await.err().unwrap().retry_after().unwrap();
        assert!(wait > Duration::from_secs(4) && wait <= Duration::from_secs(5), "{wait:?}");
    }
}
