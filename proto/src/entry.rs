//! A log entry: a fact's envelope at its place, chained to the entry before and to its subjects' entries before.
//!
//! Big-endian, and exactly:
//!
//! ```text
//! 01 · u64 index · leaf hash of the previous entry (32; zeros at 0) · u64 received, Unix ms (never decreasing)
//!    · u32 term · u8 flags (bit 0: clock unsure) · u8 number of links · links · u16 length · envelope
//! link: u8 kind · u8 length · id · u64 ordinal (from 0) · u64 index · leaf hash (32) of that subject's previous entry
//! ```
//!
//! The encoded entry is the leaf's data, so its hash is the leaf hash: the chain lies inside the leaf, and a proof in
//! the tree is a proof of the chain. (A chain kept beside the tree has let clients accept two contents for one entry:
//! GHSA-672p-m5jq-mrh8.) There is one link for each subject of the fact's header, in its order; at ordinal 0 the
//! link's index and hash are zeros.

use hashbrown::HashMap;

use crate::bytes::Hash;
use crate::fact::Subject;
use crate::tree::leaf_hash;

/// The largest entry.
pub const MAX_ENTRY_BYTES: usize = 65_535;
const VERSION: u8 = 1;
const CLOCK_UNSURE: u8 = 1;

/// An entry taken apart.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Entry {
    /// Its place in the log, from 0.
    pub index: u64,
    /// The leaf hash of the entry before; zeros at 0.
    pub previous: Hash,
    /// When the service received it, Unix milliseconds; never less than the entry before has.
    pub received_ms: u64,
    /// Raised at each change of the primary; 0 in the embedded log.
    pub term: u32,
    /// The service's wall clock and boot clock had parted by more than 120 s.
    pub clock_unsure: bool,
    /// One for each subject of the fact's header.
    pub links: Vec<Link>,
    /// The author's exact bytes.
    pub envelope: Vec<u8>,
}

/// Where a subject's previous entry stands.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Link {
    /// The subject.
    pub subject: Subject,
    /// How many entries the subject had before.
    pub ordinal: u64,
    /// The index of the last of them; 0 where there is none.
    pub previous_index: u64,
    /// Its leaf hash; zeros where there is none.
    pub previous_hash: Hash,
}

impl Link {
    /// The link that an entry about this subject has, where the subject's chain ends there.
    pub fn to(subject: &Subject, head: &Head) -> Link {
        let Head { count, index, hash } = *head;
        Link { subject: subject.clone(), ordinal: count, previous_index: index, previous_hash: hash }
    }
}

/// Why bytes are no entry.
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
#[error("this is no log entry: {0}")]
pub struct BadEntry(pub &'static str);

const TOO_LONG: BadEntry = BadEntry("it is longer than 65,535 bytes");

impl Entry {
    /// The leaf's data, as stored; an error where a length has no room in its field, or the whole is over
    /// [`MAX_ENTRY_BYTES`]: cut to fit, it would read back as another entry or none.
    pub fn encode(&self) -> Result<Vec<u8>, BadEntry> {
        let Entry { index, previous, received_ms, term, clock_unsure, .. } = *self;
        let links = self.links.iter().map(|link| {
            let head = Head { count: link.ordinal, index: link.previous_index, hash: link.previous_hash };
            (&link.subject, head)
        });
        Front { index, previous, received_ms, term, clock_unsure }.encode(links, &self.envelope)
    }

    /// Takes the leaf's data apart; every byte is accounted for.
    pub fn decode(data: &[u8]) -> Result<Entry, BadEntry> {
        if data.len() > MAX_ENTRY_BYTES {
            return Err(TOO_LONG);
        }
        let mut rest = Reader(data);
        if rest.array::<1>()? != [VERSION] {
            return Err(BadEntry("its version is not 1"));
        }
        let index = rest.u64()?;
        let previous = Hash(rest.array()?);
        let received_ms = rest.u64()?;
        let term = u32::from_be_bytes(rest.array()?);
        let [flags, count] = rest.array()?;
        if flags & !CLOCK_UNSURE != 0 {
            return Err(BadEntry("it has a flag that is not known"));
        }
        let links = (0..count).map(|_| link(&mut rest)).collect::<Result<_, _>>()?;
        let length = u16::from_be_bytes(rest.array()?);
        let envelope = rest.take(length.into())?.to_vec();
        if !rest.0.is_empty() {
            return Err(BadEntry("bytes follow its envelope"));
        }
        Ok(Entry { index, previous, received_ms, term, clock_unsure: flags == CLOCK_UNSURE, links, envelope })
    }
}

/// What an entry begins with.
struct Front {
    index: u64,
    previous: Hash,
    received_ms: u64,
    term: u32,
    clock_unsure: bool,
}

impl Front {
    /// The entry's bytes, with a link for each subject to where its chain ended.
    fn encode<'a>(
        &self,
        links: impl ExactSizeIterator<Item = (&'a Subject, Head)>,
        envelope: &[u8],
    ) -> Result<Vec<u8>, BadEntry> {
        let count = u8::try_from(links.len()).map_err(|_| BadEntry("it has more than 255 links"))?;
        let length = u16::try_from(envelope.len()).map_err(|_| TOO_LONG)?;
        let mut out = Vec::with_capacity(64 + links.len() * 70 + envelope.len());
        out.push(VERSION);
        out.extend_from_slice(&self.index.to_be_bytes());
        out.extend_from_slice(&self.previous.0);
        out.extend_from_slice(&self.received_ms.to_be_bytes());
        out.extend_from_slice(&self.term.to_be_bytes());
        out.push(if self.clock_unsure { CLOCK_UNSURE } else { 0 });
        out.push(count);
        for (subject, head) in links {
            let id = subject.id();
            out.push(subject.kind() as u8);
            out.push(u8::try_from(id.len()).map_err(|_| BadEntry("a link's id has more than 255 bytes"))?);
            out.extend_from_slice(id);
            out.extend_from_slice(&head.count.to_be_bytes());
            out.extend_from_slice(&head.index.to_be_bytes());
            out.extend_from_slice(&head.hash.0);
        }
        out.extend_from_slice(&length.to_be_bytes());
        out.extend_from_slice(envelope);
        if out.len() > MAX_ENTRY_BYTES { Err(TOO_LONG) } else { Ok(out) }
    }
}

fn link(rest: &mut Reader<'_>) -> Result<Link, BadEntry> {
    let [kind, length] = rest.array()?;
    let subject =
        Subject::from_parts(kind.into(), rest.take(length.into())?).ok_or(BadEntry("a link's subject does not fit"))?;
    Ok(Link { subject, ordinal: rest.u64()?, previous_index: rest.u64()?, previous_hash: Hash(rest.array()?) })
}

struct Reader<'a>(&'a [u8]);

impl<'a> Reader<'a> {
    fn take(&mut self, length: usize) -> Result<&'a [u8], BadEntry> {
        if length > self.0.len() {
            return Err(BadEntry("it is cut short"));
        }
        let (taken, rest) = self.0.split_at(length);
        self.0 = rest;
        Ok(taken)
    }

    fn array<const N: usize>(&mut self) -> Result<[u8; N], BadEntry> {
        Ok(self.take(N)?.try_into().expect("N bytes were taken"))
    }

    fn u64(&mut self) -> Result<u64, BadEntry> {
        Ok(u64::from_be_bytes(self.array()?))
    }
}

/// The last entry of every subject: what the next links say, and what a checker expects them to say.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct SubjectHeads(HashMap<Subject, Head>);

/// Where a subject's chain ends.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Head {
    /// How many entries the subject has.
    pub count: u64,
    /// The index of the last.
    pub index: u64,
    /// Its leaf hash.
    pub hash: Hash,
}

impl SubjectHeads {
    /// Whether these are the links of an entry about these subjects.
    fn are_links(&self, links: &[Link], subjects: &[Subject]) -> bool {
        let is_link = |(link, subject): (&Link, &Subject)| {
            let head = self.head(subject);
            link.subject == *subject
                && (link.ordinal, link.previous_index, link.previous_hash) == (head.count, head.index, head.hash)
        };
        links.len() == subjects.len() && links.iter().zip(subjects).all(is_link)
    }

    /// The head of one subject; of one that has no entry, what a first link says.
    pub fn head(&self, subject: &Subject) -> Head {
        self.0.get(subject).copied().unwrap_or(Head { count: 0, index: 0, hash: Hash::ZERO })
    }

    /// Takes note of an entry that was added.
    pub fn advance(&mut self, subjects: &[Subject], index: u64, hash: Hash) {
        for subject in subjects {
            // A subject is copied only where it is new.
            match self.0.get_mut(subject) {
                Some(head) => *head = Head { count: head.count + 1, index, hash },
                None => {
                    self.0.insert(subject.clone(), Head { count: 1, index, hash });
                }
            }
        }
    }

    /// The head of one subject.
    pub fn get(&self, subject: &Subject) -> Option<&Head> {
        self.0.get(subject)
    }

    /// All of them.
    pub fn iter(&self) -> impl Iterator<Item = (&Subject, &Head)> {
        self.0.iter()
    }

    /// Puts a head back that was kept elsewhere.
    pub fn restore(&mut self, subject: Subject, head: Head) {
        self.0.insert(subject, head);
    }
}

/// An entry as it was built.
#[derive(Debug, Clone)]
pub struct Built {
    /// Its place in the log.
    pub index: u64,
    /// When the service received it, Unix milliseconds.
    pub received_ms: u64,
    /// The leaf's data, as stored.
    pub data: Vec<u8>,
    /// Its hash.
    pub hash: Hash,
}

/// Entry after entry, each checked against the one before: index, chain, time received, links.
///
/// The service builds entries with it and every verifier checks with it, so that the two cannot part.
#[derive(Debug, Clone, Default)]
pub struct EntryChain {
    next_index: u64,
    last_hash: Hash,
    last_received_ms: u64,
    heads: SubjectHeads,
}

impl EntryChain {
    /// Goes on from a state that was kept.
    pub fn resume(next_index: u64, last_hash: Hash, last_received_ms: u64, heads: SubjectHeads) -> EntryChain {
        EntryChain { next_index, last_hash, last_received_ms, heads }
    }

    /// Builds the next entry and takes note of it: encoded bytes and leaf hash. A clock that went back is held. Of one that
    /// has no form nothing is noted; an envelope and subjects within a fact's limits always have one.
    pub fn build(
        &mut self,
        subjects: &[Subject],
        envelope: &[u8],
        received_ms: u64,
        clock_unsure: bool,
    ) -> Result<Built, BadEntry> {
        let (index, received_ms) = (self.next_index, received_ms.max(self.last_received_ms));
        let front = Front { index, previous: self.last_hash, received_ms, term: 0, clock_unsure };
        let data = front.encode(subjects.iter().map(|subject| (subject, self.heads.head(subject))), envelope)?;
        let hash = leaf_hash(&data);
        self.advance(subjects, received_ms, hash);
        Ok(Built { index, received_ms, data, hash })
    }

    /// Checks an entry that was read, against the subjects of the fact inside; takes note of it and gives its hash.
    pub fn check(&mut self, entry: &Entry, data: &[u8], subjects: &[Subject]) -> Result<Hash, BadEntry> {
        let hash = leaf_hash(data);
        self.check_hashed(entry, hash, subjects).map(|()| hash)
    }

    /// As [`check`](Self::check), for whoever has hashed the entry's data before, maybe beside other entries.
    pub fn check_hashed(&mut self, entry: &Entry, hash: Hash, subjects: &[Subject]) -> Result<(), BadEntry> {
        if entry.index != self.next_index {
            return Err(BadEntry("its index does not follow"));
        }
        if entry.previous != self.last_hash {
            return Err(BadEntry("chain: it does not name the hash of the entry before"));
        }
        if entry.received_ms < self.last_received_ms {
            return Err(BadEntry("its time received is before that of the entry before"));
        }
        if !self.heads.are_links(&entry.links, subjects) {
            return Err(BadEntry("link: its links are not those of its subjects"));
        }
        self.advance(subjects, entry.received_ms, hash);
        Ok(())
    }

    /// Takes note of the entry at the next index.
    fn advance(&mut self, subjects: &[Subject], received_ms: u64, hash: Hash) {
        self.heads.advance(subjects, self.next_index, hash);
        self.next_index += 1;
        self.last_hash = hash;
        self.last_received_ms = received_ms;
    }

    /// Goes on behind entries that somebody vouches for: what follows is checked against the last of them, and against the
    /// heads of the subjects that they are about.
    pub fn skip(
        &mut self,
        entries: u64,
        last_hash: Hash,
        last_received_ms: u64,
        heads: impl IntoIterator<Item = (Subject, Head)>,
    ) {
        (self.next_index, self.last_hash) = (self.next_index + entries, last_hash);
        self.last_received_ms = last_received_ms;
        for (subject, more) in heads {
            let before = self.heads.0.get(&subject).map_or(0, |head| head.count);
            self.heads.0.insert(subject, Head { count: before + more.count, ..more });
        }
    }

    /// The index that the next entry gets.
    pub fn next_index(&self) -> u64 {
        self.next_index
    }

    /// The leaf hash of the last entry; zeros before the first.
    pub fn last_hash(&self) -> Hash {
        self.last_hash
    }

    /// The last time received, Unix milliseconds.
    pub fn last_received_ms(&self) -> u64 {
        self.last_received_ms
    }

    /// The subjects' heads.
    pub fn heads(&self) -> &SubjectHeads {
        &self.heads
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::bytes::Id;
    use crate::fact::{MAX_SERVICE_ENVELOPE_BYTES, MAX_SUBJECTS};

    fn subjects() -> Vec<Subject> {
        vec![Subject::Aircraft(Id([1; 16])), Subject::Engine("A-1".into())]
    }

    #[test]
    fn an_entry_reads_back_and_no_cut_of_it_does() {
        let mut chain = EntryChain::default();
        let previous = chain.build(&subjects(), &[7; 10], 5, false).unwrap().hash;
        let head = |subject: &Subject| chain.heads().head(subject);
        let links = subjects().iter().map(|s| Link::to(s, &head(s))).collect();
        let data = chain.build(&subjects(), &[8; 300], 4, true).unwrap().data;
        let entry =
            Entry { index: 1, previous, received_ms: 5, term: 0, clock_unsure: true, links, envelope: vec![8; 300] };
        assert_eq!(Entry::decode(&data).unwrap(), entry);
        assert_eq!(entry.encode().unwrap(), data);
        for length in 0..data.len() {
            assert!(Entry::decode(&data[..length]).is_err());
        }
        assert!(Entry::decode(&[data, vec![0]].concat()).is_err());
    }

    #[test]
    fn what_has_no_room_in_an_entry_is_refused_and_not_cut_to_fit() {
        let mut chain = EntryChain::default();
        let mut refused = |subjects: &[Subject], bytes: usize| {
            let refused = chain.build(subjects, &vec![7; bytes], 5, false).unwrap_err().0;
            assert_eq!((chain.next_index(), chain.last_hash()), (0, Hash::ZERO), "nothing is noted of it");
            refused
        };
        let many: Vec<Subject> = (0..=255u8).map(|n| Subject::Wash(Id([n; 16]))).collect();
        assert_eq!(refused(&subjects(), MAX_ENTRY_BYTES + 1), "it is longer than 65,535 bytes");
        assert_eq!(refused(&subjects(), MAX_ENTRY_BYTES), "it is longer than 65,535 bytes");
        assert_eq!(refused(&many, 10), "it has more than 255 links");
        assert_eq!(refused(&[Subject::Engine("A".repeat(256))], 10), "a link's id has more than 255 bytes");
        // The largest that a fact can be: 32 subjects with the longest ids, and the largest envelope.
        let most: Vec<Subject> = (0..MAX_SUBJECTS).map(|n| Subject::Engine(format!("{n:032}"))).collect();
        let data = chain.build(&most, &[7; MAX_SERVICE_ENVELOPE_BYTES], 5, false).unwrap().data;
        let entry = Entry::decode(&data).unwrap();
        assert_eq!(entry.encode().unwrap(), data);
        // And the largest entry of all.
        let room = MAX_ENTRY_BYTES - Entry { links: vec![], envelope: vec![], ..entry.clone() }.encode().unwrap().len();
        let largest = Entry { links: vec![], envelope: vec![7; room], ..entry };
        assert_eq!(Entry::decode(&largest.encode().unwrap()).unwrap(), largest);
    }

    #[test]
    fn the_first_entry_has_the_bytes_of_the_format() {
        let subjects = [Subject::Engine("A-1".into())];
        let data = EntryChain::default().build(&subjects, &[0xEE, 0xFF], 258, false).unwrap().data;
        let expected = [
            "01",
            "0000000000000000",
            &"00".repeat(32),
            "0000000000000102",
            "00000000",
            "00",
            "01",
            "02",
            "03",
            "412d31",
            "0000000000000000",
            "0000000000000000",
            &"00".repeat(32),
            "0002",
            "eeff",
        ];
        assert_eq!(hex::encode(data), expected.concat());
    }

    #[test]
    fn a_checker_takes_what_was_built_and_nothing_else() {
        let (mut builder, mut checker) = (EntryChain::default(), EntryChain::default());
        for i in 0..4u8 {
            let Built { data, hash, .. } = builder.build(&subjects(), &[i; 20], 1000 - u64::from(i), false).unwrap();
            let entry = Entry::decode(&data).unwrap();
            let mut skipped = entry.clone();
            skipped.links[0].ordinal += 1;
            let mut moved = entry.clone();
            moved.index += 1;
            let mut unchained = entry.clone();
            unchained.previous.0[0] ^= 1;
            for bad in [skipped, moved, unchained] {
                assert!(checker.clone().check(&bad, &bad.encode().unwrap(), &subjects()).is_err());
            }
            assert_eq!(checker.check(&entry, &data, &subjects()).unwrap(), hash);
        }
        assert_eq!(builder.last_received_ms(), 1000, "time received never goes back");
    }
}
