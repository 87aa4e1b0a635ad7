//! What is fitted for the wash and removed after, each by its tag: it goes with the engine.

use std::collections::BTreeMap;

use super::act::{Act, Context};
use super::fleet::Belongs;
use super::item::{ItemKind, Open};
use super::turns::{Ended, Turns};
use crate::bytes::Id;
use crate::fact::Kind;
use crate::v1::{ElementKind, EngineAt};

#[derive(Debug)]
struct Fixture<'c> {
    engine: EngineAt,
    belongs: Belongs,
    /// The facts that fitted it, while it is fitted.
    fitted: Vec<Act<'c>>,
    turns: Turns,
}

/// By serial number, name and tag.
#[derive(Debug, Default)]
pub(super) struct Fixtures<'c> {
    fixtures: BTreeMap<(String, String, String), Fixture<'c>>,
    ended: Vec<Ended<'c>>,
}

impl<'c> Fixtures<'c> {
    pub(super) fn take(&mut self, context: &Context<'c>, act: &Act<'c>) {
        let Some(engine) = act.engine() else { return };
        let key = |name: &str, tag: &str| (engine.serial.clone(), name.to_owned(), tag.to_owned());
        match act.kind() {
            Some(Kind::FixtureFitted(b)) if !act.revived => {
                let fixture = self.fixtures.entry(key(&b.fixture, &b.tag)).or_insert_with(|| Fixture {
                    engine: engine.clone(),
                    belongs: Belongs::default(),
                    fitted: Vec::new(),
                    turns: Turns::default(),
                });
                if fixture.fitted.is_empty() {
                    fixture.belongs = context.with_engine(act, engine);
                }
                fixture.fitted.push(*act);
                fixture.turns.opened(act.happened_s());
            }
            Some(Kind::FixtureRemoved(b)) if act.counts() => {
                let Some(fixture) = self.fixtures.get_mut(&key(&b.fixture, &b.tag)) else { return };
                if fixture.fitted.iter().all(|fitted| act.is_after(fitted)) {
                    let first = std::mem::take(&mut fixture.fitted).into_iter().next();
                    fixture.turns.closed(act.happened_s());
                    self.ended.extend(first.map(|fitted| Ended::new(ElementKind::Fixture, &b.fixture, fitted, *act)));
                }
            }
            _ => {}
        }
    }

    /// Fixtures of an engine that are fitted at this place, or were at that instant.
    pub(super) fn fitted_then(&self, serial: &str, at_s: u64) -> impl Iterator<Item = String> {
        let fitted = move |fixture: &Fixture<'_>| !fixture.fitted.is_empty() || fixture.turns.open_at(at_s);
        let of_engine = self.fixtures.iter().filter(move |((engine, ..), fixture)| engine == serial && fitted(fixture));
        of_engine.map(|((_, name, tag), _)| told(name, tag))
    }

    /// Whether a fixture that this wash fitted is still there.
    pub(super) fn fitted_in(&self, wash: Id) -> bool {
        self.fixtures.values().flat_map(|fixture| &fixture.fitted).any(|act| act.wash() == Some(wash))
    }

    pub(super) fn ended(&self) -> &[Ended<'c>] {
        &self.ended
    }

    pub(super) fn open_items(&self) -> Vec<Open<'c>> {
        let open = |((_, name, tag), fixture): (&(String, String, String), &Fixture<'c>)| {
            let by = *fixture.fitted.first()?;
            let open = Open::new(ItemKind::FixtureFitted, by, fixture.belongs.clone());
            Some(open.of_engine(&fixture.engine).about(told(name, tag)))
        };
        self.fixtures.iter().filter_map(open).collect()
    }
}

fn told(name: &str, tag: &str) -> String {
    if tag.is_empty() { name.to_owned() } else { format!("{name} (tag {tag})") }
}
