//! Recorded values against the procedure's limits. For reading beside the findings, which decide: a value outside here has
//! a finding there, or was put right by later work.

use std::collections::BTreeMap;

use rinsebook_proto::fact::Kind;
use rinsebook_proto::rules::Deed;
use rinsebook_proto::rules::procedure::Procedure;
use rinsebook_proto::v1::{self, EngineAt};

use super::super::words;

/// One value; `fits` is none where there is nothing to compare.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) struct Compared {
    pub(super) at_ms: u64,
    pub(super) what: String,
    pub(super) recorded: String,
    pub(super) limit: String,
    pub(super) fits: Option<bool>,
}

impl Compared {
    /// As a row of a table.
    pub(super) fn row(&self) -> Vec<String> {
        let said = match self.fits {
            Some(true) => "within",
            Some(false) => "OUTSIDE",
            None => "no limit, or not recorded",
        };
        let at = words::second(self.at_ms);
        vec![at, self.what.clone(), self.recorded.clone(), self.limit.clone(), said.to_owned()]
    }
}

struct Table {
    rows: Vec<Compared>,
    at_ms: u64,
}

impl Table {
    fn put(&mut self, what: String, recorded: Option<String>, limit: String, fits: Option<bool>) {
        // What a limit asks for and nobody recorded is not within it.
        let fits = if recorded.is_none() && !limit.is_empty() { Some(false) } else { fits };
        let recorded = recorded.unwrap_or_else(|| "not recorded".to_owned());
        self.rows.push(Compared { at_ms: self.at_ms, what, recorded, limit, fits });
    }

    fn at_least(&mut self, what: String, value: Option<i64>, least: i64, unit: Unit) {
        let limit = format!("{} or more", unit.of(least));
        self.put(what, value.map(|v| unit.of(v)), limit, value.map(|v| v >= least));
    }

    fn between(&mut self, what: String, value: Option<i64>, (least, most): (i64, i64), unit: Unit) {
        let limit = format!("{} to {}", unit.of(least), unit.of(most));
        self.put(what, value.map(|v| unit.of(v)), limit, value.map(|v| (least..=most).contains(&v)));
    }
}

#[derive(Clone, Copy)]
enum Unit {
    Seconds,
    TenthsCelsius,
    TenthsPercent,
    Millilitres,
    MillinewtonMetres,
    PerMille,
}

impl Unit {
    fn of(self, value: i64) -> String {
        let tenths =
            |v: i64| format!("{}{}.{}", if v < 0 { "−" } else { "" }, v.unsigned_abs() / 10, v.unsigned_abs() % 10);
        match self {
            Unit::Seconds => format!("{value} s"),
            Unit::TenthsCelsius => format!("{} °C", tenths(value)),
            Unit::TenthsPercent => format!("{} %", tenths(value)),
            Unit::Millilitres => format!("{} L", tenths(value / 100)),
            Unit::MillinewtonMetres => format!("{} N·m", tenths(value / 100)),
            Unit::PerMille => format!("{value} ‰"),
        }
    }
}

/// Seconds between two instants; none where one is missing.
fn between_s(from: Option<u64>, to: Option<u64>) -> Option<i64> {
    Some((i64::try_from(to?).ok()? - i64::try_from(from?).ok()?) / 1000)
}

/// The values of a wash's facts in force, in their order.
pub(super) fn compared<'d>(deeds: impl Iterator<Item = &'d Deed>, procedure: &Procedure) -> Vec<Compared> {
    let mut table = Table { rows: Vec::new(), at_ms: 0 };
    let mut last_injection: BTreeMap<u32, u64> = BTreeMap::new();
    for deed in deeds.filter(|deed| !deed.struck_out) {
        table.at_ms = deed.reference.happened_ms;
        match &deed.kind {
            Some(Kind::LineReconnected(b)) => joint(&mut table, b, procedure),
            Some(Kind::CycleRun(b)) => {
                soak(&mut table, b.engine.as_ref(), b.motoring_started_ms, &last_injection, procedure);
                cycle(&mut table, b, procedure);
                remember(&mut last_injection, b.engine.as_ref(), b.injection_ended_ms);
            }
            Some(Kind::MotoringAborted(b)) => {
                remember(&mut last_injection, b.engine.as_ref(), b.injection_ended_ms);
            }
            Some(Kind::DryCrankRun(b)) => {
                soak(&mut table, b.engine.as_ref(), b.motoring_started_ms, &last_injection, procedure);
                let on = words::engine(b.engine.as_ref());
                let length = between_s(b.motoring_started_ms, b.motoring_ended_ms);
                table.at_least(
                    format!("dry crank, {on}"),
                    length,
                    procedure.dry_crank.length_min_s.into(),
                    Unit::Seconds,
                );
                speed(&mut table, format!("dry crank speed, {on}"), b.speed_tenths_percent, procedure);
            }
            Some(Kind::RunUpDone(b)) => {
                let on = words::engine(b.engine.as_ref());
                let asked = procedure.run_up.idle_or_above_min_s.into();
                let ran = b.idle_or_above_seconds.map(Into::into);
                table.at_least(format!("run at idle or above, {on}"), ran, asked, Unit::Seconds);
            }
            Some(kind) => readings(&mut table, kind, procedure),
            None => {}
        }
    }
    table.rows
}

fn remember(last: &mut BTreeMap<u32, u64>, engine: Option<&EngineAt>, ended_ms: Option<u64>) {
    if let (Some(engine), Some(ended_ms)) = (engine, ended_ms) {
        last.insert(engine.position, ended_ms);
    }
}

fn soak(
    table: &mut Table,
    engine: Option<&EngineAt>,
    started_ms: Option<u64>,
    last: &BTreeMap<u32, u64>,
    procedure: &Procedure,
) {
    if let Some(ended_ms) = engine.and_then(|e| last.get(&e.position)) {
        let soaked = between_s(Some(*ended_ms), started_ms);
        table.at_least(
            format!("soak, {}", words::engine(engine)),
            soaked,
            procedure.cycle.soak_s.into(),
            Unit::Seconds,
        );
    }
}

fn speed(table: &mut Table, what: String, speed: Option<u32>, procedure: &Procedure) {
    table.at_least(
        what,
        speed.map(Into::into),
        procedure.motoring.speed_min_tenths_percent.into(),
        Unit::TenthsPercent,
    );
}

fn joint(table: &mut Table, b: &v1::LineReconnected, procedure: &Procedure) {
    let of = format!("line {}, {}", words::line(&b.line), words::engine(b.engine.as_ref()));
    let Some(line) = procedure.line(&b.line) else {
        return table.put(format!("{of}: torque"), Some("made".to_owned()), String::new(), None);
    };
    if let (Some(least), Some(most)) = (line.torque_min_millinewton_metres, line.torque_max_millinewton_metres) {
        let torque = b.torque_millinewton_metres.map(Into::into);
        table.between(format!("{of}: torque"), torque, (least.into(), most.into()), Unit::MillinewtonMetres);
        let day = i32::try_from(table.at_ms / 86_400_000).unwrap_or(i32::MAX);
        let due = b.tool.as_ref().and_then(|tool| tool.calibration_due_unix_day);
        let tool = b.tool.as_ref().map(|tool| words::line(&tool.tool)).unwrap_or_default();
        let recorded = due.map(|due| format!("{tool}, calibrated until {}", words::day(due)));
        table.put(format!("{of}: tool"), recorded, "in calibration on the day".to_owned(), due.map(|due| due >= day));
    }
    if let Some(asked) = line.locking {
        let recorded = b.locking.and_then(|locking| v1::Locking::try_from(locking).ok());
        let said = |name: &str| words::spaced(&name.trim_start_matches("LOCKING_").to_lowercase());
        let asked_word = format!("{asked:?}").chars().fold(String::new(), |mut out, c| {
            if c.is_uppercase() && !out.is_empty() {
                out.push(' ');
            }
            out.extend(c.to_lowercase());
            out
        });
        table.put(
            format!("{of}: locking"),
            recorded.map(|l| said(l.as_str_name())),
            asked_word,
            Some(asked.is(b.locking)),
        );
    }
}

fn cycle(table: &mut Table, b: &v1::CycleRun, procedure: &Procedure) {
    let on = words::engine(b.engine.as_ref());
    if let Some(begun_ms) = b.injection_started_ms {
        let waited = between_s(b.motoring_started_ms, Some(begun_ms));
        table.at_least(
            format!("wait before injection, {on}"),
            waited,
            procedure.motoring.injection_wait_s.into(),
            Unit::Seconds,
        );
        let seen = b.rotation_confirmed_ms;
        let recorded = seen.map(|ms| format!("seen {}", words::second(ms)));
        let limit = "before injection".to_owned();
        table.put(format!("rotation, {on}"), recorded, limit, seen.map(|ms| ms <= begun_ms));
        let water = &procedure.water;
        let window = (water.window_min_tenths_celsius.into(), water.window_max_tenths_celsius.into());
        if b.water_tenths_celsius.is_some() {
            table.between(format!("water, {on}"), b.water_tenths_celsius.map(Into::into), window, Unit::TenthsCelsius);
        }
        let length = between_s(Some(begun_ms), b.injection_ended_ms);
        table.at_least(format!("injection, {on}"), length, procedure.cycle.injection_min_s.into(), Unit::Seconds);
    }
    speed(table, format!("motoring speed, {on}"), b.speed_tenths_percent, procedure);
    let motored = between_s(b.motoring_started_ms, b.motoring_ended_ms);
    let longest = procedure.motoring.starter_duty.iter().map(|duty| duty.on_s).max().unwrap_or(0);
    let limit = format!("{longest} s at most");
    let fits = motored.map(|s| s <= i64::from(longest) + i64::from(procedure.motoring.duty_tolerance_s));
    table.put(format!("starter on, {on}"), motored.map(|s| Unit::Seconds.of(s)), limit, fits);
}

fn readings(table: &mut Table, kind: &Kind, procedure: &Procedure) {
    let (water, limits) = (&procedure.water, &procedure.limits);
    match kind {
        Kind::WaterReady(b) => {
            let window = (water.window_min_tenths_celsius.into(), water.window_max_tenths_celsius.into());
            let rig = words::line(&b.rig);
            table.between(
                format!("water in {rig}"),
                b.water_tenths_celsius.map(Into::into),
                window,
                Unit::TenthsCelsius,
            );
            let volume = b.volume_millilitres.map(Into::into);
            table.at_least(format!("volume in {rig}"), volume, water.volume_min_millilitres.into(), Unit::Millilitres);
            let most = i64::from(water.additive_max_per_mille);
            let added = b.additive_per_mille.map(Into::into);
            table.between(format!("additive in {rig}"), added, (0, most), Unit::PerMille);
        }
        Kind::OutsideConditions(b) => {
            let air = b.air_tenths_celsius.map(Into::into);
            table.at_least(
                "outside air".to_owned(),
                air,
                limits.outside_air_min_tenths_celsius.into(),
                Unit::TenthsCelsius,
            );
        }
        Kind::MetalTemperature(b) => {
            let window = (limits.metal_min_tenths_celsius.into(), limits.metal_max_tenths_celsius.into());
            let what = format!("metal, {}", words::engine(b.engine.as_ref()));
            table.between(what, b.metal_tenths_celsius.map(Into::into), window, Unit::TenthsCelsius);
        }
        _ => {}
    }
}

#[cfg(test)]
mod tests {
    use rinsebook_proto::bytes::{Hash, Id};
    use rinsebook_proto::rules::FactRef;

    use super::*;

    const START_MS: u64 = 1_930_377_600_000;

    fn deed(at_s: u64, kind: Kind) -> Deed {
        let happened_ms = START_MS + at_s * 1000;
        Deed {
            reference: FactRef { index: at_s, hash: Hash::ZERO, happened_ms, kind: "any" },
            original_index: at_s,
            kind: Some(kind),
            text: String::new(),
            washes: vec![],
            person: None,
            device: Id([0; 16]),
            counts: true,
            struck_out: false,
        }
    }

    fn engine() -> Option<EngineAt> {
        Some(EngineAt { position: 2, serial: "OT-0002".to_owned() })
    }

    fn cycle(at_s: u64, injected_s: u64) -> Deed {
        let ms = |s: u64| Some(START_MS + (at_s + s) * 1000);
        let body = v1::CycleRun {
            engine: engine(),
            motoring_started_ms: ms(0),
            rotation_confirmed_ms: ms(5),
            injection_started_ms: ms(12),
            injection_ended_ms: ms(12 + injected_s),
            motoring_ended_ms: ms(14 + injected_s),
            speed_tenths_percent: Some(300),
            water_tenths_celsius: Some(698),
            volume_millilitres: None,
        };
        deed(at_s, Kind::CycleRun(body))
    }

    fn of(deeds: &[Deed]) -> Vec<Compared> {
        let text = include_str!("../../../../deploy/procedures/ossavar-t2.toml");
        compared(deeds.iter(), &Procedure::parse(text).unwrap())
    }

    fn fits(rows: &[Compared], what: &str) -> Option<bool> {
        rows.iter().find(|row| row.what.starts_with(what)).unwrap_or_else(|| panic!("{what}: {rows:?}")).fits
    }

    #[test]
    fn a_cycle_s_values_are_held_against_the_procedure() {
        let rows = of(&[cycle(0, 119), cycle(430, 120)]);
        assert_eq!(fits(&rows, "injection"), Some(false), "one second is missing");
        assert_eq!(fits(&rows, "water, engine 2"), Some(true));
        assert_eq!(fits(&rows, "soak, engine 2"), Some(false), "299 s of 300 s");
        assert!(rows.iter().any(|row| row.recorded == "69.8 °C" && row.limit == "60.0 °C to 75.0 °C"));
    }

    #[test]
    fn a_joint_s_torque_tool_and_locking_are_held_against_the_procedure() {
        let joint = |torque, locking| {
            let tool = v1::ToolUsed { tool: "TW-12".to_owned(), calibration_due_unix_day: Some(22_341) };
            let body = v1::LineReconnected {
                engine: engine(),
                line: "PS-1".to_owned(),
                torque_millinewton_metres: torque,
                tool: Some(tool),
                locking,
                helpers: vec![],
            };
            of(&[deed(0, Kind::LineReconnected(body))])
        };
        let good = joint(Some(20_000), Some(v1::Locking::Wire as i32));
        assert_eq!(fits(&good, "line PS-1, engine 2: torque"), Some(true), "the window's ends are within");
        assert_eq!(fits(&good, "line PS-1, engine 2: locking"), Some(true));
        // 2031-03-03 is the day before.
        assert_eq!(fits(&good, "line PS-1, engine 2: tool"), Some(false));
        let bad = joint(None, None);
        assert_eq!(fits(&bad, "line PS-1, engine 2: torque"), Some(false), "not recorded is not within");
        assert_eq!(fits(&bad, "line PS-1, engine 2: locking"), Some(false));
    }
}
