//! Two facts with one counter: a device, or a copy of its key, has told two stories. The log holds the one that came
//! first; the service keeps the other inside the fact that says so. The openings of both count and the closings of
//! neither, and the washes that they touch have a finding on them until somebody settles it.

use std::collections::{BTreeSet, HashSet};

use super::act::{Act, Context};
use super::facts::Fact;
use super::finding::{Raised, Rule, Severity};
use super::judge::Standing;
use crate::bytes::Hash;

/// One fork. The numbers are places among the case's facts.
#[derive(Debug)]
pub(super) struct Fork<'h> {
    /// The service's fact that saw it.
    pub(super) seen: usize,
    /// The fact that has the place; none where nothing readable has it.
    pub(super) first: Option<Hash>,
    /// The one that came second.
    pub(super) second: Fact<'h>,
}

/// The forks of a case.
#[derive(Debug, Default)]
pub(super) struct Forks<'h>(pub(super) Vec<Fork<'h>>);

impl<'h> Forks<'h> {
    /// Those that the service itself saw, of the facts counted.
    fn seen<'c>(&'c self, facts: &[Fact<'h>], counted: &[bool]) -> Vec<&'c Fork<'h>> {
        let seen = |fork: &&Fork<'_>| counted[fork.seen] && facts[fork.seen].standing == Standing::Counts;
        self.0.iter().filter(seen).collect()
    }

    /// The second facts that count at a time.
    pub(super) fn seconds<'c>(&'c self, facts: &[Fact<'h>], counted: &[bool], time_s: u64) -> Vec<&'c Fact<'h>> {
        let seconds = self.seen(facts, counted).into_iter().map(|fork| &fork.second);
        seconds.filter(|second| second.counts_from_s <= time_s).collect()
    }

    /// Both facts of every fork, as first signed: they close nothing.
    pub(super) fn both(&self, facts: &[Fact<'h>], counted: &[bool]) -> HashSet<Hash> {
        self.seen(facts, counted)
            .into_iter()
            .flat_map(|fork| fork.first.into_iter().chain([fork.second.key.3]))
            .collect()
    }

    /// The second facts, counted or not.
    pub(super) fn all_seconds(&self) -> impl Iterator<Item = &Fact<'h>> {
        self.0.iter().map(|fork| &fork.second)
    }

    /// A finding for each wash that a fork touched; where it touched none, one for the aircraft.
    pub(super) fn findings<'c>(
        &self,
        facts: &[Fact<'h>],
        counted: &[bool],
        context: &Context<'c>,
        acts: &[Act<'c>],
    ) -> Vec<Raised<'c>> {
        let mut raised = Vec::new();
        let act = |hash: Hash| acts.iter().find(|act| !act.revived && act.original() == hash);
        for fork in self.seen(facts, counted) {
            let Some(seen) = act(facts[fork.seen].key.3) else { continue };
            let mut washes = BTreeSet::new();
            for told in fork.first.into_iter().chain([fork.second.key.3]).filter_map(act) {
                if washes.insert(told.wash()) {
                    raised.push(Raised::new(Rule::DeviceForked, Severity::Major, context, vec![*seen, *told]));
                }
            }
        }
        raised
    }
}
