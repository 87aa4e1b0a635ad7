//! What of a line is open, and what closing it would open.

use super::Line;
use crate::rules::act::{Act, Context};
use crate::rules::item::{ItemKind, Open};

impl<'c> Line<'c> {
    pub(super) fn open_items(&self, context: &Context<'c>, name: &str) -> Vec<Open<'c>> {
        let mut opens = self.work_open(context, name);
        if let (None, Some(by)) = (self.disconnected, self.joint.as_ref().and_then(|joint| joint.leak_due)) {
            opens.push(self.open(context, ItemKind::LeakCheckDue, by, name));
        }
        if let Some(damage) = self.damages.first() {
            let mut open = self.open(context, ItemKind::LineDamaged, damage.raised, name);
            open.detail = damage.detail();
            opens.push(open);
        }
        opens
    }

    /// Opening hides all else; rework and securing stand in place of the inspection.
    fn work_open(&self, context: &Context<'c>, name: &str) -> Vec<Open<'c>> {
        let open = |kind, by, detail| self.work_item(context, name, kind, by, detail);
        if let Some(by) = self.disconnected {
            return vec![open(ItemKind::LineDisconnected, by, String::new())];
        }
        let mut opens: Vec<Open<'c>> =
            self.rework.map(|by| open(ItemKind::ReworkDue, by, String::new())).into_iter().collect();
        let Some(joint) = &self.joint else { return opens };
        opens.extend(joint.unsecured.as_ref().map(|(by, why)| open(ItemKind::LineUnsecured, *by, why.clone())));
        if opens.is_empty() {
            opens.extend(joint.unseen.first().map(|by| open(ItemKind::InspectionDue, *by, String::new())));
        }
        opens
    }

    fn work_item(&self, context: &Context<'c>, name: &str, kind: ItemKind, by: Act<'c>, detail: String) -> Open<'c> {
        let mut open = self.open(context, kind, by, name);
        open.detail = detail;
        let asked = context.procedure(&by).and_then(|p| p.line(name));
        if kind == ItemKind::ReworkDue || asked.is_none_or(|l| l.inspection) && kind != ItemKind::InspectionDue {
            open.next.push(ItemKind::InspectionDue);
        }
        let checked = self.joint.as_ref().is_none_or(|joint| joint.leak_due.is_none());
        if kind != ItemKind::InspectionDue && checked && asked.is_some_and(|l| l.leak_check) {
            open.next.push(ItemKind::LeakCheckDue);
        }
        open
    }

    fn open(&self, context: &Context<'c>, kind: ItemKind, by: Act<'c>, name: &str) -> Open<'c> {
        Open::new(kind, by, context.with_engine(&by, &self.engine)).of_engine(&self.engine).about(name)
    }
}
