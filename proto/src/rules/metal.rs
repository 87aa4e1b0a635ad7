//! Work on metal and what follows it: lines, accesses, fixtures, isolations, tools, checks, defects. Each family takes
//! the acts in order; breaches are looked for before an act changes anything.

use super::access::Access;
use super::act::{Act, Context};
use super::alone::Alone;
use super::breaches::{Before, Breaches};
use super::checks::Checks;
use super::defects::Defects;
use super::elements::Elements;
use super::finding::Raised;
use super::fixtures::Fixtures;
use super::isolations::Isolations;
use super::item::Open;
use super::lines::Lines;
use super::recalls::Recalls;
use super::tools::Tools;
use super::water::Water;

/// All families of work on metal.
#[derive(Debug, Default)]
pub(super) struct Metal<'c> {
    pub(super) lines: Lines<'c>,
    pub(super) access: Access<'c>,
    pub(super) fixtures: Fixtures<'c>,
    pub(super) isolations: Isolations<'c>,
    pub(super) tools: Tools<'c>,
    checks: Checks<'c>,
    elements: Elements<'c>,
    defects: Defects<'c>,
    recalls: Recalls<'c>,
    alone: Alone<'c>,
    breaches: Breaches<'c>,
}

impl<'c> Metal<'c> {
    /// Takes the next act; `water` stands as before it.
    pub(super) fn take(&mut self, context: &Context<'c>, act: &Act<'c>, water: &Water<'c>) {
        let before = Before {
            lines: &self.lines,
            access: &self.access,
            fixtures: &self.fixtures,
            isolations: &self.isolations,
            tools: &self.tools,
            water,
        };
        self.breaches.take(context, act, &before);
        for (look, body) in self.alone.take(context, act) {
            if body.line.is_empty() {
                self.access.let_alone_count(context, &look, &body.access);
            } else {
                self.lines.let_alone_count(&look, body.engine.as_ref(), &body.line);
            }
        }
        self.lines.take(context, act);
        self.access.take(context, act);
        self.fixtures.take(context, act);
        self.isolations.take(context, act);
        self.tools.take(context, act);
        self.checks.take(act, &self.access, &self.fixtures, &self.tools);
        self.elements.take(act);
        self.defects.take(act);
        self.recalls.take(act);
    }

    pub(super) fn open_items(&self, context: &Context<'c>, water: &Water<'c>) -> Vec<Open<'c>> {
        let mut opens = self.lines.open_items(context);
        opens.extend(self.access.open_items(context));
        opens.extend(self.fixtures.open_items());
        opens.extend(self.isolations.open_items());
        opens.extend(self.tools.open_items());
        opens.extend(self.checks.open_items(context));
        let ended = [self.lines.ended(), self.access.ended(), self.fixtures.ended(), self.isolations.ended()];
        opens.extend(self.elements.open_items(context, &ended));
        opens.extend(self.defects.open_items(context, &|serial| water.planned_s(serial)));
        opens.extend(self.recalls.open_items(context, &self.lines));
        opens
    }

    /// What was found, once every act was taken.
    pub(super) fn findings(&mut self, context: &Context<'c>) -> Vec<Raised<'c>> {
        let mut raised = std::mem::take(&mut self.breaches).findings();
        raised.extend(self.lines.findings(context));
        raised.extend(self.access.findings(context));
        raised.extend(self.alone.findings(context));
        raised
    }
}
