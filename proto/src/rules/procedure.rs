//! A procedure: what must be done on one engine type, with its limits. The approved maintenance data always wins, so
//! every value lives in such a file and none in code.
//!
//! The text is TOML, read strictly: a key that is not known, one that is missing, or a limit that nothing could meet is
//! refused with the line it stands on. Every quantity has its unit in its key.

use std::collections::BTreeSet;

use serde::{Deserialize, Deserializer};

use crate::bytes::Id;
use crate::v1;

/// Why a text is no procedure.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error("line {line}: {reason}")]
pub struct ProcedureError {
    /// Line in the text, from 1.
    pub line: usize,
    /// What is wrong there.
    pub reason: String,
}

/// One revision of a procedure, checked.
#[derive(Debug, Clone, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Procedure {
    /// What people call it.
    pub title: String,
    /// The same at every revision.
    #[serde(deserialize_with = "id")]
    pub procedure: Id,
    /// From 1.
    #[serde(deserialize_with = "within::<1, 100_000, _, _>")]
    pub revision: u32,
    /// The engine type it is for.
    pub engine_type: String,
    /// The water.
    pub water: Water,
    /// Turning the engine by its starter.
    pub motoring: Motoring,
    /// Injection and soak.
    pub cycle: Cycle,
    /// Drying by motoring without injection.
    pub dry_crank: DryCrank,
    /// The run after the wash.
    pub run_up: RunUp,
    /// Temperatures and cooling down.
    pub limits: Limits,
    /// What is asked of people.
    pub people: People,
    /// How the record itself is judged.
    pub record: RecordLimits,
    /// Lines that are opened.
    #[serde(default)]
    pub lines: Vec<Line>,
    /// Cowls and doors that are opened.
    #[serde(default)]
    pub access: Vec<Access>,
    /// What is fitted and removed after.
    #[serde(default)]
    pub fixtures: Vec<Fixture>,
    /// What is locked or disabled.
    #[serde(default)]
    pub isolations: Vec<Isolation>,
}

/// Water in the rig.
#[derive(Debug, Clone, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
#[allow(missing_docs)]
pub struct Water {
    #[serde(deserialize_with = "within::<0, 1_000, _, _>")]
    pub window_min_tenths_celsius: i32,
    #[serde(deserialize_with = "within::<0, 1_000, _, _>")]
    pub aim_tenths_celsius: i32,
    #[serde(deserialize_with = "within::<0, 1_000, _, _>")]
    pub window_max_tenths_celsius: i32,
    #[serde(deserialize_with = "within::<1, 10_000_000, _, _>")]
    pub volume_min_millilitres: u32,
    #[serde(deserialize_with = "within::<0, 1_000, _, _>")]
    pub additive_max_per_mille: u32,
}

/// Turning the engine by its starter.
#[derive(Debug, Clone, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Motoring {
    /// From the start of motoring to the start of injection.
    #[serde(deserialize_with = "within::<0, 600, _, _>")]
    pub injection_wait_s: u32,
    /// The least speed that counts, of N2.
    #[serde(deserialize_with = "within::<1, 1_000, _, _>")]
    pub speed_min_tenths_percent: u32,
    /// The speed aimed at.
    #[serde(deserialize_with = "within::<1, 1_000, _, _>")]
    pub speed_aim_tenths_percent: u32,
    /// What the duty table may be overrun by.
    #[serde(deserialize_with = "within::<0, 60, _, _>")]
    pub duty_tolerance_s: u32,
    /// How long an area clearance holds.
    #[serde(deserialize_with = "within::<1, 86_400, _, _>")]
    pub area_clear_max_s: u32,
    /// Motoring and the rest asked after it, by ascending motoring.
    pub starter_duty: Vec<Duty>,
}

/// One row of the starter's duty table.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Duty {
    /// Motoring for at most this long
    #[serde(deserialize_with = "within::<1, 3_600, _, _>")]
    pub on_s: u32,
    /// asks this rest from the end of motoring.
    #[serde(deserialize_with = "within::<0, 86_400, _, _>")]
    pub rest_s: u32,
}

/// Injection and soak.
#[derive(Debug, Clone, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Cycle {
    /// The least injection that counts.
    #[serde(deserialize_with = "within::<1, 3_600, _, _>")]
    pub injection_min_s: u32,
    /// Soak after the end of injection.
    #[serde(deserialize_with = "within::<0, 86_400, _, _>")]
    pub soak_s: u32,
    /// Valid cycles asked.
    #[serde(deserialize_with = "within::<1, 20, _, _>")]
    pub count: u32,
}

/// Drying by motoring without injection, after the last soak.
#[derive(Debug, Clone, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct DryCrank {
    /// Least length.
    #[serde(deserialize_with = "within::<1, 3_600, _, _>")]
    pub length_min_s: u32,
    /// How many.
    #[serde(deserialize_with = "within::<1, 20, _, _>")]
    pub count: u32,
}

/// What may close a run-up that is overdue.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Deserialize)]
#[serde(rename_all = "kebab-case")]
#[allow(missing_docs)]
pub enum OverdueCloser {
    RunUp,
    DriedOtherwise,
    NewCycles,
    Decision,
}

/// The run after the wash.
#[derive(Debug, Clone, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct RunUp {
    /// From the start of the first injection since the engine last ran.
    #[serde(deserialize_with = "within::<60, 2_592_000, _, _>")]
    pub window_s: u32,
    /// What must lie between a planned start and the window's end.
    #[serde(deserialize_with = "within::<0, 86_400, _, _>")]
    pub start_margin_s: u32,
    /// Time at idle or above that dries.
    #[serde(deserialize_with = "within::<1, 7_200, _, _>")]
    pub idle_or_above_min_s: u32,
    /// After a planned start, a start not recorded by then is asked for.
    #[serde(deserialize_with = "within::<1, 86_400, _, _>")]
    pub start_unconfirmed_after_s: u32,
    /// What may close it once overdue.
    pub overdue_closed_by: BTreeSet<OverdueCloser>,
}

/// Temperatures and cooling down.
#[derive(Debug, Clone, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
#[allow(missing_docs)]
pub struct Limits {
    #[serde(deserialize_with = "within::<{ -600 }, 600, _, _>")]
    pub outside_air_min_tenths_celsius: i32,
    #[serde(deserialize_with = "within::<{ -600 }, 600, _, _>")]
    pub freeze_below_tenths_celsius: i32,
    #[serde(deserialize_with = "within::<{ -600 }, 10_000, _, _>")]
    pub metal_min_tenths_celsius: i32,
    #[serde(deserialize_with = "within::<{ -600 }, 10_000, _, _>")]
    pub metal_max_tenths_celsius: i32,
    #[serde(deserialize_with = "within::<0, 604_800, _, _>")]
    pub cooled_down_min_s: u32,
}

/// What is asked of people.
#[derive(Debug, Clone, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct People {
    /// One person's second look can never stand for an inspector.
    pub inspector_required: bool,
    /// Lines may be reconnected while drying is due.
    pub reconnect_before_dry_allowed: bool,
}

/// How the record itself is judged.
#[derive(Debug, Clone, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct RecordLimits {
    /// Recorded later than this after it happened is a late entry.
    #[serde(deserialize_with = "within::<1, 604_800, _, _>")]
    pub late_entry_after_s: u32,
    /// A device's clock may be off by this.
    #[serde(deserialize_with = "within::<1, 86_400, _, _>")]
    pub clock_off_max_s: u32,
    /// A device's report older than this leaves it outstanding.
    #[serde(deserialize_with = "within::<1, 604_800, _, _>")]
    pub device_report_max_age_s: u32,
}

/// How a line's fitting is locked.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Deserialize)]
#[serde(rename_all = "kebab-case")]
#[allow(missing_docs)]
pub enum LockingAsked {
    Wire,
    TabWasher,
    CotterPin,
    SelfLocking,
    Clip,
    Other,
}

impl LockingAsked {
    /// Whether what was recorded is what is asked.
    pub fn is(self, recorded: Option<i32>) -> bool {
        let asked = match self {
            LockingAsked::Wire => v1::Locking::Wire,
            LockingAsked::TabWasher => v1::Locking::TabWasher,
            LockingAsked::CotterPin => v1::Locking::CotterPin,
            LockingAsked::SelfLocking => v1::Locking::SelfLocking,
            LockingAsked::Clip => v1::Locking::Clip,
            LockingAsked::Other => v1::Locking::Other,
        };
        recorded == Some(asked as i32)
    }
}

/// A tube or hose opened so that water cannot enter it.
#[derive(Debug, Clone, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Line {
    /// As it is marked.
    pub name: String,
    /// Least torque of its fitting; with the greatest, or neither.
    pub torque_min_millinewton_metres: Option<u32>,
    /// Greatest torque of its fitting.
    pub torque_max_millinewton_metres: Option<u32>,
    /// How the fitting is locked; absent: not asked.
    pub locking: Option<LockingAsked>,
    /// An independent inspection is asked.
    pub inspection: bool,
    /// A leak or function check is asked.
    pub leak_check: bool,
    /// It must be open before water goes in.
    pub open_before_injection: bool,
}

/// A cowl or door.
#[derive(Debug, Clone, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Access {
    /// As it is called.
    pub name: String,
    /// A second person sees its latches.
    pub latched: bool,
    /// It may stay open for a leak run.
    pub open_for_leak_run: bool,
}

/// What is fitted for the wash.
#[derive(Debug, Clone, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Fixture {
    /// As it is called.
    pub name: String,
}

/// What is locked or disabled for the work.
#[derive(Debug, Clone, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Isolation {
    /// As it is called.
    pub name: String,
    /// It is tested when restored.
    pub tested: bool,
}

impl Procedure {
    /// Reads a procedure's text.
    pub fn parse(text: &str) -> Result<Procedure, ProcedureError> {
        let procedure: Procedure = toml::from_str(text).map_err(|e| ProcedureError {
            line: e.span().map_or(1, |span| line_at(text, span.start)),
            reason: e.message().to_owned(),
        })?;
        procedure.check(text)?;
        Ok(procedure)
    }

    /// The line of that name.
    pub fn line(&self, name: &str) -> Option<&Line> {
        self.lines.iter().find(|line| line.name == name)
    }

    fn check(&self, text: &str) -> Result<(), ProcedureError> {
        let fail = |key: &str, nth: usize, reason: &str| {
            Err(ProcedureError { line: line_of(text, key, nth), reason: format!("{key}: {reason}") })
        };
        let water = &self.water;
        if !(water.window_min_tenths_celsius..=water.window_max_tenths_celsius).contains(&water.aim_tenths_celsius) {
            return fail("aim_tenths_celsius", 0, "it lies outside the window");
        }
        if self.motoring.speed_aim_tenths_percent < self.motoring.speed_min_tenths_percent {
            return fail("speed_aim_tenths_percent", 0, "it lies under the least speed");
        }
        if self.limits.metal_min_tenths_celsius > self.limits.metal_max_tenths_celsius {
            return fail("metal_max_tenths_celsius", 0, "it lies under the least");
        }
        if self.run_up.start_margin_s >= self.run_up.window_s {
            return fail("start_margin_s", 0, "no start could lie this long before the window's end");
        }
        if self.run_up.overdue_closed_by.is_empty() {
            return fail("overdue_closed_by", 0, "an overdue run-up could never be closed");
        }
        self.check_duty().or_else(|reason| fail("starter_duty", 0, reason))?;
        let mut torques = 0;
        for line in &self.lines {
            match (line.torque_min_millinewton_metres, line.torque_max_millinewton_metres) {
                (None, None) => continue,
                (Some(min), Some(max)) if 0 < min && min <= max => torques += 1,
                (Some(_), Some(_)) => return fail("torque_max_millinewton_metres", torques, "no torque lies between"),
                (Some(_), None) => return fail("torque_min_millinewton_metres", torques, "the greatest is missing"),
                (None, Some(_)) => return fail("torque_max_millinewton_metres", torques, "the least is missing"),
            }
        }
        self.check_names(text)
    }

    fn check_duty(&self) -> Result<(), &'static str> {
        let rows = &self.motoring.starter_duty;
        let longest = rows.last().ok_or("it has no row")?.on_s;
        if rows.windows(2).any(|pair| pair[0].on_s >= pair[1].on_s) {
            return Err("its rows do not ascend");
        }
        let cycle = self.motoring.injection_wait_s + self.cycle.injection_min_s;
        if longest < cycle.max(self.dry_crank.length_min_s) {
            return Err("the starter may not turn for as long as a cycle or a dry crank takes");
        }
        Ok(())
    }

    fn check_names(&self, text: &str) -> Result<(), ProcedureError> {
        let groups: [Vec<&str>; 4] = [
            self.lines.iter().map(|e| e.name.as_str()).collect(),
            self.access.iter().map(|e| e.name.as_str()).collect(),
            self.fixtures.iter().map(|e| e.name.as_str()).collect(),
            self.isolations.iter().map(|e| e.name.as_str()).collect(),
        ];
        for names in groups {
            let mut seen = BTreeSet::new();
            for name in names {
                if name.trim().is_empty() || !seen.insert(name) {
                    let quoted = format!("\"{name}\"");
                    let lines = text.lines().enumerate().filter(|(_, line)| line.contains(&quoted));
                    let line = lines.last().map_or(1, |(at, _)| at + 1);
                    return Err(ProcedureError { line, reason: format!("name: \"{name}\" is empty or stands twice") });
                }
            }
        }
        Ok(())
    }
}

fn line_at(text: &str, offset: usize) -> usize {
    1 + text.bytes().take(offset).filter(|b| *b == b'\n').count()
}

fn line_of(text: &str, key: &str, nth: usize) -> usize {
    let stands = |line: &str| line.trim_start().trim_start_matches('[').starts_with(key);
    text.lines().enumerate().filter(|(_, line)| stands(line)).nth(nth).map_or(1, |(at, _)| at + 1)
}

fn within<'de, const MIN: i64, const MAX: i64, D: Deserializer<'de>, T: TryFrom<i64>>(from: D) -> Result<T, D::Error> {
    let value = i64::deserialize(from)?;
    let fits = (MIN..=MAX).contains(&value).then(|| T::try_from(value).ok()).flatten();
    fits.ok_or_else(|| serde::de::Error::custom(format!("{value} lies outside {MIN} to {MAX}")))
}

fn id<'de, D: Deserializer<'de>>(from: D) -> Result<Id, D::Error> {
    let text = String::deserialize(from)?;
    Id::from_hex(&text).ok_or_else(|| serde::de::Error::custom("an id has 32 hex digits"))
}

#[cfg(test)]
mod tests {
    use super::*;

    const OSSAVAR: &str = include_str!("../../../deploy/procedures/ossavar-t2.toml");
    const TELLMARK: &str = include_str!("../../../deploy/procedures/tellmark-r5.toml");

    fn refused(from: &str, to: &str) -> ProcedureError {
        assert!(OSSAVAR.contains(from), "{from}");
        Procedure::parse(&OSSAVAR.replacen(from, to, 1)).expect_err(to)
    }

    #[test]
    fn the_demo_procedures_read() {
        let (two, three) = (Procedure::parse(OSSAVAR).unwrap(), Procedure::parse(TELLMARK).unwrap());
        assert_eq!((two.lines.len(), three.lines.len()), (2, 3));
        assert_eq!((two.run_up.window_s, two.cycle.soak_s), (12 * 3600, 300));
        assert_ne!(two.procedure, three.procedure);
    }

    #[test]
    fn an_unknown_key_is_refused_with_its_line() {
        let error = refused("soak_s = 300 ", "soak_minutes = 5\nsoak_s = 300 ");
        assert!(error.reason.contains("soak_minutes"), "{error}");
        let line = OSSAVAR.lines().position(|l| l.starts_with("soak_s")).unwrap() + 1;
        assert_eq!(error.line, line);
    }

    #[test]
    fn a_missing_key_is_refused() {
        assert!(refused("soak_s = 300 ", "#").reason.contains("soak_s"));
    }

    #[test]
    fn limits_that_nothing_could_meet_are_refused_with_their_line() {
        for (from, to, key) in [
            ("aim_tenths_celsius = 700", "aim_tenths_celsius = 760", "aim_tenths_celsius"),
            ("soak_s = 300", "soak_s = -1", "soak_s"),
            ("start_margin_s = 3_600", "start_margin_s = 43_200", "start_margin_s"),
            ("on_s = 180", "on_s = 129", "starter_duty"),
            ("torque_min_millinewton_metres = 15_000", "torque_min_millinewton_metres = 20_001", "torque_max"),
            ("locking = \"wire\"", "locking = \"glue\"", "locking"),
            ("name = \"MV-2\"", "name = \"PS-1\"", "name = \"PS-1\""),
        ] {
            let altered = OSSAVAR.replacen(from, to, 1);
            let error = Procedure::parse(&altered).expect_err(to);
            let line = altered.lines().nth(error.line - 1).unwrap();
            assert!(line.contains(key), "{error} points at: {line}");
        }
    }
}
