//! The final check of a wash: clear of tools, equipment and loose material, panels refitted, after the last close (EU
//! 145.A.48: general verification after work).

use std::collections::BTreeMap;

use super::access::Access;
use super::act::{Act, Context};
use super::fixtures::Fixtures;
use super::item::{ItemKind, Open};
use super::tools::Tools;
use crate::bytes::Id;
use crate::fact::Kind;
use crate::v1::FinalCheckDone;

/// What the check of one wash has to follow.
#[derive(Debug)]
struct Check<'c> {
    /// The first opening that no good check follows.
    since: Option<Act<'c>>,
    /// The newest opening or closing.
    last: Act<'c>,
}

/// The checks of all washes.
#[derive(Debug, Default)]
pub(super) struct Checks<'c> {
    checks: BTreeMap<Id, Check<'c>>,
}

impl<'c> Checks<'c> {
    /// Taken after accesses, fixtures and tools took the same act.
    pub(super) fn take(&mut self, act: &Act<'c>, access: &Access<'c>, fixtures: &Fixtures<'c>, tools: &Tools<'c>) {
        let Some(wash) = act.wash() else { return };
        match act.kind() {
            Some(Kind::AccessOpened(_) | Kind::FixtureFitted(_)) => self.touch(act, wash, true),
            Some(Kind::ToolsOut(b)) if !b.tools.is_empty() => self.touch(act, wash, true),
            Some(Kind::AccessClosed(_) | Kind::FixtureRemoved(_) | Kind::ToolsIn(_)) => self.touch(act, wash, false),
            Some(Kind::FinalCheckDone(b)) if act.counts() && is_good(b) => {
                let shut = !access.open_in(wash) && !fixtures.fitted_in(wash) && !tools.out_in(wash);
                if let Some(check) = self.checks.get_mut(&wash).filter(|check| shut && act.is_after(&check.last)) {
                    check.since = None;
                }
            }
            _ => {}
        }
    }

    /// A closing asks for a check only where there was something to open.
    fn touch(&mut self, act: &Act<'c>, wash: Id, opens: bool) {
        if act.revived {
            return;
        }
        if opens {
            self.checks.entry(wash).or_insert(Check { since: Some(*act), last: *act });
        }
        if let Some(check) = self.checks.get_mut(&wash) {
            check.since.get_or_insert(*act);
            check.last = *act;
        }
    }

    pub(super) fn open_items(&self, context: &Context<'c>) -> Vec<Open<'c>> {
        let due = self.checks.values().filter_map(|check| check.since);
        due.map(|by| Open::new(ItemKind::FinalCheckDue, by, context.with_aircraft(&by))).collect()
    }
}

fn is_good(body: &FinalCheckDone) -> bool {
    body.clear == Some(true) && body.panels_refitted == Some(true)
}
