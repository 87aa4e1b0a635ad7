//! Tools, by identity: what went out for a wash comes in again, or was searched for and its search accepted by another
//! person with certify. They stay with the aircraft.

use std::collections::{BTreeMap, BTreeSet};

use super::act::{Act, Context};
use super::fleet::Belongs;
use super::item::{ItemKind, Open};
use crate::bytes::Id;
use crate::fact::Kind;
use crate::v1::{ToolSearchAccepted, ToolsIn, ToolsOut};

/// The count of one wash.
#[derive(Debug)]
struct Count<'c> {
    /// Since when the check is due.
    since: Act<'c>,
    belongs: Belongs,
    /// What is out now, and the newest fact that took it out.
    out: BTreeMap<String, Act<'c>>,
    ever_out: BTreeSet<String>,
    came_in: BTreeSet<String>,
    none_used: bool,
    /// What was not in when the count was declared complete.
    missing: BTreeMap<String, Act<'c>>,
    /// From when to when others were missing before, in whole seconds.
    were_missing: Vec<(String, u64, u64)>,
}

/// The counts of all washes, and the searches.
#[derive(Debug, Default)]
pub(super) struct Tools<'c> {
    counts: BTreeMap<Option<Id>, Count<'c>>,
    searches: Vec<(Act<'c>, &'c str)>,
}

impl<'c> Tools<'c> {
    pub(super) fn take(&mut self, context: &Context<'c>, act: &Act<'c>) {
        match act.kind() {
            Some(Kind::WashOpened(_)) if !act.revived => {
                self.count(context, act);
            }
            Some(Kind::ToolsOut(b)) => self.count(context, act).take_out(act, b),
            Some(Kind::ToolsIn(b)) => self.count(context, act).take_in(act, b),
            Some(Kind::ToolSearched(b)) if act.counts() => self.searches.push((*act, &b.tool)),
            Some(Kind::ToolSearchAccepted(b)) if act.counts() => self.accept(context, act, b),
            _ => {}
        }
    }

    fn count(&mut self, context: &Context<'c>, act: &Act<'c>) -> &mut Count<'c> {
        self.counts.entry(act.wash()).or_insert_with(|| Count {
            since: *act,
            belongs: context.with_aircraft(act),
            out: BTreeMap::new(),
            ever_out: BTreeSet::new(),
            came_in: BTreeSet::new(),
            none_used: false,
            missing: BTreeMap::new(),
            were_missing: Vec::new(),
        })
    }

    fn accept(&mut self, context: &Context<'c>, act: &Act<'c>, body: &ToolSearchAccepted) {
        let accepted =
            |(search, tool): &&(Act<'c>, &str)| *tool == body.tool && act.names(search) && act.by_another_than(search);
        let Some((search, _)) = self.searches.iter().find(accepted).copied() else { return };
        self.count(context, act).found(&body.tool, &search, act.happened_s());
    }

    /// Tools that are missing on an aircraft at this place, or were at that instant.
    pub(super) fn missing_then(&self, aircraft: Option<Id>, at_s: u64) -> BTreeSet<&str> {
        let here = |count: &&Count<'_>| aircraft.is_some_and(|a| count.belongs.aircraft.contains(&a));
        self.counts.values().filter(here).flat_map(|count| count.missing_names(at_s)).collect()
    }

    /// Whether a tool was missing on the aircraft at that instant, by what stands before this place.
    pub(super) fn missing_at(&self, aircraft: Option<Id>, at_s: u64) -> bool {
        let here = |count: &&Count<'_>| aircraft.is_some_and(|a| count.belongs.aircraft.contains(&a));
        self.counts.values().filter(here).any(|count| {
            let still = count.missing.values().any(|by| by.happened_s() <= at_s);
            still || count.were_missing.iter().any(|(_, from_s, to_s)| (*from_s..*to_s).contains(&at_s))
        })
    }

    /// Whether tools of the wash are out.
    pub(super) fn out_in(&self, wash: Id) -> bool {
        self.counts.get(&Some(wash)).is_some_and(|count| !count.out.is_empty())
    }

    pub(super) fn open_items(&self) -> Vec<Open<'c>> {
        self.counts.values().flat_map(Count::open_items).collect()
    }
}

impl<'c> Count<'c> {
    fn agrees(&self) -> bool {
        (self.none_used || !self.ever_out.is_empty()) && self.out.is_empty() && self.came_in.is_subset(&self.ever_out)
    }

    fn missing_names(&self, at_s: u64) -> impl Iterator<Item = &str> {
        let then = move |(_, from_s, to_s): &&(String, u64, u64)| (*from_s..*to_s).contains(&at_s);
        let were = self.were_missing.iter().filter(then).map(|(tool, ..)| tool.as_str());
        self.missing.keys().map(String::as_str).chain(were)
    }

    fn take_out(&mut self, act: &Act<'c>, body: &ToolsOut) {
        if body.tools.is_empty() {
            self.none_used |= body.none_used && act.counts();
        } else if !act.revived {
            if self.agrees() {
                self.since = *act;
            }
            self.ever_out.extend(body.tools.iter().cloned());
            self.out.extend(body.tools.iter().map(|tool| (tool.clone(), *act)));
        }
    }

    fn take_in(&mut self, act: &Act<'c>, body: &ToolsIn) {
        if act.counts() {
            self.came_in.extend(body.tools.iter().cloned());
            for tool in &body.tools {
                self.found(tool, act, act.happened_s());
            }
        }
        if body.complete && !act.revived {
            let not_in = self.out.keys().filter(|tool| !body.tools.contains(tool)).cloned();
            for tool in not_in.collect::<Vec<String>>() {
                self.missing.entry(tool).or_insert(*act);
            }
        }
    }

    /// In again, or searched for and that accepted: an act behind the one that took it out. Until that instant it was
    /// missing.
    fn found(&mut self, tool: &str, by: &Act<'_>, until_s: u64) {
        if self.out.get(tool).is_some_and(|out| by.is_after(out)) {
            self.out.remove(tool);
            let missed = self.missing.remove(tool);
            self.were_missing.extend(missed.map(|missed| (tool.to_owned(), missed.happened_s(), until_s)));
        }
    }

    fn open_items(&self) -> Vec<Open<'c>> {
        let mut opens = Vec::new();
        if !self.agrees() {
            let mut open = Open::new(ItemKind::ToolCheckDue, self.since, self.belongs.clone());
            open.detail = self.detail();
            opens.push(open);
        }
        opens.extend(self.missing.iter().map(|(tool, by)| {
            let mut open = Open::new(ItemKind::ToolMissing, *by, self.belongs.clone()).about(tool);
            open.wash = self.since.wash();
            open
        }));
        opens
    }

    fn detail(&self) -> String {
        let list = |tools: Vec<&str>| tools.join(", ");
        let out: Vec<&str> = self.out.keys().map(String::as_str).collect();
        let strange: Vec<&str> = self.came_in.difference(&self.ever_out).map(String::as_str).collect();
        match (out.is_empty(), strange.is_empty()) {
            (false, _) => format!("out: {}", list(out)),
            (true, false) => format!("in, and never out: {}", list(strange)),
            (true, true) => "no tools were counted, nor was it said that none are used".to_owned(),
        }
    }
}
