//! Defects: raised by anybody, settled by certifying staff. One that is deferred stays open, and blocks again from the
//! deferral's limit. Settling one closes no physical item; damage to a line is mended by work on it.

use super::act::{Act, Context};
use super::item::{Blocks, ItemKind, Open};
use crate::fact::Kind;
use crate::v1::{DefectOutcome, DefectRaised, DefectSettled};

#[derive(Debug)]
struct Defect<'c> {
    raised: Act<'c>,
    body: &'c DefectRaised,
    rectified: bool,
    /// Reference and limit of its deferral; whole seconds.
    deferred: Option<(&'c str, u64)>,
}

/// All defects.
#[derive(Debug, Default)]
pub(super) struct Defects<'c> {
    defects: Vec<Defect<'c>>,
}

impl<'c> Defects<'c> {
    pub(super) fn take(&mut self, act: &Act<'c>) {
        match act.kind() {
            Some(Kind::DefectRaised(body)) if !act.revived => {
                self.defects.push(Defect { raised: *act, body, rectified: false, deferred: None });
            }
            Some(Kind::DefectSettled(b)) if act.counts() => {
                for defect in self.defects.iter_mut().filter(|defect| act.names(&defect.raised)) {
                    defect.settle(b);
                }
            }
            _ => {}
        }
    }

    /// `planned_s` gives the start planned for an engine.
    pub(super) fn open_items(&self, context: &Context<'c>, planned_s: &dyn Fn(&str) -> Option<u64>) -> Vec<Open<'c>> {
        let open = self.defects.iter().filter(|defect| !defect.rectified);
        open.map(|defect| defect.open_item(context, planned_s)).collect()
    }
}

impl<'c> Defect<'c> {
    fn settle(&mut self, body: &'c DefectSettled) {
        if body.outcome == DefectOutcome::Rectified as i32 {
            self.rectified = true;
        } else if !body.reference.trim().is_empty() && !body.agreed_by.trim().is_empty() {
            // A deferral without its limit, its reference or who agreed is none.
            self.deferred = body.limit_ms.map(|ms| (body.reference.as_str(), ms / 1000)).or(self.deferred);
        }
    }

    fn open_item(&self, context: &Context<'c>, planned_s: &dyn Fn(&str) -> Option<u64>) -> Open<'c> {
        let engine = self.body.engine.as_ref();
        let belongs = match engine {
            Some(engine) => context.with_engine(&self.raised, engine),
            None => context.with_aircraft(&self.raised),
        };
        let number = self.raised.hash().short();
        let subject = [self.body.line.as_str(), &number].into_iter().filter(|part| !part.is_empty());
        let mut open = Open::new(ItemKind::DefectOpen, self.raised, belongs);
        open.subject = subject.collect::<Vec<&str>>().join(" ");
        open.engine = engine.cloned();
        if let Some((reference, limit_s)) = self.deferred {
            let of_aircraft = || {
                let engines = context.fleet.engines_on(&context.aircraft(&self.raised)?, context.time_s);
                engines.into_values().filter_map(planned_s).max()
            };
            let planned = context.planned_s.or_else(|| engine.map_or_else(of_aircraft, |e| planned_s(&e.serial)));
            let start_s = planned.unwrap_or(0).max(context.time_s);
            open.due_s = Some(limit_s);
            open.blocks = if start_s >= limit_s { Blocks::Yes } else { Blocks::No };
            open.detail = format!("deferred as {reference}");
        }
        open
    }
}
