//! Work that changes hands: handed over, or interrupted, until another person takes it over with their signature, or
//! whoever interrupted it resumes it.
//!
//! An interruption opens it however little is left to do: an unsigned wash always has its sign-off open.

use std::collections::BTreeMap;

use super::act::{Act, Context};
use super::fleet::Belongs;
use super::item::{Blocks, ItemKind, Open};
use super::kinds::Asked;
use crate::bytes::Id;
use crate::fact::Kind;
use crate::v1::CountersignPurpose;

/// One time that the work was left.
#[derive(Debug)]
struct Left<'c> {
    by: Act<'c>,
    taken: Option<Act<'c>>,
}

/// Every time that the work of a wash was left, in order.
#[derive(Debug, Default)]
pub(super) struct Shift<'c> {
    washes: BTreeMap<Id, Vec<Left<'c>>>,
}

impl<'c> Shift<'c> {
    pub(super) fn take(&mut self, context: &Context<'c>, act: &Act<'c>) {
        for wash in act.washes() {
            let left = self.washes.entry(wash).or_default();
            match act.kind() {
                Some(Kind::HandedOver(_) | Kind::WashInterrupted(_)) if !act.revived => {
                    left.push(Left { by: *act, taken: None });
                }
                Some(Kind::WashResumed(_)) if act.counts() => resume(left, act),
                Some(Kind::Countersigned(b))
                    if b.purpose == CountersignPurpose::HandoverAccepted as i32
                        && act.counts()
                        // A second signature asks the authority of the first.
                        && context.holds(act, Asked::Perform) =>
                {
                    accept(left, act);
                }
                _ => {}
            }
        }
    }

    /// What stood in the way of turning an engine in the act's wash at that instant, by what stands before the act.
    pub(super) fn bars(&self, act: &Act<'c>, at_s: u64) -> Option<ItemKind> {
        let open =
            |left: &Left<'c>| left.by.happened_s() <= at_s && left.taken.is_none_or(|taken| taken.happened_s() > at_s);
        let mut left = act.washes().filter_map(|wash| self.washes.get(&wash)).flatten();
        left.any(open).then_some(ItemKind::HandoverDue)
    }

    /// One item a wash: opened by the newest leaving, since taking that over takes all.
    pub(super) fn open_items(&self, context: &Context<'c>) -> Vec<Open<'c>> {
        let due = |(wash, left): (&Id, &Vec<Left<'c>>)| {
            let by = left.iter().rev().find(|left| left.taken.is_none())?.by;
            let aircraft = context.washes.get(wash).and_then(|facts| facts.aircraft);
            let mut open = Open::new(ItemKind::HandoverDue, by, Belongs::to_aircraft(aircraft));
            (open.wash, open.blocks) = (Some(*wash), Blocks::SignOff);
            open.detail = match by.kind() {
                Some(Kind::WashInterrupted(b)) => format!("interrupted, {}", b.reason),
                _ => "handed over and not accepted".to_owned(),
            };
            Some(open)
        };
        self.washes.iter().filter_map(due).collect()
    }
}

/// Whoever interrupted goes on; what somebody else left stays left.
fn resume<'c>(left: &mut [Left<'c>], act: &Act<'c>) {
    let own = |left: &&mut Left<'c>| {
        matches!(left.by.kind(), Some(Kind::WashInterrupted(_)))
            && left.taken.is_none()
            && act.fact.person.is_some()
            && act.fact.person == left.by.fact.person
            && act.is_after(&left.by)
    };
    left.iter_mut().filter(own).for_each(|left| left.taken = Some(*act));
}

/// Another person takes over what was left, and all that was left before it.
fn accept<'c>(left: &mut [Left<'c>], act: &Act<'c>) {
    let named = |left: &Left<'c>| act.names(&left.by) && act.by_another_than(&left.by);
    let Some(last) = left.iter().rposition(named) else { return };
    left[..=last].iter_mut().filter(|left| left.taken.is_none()).for_each(|left| left.taken = Some(*act));
}
