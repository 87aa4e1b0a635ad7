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
        let recorded: Vec<&Recorded> = (0..size).filter_map(|index| history.recorded(index)).collect();
        for fact in &recorded {
            if let Some(Kind::WashOpened(b)) = fact.fact.kind() {
                let station = words::line(&b.station);
                stations.extend(washes(fact).map(|wash| (wash, station.clone())));
                *counts.washes.entry(station).or_default() += 1;
            }
        }
        let station = |fact: &Recorded| washes(fact).find_map(|wash| stations.get(&wash)).cloned().unwrap_or_default();
        for fact in recorded {
            match fact.fact.kind() {
                Some(Kind::RunUpWaived(_)) => *counts.waivers.entry(station(fact)).or_default() += 1,
                Some(Kind::ReinspectedAlone(_)) => *counts.alone.entry(station(fact)).or_default() += 1,
                Some(Kind::FindingSettled(_) | Kind::DefectSettled(_)) => {
                    let person = Id::from_slice(&lists::recorded_fact(history, fact, size).person);
                    *counts.settlements.entry(person).or_default() += 1;
                }
                _ => {}
            }
        }
        counts
    }
}

fn washes(fact: &Recorded) -> impl Iterator<Item = Id> {
    fact.fact.header().subjects.iter().filter_map(|s| if let Subject::Wash(id) = s { Some(*id) } else { None })
}
