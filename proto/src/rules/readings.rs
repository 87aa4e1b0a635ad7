//! Readings that stand before an injection: the water, the air, the metal, and when the engine was shut down.
//!
//! What is looked at is the newest reading by somebody who may take it, and whatever others said since: a reading
//! without authority may show a breach, never hide one.

use std::collections::BTreeMap;

use super::act::{Act, Context};
use super::finding::{Raised, Rule, Severity};
use super::motoring::{Motoring, Turn};
use super::procedure::Procedure;
use crate::bytes::Id;
use crate::fact::Kind;
use crate::v1::{self, EngineAt, RunUpDone, WashOpened, WaterReady};

/// One value, and the fact that holds it.
#[derive(Debug)]
struct Reading<'c, T> {
    act: Act<'c>,
    value: T,
    counts: bool,
}

/// Readings of one thing, in order.
#[derive(Debug)]
struct Series<'c, T>(Vec<Reading<'c, T>>);

impl<T> Default for Series<'_, T> {
    fn default() -> Self {
        Series(Vec::new())
    }
}

impl<'c, T> Series<'c, T> {
    fn add(&mut self, act: &Act<'c>, value: T) {
        if act.revived {
            let known = self.0.iter_mut().filter(|known| known.act.hash() == act.hash());
            known.for_each(|known| known.counts = act.counts());
        } else {
            self.0.push(Reading { act: *act, value, counts: act.counts() });
        }
    }

    /// The newest until that instant that counts, and those since that do not.
    fn until(&self, at_s: u64) -> impl Iterator<Item = &Reading<'c, T>> {
        let known = move |r: &&Reading<'c, T>| r.act.happened_s() <= at_s;
        let newest = self.0.iter().filter(known).rfind(|r| r.counts);
        self.0.iter().filter(known).filter(move |r| newest.is_none_or(|newest| !newest.act.is_after(&r.act)))
    }
}

/// All readings.
#[derive(Debug, Default)]
pub(super) struct Readings<'c> {
    water: BTreeMap<Id, Series<'c, &'c WaterReady>>,
    /// Tenths of a degree Celsius, by wash.
    air: BTreeMap<Id, Series<'c, i32>>,
    /// Tenths of a degree Celsius, by the engine's serial number.
    metal: BTreeMap<String, Series<'c, i32>>,
    /// Instants in whole seconds, by the engine's serial number: as the wash was opened, and after each run-up.
    shutdowns: BTreeMap<String, Series<'c, u64>>,
}

impl<'c> Readings<'c> {
    pub(super) fn take(&mut self, act: &Act<'c>) {
        match act.kind() {
            Some(Kind::WaterReady(b)) => {
                act.washes().for_each(|wash| self.water.entry(wash).or_default().add(act, b));
            }
            Some(Kind::OutsideConditions(v1::OutsideConditions { air_tenths_celsius: Some(tenths) })) => {
                act.washes().for_each(|wash| self.air.entry(wash).or_default().add(act, *tenths));
            }
            Some(Kind::MetalTemperature(b)) => {
                if let (Some(engine), Some(tenths)) = (&b.engine, b.metal_tenths_celsius) {
                    self.metal.entry(engine.serial.clone()).or_default().add(act, tenths);
                }
            }
            Some(Kind::WashOpened(b)) => self.opened(act, b),
            Some(Kind::RunUpDone(b)) => self.ran(act, b),
            _ => {}
        }
    }

    fn opened(&mut self, act: &Act<'c>, b: &WashOpened) {
        for engine in &b.engines {
            if let (Some(at), Some(ms)) = (&engine.engine, engine.last_shutdown_ms) {
                self.shutdowns.entry(at.serial.clone()).or_default().add(act, ms / 1000);
            }
        }
    }

    /// After a ground run the engine is as hot as after a flight.
    fn ran(&mut self, act: &Act<'c>, b: &RunUpDone) {
        if let Some(engine) = &b.engine {
            let ended_s = b.ended_ms.map_or(act.happened_s(), |ms| ms / 1000);
            self.shutdowns.entry(engine.serial.clone()).or_default().add(act, ended_s);
        }
    }

    pub(super) fn findings(&self, context: &Context<'c>, motoring: &Motoring<'c>) -> Vec<Raised<'c>> {
        let mut raised = self.volumes(context);
        for turn in motoring.turns() {
            if let (Some(injection), Some(procedure)) = (&turn.injection, &turn.procedure) {
                let before = Before { readings: self, context, turn, procedure, at_s: injection.started_s };
                before.temperatures(&mut raised);
                raised.extend(before.too_hot());
                raised.extend(before.missing());
            }
        }
        raised
    }

    fn volumes(&self, context: &Context<'c>) -> Vec<Raised<'c>> {
        let short = |reading: &Reading<'c, &'c WaterReady>| {
            let least = context.procedure(&reading.act)?.water.volume_min_millilitres;
            let volume = reading.value.volume_millilitres.filter(|volume| *volume < least)?;
            let mut raised = Raised::new(Rule::VolumeShort, Severity::Minor, context, vec![reading.act]);
            let [volume, least] = [volume, least].map(|ml| format!("{}.{} L", ml / 1000, ml % 1000 / 100));
            raised.detail = format!("{volume} in the rig, {least} asked");
            Some(raised)
        };
        self.water.values().flat_map(|series| &series.0).filter_map(short).collect()
    }

    /// What says that water in this engine may freeze: the newest air or metal reading at an injection that began
    /// then, or one while it lasted. In words.
    pub(super) fn freezing(
        &self,
        act: &Act<'c>,
        engine: &EngineAt,
        at_s: u64,
        procedure: &Procedure,
    ) -> Option<String> {
        let limit = procedure.limits.freeze_below_tenths_celsius;
        let cold = |series: &Series<'c, i32>, what: &str| {
            let later = series.0.iter().filter(|r| r.act.happened_s() > at_s);
            let under = series.until(at_s).chain(later).map(|r| r.value).find(|tenths| *tenths < limit);
            under.map(|tenths| freezing_in_words(what, tenths, limit))
        };
        let air = act.wash().and_then(|wash| self.air.get(&wash)).and_then(|series| cold(series, AIR));
        air.or_else(|| self.metal.get(&engine.serial).and_then(|series| cold(series, METAL)))
    }
}

pub(super) const AIR: &str = "outside air";
pub(super) const METAL: &str = "metal";

pub(super) fn freezing_in_words(what: &str, tenths: i32, limit: i32) -> String {
    format!("{what} {}, under {}", celsius(tenths), celsius(limit))
}

pub(super) fn celsius(tenths: i32) -> String {
    let (sign, size) = (if tenths < 0 { "−" } else { "" }, tenths.unsigned_abs());
    format!("{sign}{}.{} °C", size / 10, size % 10)
}

/// What stands before one injection.
struct Before<'r, 'c> {
    readings: &'r Readings<'c>,
    context: &'r Context<'c>,
    turn: &'r Turn<'c>,
    procedure: &'r Procedure,
    at_s: u64,
}

impl<'c> Before<'_, 'c> {
    fn raise(
        &self,
        rule: Rule,
        severity: Severity,
        on: impl IntoIterator<Item = Act<'c>>,
        detail: String,
    ) -> Raised<'c> {
        let rests_on = on.into_iter().chain([self.turn.act]).collect();
        let mut raised = Raised::new(rule, severity, self.context, rests_on);
        // The engine that the water went into, whatever the readings are about.
        raised.engine = Some(self.turn.engine.clone());
        raised.belongs = self.context.with_engine(&self.turn.act, self.turn.engine);
        raised.detail = detail;
        raised
    }

    fn of_wash<'s, T>(&self, series: &'s BTreeMap<Id, Series<'c, T>>) -> Option<&'s Series<'c, T>> {
        series.get(&self.turn.act.wash()?)
    }

    /// The cycle's own reading of the water, or those of the rig: with the fact of each.
    fn water(&self) -> Vec<(Option<Act<'c>>, i32)> {
        if let Some(Kind::CycleRun(cycle)) = self.turn.act.kind()
            && let Some(tenths) = cycle.water_tenths_celsius
        {
            return vec![(None, tenths)];
        }
        let series = self.of_wash(&self.readings.water);
        let ready = series.into_iter().flat_map(|series| series.until(self.at_s));
        ready.filter_map(|r| Some((Some(r.act), r.value.water_tenths_celsius?))).collect()
    }

    fn air(&self) -> Vec<(Option<Act<'c>>, i32)> {
        values(self.of_wash(&self.readings.air), self.at_s)
    }

    fn metal(&self) -> Vec<(Option<Act<'c>>, i32)> {
        values(self.readings.metal.get(&self.turn.engine.serial), self.at_s)
    }

    fn temperatures(&self, raised: &mut Vec<Raised<'c>>) {
        let (water, limits) = (&self.procedure.water, &self.procedure.limits);
        let (read, max) = (self.water(), water.window_max_tenths_celsius);
        if let Some((on, tenths)) = read.iter().filter(|(_, tenths)| *tenths > max).max_by_key(|(_, tenths)| *tenths) {
            let detail = format!("water at {}, at most {} asked", celsius(*tenths), celsius(max));
            raised.push(self.raise(Rule::WaterHot, Severity::Major, *on, detail));
        }
        let colds = [
            (Rule::WaterCold, Severity::Minor, read, water.window_min_tenths_celsius, "water at"),
            (Rule::TooColdOutside, Severity::Major, self.air(), limits.outside_air_min_tenths_celsius, "outside air"),
            (Rule::EngineTooCold, Severity::Major, self.metal(), limits.metal_min_tenths_celsius, "metal at"),
        ];
        for (rule, severity, read, least, what) in colds {
            let under = read.into_iter().filter(|(_, tenths)| *tenths < least);
            if let Some((on, tenths)) = under.min_by_key(|(_, tenths)| *tenths) {
                let detail = format!("{what} {}, at least {} asked", celsius(tenths), celsius(least));
                raised.push(self.raise(rule, severity, on, detail));
            }
        }
    }

    /// By its metal, by the time since it was shut down, or both.
    fn too_hot(&self) -> Option<Raised<'c>> {
        let limits = &self.procedure.limits;
        let (mut on, mut said) = (Vec::new(), Vec::new());
        let shut_down = self.readings.shutdowns.get(&self.turn.engine.serial);
        let before = |r: &&Reading<'c, u64>| r.value <= self.at_s;
        let newest = shut_down.into_iter().flat_map(|series| &series.0).filter(before).max_by_key(|r| r.value);
        if let Some(shut_down) = newest.filter(|r| self.at_s - r.value < limits.cooled_down_min_s.into()) {
            on.push(shut_down.act);
            let (after_s, asked_s) = (self.at_s - shut_down.value, limits.cooled_down_min_s);
            said.push(format!("shut down {} min before, {} min asked", after_s / 60, asked_s / 60));
        }
        let over = self.metal().into_iter().filter(|(_, tenths)| *tenths > limits.metal_max_tenths_celsius);
        if let Some((act, tenths)) = over.max_by_key(|(_, tenths)| *tenths) {
            on.extend(act);
            let max = celsius(limits.metal_max_tenths_celsius);
            said.push(format!("metal at {}, at most {max} asked", celsius(tenths)));
        }
        (!said.is_empty()).then(|| self.raise(Rule::EngineTooHot, Severity::Major, on, said.join("; ")))
    }

    /// A reading that nobody with the authority took before.
    fn missing(&self) -> Option<Raised<'c>> {
        let wash = self.turn.act.wash();
        let ready = self.of_wash(&self.readings.water);
        let read = |b: &WaterReady| b.water_tenths_celsius.is_some() || b.volume_millilitres.is_some();
        let ready = ready.is_some_and(|series| series.until(self.at_s).any(|r| r.counts && read(r.value)));
        let air = self.of_wash(&self.readings.air).is_some_and(|s| s.until(self.at_s).any(|r| r.counts));
        let shut_down = self.readings.shutdowns.get(&self.turn.engine.serial);
        let known = |r: &Reading<'c, u64>| r.counts && r.value <= self.at_s && r.act.wash() == wash;
        let shut_down = shut_down.is_some_and(|series| series.0.iter().any(known));
        let asked = [(ready && !self.water().is_empty(), "water"), (air, AIR), (shut_down, "last shutdown")];
        let missing: Vec<&str> = asked.into_iter().filter(|(there, _)| !there).map(|(_, what)| what).collect();
        (!missing.is_empty()).then(|| self.raise(Rule::ReadingMissing, Severity::Minor, [], missing.join(", ")))
    }
}

fn values<'c>(series: Option<&Series<'c, i32>>, at_s: u64) -> Vec<(Option<Act<'c>>, i32)> {
    series.into_iter().flat_map(|series| series.until(at_s)).map(|r| (Some(r.act), r.value)).collect()
}
