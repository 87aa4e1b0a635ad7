//! Same hands: in one wash one person closed the same line on two engines, and not each was inspected by another. The
//! same mistake made twice shows on neither engine alone (EU 145.A.48: risk of repeated errors in identical tasks).

use std::collections::BTreeMap;

use super::joint::Joint;
use crate::bytes::Id;
use crate::rules::act::{Act, Context};
use crate::rules::finding::{Raised, Rule, Severity};

/// A joint that stood finished.
#[derive(Debug, Clone, Copy)]
struct Closed<'c> {
    act: Act<'c>,
    inspected: bool,
}

/// Joints that a later opening ended: what was found of their wash stays.
#[derive(Debug, Default)]
pub(super) struct Hands<'c> {
    past: Vec<(String, Closed<'c>)>,
}

/// Whether neither securing nor inspection of it is due.
fn finished<'c>(joint: &Joint<'c>) -> Option<Closed<'c>> {
    let done = joint.unsecured.is_none() && !joint.inspection_due();
    done.then_some(Closed { act: joint.act, inspected: joint.inspected })
}

impl<'c> Hands<'c> {
    /// Takes a joint that another wash opened.
    pub(super) fn keep(&mut self, line: &str, joint: &Joint<'c>) {
        self.past.extend(finished(joint).map(|closed| (line.to_owned(), closed)));
    }

    pub(super) fn findings<'a>(
        &self,
        context: &Context<'c>,
        standing: impl Iterator<Item = (&'a str, &'a Joint<'c>)>,
    ) -> Vec<Raised<'c>>
    where
        'c: 'a,
    {
        let mut closed: BTreeMap<(Id, String), BTreeMap<String, Closed<'c>>> = BTreeMap::new();
        let standing = standing.filter_map(|(name, joint)| Some((name.to_owned(), finished(joint)?)));
        // Of several joints of one line in one wash the newest counts: it comes last.
        for (name, joint) in self.past.iter().cloned().chain(standing) {
            if let (Some(wash), Some(engine)) = (joint.act.wash(), joint.act.engine()) {
                closed.entry((wash, name)).or_default().insert(engine.serial.clone(), joint);
            }
        }
        let mut raised = Vec::new();
        for ((_, line), joints) in closed {
            let joints: Vec<Closed<'c>> = joints.into_values().collect();
            for (at, one) in joints.iter().enumerate() {
                let alike = |other: &&Closed<'c>| same_hands(one, other);
                raised.extend(joints[at + 1..].iter().filter(alike).map(|other| raise(context, &line, one, other)));
            }
        }
        raised
    }
}

fn same_hands(one: &Closed<'_>, other: &Closed<'_>) -> bool {
    let person = one.act.fact.person;
    person.is_some() && person == other.act.fact.person && !(one.inspected && other.inspected)
}

fn raise<'c>(context: &Context<'c>, line: &str, one: &Closed<'c>, other: &Closed<'c>) -> Raised<'c> {
    let mut rests_on = vec![one.act, other.act];
    if one.act.is_after(&other.act) {
        rests_on.reverse();
    }
    let mut raised = Raised::new(Rule::SameHands, Severity::Major, context, rests_on);
    let first = Raised::new(Rule::SameHands, Severity::Major, context, vec![raised.rests_on[0]]);
    raised.belongs.aircraft.extend(first.belongs.aircraft);
    raised.belongs.engines.extend(first.belongs.engines);
    (raised.engine, raised.subject) = (None, line.to_owned());
    raised
}
