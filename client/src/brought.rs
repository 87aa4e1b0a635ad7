//! Facts that another tablet showed as codes while neither could reach the service, so that a second person can inspect on
//! their own tablet. They are known here and signed elsewhere: the tablet that signed them sends them.
//!
//! A code's text is `RINSEBOOK1` and base32 (RFC 4648, no padding) of: for each fact a length (u16, big-endian) and its
//! envelope; then the first four bytes of SHA-256 of all that, so that a bad scan is found. Capital letters and digits
//! alone: every scanner types them right, whatever keyboard it plays.

use std::collections::BTreeMap;
use std::sync::Arc;

use data_encoding::BASE32_NOPAD;
use rinsebook_proto::bytes::Hash;
use rinsebook_proto::fact::{MAX_SERVICE_ENVELOPE_BYTES, Signed};
use rinsebook_proto::rules::{History, Recorded, Roster, SignatureState};

use crate::ClientError;
use crate::home::{Home, replace};

const FOLDER: &str = "brought";
const BEGINS: &str = "RINSEBOOK1";
/// More than one fact is put on a code up to this size, so that a tablet's camera still reads it.
const EASY_BYTES: usize = 760;
const SUM_BYTES: usize = 4;

/// The texts of codes that carry these facts, in order.
pub fn codes<'f>(facts: impl IntoIterator<Item = &'f Signed>) -> Vec<String> {
    let mut loads: Vec<Vec<u8>> = Vec::new();
    for fact in facts {
        let length = u16::try_from(fact.bytes().len()).expect("no envelope of a person is longer than 32,768 bytes");
        let piece = [&length.to_be_bytes()[..], fact.bytes()].concat();
        match loads.last_mut().filter(|load| load.len() + piece.len() <= EASY_BYTES) {
            Some(load) => load.extend(piece),
            None => loads.push(piece),
        }
    }
    loads.iter().map(|load| format!("{BEGINS}{}", BASE32_NOPAD.encode(&[load, &sum(load)[..]].concat()))).collect()
}

fn sum(load: &[u8]) -> [u8; SUM_BYTES] {
    let [a, b, c, d, ..] = Hash::of(load).0;
    [a, b, c, d]
}

/// The envelopes that a code's text carries.
fn read(text: &str) -> Result<Vec<Signed>, ClientError> {
    let bad = |why: &str| ClientError::Usage(format!("{why}; scan it once more, whole and from near"));
    let text: String = text.chars().filter(|c| !c.is_whitespace()).collect::<String>().to_ascii_uppercase();
    let rest = text.strip_prefix(BEGINS).ok_or_else(|| {
        ClientError::Usage("that is no code of another tablet: it begins with other letters".to_owned())
    })?;
    let whole = BASE32_NOPAD.decode(rest.as_bytes()).map_err(|_| bad("letters of the code are missing or wrong"))?;
    let (mut load, told) = whole.split_last_chunk::<SUM_BYTES>().ok_or_else(|| bad("the code is cut off"))?;
    if sum(load) != *told {
        return Err(bad("letters of the code are missing or wrong"));
    }
    let mut facts = Vec::new();
    while let Some((length, rest)) = load.split_first_chunk::<2>() {
        let envelope = rest.split_at_checked(u16::from_be_bytes(*length).into());
        let (envelope, rest) = envelope.ok_or_else(|| bad("the code is cut off"))?;
        facts.push(Signed::parse(envelope, MAX_SERVICE_ENVELOPE_BYTES).map_err(|_| bad("the code holds no fact"))?);
        load = rest;
    }
    Ok(facts)
}

/// See the module.
pub struct Brought {
    home: Home,
    facts: BTreeMap<Hash, Arc<Signed>>,
}

impl Brought {
    /// Reads what was taken before; what the log holds by now is forgotten.
    pub fn open(home: &Home, log: &History) -> Result<Brought, ClientError> {
        let mut brought = Brought { home: home.clone(), facts: BTreeMap::new() };
        let folder = home.path(FOLDER);
        std::fs::create_dir_all(&folder).map_err(ClientError::file("cannot make the folder of facts brought here"))?;
        let files =
            std::fs::read_dir(&folder).map_err(ClientError::file("cannot read the folder of facts brought here"))?;
        for file in files.filter_map(Result::ok).map(|entry| entry.path()) {
            let known =
                std::fs::read(&file).ok().and_then(|bytes| Signed::parse(&bytes, MAX_SERVICE_ENVELOPE_BYTES).ok());
            // A file that a power cut left half written was never said to be taken.
            match known.filter(|fact| log.by_hash(&fact.hash()).is_none() && signed_by_known(fact, log.roster())) {
                Some(fact) => drop(brought.facts.insert(fact.hash(), Arc::new(fact))),
                None => drop(std::fs::remove_file(&file)),
            }
        }
        Ok(brought)
    }

    /// Takes what a code carries, onto the disk before this returns. Every signature is checked under a key that this
    /// tablet has from the log; gives the facts.
    pub fn take(&mut self, text: &str, roster: &Roster) -> Result<Vec<Arc<Signed>>, ClientError> {
        let facts = read(text)?;
        if !facts.iter().all(|fact| signed_by_known(fact, roster)) {
            let why = "it is signed by nobody whom this tablet knows, or was altered; nothing was taken. A person enrolled \
                       lately is known once this tablet has reached the service";
            return Err(ClientError::Usage(why.to_owned()));
        }
        let mut taken = Vec::new();
        for fact in facts {
            replace(&self.home.path(FOLDER).join(fact.hash().to_string()), fact.bytes())?;
            let fact = Arc::new(fact);
            self.facts.insert(fact.hash(), fact.clone());
            taken.push(fact);
        }
        Ok(taken)
    }

    /// Puts them behind what a history holds, as received when they were recorded there.
    pub fn join(&self, history: &mut History) {
        let mut facts: Vec<&Arc<Signed>> = self.facts.values().collect();
        facts.sort_by_key(|fact| (fact.header().device, fact.header().run, fact.header().counter));
        for fact in facts {
            if history.by_hash(&fact.hash()).is_none() {
                let recorded = Recorded {
                    index: history.size(),
                    received_ms: fact.header().recorded_ms,
                    clock_unsure: false,
                    fact: fact.clone(),
                    signature: SignatureState::Good,
                };
                history.add(recorded, &|digest| self.home.blob(digest).map(|blob| blob.content));
            }
        }
    }
}

fn signed_by_known(fact: &Signed, roster: &Roster) -> bool {
    roster.public_key(&fact.header().author_key).is_some_and(|key| fact.signed_by(&key))
}

#[cfg(test)]
mod tests {
    use rinsebook_proto::bytes::Id;
    use rinsebook_proto::fact::{Header, Kind, Seen};
    use rinsebook_proto::{key, v1};

    use super::*;

    fn tagged(text: &str) -> Signed {
        let signer = key::generate();
        let header = Header {
            record: Hash::ZERO,
            device: Id([1; 16]),
            run: Id([2; 16]),
            counter: 0,
            previous: Hash::ZERO,
            author_key: key::key_id(&signer.verifying_key()),
            happened_ms: 1,
            recorded_ms: 1,
            clock_offset_ms: None,
            clock_measured_ms: None,
            seen: Seen { epoch: 1, size: 0, root: Hash::ZERO },
            card: None,
            subjects: vec![],
            refers: vec![],
        };
        let line = v1::LineDisconnected { engine: None, line: "PS-1".to_owned(), tag: text.to_owned() };
        Signed::sign(header, Kind::LineDisconnected(line), &signer)
    }

    #[test]
    fn codes_carry_facts_whole_in_letters_that_every_scanner_types_and_a_wrong_letter_is_found() {
        let facts = ["one", "two", &"three ".repeat(90), "four"].map(tagged);
        let texts = codes(&facts);
        assert!(texts.len() >= 2, "not all on one code");
        let back: Vec<Hash> = texts.iter().flat_map(|text| read(text).unwrap()).map(|fact| fact.hash()).collect();
        assert_eq!(back, facts.each_ref().map(Signed::hash));
        assert!(texts[0].chars().all(|c| c.is_ascii_uppercase() || c.is_ascii_digit()));
        assert!(read(&texts[0].to_lowercase()).is_ok(), "a scanner may type small letters");

        for at in 0..texts[0].len() {
            let mut wrong = texts[0].clone().into_bytes();
            wrong[at] = if wrong[at] == b'A' { b'B' } else { b'A' };
            assert!(read(&String::from_utf8(wrong).unwrap()).is_err(), "letter {at}");
            assert!(read(&texts[0][..at]).is_err(), "cut at {at}");
        }
    }
}
