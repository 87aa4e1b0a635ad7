//! Facts that nobody can read, set aside by custody and certifying staff: two persons, over all that the fact is about.

use std::collections::HashSet;

use super::act::{Act, aircraft_named};
use super::case::Case;
use super::judge::types_asked;
use super::judge::{self, Standing, Types};
use super::kinds::Asked;
use crate::bytes::Hash;
use crate::fact::{Kind, Subject};
use crate::v1;

impl Case<'_> {
    /// Hashes of the facts that custody and certifying staff, two persons, set aside: each act has to be about all that
    /// the fact set aside is about, and who agrees has to certify there.
    pub(super) fn set_aside(&self, acts: &[Act<'_>]) -> HashSet<Hash> {
        let of = |act: &&Act<'_>| matches!(act.kind(), Some(Kind::FactSetAside(_))) && act.counts();
        let mut aside = HashSet::new();
        for act in acts.iter().filter(of) {
            for hash in &act.header().refers {
                let targets =
                    || acts.iter().filter(|target| target.is_among(std::slice::from_ref(hash)) || target.refuses(hash));
                if targets().all(|target| act.is_about_all_of(target) && self.set_aside_agreed(acts, act, target)) {
                    aside.insert(*hash);
                }
            }
        }
        aside
    }

    fn set_aside_agreed(&self, acts: &[Act<'_>], act: &Act<'_>, target: &Act<'_>) -> bool {
        acts.iter().any(|by| {
            matches!(by.kind(), Some(Kind::Countersigned(b))
                if b.purpose == v1::CountersignPurpose::SetAsideAgreed as i32)
                && by.names(act)
                && by.by_another_than(act)
                && by.counts()
                && self.certifies_over(by, target)
        })
    }

    /// Whether who signed may certify on the engines that the other fact is about; where their types are not known, on
    /// one of those that hung on its aircraft.
    fn certifies_over(&self, by: &Act<'_>, target: &Act<'_>) -> bool {
        let types = target.header().subjects.iter().filter_map(|s| match s {
            Subject::Engine(serial) => Some(self.roster.engine_type(serial, self.size).to_owned()),
            _ => None,
        });
        let types: Vec<String> = types.filter(|t| !t.is_empty()).collect();
        let types = match aircraft_named(target) {
            _ if !types.is_empty() => Types::EachOf(types),
            Some(aircraft) => Types::OneOf(self.roster.types_on(&aircraft, target.happened_s(), self.size)),
            None => types_asked(&by.fact.held.recorded, &self.roster, self.size),
        };
        let recorded = &by.fact.held.recorded;
        judge::standing(&self.roster, self.size, recorded, Asked::Certify, &types).0 == Standing::Counts
    }
}
