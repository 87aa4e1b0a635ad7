//! One device's run: signs fact after fact, each at its place.

use rinsebook_proto::bytes::{Hash, Id};
use rinsebook_proto::fact::{Header, Kind, Seen, Signed, Subject};
use rinsebook_proto::key::{self, SigningKey};

/// See the module.
#[derive(Debug, Clone)]
pub struct Pen {
    /// The record.
    pub record: Hash,
    /// The device.
    pub device: Id,
    /// Its run.
    pub run: Id,
    /// The next place.
    pub counter: u64,
    /// The last envelope.
    pub previous: Hash,
    /// What the device has seen of the log.
    pub seen: Seen,
}

impl Pen {
    /// A run that begins behind this envelope.
    pub fn new(record: Hash, device: Id, previous: Hash, seen: Seen) -> Pen {
        Pen { record, device, run: Id::random(), counter: 0, previous, seen }
    }

    /// Signs the next fact.
    pub fn sign(
        &mut self,
        signer: &SigningKey,
        kind: Kind,
        mut subjects: Vec<Subject>,
        refers: Vec<Hash>,
        happened_ms: u64,
    ) -> Signed {
        subjects.sort();
        let header = Header {
            record: self.record,
            device: self.device,
            run: self.run,
            counter: self.counter,
            previous: self.previous,
            author_key: key::key_id(&signer.verifying_key()),
            happened_ms,
            recorded_ms: happened_ms,
            clock_offset_ms: None,
            clock_measured_ms: None,
            seen: self.seen,
            card: None,
            subjects,
            refers,
        };
        let fact = Signed::sign(header, kind, signer);
        assert!(fact.kind().is_some(), "nobody could read this fact: {:?}", fact.body());
        (self.counter, self.previous) = (self.counter + 1, fact.hash());
        fact
    }
}
