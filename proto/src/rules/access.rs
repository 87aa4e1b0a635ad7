//! Cowls and doors, and what is fitted for the wash. An access stays with the aircraft; a fixture goes with the engine.

use std::collections::BTreeMap;

use super::case::{Act, Context};
use super::finding::{Raised, Rule, Severity};
use super::fleet::Belongs;
use super::item::{ItemKind, Open};
use crate::bytes::Id;
use crate::fact::Kind;
use crate::v1::EngineAt;

/// What is open or fitted: the fact that made it so, and whose it is.
#[derive(Debug)]
struct Standing<'c> {
    by: Act<'c>,
    /// The newest fact that opened it.
    last: Act<'c>,
    engine: EngineAt,
    belongs: Belongs,
}

/// An access, by aircraft, position of the engine and name.
type Cowl = (Option<Id>, u32, String);

/// Accesses and fixtures.
#[derive(Debug, Default)]
pub(super) struct Access<'c> {
    cowls: BTreeMap<Cowl, Standing<'c>>,
    /// By serial number, name and tag.
    fixtures: BTreeMap<(String, String, String), Standing<'c>>,
    /// Every closing, with the opening that it ended.
    closings: Vec<(Act<'c>, Option<Act<'c>>)>,
    self_seen: Vec<(Act<'c>, Act<'c>)>,
}

impl<'c> Access<'c> {
    pub(super) fn take(&mut self, context: &Context<'c>, act: &Act<'c>) {
        let Some(engine) = act.engine() else { return };
        let cowl = |name: &str| (context.aircraft(act), engine.position, name.to_owned());
        match act.kind() {
            Some(Kind::AccessOpened(b)) if !act.revived => {
                let belongs = context.at_engine(act, engine);
                let standing = Standing { by: *act, last: *act, engine: engine.clone(), belongs };
                self.cowls.entry(cowl(&b.access)).and_modify(|open| open.last = *act).or_insert(standing);
            }
            Some(Kind::AccessClosed(b)) => {
                let opened = self.cowls.get(&cowl(&b.access)).map(|open| open.by);
                self.closings.push((*act, opened));
                if act.counts() && self.cowls.get(&cowl(&b.access)).is_some_and(|open| act.is_after(&open.last)) {
                    self.cowls.remove(&cowl(&b.access));
                }
            }
            Some(Kind::FixtureFitted(b)) if !act.revived => {
                let belongs = context.with_engine(act, engine);
                let standing = Standing { by: *act, last: *act, engine: engine.clone(), belongs };
                let key = (engine.serial.clone(), b.fixture.clone(), b.tag.clone());
                self.fixtures.entry(key).and_modify(|fitted| fitted.last = *act).or_insert(standing);
            }
            Some(Kind::FixtureRemoved(b)) if act.counts() => {
                let key = (engine.serial.clone(), b.fixture.clone(), b.tag.clone());
                if self.fixtures.get(&key).is_some_and(|fitted| act.is_after(&fitted.last)) {
                    self.fixtures.remove(&key);
                }
            }
            Some(Kind::LatchesSeen(b)) if b.all_latched == Some(true) && !act.revived => self.see_latches(act),
            _ => {}
        }
    }

    fn see_latches(&mut self, act: &Act<'c>) {
        let same = |other: &Act<'_>| act.fact.person.is_some() && act.fact.person == other.fact.person;
        let own = self.closings.iter().rev().find(|(closing, _)| act.names(closing));
        if let Some((closing, _)) = own.filter(|(closing, opened)| same(closing) || opened.as_ref().is_some_and(same)) {
            self.self_seen.push((*closing, *act));
        }
    }

    pub(super) fn self_seen(&self, context: &Context<'c>) -> Vec<Raised<'c>> {
        let raise = |(closing, seen): &(Act<'c>, Act<'c>)| {
            let mut raised = Raised::new(Rule::SelfInspected, Severity::Major, context, vec![*closing, *seen]);
            if let Some(Kind::LatchesSeen(b)) = seen.kind() {
                raised.subject = b.access.clone();
            }
            raised
        };
        self.self_seen.iter().map(raise).collect()
    }

    pub(super) fn open_items(&self) -> Vec<Open<'c>> {
        let open = |kind, standing: &Standing<'c>, subject: String| {
            Open::new(kind, standing.by, standing.belongs.clone()).of_engine(&standing.engine).about(subject)
        };
        let cowls = self.cowls.iter().map(|((_, _, name), s)| open(ItemKind::AccessOpen, s, name.clone()));
        let fixtures = self.fixtures.iter().map(|((_, name, tag), s)| {
            let subject = if tag.is_empty() { name.clone() } else { format!("{name} (tag {tag})") };
            open(ItemKind::FixtureFitted, s, subject)
        });
        cowls.chain(fixtures).collect()
    }
}
