//! What a record carries so that it can be checked with nothing else: each fact's entry as the log holds it, its proof of
//! inclusion, the checkpoint, and the entries that enrolled whoever signed.

use std::collections::{BTreeMap, BTreeSet};

use base64::Engine as _;
use base64::engine::general_purpose::STANDARD as BASE64;
use rinsebook_proto::bytes::{Hash, Id};
use rinsebook_proto::entry::Entry;
use rinsebook_proto::fact::{Envelope, FACT_TYPE, Header, Kind, MAX_SERVICE_ENVELOPE_BYTES, Subject};
use rinsebook_proto::rules::History;
use rinsebook_proto::tree::leaf_hash;

use super::super::{PageError, Pages, words};
use super::contract::{self, Names, instant};
use crate::projection::Known;

/// A fact with its proof, in the words that the browser derives from the same bytes.
pub(super) struct Proved {
    pub(super) index: u64,
    pub(super) title: String,
    pub(super) lines: Vec<[String; 2]>,
    pub(super) entry: String,
    pub(super) proof: String,
    pub(super) entry_hash: Hash,
}

/// See the module.
pub(super) struct Evidence {
    /// Facts of the wash, by index.
    pub(super) facts: Vec<Proved>,
    /// Entries that enrolled signers and people named, by index.
    pub(super) enrolments: Vec<Proved>,
    /// Annexes whose text is shown: salt and text.
    pub(super) annexes: Vec<String>,
}

/// Fields whose annexes are shown; staff numbers and licences are not needed to read a record.
const SHOWN_ANNEXES: [&str; 3] = ["name", "certificate_number", "text"];

struct Raw {
    data: Vec<u8>,
    entry: Entry,
    envelope: Envelope,
    header: Header,
}

impl Evidence {
    /// Gathers it from log and history; every proof is to the size of `known`.
    pub(super) fn gather(pages: &Pages, wash: &Id, known: &Known) -> Result<Evidence, PageError> {
        let history = pages.queries.view().history();
        let of_wash: Vec<u64> =
            history.facts_of(&Subject::Wash(*wash)).iter().copied().filter(|index| *index < known.size).collect();
        let facts: Vec<Raw> = of_wash.iter().map(|index| raw(pages, &history, *index)).collect::<Result<_, _>>()?;
        let enrolling = enrolling(&history, &facts, known.size);
        let enrolments: Vec<Raw> =
            enrolling.iter().map(|index| raw(pages, &history, *index)).collect::<Result<_, _>>()?;
        let (names, annexes) = names(pages, &facts, &enrolments);
        let signers = signers(&enrolments, &names);
        let places: BTreeMap<Hash, u64> =
            facts.iter().chain(&enrolments).map(|raw| (raw.envelope.hash(), raw.entry.index)).collect();
        let tree = pages.tree.read().expect("the tree's writer does not panic");
        let prove = |raw: &Raw| {
            let hashes =
                tree.inclusion(raw.entry.index, known.size).map_err(|_| PageError::Unreadable(raw.entry.index))?;
            let proof: Vec<String> = hashes.iter().map(|hash| BASE64.encode(hash.0)).collect();
            Ok(shown(raw, &names, &signers, &places, proof.join(" ")))
        };
        Ok(Evidence {
            facts: facts.iter().map(prove).collect::<Result<_, PageError>>()?,
            enrolments: enrolments.iter().map(prove).collect::<Result<_, PageError>>()?,
            annexes,
        })
    }
}

fn raw(pages: &Pages, history: &History, index: u64) -> Result<Raw, PageError> {
    let unreadable = || PageError::Unreadable(index);
    let data = pages.reader.read(index).ok().flatten().ok_or_else(unreadable)?;
    let entry = Entry::decode(&data).map_err(|_| unreadable())?;
    let envelope = Envelope::parse(&entry.envelope, FACT_TYPE, MAX_SERVICE_ENVELOPE_BYTES).map_err(|_| unreadable())?;
    let header = history.recorded(index).ok_or_else(unreadable)?.fact.header().clone();
    Ok(Raw { data, entry, envelope, header })
}

/// The founding entry, and those that enrolled a signer's key or a person named.
fn enrolling(history: &History, facts: &[Raw], size: u64) -> BTreeSet<u64> {
    let roster = history.roster();
    let mut people: BTreeSet<Id> = BTreeSet::new();
    let mut indices = BTreeSet::from([0]);
    for fact in facts {
        if let Some(key) = roster.key(&fact.header.author_key, size) {
            indices.insert(key.index);
            people.insert(key.person);
        }
        let (ids, _) = contract::named(fact.envelope.payload());
        people.extend(ids.iter().filter_map(|id| Id::from_slice(id)));
    }
    let of = roster.people().iter().filter(|p| p.index < size && people.contains(&p.person)).map(|p| p.index);
    indices.extend(of);
    // An enrolment rests on its own signer's key in turn.
    loop {
        let author = |index: &u64| history.recorded(*index).map(|recorded| recorded.fact.header().author_key);
        let keys = indices.iter().filter_map(author).filter_map(|id| roster.key(&id, size)).map(|key| key.index);
        let more: Vec<u64> = keys.filter(|index| !indices.contains(index)).collect();
        if more.is_empty() {
            return indices;
        }
        indices.extend(more);
    }
}

/// Names that follow from what the page carries; the browser makes the same of the same.
fn names(pages: &Pages, facts: &[Raw], enrolments: &[Raw]) -> (Names, Vec<String>) {
    let (mut names, mut carried) = (Names::default(), Vec::new());
    let named = facts.iter().chain(enrolments).flat_map(|raw| contract::named(raw.envelope.payload()).1);
    let wanted: BTreeSet<Vec<u8>> =
        named.filter(|(field, _)| SHOWN_ANNEXES.contains(&field.as_str())).map(|(_, digest)| digest).collect();
    for digest in wanted {
        let Some(blob) = Hash::from_slice(&digest).and_then(|digest| pages.queries.blobs().read(&digest)) else {
            continue;
        };
        let Ok(text) = std::str::from_utf8(&blob.content) else { continue };
        let text = words::line(text);
        if text.is_empty() || blob.salt.is_empty() {
            continue;
        }
        names.annexes.insert(digest, text);
        carried.push(BASE64.encode([blob.salt, blob.content].concat()));
    }
    for person in enrolments.iter().filter_map(kind).flat_map(|kind| enrolled(&kind).0) {
        let name = person.name.and_then(|annex| names.annexes.get(&annex.digest).cloned());
        let name = name.unwrap_or_else(|| unnamed(&person.person));
        names.people.insert(person.person, name);
    }
    (names, carried)
}

fn kind(raw: &Raw) -> Option<Kind> {
    use prost::Message as _;
    rinsebook_proto::v1::Fact::decode(raw.envelope.payload()).ok()?.kind
}

/// A person whose name is not kept, by a piece of their id.
fn unnamed(person: &[u8]) -> String {
    format!("person {}", hex::encode(person.get(..4).unwrap_or(person)))
}

type Enrolled = (Vec<rinsebook_proto::v1::PersonEnrolled>, Vec<rinsebook_proto::v1::KeyEnrolled>);

/// People and keys that a fact enrols.
fn enrolled(kind: &Kind) -> Enrolled {
    let listed =
        |person: &Option<_>, key: &Option<_>| (person.iter().cloned().collect(), key.iter().cloned().collect());
    match kind {
        Kind::RecordFounded(b) => listed(&b.custodian, &b.custodian_key),
        Kind::CustodyReestablished(b) => listed(&b.custodian, &b.custodian_key),
        Kind::PersonEnrolled(b) => (vec![b.clone()], vec![]),
        Kind::KeyEnrolled(b) => (vec![], vec![b.clone()]),
        _ => (vec![], vec![]),
    }
}

/// Whose key is whose, by key id: SHA-256(01 ‖ public key).
fn signers(enrolments: &[Raw], names: &Names) -> BTreeMap<Hash, String> {
    let mut signers = BTreeMap::new();
    let id = |key: &[u8]| Hash::of_parts(&[&[1], key]);
    for kind in enrolments.iter().filter_map(kind) {
        if let Kind::RecordFounded(b) = &kind {
            signers.insert(id(&b.service_fact_key), "the service".to_owned());
        }
        for key in enrolled(&kind).1 {
            let name = names.people.get(&key.person).cloned();
            let name = name.unwrap_or_else(|| unnamed(&key.person));
            signers.insert(id(&key.public_key), name);
        }
    }
    signers
}

fn shown(
    raw: &Raw,
    names: &Names,
    signers: &BTreeMap<Hash, String>,
    places: &BTreeMap<Hash, u64>,
    proof: String,
) -> Proved {
    let (kind, mut lines) = contract::read(raw.envelope.payload(), names);
    let header = &raw.header;
    let entry_hash = leaf_hash(&raw.data);
    let mut put = |label: &str, value: String| lines.push([label.to_owned(), value]);
    for named in &header.refers {
        put("acts on", places.get(named).map_or_else(|| named.to_string(), |index| format!("entry {index}")));
    }
    put("happened", instant(header.happened_ms));
    put("received", instant(raw.entry.received_ms));
    put("signed by", signers.get(&header.author_key).cloned().unwrap_or_else(|| "nobody enrolled here".to_owned()));
    put("signing key", header.author_key.to_string());
    put("device", header.device.to_string());
    put("envelope SHA-256", raw.envelope.hash().to_string());
    put("entry SHA-256", entry_hash.to_string());
    Proved {
        index: raw.entry.index,
        title: format!("Entry {}: {kind}", raw.entry.index),
        lines,
        entry: BASE64.encode(&raw.data),
        proof,
        entry_hash,
    }
}
