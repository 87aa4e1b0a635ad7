//! Where a pack begins, and that from there back nothing about its subjects is left out.

use std::collections::{BTreeSet, HashMap};

use rinsebook_proto::bytes::Hash;
use rinsebook_proto::entry::Link;
use rinsebook_proto::fact::{Kind, Subject};
use rinsebook_proto::v1;

use super::{Found, Item, at};

/// The facts that a pack begins with.
pub(super) struct Head {
    /// What the parts have in common; `part` is the last one's.
    pub(super) issued: v1::PackIssued,
    /// The newest entry.
    pub(super) index: u64,
    /// When it was received, Unix milliseconds.
    pub(super) issued_ms: u64,
    /// What the pack is complete about.
    pub(super) subjects: BTreeSet<Subject>,
}

/// Reads the head; the items run backwards.
pub(super) fn head(items: &[Item]) -> Result<Head, Found> {
    let newest = &items[0];
    let wrong = |item: &Item, why: &str| at(item.index(), "head", "head")(why.to_owned());
    let issued = |item: &Item| match item.fact().kind() {
        Some(Kind::PackIssued(issued)) => Some(issued.clone()),
        _ => None,
    };
    let first = issued(newest).ok_or_else(|| wrong(newest, "its newest entry does not say that a pack was issued"))?;
    let contract = first.contract.as_ref().and_then(|c| Hash::from_slice(&c.digest));
    if contract.is_none() || !matches!(first.wash.len(), 0 | 16) {
        return Err(wrong(newest, "it names no contract, or a wash by something that is no id"));
    }
    let parts = first.parts as usize;
    if parts == 0 || parts > items.len() {
        return Err(wrong(newest, "it is headed by more parts than it has entries, or by none"));
    }
    let mut subjects = BTreeSet::new();
    for (place, item) in items[..parts].iter().enumerate() {
        let part = (parts - place) as u32;
        if issued(item) != Some(v1::PackIssued { part, ..first.clone() }) {
            return Err(wrong(item, "the facts that head it are not the parts of one"));
        }
        if newest.index() - item.index() != place as u64 || item.fact().header().device != newest.fact().header().device
        {
            return Err(wrong(item, "the facts that head it do not follow one another"));
        }
        subjects.extend(item.fact().header().subjects.iter().cloned());
    }
    let (index, issued_ms) = (newest.index(), newest.entry.received_ms);
    Ok(Head { issued: first, index, issued_ms, subjects })
}

/// What the next older entry of a subject must be: its index, leaf hash and ordinal; none: the chain has begun.
type Next = Option<(u64, Hash, u64)>;

/// Follows the chain of each of the head's subjects back to its beginning; gives how many entries stand beside them all.
pub(super) fn links(items: &[Item], head: &Head) -> Result<u64, Found> {
    let mut chains: HashMap<&Subject, Next> = HashMap::new();
    let mut beside = 0;
    for item in items {
        let wrong = at(item.index(), "link", "subjects");
        let subjects = item.entry.links.iter().map(|link| &link.subject);
        if !subjects.eq(&item.fact().header().subjects) {
            return Err(wrong("its links are not of its subjects"));
        }
        let mut followed = false;
        for link in item.entry.links.iter().filter(|link| head.subjects.contains(&link.subject)) {
            followed = true;
            let expected = chains.get(&link.subject).copied();
            chains.insert(&link.subject, next(link, item, expected).map_err(&wrong)?);
        }
        beside += u64::from(!followed);
    }
    for subject in &head.subjects {
        let wrong = at(head.index, "link", "subjects");
        match chains.get(subject) {
            Some(None) => {}
            Some(Some((index, ..))) => {
                return Err(at(*index, "link", "subjects")("a link of a later entry names it, and it is left out"));
            }
            None => return Err(wrong("a subject of the pack has no entry")),
        }
    }
    Ok(beside)
}

/// Whether an entry is the one that the chain's newer link names, and where its own link leads. `expected` is nothing for
/// the newest entry of the chain that the pack has.
fn next(link: &Link, item: &Item, expected: Option<Next>) -> Result<Next, &'static str> {
    match expected {
        Some(Some((index, hash, ordinal))) => {
            if (index, hash) != (item.index(), item.hash) {
                return Err("a link of a later entry skips it, or names other bytes");
            }
            if ordinal != link.ordinal {
                return Err("its place in its subject's chain is not the one before that of the entry that names it");
            }
        }
        Some(None) => return Err("it stands before the first entry of its subject's chain"),
        None => {}
    }
    match link.ordinal.checked_sub(1) {
        None if link.previous_index == 0 && link.previous_hash == Hash::ZERO => Ok(None),
        None => Err("its link of ordinal 0 leads somewhere"),
        Some(_) if link.previous_index >= item.index() => Err("its link does not lead back"),
        Some(ordinal) => Ok(Some((link.previous_index, link.previous_hash, ordinal))),
    }
}
