//! A tool found out of calibration afterwards: each joint that it made since is dispositioned, naming the recall and
//! the reconnection. A joint that was made anew since is gone.

use std::collections::BTreeMap;

use super::act::{Act, Context};
use super::fleet::Belongs;
use super::item::{ItemKind, Open};
use super::lines::Lines;
use crate::bytes::Id;
use crate::fact::Kind;
use crate::v1::{EngineAt, LineReconnected, ToolRecalled};

/// Recalls and dispositions.
#[derive(Debug, Default)]
pub(super) struct Recalls<'c> {
    recalls: Vec<(Act<'c>, &'c ToolRecalled)>,
    dispositions: Vec<Act<'c>>,
}

impl<'c> Recalls<'c> {
    pub(super) fn take(&mut self, act: &Act<'c>) {
        match act.kind() {
            Some(Kind::ToolRecalled(b)) if !act.revived => self.recalls.push((*act, b)),
            Some(Kind::JointDispositioned(_)) if act.counts() => self.dispositions.push(*act),
            _ => {}
        }
    }

    /// An item for each tool and wash with a joint that nobody dispositioned. A joint stays with its engine.
    pub(super) fn open_items(&self, context: &Context<'c>, lines: &Lines<'c>) -> Vec<Open<'c>> {
        let mut opens: BTreeMap<(String, Option<Id>), Open<'c>> = BTreeMap::new();
        for (recall, body) in &self.recalls {
            let in_doubt = |made: &Act<'_>, by: &LineReconnected| doubtful(recall, body, made, by);
            for (engine, made, by) in lines.joints().filter(|(_, made, by)| in_doubt(made, by)) {
                if self.dispositions.iter().any(|d| d.names(recall) && d.names(&made)) {
                    continue;
                }
                let open = opens.entry((body.tool.clone(), made.wash())).or_insert_with(|| {
                    let mut open = Open::new(ItemKind::ToolRecalled, *recall, Belongs::default()).about(&body.tool);
                    open.wash = made.wash();
                    open
                });
                add(open, context.with_engine(&made, engine), engine, &by.line);
            }
        }
        opens.into_values().collect()
    }
}

/// Made with the tool at the instant or after it, and before the recall.
fn doubtful(recall: &Act<'_>, body: &ToolRecalled, made: &Act<'_>, by: &LineReconnected) -> bool {
    let since_s = body.since_ms.map_or(0, |ms| ms / 1000);
    let with_it = by.tool.as_ref().is_some_and(|used| used.tool == body.tool);
    with_it && made.happened_s() >= since_s && recall.is_after(made)
}

fn add(open: &mut Open<'_>, belongs: Belongs, engine: &EngineAt, line: &str) {
    open.belongs.aircraft.extend(belongs.aircraft);
    open.belongs.engines.extend(belongs.engines);
    let joint = format!("engine {} line {line}", engine.position);
    if open.detail.is_empty() {
        open.detail = joint;
    } else if !open.detail.split(", ").any(|told| told == joint) {
        open.detail.push_str(&format!(", {joint}"));
    }
}
