//! Which facts concern one aircraft: its own, those of the engines ever on it and of their washes, with these washes'
//! devices; of a wash on another aircraft also that aircraft's and its other engines', so that its sign-off can be judged;
//! and every fact that one of these names, since the order rests on them.

use std::collections::BTreeSet;

use super::history::History;
use crate::bytes::{Hash, Id};
use crate::fact::Subject;

/// What the answers about an aircraft rest on: whoever holds this part of a log answers as whoever holds it whole.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct RestsOn {
    /// Every entry about one of these belongs to it.
    pub subjects: BTreeSet<Subject>,
    /// Entries about none of these that an answer looks at all the same, such as where a device's run begins.
    pub beside: BTreeSet<u64>,
}

/// See [`RestsOn`]; the roster is among the subjects.
pub(super) fn rests_on(history: &History, aircraft: &Id, size: u64) -> RestsOn {
    let (washes, mut subjects): (BTreeSet<Subject>, BTreeSet<Subject>) =
        reached(history, aircraft).into_iter().partition(|s| matches!(s, Subject::Wash(_)));
    subjects.insert(Subject::Roster);
    let about = |subjects: &BTreeSet<Subject>, index: u64| {
        let header = history.recorded(index).map(|recorded| recorded.fact.header());
        header.is_some_and(|header| header.subjects.iter().any(|s| subjects.contains(s)))
    };
    // A wash's facts name its aircraft too; where one does not, the wash itself has to be followed.
    let apart = |wash: &Subject| history.facts_of(wash).iter().any(|index| !about(&subjects, *index));
    let followed: Vec<Subject> = washes.into_iter().filter(apart).collect();
    subjects.extend(followed);
    let mut looked_at: BTreeSet<u64> = scope(history, aircraft, size).into_iter().collect();
    looked_at.extend(history.clock_unsure_since(size));
    for device in subjects.iter().filter_map(|s| if let Subject::Device(id) = s { Some(id) } else { None }) {
        let starts = history.run_starts(device).iter().copied();
        let before = starts.clone().filter_map(|at| Some(history.recorded(at)?.fact.header().previous));
        let heads = history.reports(device).iter().filter_map(|heard| Hash::from_slice(&heard.report.head));
        looked_at.extend(before.chain(heads).filter_map(|hash| history.by_hash(&hash)));
        looked_at.extend(starts);
    }
    let beside = looked_at.into_iter().filter(|index| *index < size && !about(&subjects, *index)).collect();
    RestsOn { subjects, beside }
}

fn reached(history: &History, aircraft: &Id) -> BTreeSet<Subject> {
    let is_engine = |s: &Subject| matches!(s, Subject::Engine(_));
    let is_wash = |s: &Subject| matches!(s, Subject::Wash(_));
    let own = BTreeSet::from([Subject::Aircraft(*aircraft)]);
    let engines = history.near(&own, is_engine);
    let first: BTreeSet<Subject> = own.into_iter().chain(engines).collect();
    let washes = history.near(&first, is_wash);
    let second = history.near(&washes, |s| is_engine(s) || matches!(s, Subject::Aircraft(_) | Subject::Device(_)));
    first.into_iter().chain(washes).chain(second).collect()
}

/// Indices of the facts in scope, ascending.
pub(super) fn scope(history: &History, aircraft: &Id, size: u64) -> Vec<u64> {
    let mut indices = BTreeSet::new();
    for subject in &reached(history, aircraft) {
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
