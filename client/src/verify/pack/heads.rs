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
    parts: usize,
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
    Ok(Head { issued: first, index, issued_ms, subjects, parts })
}

/// Follows the links about the head's subjects; gives how many entries stand beside them.
pub(super) fn links(items: &[Item], head: &Head) -> Result<u64, Found> {
    let by_index: HashMap<u64, &Item> = items.iter().map(|item| (item.index(), item)).collect();
    let mut reached: BTreeSet<u64> = items[..head.parts].iter().map(Item::index).collect();
    let mut begun: BTreeSet<&Subject> = BTreeSet::new();
    let mut beside = 0;
    for item in items {
        let wrong = at(item.index(), "link", "subjects");
        let subjects: Vec<&Subject> = item.entry.links.iter().map(|link| &link.subject).collect();
        if !subjects.iter().copied().eq(&item.fact().header().subjects) {
            return Err(wrong("its links are not of its subjects".to_owned()));
        }
        let followed: Vec<&Link> =
            item.entry.links.iter().filter(|link| head.subjects.contains(&link.subject)).collect();
        if followed.is_empty() {
            beside += 1;
            continue;
        }
        if !reached.contains(&item.index()) {
            return Err(wrong("it is about the pack's subjects, and no later entry about them names it".to_owned()));
        }
        for link in followed {
            begun.insert(&link.subject);
            if let Some(previous) = previous(link, item, &by_index).map_err(wrong_link(item))? {
                reached.insert(previous);
            }
        }
    }
    match head.subjects.iter().find(|subject| !begun.contains(subject)) {
        Some(_) => Err(at(head.index, "link", "subjects")("a subject of the pack has no entry")),
        None => Ok(beside),
    }
}

fn wrong_link(item: &Item) -> impl Fn(String) -> Found {
    at(item.index(), "link", "subjects")
}

/// The entry that a link leads to; none where the chain begins.
fn previous(link: &Link, item: &Item, by_index: &HashMap<u64, &Item>) -> Result<Option<u64>, String> {
    if link.ordinal == 0 {
        let begins = link.previous_index == 0 && link.previous_hash == Hash::ZERO;
        return if begins { Ok(None) } else { Err("its link of ordinal 0 leads somewhere".to_owned()) };
    }
    let index = link.previous_index;
    if index >= item.index() {
        return Err("its link does not lead back".to_owned());
    }
    let previous = by_index.get(&index).ok_or_else(|| format!("entry {index}, which its link names, is left out"))?;
    if previous.hash != link.previous_hash {
        return Err(format!("entry {index} is not the one that its link names"));
    }
    let continues = previous.entry.links.iter().any(|l| l.subject == link.subject && l.ordinal + 1 == link.ordinal);
    if continues { Ok(Some(index)) } else { Err(format!("its link skips an entry between it and entry {index}")) }
}
