//! What of a line is open, and what closing it would open.

use super::Line;
use super::joint::Joint;
use crate::rules::case::{Act, Context};
use crate::rules::item::{ItemKind, Open};

impl<'c> Line<'c> {
    pub(super) fn open_items(&self, context: &Context<'c>, name: &str) -> Vec<Open<'c>> {
        let mut opens: Vec<Open<'c>> = self.work_open(context, name).into_iter().collect();
        if let (None, Some(by)) = (self.disconnected, self.joint.as_ref().and_then(|joint| joint.leak_due)) {
            opens.push(self.open(context, ItemKind::LeakCheckDue, by, name));
        }
        if let Some(damage) = &self.damage {
            let mut open = self.open(context, ItemKind::LineDamaged, damage.raised, name);
            open.detail = damage.detail();
            opens.push(open);
        }
        opens
    }

    /// Of opening, rework, securing and inspection the one that is next.
    fn work_open(&self, context: &Context<'c>, name: &str) -> Option<Open<'c>> {
        let (kind, by, detail) = match (&self.disconnected, &self.rework, &self.joint) {
            (Some(by), _, _) => (ItemKind::LineDisconnected, *by, String::new()),
            (None, Some(by), _) => (ItemKind::ReworkDue, *by, String::new()),
            (_, _, Some(Joint { unsecured: Some((by, why)), .. })) => (ItemKind::LineUnsecured, *by, why.clone()),
            (_, _, Some(joint)) => (ItemKind::InspectionDue, *joint.unseen.first()?, String::new()),
            _ => return None,
        };
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
        Some(open)
    }

    fn open(&self, context: &Context<'c>, kind: ItemKind, by: Act<'c>, name: &str) -> Open<'c> {
        Open::new(kind, by, context.with_engine(&by, &self.engine)).of_engine(&self.engine).about(name)
    }
}
