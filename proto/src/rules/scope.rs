//! Which engines a wash is about, and whether each got the cycles that the procedure asks.

use std::collections::{BTreeMap, BTreeSet};

use super::act::{Act, Context};
use super::finding::{Raised, Rule, Severity};
use super::fleet::Belongs;
use super::item::{Blocks, ItemKind, Open};
use super::water::injection::{injection_of_aborted, injection_of_cycle, is_valid};
use crate::bytes::Id;
use crate::fact::Kind;
use crate::v1::{CycleRun, EngineAt};

/// An engine in a wash, by serial number.
type Washed = (Id, String);

/// The scope of every wash.
#[derive(Debug, Default)]
pub(super) struct Scope<'c> {
    opened: BTreeMap<Washed, (Act<'c>, EngineAt)>,
    valid_cycles: BTreeMap<Washed, u32>,
    dropped: BTreeSet<Washed>,
    abandoned: BTreeSet<Id>,
    wrong_engine: Vec<Act<'c>>,
}

impl<'c> Scope<'c> {
    pub(super) fn take(&mut self, context: &Context<'c>, act: &Act<'c>) {
        let Some(kind) = act.kind() else { return };
        for wash in act.washes() {
            self.take_in(context, act, kind, wash);
        }
    }

    fn take_in(&mut self, context: &Context<'c>, act: &Act<'c>, kind: &Kind, wash: Id) {
        if !act.revived && opens_work(kind, act) {
            self.check_engine(context, act, wash);
        }
        match kind {
            Kind::WashOpened(b) if !act.revived => {
                for engine in b.engines.iter().filter_map(|e| e.engine.as_ref()) {
                    let known = self.opened.entry((wash, engine.serial.clone()));
                    known.or_insert_with(|| (*act, engine.clone()));
                }
            }
            Kind::CycleRun(b) if act.counts() => self.count(context, act, wash, b),
            Kind::EngineDropped(b) if act.counts() => {
                if let Some(engine) = &b.engine {
                    self.dropped.insert((wash, engine.serial.clone()));
                }
            }
            Kind::WashAbandoned(_) if act.counts() => {
                self.abandoned.insert(wash);
            }
            _ => {}
        }
    }

    fn count(&mut self, context: &Context<'c>, act: &Act<'c>, wash: Id, cycle: &CycleRun) {
        let (Some(engine), Some(injection)) = (&cycle.engine, injection_of_cycle(cycle, act)) else { return };
        if is_valid(cycle, context.procedure(act).map(|p| &**p), &injection) {
            *self.valid_cycles.entry((wash, engine.serial.clone())).or_default() += 1;
        }
    }

    /// Out of scope: not among the engines of the opening, or dropped before. While no opening is known, nobody can say.
    fn check_engine(&mut self, context: &Context<'c>, act: &Act<'c>, wash: Id) {
        let opened = context.washes.get(&wash).and_then(|facts| facts.opened);
        let (Some(opened), Some(engine)) = (opened, act.engine()) else { return };
        let mut named = opened.engines.iter().filter_map(|e| e.engine.as_ref());
        let dropped = self.dropped.contains(&(wash, engine.serial.clone()));
        if !named.any(|e| e.serial == engine.serial) || dropped {
            self.wrong_engine.push(*act);
        }
    }

    /// An item for each engine that got too few valid cycles, whatever sign-offs state.
    pub(super) fn open_items(&self, context: &Context<'c>) -> Vec<Open<'c>> {
        let short = |(washed, (by, engine)): (&Washed, &(Act<'c>, EngineAt))| {
            let asked = context.procedure_now(washed.0).map(|p| p.cycle.count);
            let valid = self.valid_cycles.get(washed).copied().unwrap_or(0);
            let enough = asked.is_some_and(|asked| valid >= asked);
            if enough || self.dropped.contains(washed) || self.abandoned.contains(&washed.0) {
                return None;
            }
            let belongs = Belongs::to_aircraft(context.aircraft(by));
            let mut open = Open::new(ItemKind::CyclesShort, *by, belongs).of_engine(engine);
            (open.wash, open.blocks) = (Some(washed.0), Blocks::No);
            open.detail = asked.map(|asked| format!("{valid} of {asked} valid cycles")).unwrap_or_default();
            Some(open)
        };
        self.opened.iter().filter_map(short).collect()
    }

    pub(super) fn findings(&self, context: &Context<'c>) -> Vec<Raised<'c>> {
        let raise = |act: &Act<'c>| Raised::new(Rule::WrongEngine, Severity::Major, context, vec![*act]);
        self.wrong_engine.iter().map(raise).collect()
    }
}

/// Work that opens something, or injection.
fn opens_work(kind: &Kind, act: &Act<'_>) -> bool {
    match kind {
        Kind::Isolated(_) | Kind::AccessOpened(_) | Kind::LineDisconnected(_) | Kind::FixtureFitted(_) => true,
        Kind::CycleRun(b) => injection_of_cycle(b, act).is_some(),
        Kind::MotoringAborted(b) => injection_of_aborted(b, act).is_some(),
        _ => false,
    }
}
