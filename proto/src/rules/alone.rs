//! One person's second look where two persons were due: only a finding, until its settlement says that it counts. Never
//! where the procedure requires an inspector (14 CFR 121.371(c): nobody inspects a required item whose work they did).

use std::collections::HashMap;

use super::act::{Act, Context};
use super::finding::{Raised, Rule, Severity};
use crate::bytes::Hash;
use crate::fact::Kind;
use crate::v1::{CheckResult, ReinspectedAlone};

/// A look, and the work that it looked at.
#[derive(Debug, Clone, Copy)]
struct Look<'c> {
    act: Act<'c>,
    work: Option<Act<'c>>,
    body: &'c ReinspectedAlone,
}

/// All looks, and the work that they may name.
#[derive(Debug, Default)]
pub(super) struct Alone<'c> {
    works: HashMap<Hash, Act<'c>>,
    looks: Vec<Look<'c>>,
}

impl<'c> Alone<'c> {
    /// The looks that this act lets count.
    pub(super) fn take(&mut self, context: &Context<'c>, act: &Act<'c>) -> Vec<(Act<'c>, &'c ReinspectedAlone)> {
        match act.kind() {
            Some(Kind::LineReconnected(_) | Kind::AccessClosed(_)) if !act.revived => {
                self.works.insert(act.hash(), *act);
            }
            Some(Kind::ReinspectedAlone(_)) if act.revived => {
                for look in self.looks.iter_mut().filter(|look| look.act.hash() == act.hash()) {
                    look.act = *act;
                }
            }
            Some(Kind::ReinspectedAlone(body)) => {
                let named = act.header().refers.iter().filter_map(|hash| self.works.get(hash));
                let work = named.copied().find(|work| act.names(work));
                self.looks.push(Look { act: *act, work, body });
            }
            Some(Kind::FindingSettled(b)) if b.rule == Rule::ReinspectedAlone.name() && b.act_counts == Some(true) => {
                let counting = self.looks.iter().filter(|look| act.counts() && look.counts(context, act));
                return counting.map(|look| (look.act, look.body)).collect();
            }
            _ => {}
        }
        Vec::new()
    }

    pub(super) fn findings(&self, context: &Context<'c>) -> Vec<Raised<'c>> {
        let raise = |look: &Look<'c>| {
            let mut raised = Raised::new(Rule::ReinspectedAlone, Severity::Major, context, look.rests_on());
            raised.subject = if look.body.line.is_empty() { &look.body.access } else { &look.body.line }.clone();
            raised
        };
        self.looks.iter().map(raise).collect()
    }
}

impl<'c> Look<'c> {
    fn rests_on(&self) -> Vec<Act<'c>> {
        self.work.into_iter().chain([self.act]).collect()
    }

    /// Whether a settlement lets it count: of a good look at work whose procedure leaves that way, by another than who
    /// signed the work or the look.
    fn counts(&self, context: &Context<'_>, settlement: &Act<'_>) -> bool {
        let allowed = |work: Act<'_>| context.procedure(&work).is_some_and(|p| !p.people.inspector_required);
        self.act.counts()
            && self.body.result == CheckResult::Satisfactory as i32
            && self.work.is_some_and(allowed)
            && self.rests_on().iter().all(|on| settlement.names(on) && settlement.by_another_than(on))
    }
}
