//! What is counted over all facts of the log. As recorded: what was corrected later is counted all the same.

use std::collections::BTreeMap;

use rinsebook_proto::bytes::Id;
use rinsebook_proto::fact::{Kind, Subject};
use rinsebook_proto::rules::{History, Recorded, lists};

use super::super::words;

/// See the module.
#[derive(Debug, Default, PartialEq, Eq)]
pub(super) struct Counts {
    /// Washes opened, a station.
    pub(super) washes: BTreeMap<String, u64>,
    /// Run-ups waived, by the station of the wash.
    pub(super) waivers: BTreeMap<String, u64>,
    /// Second looks by one person alone, by the station of the wash.
    pub(super) alone: BTreeMap<String, u64>,
    /// Findings and defects settled, by who signed.
    pub(super) settlements: BTreeMap<Option<Id>, u64>,
}

impl Counts {
    pub(super) fn of(history: &History, size: u64) -> Counts {
        let mut counts = Counts::default();
        let mut stations: BTreeMap<Id, String> = BTreeMap::new();
        let of = |kind: &str| {
            let below = history.facts_of_kind(kind).iter().take_while(move |index| **index < size);
            below.filter_map(|index| history.glance(*index))
        };
        for fact in of("wash-opened") {
            let Some(Kind::WashOpened(b)) = fact.fact.kind() else { continue };
            let station = words::line(&b.station);
            stations.extend(washes(&fact).map(|wash| (wash, station.clone())));
            *counts.washes.entry(station).or_default() += 1;
        }
        let station = |fact: &Recorded| washes(fact).find_map(|wash| stations.get(&wash)).cloned().unwrap_or_default();
        for fact in of("run-up-waived") {
            *counts.waivers.entry(station(&fact)).or_default() += 1;
        }
        for fact in of("reinspected-alone") {
            *counts.alone.entry(station(&fact)).or_default() += 1;
        }
        for fact in of("finding-settled").chain(of("defect-settled")) {
            let person = Id::from_slice(&lists::recorded_fact(history, &fact, size).person);
            *counts.settlements.entry(person).or_default() += 1;
        }
        counts
    }
}

fn washes(fact: &Recorded) -> impl Iterator<Item = Id> {
    fact.fact.header().subjects.iter().filter_map(|s| if let Subject::Wash(id) = s { Some(*id) } else { None })
}
