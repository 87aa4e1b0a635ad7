//! What a person types for an item or a finding.
//!
//! | written | means |
//! |---|---|
//! | `inspection-due` | all items of that kind, all findings of that rule |
//! | `inspection-due:PS-1` | those about that subject, as in `assess --assume-closed` |
//! | `inspection-due 2 PS-1`, `run-up-due 2` | those of that engine position, about that subject |
//! | `torque-out 1f3a90c4` | a finding, by its rule and the first digits of the hash of its last fact |
//! | `14` | whatever rests on entry 14 |
//! | `1f3a90c4` | whatever rests on the fact whose hash begins so |

use rinsebook_proto::rules::{ItemKind, Rule};
use rinsebook_proto::v1;

use super::Meant;

/// The least hex digits that name a fact: those that `items` shows have eight.
const LEAST_DIGITS: usize = 6;

/// An item or finding that was asked for.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Named<'a> {
    /// An item.
    Item(&'a v1::OpenItem),
    /// A finding, settled or not.
    Finding(&'a v1::Finding),
}

impl<'a> Named<'a> {
    /// Its kind or rule; none of a later version's.
    pub fn meant(&self) -> Option<Meant> {
        Meant::by_name(self.name())
    }

    fn name(&self) -> &'a str {
        match self {
            Named::Item(item) => &item.name,
            Named::Finding(finding) => &finding.rule,
        }
    }

    fn place(&self) -> (Option<u32>, &'a str) {
        let (engine, subject) = match self {
            Named::Item(item) => (&item.engine, &item.subject),
            Named::Finding(finding) => (&finding.engine, &finding.subject),
        };
        (engine.as_ref().map(|e| e.position), subject)
    }

    /// The facts it rests on; last the one that settled it.
    pub fn rests_on(&self) -> Vec<&'a v1::FactRef> {
        match self {
            Named::Item(item) => item.opened_by.iter().collect(),
            Named::Finding(finding) => finding.rests_on.iter().chain(&finding.settled_by).collect(),
        }
    }

    /// The first digits of the fact that a finding goes with.
    fn digits(&self) -> String {
        match self {
            Named::Item(_) => String::new(),
            Named::Finding(finding) => {
                finding.rests_on.last().map(|fact| hex::encode(&fact.envelope_hash)[..8].to_owned()).unwrap_or_default()
            }
        }
    }

    /// As it can be typed.
    pub fn handle(&self) -> String {
        let (position, subject) = self.place();
        match self {
            Named::Finding(_) => format!("{} {}", self.name(), self.digits()),
            Named::Item(_) => {
                let position = position.map(|at| at.to_string()).unwrap_or_default();
                let parts = [self.name(), position.as_str(), subject];
                parts.iter().filter(|part| !part.is_empty()).copied().collect::<Vec<_>>().join(" ")
            }
        }
    }

    fn is_called(&self, which: &str) -> bool {
        if which.parse::<u64>().is_ok_and(|index| self.rests_on().iter().any(|fact| fact.index == index)) {
            return true;
        }
        if which.len() >= LEAST_DIGITS && which.chars().all(|c| c.is_ascii_hexdigit()) {
            let which = which.to_ascii_lowercase();
            return self.rests_on().iter().any(|fact| hex::encode(&fact.envelope_hash).starts_with(&which));
        }
        let Some(rest) = which.strip_prefix(self.name()) else { return false };
        let (position, subject) = self.place();
        if let Some(of) = rest.strip_prefix(':') {
            return of == subject || of == self.digits();
        }
        let digits = self.digits();
        match rest.strip_prefix(' ').map(str::trim) {
            None => rest.is_empty(),
            Some(rest) if rest == subject || (!digits.is_empty() && rest == digits) => true,
            Some(rest) => position.is_some_and(|at| {
                let rest = rest.strip_prefix(&at.to_string());
                rest.is_some_and(|rest| rest.is_empty() || rest.strip_prefix(' ').is_some_and(|of| of == subject))
            }),
        }
    }
}

fn each(list: &v1::AircraftItems) -> impl Iterator<Item = Named<'_>> {
    list.items.iter().map(Named::Item).chain(list.findings.iter().map(Named::Finding))
}

/// What of it is called so. An item that stands for an unsettled finding is told as the finding.
pub fn find<'a>(list: &'a v1::AircraftItems, which: &str) -> Vec<Named<'a>> {
    let which = which.split_whitespace().collect::<Vec<_>>().join(" ");
    let found: Vec<Named<'a>> = each(list).filter(|named| named.is_called(&which)).collect();
    let mut told: Vec<Named<'a>> = Vec::new();
    for named in found {
        let meant = findings_of(list, &named);
        for named in if meant.is_empty() { vec![named] } else { meant } {
            if !told.contains(&named) {
                told.push(named);
            }
        }
    }
    told
}

/// The findings that an item stands for: its subject is their rule and the digits of their fact.
fn findings_of<'a>(list: &'a v1::AircraftItems, named: &Named<'_>) -> Vec<Named<'a>> {
    let Named::Item(item) = named else { return Vec::new() };
    if item.kind != v1::ItemKind::FindingOpen as i32 {
        return Vec::new();
    }
    list.findings.iter().map(Named::Finding).filter(|finding| finding.handle() == item.subject).collect()
}

/// Every handle there, each once; findings by their own.
pub fn all(list: &v1::AircraftItems) -> Vec<String> {
    let mut all: Vec<String> = Vec::new();
    for named in each(list).filter(|named| findings_of(list, named).is_empty()) {
        let handle = named.handle();
        if !all.contains(&handle) {
            all.push(handle);
        }
    }
    all
}

/// Kinds and rules that somebody may have meant: at most three, the nearest first.
pub fn near(word: &str) -> Vec<&'static str> {
    let names = ItemKind::ALL.iter().map(|k| k.name()).chain(Rule::ALL.iter().map(|r| r.name()));
    let word = word.to_lowercase().replace([' ', '_'], "-");
    let mut near: Vec<(usize, &str)> = names
        .filter_map(|name| {
            let holds = word.len() >= 3 && (name.contains(word.as_str()) || word.contains(name));
            let far = if holds { 1 } else { distance(&word, name) };
            (far <= name.len() / 3 + 1).then_some((far, name))
        })
        .collect();
    near.sort();
    near.into_iter().take(3).map(|(_, name)| name).collect()
}

/// How many letters have to be put in, taken out or changed (Levenshtein).
fn distance(a: &str, b: &str) -> usize {
    let b: Vec<char> = b.chars().collect();
    let mut row: Vec<usize> = (0..=b.len()).collect();
    for (i, of_a) in a.chars().enumerate() {
        let mut corner = row[0];
        row[0] = i + 1;
        for (j, of_b) in b.iter().enumerate() {
            let changed = corner + usize::from(of_a != *of_b);
            corner = row[j + 1];
            row[j + 1] = changed.min(row[j] + 1).min(corner + 1);
        }
    }
    row[b.len()]
}
