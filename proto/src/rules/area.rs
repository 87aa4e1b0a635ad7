//! The area around an engine that turns: cleared for it, watched, and left by everybody until it stands still.
//!
//! A clearance holds until it is released, the wash interrupted or handed over, somebody works on that engine's lines,
//! accesses or fixtures, or its time is over.

use super::act::{Act, Context};
use super::finding::{Raised, Rule, Severity};
use super::motoring::{Motoring, Turn};
use crate::bytes::Id;
use crate::fact::Kind;

/// What an act may end: the clearance of one engine, or all of its washes.
#[derive(Debug)]
enum Ends<'c> {
    Engine(&'c str),
    Washes(Vec<Id>),
}

/// Clearances, and what ends them, as they stand in the order.
#[derive(Debug, Default)]
pub(super) struct Area<'c> {
    /// With the engine's serial number.
    cleared: Vec<(Act<'c>, &'c str)>,
    ends: Vec<(Act<'c>, Ends<'c>)>,
}

impl<'c> Area<'c> {
    pub(super) fn take(&mut self, act: &Act<'c>) {
        let serial = act.engine().map(|engine| engine.serial.as_str());
        match (act.kind(), serial) {
            (Some(Kind::AreaCleared(_)), Some(serial)) if act.counts() => self.cleared.push((*act, serial)),
            // Whoever says so: somebody may stand there.
            (Some(Kind::WashInterrupted(_) | Kind::HandedOver(_)), _) if !act.revived => {
                self.ends.push((*act, Ends::Washes(act.washes().collect())));
            }
            (Some(kind), Some(serial)) if is_at_the_engine(kind) && !act.revived => {
                self.ends.push((*act, Ends::Engine(serial)));
            }
            _ => {}
        }
    }

    pub(super) fn findings(&self, context: &Context<'c>, motoring: &Motoring<'c>) -> Vec<Raised<'c>> {
        let uncleared = motoring.turns().filter(|turn| !self.is_clear(context, turn));
        uncleared.map(|turn| Raised::new(Rule::AreaNotCleared, Severity::Major, context, vec![turn.act])).collect()
    }

    /// Whether one clearance held from the start of motoring to its end.
    fn is_clear(&self, context: &Context<'c>, turn: &Turn<'c>) -> bool {
        let holds = |clearance: &Act<'c>| {
            let max_s = context.procedure(clearance).map_or(u64::MAX, |p| p.motoring.area_clear_max_s.into());
            clearance.happened_s() <= turn.from_s
                && turn.until_s <= clearance.happened_s().saturating_add(max_s)
                && turn.act.is_after(clearance)
                && !self.is_ended(clearance, turn)
        };
        self.cleared.iter().filter(|(_, serial)| *serial == turn.engine.serial).any(|(act, _)| holds(act))
    }

    fn is_ended(&self, clearance: &Act<'c>, turn: &Turn<'c>) -> bool {
        let concerns = |ends: &Ends<'c>| match ends {
            Ends::Engine(serial) => *serial == turn.engine.serial,
            Ends::Washes(washes) => clearance.washes().any(|wash| washes.contains(&wash)),
        };
        let ends = |(act, ends): &(Act<'c>, Ends<'c>)| {
            concerns(ends) && act.is_after(clearance) && act.happened_s() < turn.until_s
        };
        self.ends.iter().any(ends)
    }
}

/// Released, or somebody had their hands at the engine.
fn is_at_the_engine(kind: &Kind) -> bool {
    matches!(
        kind,
        Kind::AreaReleased(_)
            | Kind::LineDisconnected(_)
            | Kind::LineReconnected(_)
            | Kind::LineRepaired(_)
            | Kind::PartReplaced(_)
            | Kind::LeakChecked(_)
            | Kind::Inspected(_)
            | Kind::ReinspectedAlone(_)
            | Kind::AccessOpened(_)
            | Kind::AccessClosed(_)
            | Kind::LatchesSeen(_)
            | Kind::FixtureFitted(_)
            | Kind::FixtureRemoved(_)
    )
}
