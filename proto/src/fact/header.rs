//! The header: who, when, where in the device's chain, what about.

mod quick;

use prost::Message;

use super::Malformed;
use crate::bytes::{Hash, Id};
use crate::v1::{self, SubjectKind};

/// The most subjects that a fact may have: one link each in its entry.
/// The most subjects that a fact can be about.
pub const MAX_SUBJECTS: usize = 32;

/// One thing that a fact is about. The order is the order on the wire: by kind, then by id.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Subject {
    /// An aircraft by its id.
    Aircraft(Id),
    /// An engine by its serial number, 1 to 32 bytes of UTF-8.
    Engine(String),
    /// A wash by its id.
    Wash(Id),
    /// The roster: all facts of the custodian.
    Roster,
    /// A device by its id.
    Device(Id),
}

impl Subject {
    /// The kind's number on the wire and in links.
    pub fn kind(&self) -> SubjectKind {
        match self {
            Subject::Aircraft(_) => SubjectKind::Aircraft,
            Subject::Engine(_) => SubjectKind::Engine,
            Subject::Wash(_) => SubjectKind::Wash,
            Subject::Roster => SubjectKind::Roster,
            Subject::Device(_) => SubjectKind::Device,
        }
    }

    /// The id's bytes on the wire and in links.
    pub fn id(&self) -> &[u8] {
        match self {
            Subject::Aircraft(id) | Subject::Wash(id) | Subject::Device(id) => &id.0,
            Subject::Engine(serial) => serial.as_bytes(),
            Subject::Roster => &[],
        }
    }

    /// Reads a kind's number and an id; a length or text that does not fit the kind is none.
    pub fn from_parts(kind: i32, id: &[u8]) -> Option<Subject> {
        match SubjectKind::try_from(kind).ok()? {
            SubjectKind::Unspecified => None,
            SubjectKind::Aircraft => Id::from_slice(id).map(Subject::Aircraft),
            SubjectKind::Wash => Id::from_slice(id).map(Subject::Wash),
            SubjectKind::Device => Id::from_slice(id).map(Subject::Device),
            SubjectKind::Roster => id.is_empty().then_some(Subject::Roster),
            SubjectKind::Engine => {
                let serial = std::str::from_utf8(id).ok()?;
                (1..=32).contains(&serial.len()).then(|| Subject::Engine(serial.to_owned()))
            }
        }
    }
}

/// The newest checkpoint that a station had proved consistent when it wrote a fact.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Seen {
    /// Epoch, from 1.
    pub epoch: u32,
    /// Entries in the tree.
    pub size: u64,
    /// The tree's root.
    pub root: Hash,
}

impl Seen {
    /// Before anything was seen: epoch 1, size 0, the empty tree's root.
    pub fn nothing() -> Seen {
        Seen { epoch: 1, size: 0, root: Hash::of(b"") }
    }
}

/// A header whose every field has its exact length and order. Instants are Unix milliseconds.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Header {
    /// SHA-256 of the founding envelope; zeros in the founding fact.
    pub record: Hash,
    /// The device.
    pub device: Id,
    /// The run of its station program.
    pub run: Id,
    /// Place in the run, from 0.
    pub counter: u64,
    /// The envelope at the place before.
    pub previous: Hash,
    /// [`crate::key::key_id`] of the signer.
    pub author_key: Hash,
    /// When it happened; for a lasting act its last instant.
    pub happened_ms: u64,
    /// When it was written down.
    pub recorded_ms: u64,
    /// Device clock minus service clock, when last measured.
    pub clock_offset_ms: Option<i64>,
    /// When that was measured.
    pub clock_measured_ms: Option<u64>,
    /// What its station knew of the log.
    pub seen: Seen,
    /// The card it was signed with.
    pub card: Option<Id>,
    /// What it is about, ascending, each once.
    pub subjects: Vec<Subject>,
    /// The envelopes that it acts on.
    pub refers: Vec<Hash>,
}

impl Header {
    pub(super) fn parse(bytes: &[u8]) -> Result<Header, Malformed> {
        quick::read(bytes).map_or_else(|| Header::decode(bytes), Ok)
    }

    /// By way of the message: says what is wrong with what [`quick`] would not take.
    fn decode(bytes: &[u8]) -> Result<Header, Malformed> {
        let wrong = |reason: &str| Malformed::new("header", reason);
        let message = v1::Header::decode(bytes).map_err(|e| wrong(&format!("it does not decode ({e})")))?;
        if message.encode_to_vec() != bytes {
            return Err(wrong("it is not in the exact form"));
        }
        let hash = |field, name: &str| Hash::from_slice(field).ok_or_else(|| wrong(&format!("{name} is not 32 bytes")));
        let id = |field, name: &str| Id::from_slice(field).ok_or_else(|| wrong(&format!("{name} is not 16 bytes")));
        Ok(Header {
            record: hash(&message.record, "record")?,
            device: id(&message.device, "device")?,
            run: id(&message.run, "run")?,
            counter: message.counter,
            previous: hash(&message.previous, "previous")?,
            author_key: hash(&message.author_key, "author key")?,
            happened_ms: message.happened_ms,
            recorded_ms: message.recorded_ms,
            clock_offset_ms: message.clock_offset_ms,
            clock_measured_ms: message.clock_measured_ms,
            seen: Seen {
                epoch: message.seen_epoch,
                size: message.seen_size,
                root: hash(&message.seen_root, "seen root")?,
            },
            card: if message.card.is_empty() { None } else { Some(id(&message.card, "card")?) },
            subjects: subjects(&message.subjects)
                .ok_or_else(|| wrong("its subjects do not fit or are not ascending"))?,
            refers: message.refers.iter().map(|h| hash(h, "a reference")).collect::<Result<_, _>>()?,
        })
    }

    pub(super) fn to_message(&self) -> v1::Header {
        v1::Header {
            record: self.record.to_vec(),
            device: self.device.to_vec(),
            run: self.run.to_vec(),
            counter: self.counter,
            previous: self.previous.to_vec(),
            author_key: self.author_key.to_vec(),
            happened_ms: self.happened_ms,
            recorded_ms: self.recorded_ms,
            clock_offset_ms: self.clock_offset_ms,
            clock_measured_ms: self.clock_measured_ms,
            seen_epoch: self.seen.epoch,
            seen_size: self.seen.size,
            seen_root: self.seen.root.to_vec(),
            card: self.card.map(Id::to_vec).unwrap_or_default(),
            subjects: self
                .subjects
                .iter()
                .map(|s| v1::Subject { kind: s.kind() as i32, id: s.id().to_vec() })
                .collect(),
            refers: self.refers.iter().map(|h| h.to_vec()).collect(),
        }
    }
}

fn subjects(messages: &[v1::Subject]) -> Option<Vec<Subject>> {
    let subjects: Vec<Subject> = messages.iter().map(|s| Subject::from_parts(s.kind, &s.id)).collect::<Option<_>>()?;
    are_in_form(&subjects).then_some(subjects)
}

/// Ascending, each once, and not too many.
fn are_in_form(subjects: &[Subject]) -> bool {
    subjects.windows(2).all(|pair| pair[0] < pair[1]) && subjects.len() <= MAX_SUBJECTS
}
