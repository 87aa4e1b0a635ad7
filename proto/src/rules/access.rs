//! Cowls and doors: opened, closed, and where they are latched all latches seen by a person who neither opened nor
//! closed them. They stay with the aircraft.

use std::collections::BTreeMap;

use super::act::{Act, Context};
use super::finding::{Raised, Rule, Severity};
use super::item::{ItemKind, Open};
use super::procedure;
use super::turns::{Ended, Turns};
use crate::bytes::Id;
use crate::fact::Kind;
use crate::v1::{CheckResult, ElementKind};

/// As its newest closing that counts left it, and those after it that do not: they take nothing away.
#[derive(Debug)]
struct Shut<'c> {
    closings: Vec<Act<'c>>,
    openings: Vec<Act<'c>>,
    /// Since when its latches are to be seen.
    due: Option<Act<'c>>,
}

#[derive(Debug, Default)]
struct Cowl<'c> {
    /// Who opened it, the first one first, while it is open.
    open: Option<Vec<Act<'c>>>,
    shut: Option<Shut<'c>>,
    /// The procedure of its newest opening leaves it open for a leak run,
    for_leak_run: bool,
    /// and has its latches seen.
    latched: bool,
    turns: Turns,
}

/// By aircraft, position of the engine and name.
type Place = (Option<Id>, u32, String);

/// All accesses that a fact touched.
#[derive(Debug, Default)]
pub(super) struct Access<'c> {
    cowls: BTreeMap<Place, Cowl<'c>>,
    /// Every closing and where, with the openings that it ended.
    closings: Vec<(Place, Act<'c>, Vec<Act<'c>>)>,
    self_seen: Vec<(Act<'c>, Act<'c>)>,
    ended: Vec<Ended<'c>>,
}

impl<'c> Access<'c> {
    pub(super) fn take(&mut self, context: &Context<'c>, act: &Act<'c>) {
        match act.kind() {
            Some(Kind::AccessOpened(b)) if !act.revived => self.open(context, act, &b.access),
            Some(Kind::AccessClosed(b)) => self.close(context, act, &b.access),
            Some(Kind::LatchesSeen(b)) if b.all_latched == Some(true) => self.see_latches(context, act, &b.access),
            Some(Kind::LatchesSeen(b)) if b.all_latched == Some(false) => self.find_open(context, act, &b.access),
            Some(Kind::ReinspectedAlone(b))
                if !b.access.is_empty() && b.result == CheckResult::NotSatisfactory as i32 =>
            {
                self.find_open(context, act, &b.access);
            }
            _ => {}
        }
    }

    fn cowl(&mut self, context: &Context<'c>, act: &Act<'c>, name: &str) -> Option<&mut Cowl<'c>> {
        Some(self.cowls.entry(place(context, act, name)?).or_default())
    }

    fn open(&mut self, context: &Context<'c>, act: &Act<'c>, name: &str) {
        let listed = listed(context, act, name);
        let Some(cowl) = self.cowl(context, act, name) else { return };
        cowl.turns.opened(act.happened_s());
        cowl.for_leak_run = listed.is_some_and(|listed| listed.open_for_leak_run);
        cowl.latched = listed.is_some_and(|listed| listed.latched);
        cowl.open.get_or_insert_default().push(*act);
    }

    fn close(&mut self, context: &Context<'c>, act: &Act<'c>, name: &str) {
        let latched = listed(context, act, name).map(|listed| listed.latched);
        let Some(cowl) = self.cowl(context, act, name) else { return };
        let openings = cowl.open.clone();
        let ends = act.counts() && openings.iter().flatten().all(|opening| act.is_after(opening));
        let newer = cowl.shut.as_ref().is_none_or(|shut| shut.closings.iter().all(|known| act.is_after(known)));
        // Who opened it may latch it wrongly twice: they do not see their own latches.
        let before = || cowl.shut.as_ref().map(|shut| shut.openings.clone()).unwrap_or_default();
        let openings = openings.unwrap_or_else(before);
        let first = openings.first().copied();
        let latched = latched.or(first.and_then(|o| listed(context, &o, name)).map(|listed| listed.latched));
        let due = latched.unwrap_or(false).then_some(*act);
        let mut shut = Shut { closings: vec![*act], openings: openings.clone(), due };
        let closes = cowl.open.is_some() && ends;
        if closes {
            (cowl.open, cowl.shut) = (None, Some(shut));
            cowl.turns.closed(act.happened_s());
        } else if cowl.open.is_none() && !act.revived && newer {
            if let Some(before) = cowl.shut.take().filter(|_| !act.counts()) {
                shut.closings.splice(0..0, before.closings);
                shut.due = before.due.or(shut.due);
            }
            cowl.shut = Some(shut);
        }
        // Who closed it before one whose closing does not count had a hand in it all the same.
        let before = cowl.shut.iter().flat_map(|shut| shut.closings.iter().copied()).filter(|c| act.is_after(c));
        let hands = openings.into_iter().chain(before).collect();
        if let Some(place) = place(context, act, name).filter(|_| !act.revived) {
            self.closings.push((place, *act, hands));
        }
        if closes {
            self.ended.extend(first.map(|opened| Ended::new(ElementKind::Access, name, opened, *act)));
        }
    }

    fn see_latches(&mut self, context: &Context<'c>, act: &Act<'c>, name: &str) {
        let same = |other: &Act<'_>| act.fact.person.is_some() && act.fact.person == other.fact.person;
        // Who names the closing of another access looked at none of their own work.
        let here = place(context, act, name);
        let named =
            |(at, closing, _): &&(Place, Act<'c>, Vec<Act<'c>>)| Some(at) == here.as_ref() && act.names(closing);
        let own = self.closings.iter().rev().find(named);
        let own = own.filter(|(_, closing, openings)| same(closing) || openings.iter().any(same));
        if let Some((_, closing, _)) = own {
            if !act.revived {
                self.self_seen.push((*closing, *act));
            }
            return;
        }
        let Some(shut) = self.cowl(context, act, name).and_then(|cowl| cowl.shut.as_mut()) else { return };
        let after = shut.due.iter().chain(&shut.closings).all(|since| act.is_after(since));
        let named = shut.closings.iter().any(|closing| act.names(closing));
        // What stands for a closing nobody recorded was a look: whoever looked may look again.
        let closed = |other: &&Act<'c>| matches!(other.kind(), Some(Kind::AccessClosed(_)));
        // Nobody knows whether a signer who is not known was another.
        let mut hands = shut.closings.iter().filter(closed).chain(&shut.openings);
        let independent = act.fact.person.is_some() && hands.all(|other| act.by_another_than(other));
        if act.counts() && named && after && independent {
            shut.due = None;
        }
    }

    /// A latch found open is as good as an access closed a moment ago: it is looked at again. Where nobody recorded the
    /// closing, the look stands for it. An access that no procedure lists may have latches: somebody saw them.
    fn find_open(&mut self, context: &Context<'c>, act: &Act<'c>, name: &str) {
        let latched = listed(context, act, name).is_none_or(|listed| listed.latched);
        let Some(cowl) = self.cowl(context, act, name).filter(|_| latched && !act.revived) else { return };
        let shut = cowl.shut.get_or_insert_with(|| Shut { closings: vec![*act], openings: Vec::new(), due: None });
        shut.due = Some(*act);
    }

    /// One person's second look that its settlement lets count.
    pub(super) fn let_alone_count(&mut self, context: &Context<'c>, look: &Act<'c>, name: &str) {
        let shut = self.cowl(context, look, name).and_then(|cowl| cowl.shut.as_mut());
        if let Some(shut) = shut.filter(|shut| shut.closings.iter().any(|closing| look.names(closing))) {
            shut.due = shut.due.filter(|since| !look.is_after(since));
        }
    }

    pub(super) fn findings(&self, context: &Context<'c>) -> Vec<Raised<'c>> {
        let raise = |(closing, seen): &(Act<'c>, Act<'c>)| {
            let mut raised = Raised::new(Rule::SelfInspected, Severity::Major, context, vec![*closing, *seen]);
            if let Some(Kind::LatchesSeen(b)) = seen.kind() {
                raised.subject = b.access.clone();
            }
            raised
        };
        self.self_seen.iter().map(raise).collect()
    }

    /// Accesses of an engine that are open at this place, or were at that instant; for a leak run not those that the
    /// procedure leaves open for one.
    pub(super) fn open_then(
        &self,
        aircraft: Option<Id>,
        position: u32,
        at_s: u64,
        leak_run: bool,
    ) -> impl Iterator<Item = &str> {
        let there = move |(on, at, _): &Place| *on == aircraft && *at == position;
        let left_open = move |cowl: &Cowl<'_>| leak_run && cowl.for_leak_run;
        let open = move |cowl: &Cowl<'_>| cowl.open.is_some() || cowl.turns.open_at(at_s);
        let cowls = self.cowls.iter().filter(move |(place, cowl)| there(place) && open(cowl) && !left_open(cowl));
        cowls.map(|((_, _, name), _)| name.as_str())
    }

    /// Whether an access that this wash opened is still open.
    pub(super) fn open_in(&self, wash: Id) -> bool {
        self.cowls.values().filter_map(|cowl| cowl.open.as_ref()).flatten().any(|act| act.wash() == Some(wash))
    }

    pub(super) fn ended(&self) -> &[Ended<'c>] {
        &self.ended
    }

    pub(super) fn open_items(&self, context: &Context<'c>) -> Vec<Open<'c>> {
        self.cowls.iter().filter_map(|((_, _, name), cowl)| cowl.open_item(context, name)).collect()
    }
}

impl<'c> Cowl<'c> {
    /// Latches are seen once it is closed.
    fn open_item(&self, context: &Context<'c>, name: &str) -> Option<Open<'c>> {
        let (kind, by) = match (&self.open, &self.shut) {
            (Some(openings), _) => (ItemKind::AccessOpen, *openings.first()?),
            (None, Some(shut)) => (ItemKind::LatchCheckDue, shut.due?),
            (None, None) => return None,
        };
        // It goes with the engine that the act names: another one may hang there by now.
        let engine = by.engine()?;
        let mut open = Open::new(kind, by, context.at_engine(&by, engine)).of_engine(engine).about(name);
        if kind == ItemKind::AccessOpen && self.latched {
            open.next.push(ItemKind::LatchCheckDue);
        }
        Some(open)
    }
}

/// Where the access is that an act names.
fn place(context: &Context<'_>, act: &Act<'_>, name: &str) -> Option<Place> {
    Some((context.aircraft(act), act.engine()?.position, name.to_owned()))
}

/// The access as the act's procedure lists it.
fn listed<'a>(context: &'a Context<'_>, act: &Act<'_>, name: &str) -> Option<&'a procedure::Access> {
    context.procedure(act)?.access.iter().find(|access| access.name == name)
}
