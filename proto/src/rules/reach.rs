//! Which facts concern one aircraft: its own, those of the engines ever on it and of their washes, with these washes'
//! devices; of a wash on another aircraft also that aircraft's and its other engines', so that its sign-off can be judged;
//! and every fact that one of these names, since the order rests on them.

use std::collections::BTreeSet;

use super::history::History;
use crate::bytes::Id;
use crate::fact::Subject;

/// Indices of the facts in scope, ascending.
pub(super) fn scope(history: &History, aircraft: &Id, size: u64) -> Vec<u64> {
    let is_engine = |s: &Subject| matches!(s, Subject::Engine(_));
    let is_wash = |s: &Subject| matches!(s, Subject::Wash(_));
    let own = BTreeSet::from([Subject::Aircraft(*aircraft)]);
    let engines = history.near(&own, is_engine);
    let first: BTreeSet<Subject> = own.into_iter().chain(engines).collect();
    let washes = history.near(&first, is_wash);
    let second = history.near(&washes, |s| is_engine(s) || matches!(s, Subject::Aircraft(_) | Subject::Device(_)));
    let subjects: BTreeSet<Subject> = first.into_iter().chain(washes).chain(second).collect();
    let mut indices = BTreeSet::new();
    for subject in &subjects {
        // Of the facts about a device only the refusals concern a wash; its reports are looked up one by one.
        let about = match subject {
            Subject::Device(device) => history.refusals_of(device),
            other => history.facts_of(other),
        };
        indices.extend(about.iter().take_while(|i| **i < size));
        indices.extend(history.forks_about(subject).iter().take_while(|i| **i < size));
    }
    // A tool may have made joints elsewhere than where its recall was recorded.
    indices.extend(history.recalls().iter().take_while(|i| **i < size));
    // What these name comes too: their order rests on it.
    let mut open: Vec<u64> = indices.iter().copied().collect();
    while let Some(index) = open.pop() {
        let Some(held) = history.held(index) else { continue };
        let named = held.recorded.fact.header().refers.iter().filter_map(|h| history.by_hash(h));
        open.extend(named.filter(|at| *at < size && indices.insert(*at)).collect::<Vec<u64>>());
    }
    indices.into_iter().collect()
}
