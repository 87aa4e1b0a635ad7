//! What the procedure lists, accounted for: each line, access, fixture and isolation of each engine in scope was opened
//! and closed, or said not to be used, or found deferred already. A move to a newer revision adds what is new in it.

use std::collections::BTreeSet;

use super::act::{Act, Context, WashFacts};
use super::item::{Blocks, ItemKind, Open};
use super::procedure::Procedure;
use super::turns::Ended;
use crate::bytes::{Hash, Id};
use crate::fact::Kind;
use crate::v1::{ElementKind, EngineAt, RevisionDecided, RevisionOutcome};

/// An element of an engine that a fact of a wash speaks of.
#[derive(Debug)]
struct Said<'c> {
    wash: Id,
    engine: &'c EngineAt,
    kind: ElementKind,
    name: &'c str,
}

/// What the facts of all washes say of elements.
#[derive(Debug, Default)]
pub(super) struct Elements<'c> {
    opened: Vec<Said<'c>>,
    /// Not used, or found deferred.
    done_without: Vec<Said<'c>>,
    dropped: BTreeSet<(Id, String)>,
    abandoned: BTreeSet<Id>,
    moves: Vec<(Act<'c>, Id, &'c RevisionDecided)>,
}

impl<'c> Elements<'c> {
    pub(super) fn take(&mut self, act: &Act<'c>) {
        let (Some(wash), Some(kind)) = (act.wash(), act.kind()) else { return };
        if let (Some(said), false) = (opening(wash, kind), act.revived) {
            self.opened.push(said);
        }
        if !act.counts() {
            return;
        }
        match kind {
            Kind::WashAbandoned(_) => {
                self.abandoned.insert(wash);
            }
            Kind::EngineDropped(b) => self.dropped.extend(b.engine.as_ref().map(|e| (wash, e.serial.clone()))),
            Kind::RevisionDecided(b) if b.outcome == RevisionOutcome::Move as i32 => self.moves.push((*act, wash, b)),
            _ => self.done_without.extend(without(wash, kind)),
        }
    }

    pub(super) fn open_items(&self, context: &Context<'c>, ended: &[&[Ended<'c>]]) -> Vec<Open<'c>> {
        let of_wash = |(wash, facts): (&Id, &WashFacts<'c>)| self.of_wash(context, *wash, facts, ended);
        context.washes.iter().flat_map(of_wash).collect()
    }

    fn of_wash(&self, context: &Context<'c>, wash: Id, facts: &WashFacts<'c>, ended: &[&[Ended<'c>]]) -> Vec<Open<'c>> {
        let (Some(opened), Some(procedure)) = (facts.opened, &facts.procedure) else { return Vec::new() };
        let mut asked: Vec<(Act<'c>, ElementKind, String)> = Vec::new();
        let mut ask = |by: Act<'c>, procedure: &Procedure| {
            for (kind, name) in listed(procedure) {
                if !asked.iter().any(|(_, known, called)| (*known, called.as_str()) == (kind, name)) {
                    asked.push((by, kind, name.to_owned()));
                }
            }
        };
        ask(facts.first, procedure);
        for (by, _, body) in self.moves.iter().filter(|(_, of, _)| *of == wash) {
            let digest = body.procedure.as_ref().and_then(|p| Hash::from_slice(&p.digest));
            let published = digest.and_then(|d| context.roster.procedure(&d, by.index()));
            if let Some(Ok(newer)) = published.map(|p| p.text.as_ref()) {
                ask(*by, newer);
            }
        }
        let mut opens = Vec::new();
        for engine in opened.engines.iter().filter_map(|scope| scope.engine.as_ref()) {
            for (by, kind, name) in &asked {
                if !self.is_accounted(wash, engine, *kind, name, ended) {
                    let subject = format!("{} {name}", word(*kind));
                    let mut open = Open::new(ItemKind::Unaccounted, *by, context.with_aircraft(&facts.first));
                    (open.wash, open.blocks) = (Some(wash), Blocks::SignOff);
                    opens.push(open.of_engine(engine).about(subject));
                }
            }
        }
        opens
    }

    fn is_accounted(&self, wash: Id, engine: &EngineAt, kind: ElementKind, name: &str, ended: &[&[Ended<'c>]]) -> bool {
        let of_wash = |act: &Act<'_>| act.wash() == Some(wash);
        let closed = ended.iter().copied().flatten().any(|e| {
            let same = e.kind == kind && e.name == name;
            same && (of_wash(&e.opened) || of_wash(&e.closed))
                && e.opened.engine().is_some_and(|at| is_same(kind, at, engine))
        });
        let says = |said: &Said<'_>| {
            said.wash == wash && said.kind == kind && said.name == name && is_same(kind, said.engine, engine)
        };
        let left = self.abandoned.contains(&wash) || self.dropped.contains(&(wash, engine.serial.clone()));
        closed || self.done_without.iter().any(says) || (left && !self.opened.iter().any(says))
    }
}

/// Lines and fixtures go with the engine; accesses and isolations stay at its place.
fn is_same(kind: ElementKind, one: &EngineAt, other: &EngineAt) -> bool {
    let stays = matches!(kind, ElementKind::Access | ElementKind::Isolation);
    one.serial == other.serial || (stays && one.position == other.position)
}

fn opening(wash: Id, kind: &Kind) -> Option<Said<'_>> {
    let (engine, kind, name) = match kind {
        Kind::LineDisconnected(b) => (&b.engine, ElementKind::Line, &b.line),
        Kind::AccessOpened(b) => (&b.engine, ElementKind::Access, &b.access),
        Kind::FixtureFitted(b) => (&b.engine, ElementKind::Fixture, &b.fixture),
        Kind::Isolated(b) => (&b.engine, ElementKind::Isolation, &b.isolation),
        _ => return None,
    };
    Some(Said { wash, engine: engine.as_ref()?, kind, name })
}

/// "Not used" asks its reason.
fn without(wash: Id, kind: &Kind) -> Option<Said<'_>> {
    let (engine, kind, name) = match kind {
        Kind::ElementNotUsed(b) if !b.reason.trim().is_empty() => {
            (&b.engine, ElementKind::try_from(b.element_kind).ok()?, &b.element)
        }
        Kind::FoundDeferred(b) => (&b.engine, ElementKind::Isolation, &b.isolation),
        _ => return None,
    };
    Some(Said { wash, engine: engine.as_ref()?, kind, name })
}

fn listed(procedure: &Procedure) -> Vec<(ElementKind, &str)> {
    let lines = procedure.lines.iter().map(|e| (ElementKind::Line, e.name.as_str()));
    let access = procedure.access.iter().map(|e| (ElementKind::Access, e.name.as_str()));
    let fixtures = procedure.fixtures.iter().map(|e| (ElementKind::Fixture, e.name.as_str()));
    let isolations = procedure.isolations.iter().map(|e| (ElementKind::Isolation, e.name.as_str()));
    lines.chain(access).chain(fixtures).chain(isolations).collect()
}

fn word(kind: ElementKind) -> &'static str {
    match kind {
        ElementKind::Line => "line",
        ElementKind::Access => "access",
        ElementKind::Fixture => "fixture",
        ElementKind::Isolation => "isolation",
        ElementKind::Unspecified => "element",
    }
}
