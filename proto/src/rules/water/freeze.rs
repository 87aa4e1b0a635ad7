//! Water left in an engine may freeze: the air or the metal was under the limit at an injection, or since.

use super::{Engine, Injection};
use crate::fact::Kind;
use crate::rules::act::{Act, Context};
use crate::rules::item::{Blocks, ItemKind, Open};
use crate::rules::readings::{AIR, METAL, Readings, freezing_in_words};

impl<'c> Engine<'c> {
    /// What the newest readings at an injection say.
    pub(super) fn chill(&mut self, act: &Act<'c>, injection: &Injection, readings: &Readings<'c>) {
        let Some(wait) = &mut self.wait else { return };
        let Some(procedure) = &wait.procedure else { return };
        if let Some(why) = readings.freezing(act, &self.at, injection.started_s, procedure) {
            wait.freeze.get_or_insert((*act, why));
        }
    }

    /// A reading while the engine waits for its run; a warmer one ends nothing.
    pub(super) fn feel(&mut self, context: &Context<'c>, act: &Act<'c>) {
        let (what, tenths) = match act.kind() {
            Some(Kind::OutsideConditions(b)) if self.is_out_there(context, act) => (AIR, b.air_tenths_celsius),
            Some(Kind::MetalTemperature(b)) => (METAL, b.metal_tenths_celsius),
            _ => return,
        };
        if act.revived {
            return;
        }
        let Some(wait) = &mut self.wait else { return };
        let limit = wait.procedure.as_ref().map(|p| p.limits.freeze_below_tenths_celsius);
        let (Some(tenths), Some(limit)) = (tenths, limit) else { return };
        if tenths < limit {
            wait.freeze.get_or_insert((*act, freezing_in_words(what, tenths, limit)));
            self.void_waiver(act);
        }
    }

    /// Whether the air was measured around this engine: in a wash that put water into it, or at the aircraft that it hangs on.
    fn is_out_there(&self, context: &Context<'c>, act: &Act<'c>) -> bool {
        let hangs = |aircraft| context.fleet.position(&self.at.serial, &aircraft, act.happened_s()).is_some();
        let wetted = |wash| self.wait.as_ref().is_some_and(|wait| wait.washes.contains(&wash));
        act.wash().is_some_and(wetted) || context.aircraft(act).is_some_and(hangs)
    }

    pub(super) fn freeze_watch(&self, context: &Context<'c>) -> Option<Open<'c>> {
        let wait = self.wait.as_ref()?;
        let (by, why) = wait.freeze.as_ref()?;
        let mut open = Open::new(ItemKind::FreezeWatch, *by, context.with_engine(by, &self.at)).of_engine(&self.at);
        (open.wash, open.blocks) = (wait.first.wash(), Blocks::No);
        open.detail.clone_from(why);
        Some(open)
    }
}
