//! What is locked or disabled for the work: restored, and tested where the procedure asks. What was found deferred
//! before the wash came was not isolated for it and opens nothing. It stays with the aircraft.

use std::collections::BTreeMap;

use super::act::{Act, Context};
use super::fleet::Belongs;
use super::item::{ItemKind, Open};
use super::turns::{Ended, Turns};
use crate::bytes::Id;
use crate::fact::Kind;
use crate::v1::{ElementKind, EngineAt};

#[derive(Debug)]
struct Isolation<'c> {
    engine: Option<EngineAt>,
    belongs: Belongs,
    /// The facts that isolated it, while it is isolated.
    isolated: Vec<Act<'c>>,
    untested: bool,
    turns: Turns,
}

/// By aircraft, position of the engine (0: the aircraft's own) and name.
type Place = (Option<Id>, u32, String);

/// All isolations that a fact touched.
#[derive(Debug, Default)]
pub(super) struct Isolations<'c> {
    isolations: BTreeMap<Place, Isolation<'c>>,
    ended: Vec<Ended<'c>>,
}

impl<'c> Isolations<'c> {
    pub(super) fn take(&mut self, context: &Context<'c>, act: &Act<'c>) {
        let position = act.engine().map_or(0, |engine| engine.position);
        let place = |name: &str| (context.aircraft(act), position, name.to_owned());
        match act.kind() {
            Some(Kind::Isolated(b)) if !act.revived => {
                let isolation = self.isolations.entry(place(&b.isolation)).or_insert_with(|| Isolation {
                    engine: b.engine.clone(),
                    belongs: match &b.engine {
                        Some(engine) => context.at_engine(act, engine),
                        None => context.with_aircraft(act),
                    },
                    isolated: Vec::new(),
                    untested: false,
                    turns: Turns::default(),
                });
                isolation.isolated.push(*act);
                isolation.untested = false;
                isolation.turns.opened(act.happened_s());
            }
            Some(Kind::IsolationRestored(b)) if act.counts() => {
                let Some(isolation) = self.isolations.get_mut(&place(&b.isolation)) else { return };
                let Some(first) = isolation.isolated.first().copied() else { return };
                let tested = b.tested == Some(true) || !is_tested(context, [act, &first], &b.isolation);
                if !isolation.isolated.iter().all(|isolated| act.is_after(isolated)) {
                    return;
                }
                isolation.untested = !tested;
                if tested {
                    isolation.isolated.clear();
                    isolation.turns.closed(act.happened_s());
                    self.ended.push(Ended::new(ElementKind::Isolation, &b.isolation, first, *act));
                }
            }
            _ => {}
        }
    }

    /// Isolations of an engine that stand at this place, or stood at that instant.
    pub(super) fn isolated_then(&self, aircraft: Option<Id>, position: u32, at_s: u64) -> impl Iterator<Item = &str> {
        let there = move |(on, at, _): &Place| *on == aircraft && *at == position;
        let stands = move |isolation: &Isolation<'_>| !isolation.isolated.is_empty() || isolation.turns.open_at(at_s);
        let found = self.isolations.iter().filter(move |(place, isolation)| there(place) && stands(isolation));
        found.map(|((_, _, name), _)| name.as_str())
    }

    pub(super) fn ended(&self) -> &[Ended<'c>] {
        &self.ended
    }

    pub(super) fn open_items(&self) -> Vec<Open<'c>> {
        let open = |((_, _, name), isolation): (&Place, &Isolation<'c>)| {
            let by = *isolation.isolated.first()?;
            let mut open = Open::new(ItemKind::IsolationOpen, by, isolation.belongs.clone()).about(name);
            open.engine = isolation.engine.clone();
            if isolation.untested {
                open.detail = "restored, and not tested".to_owned();
            }
            Some(open)
        };
        self.isolations.iter().filter_map(open).collect()
    }
}

/// Whether the procedure of one of these acts asks for a test after restoring.
fn is_tested(context: &Context<'_>, acts: [&Act<'_>; 2], name: &str) -> bool {
    acts.into_iter()
        .filter_map(|act| context.procedure(act))
        .any(|procedure| procedure.isolations.iter().any(|isolation| isolation.name == name && isolation.tested))
}
