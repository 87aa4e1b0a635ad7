//! Words for what stands in a procedure, by its path; `[]` stands for an entry of a list.

use toml::Value;

use super::Change;

/// In the order of a procedure's text.
const SECTIONS: [(&str, &str); 12] = [
    ("water", "water"),
    ("motoring", "motoring"),
    ("cycle", "cycle"),
    ("dry_crank", "dry crank"),
    ("run_up", "run-up"),
    ("limits", "temperatures and cooling down"),
    ("people", "people"),
    ("record", "the record"),
    ("lines", "line"),
    ("access", "access"),
    ("fixtures", "fixture"),
    ("isolations", "isolation"),
];

/// Where a path stands among the sections, then by itself; what is not known stands last.
pub(super) fn rank(path: &str) -> (usize, String) {
    let section = section(path);
    let at = SECTIONS.iter().position(|(name, _)| *name == section).unwrap_or(SECTIONS.len());
    (at, path.to_owned())
}

fn section(path: &str) -> &str {
    path.split(['.', '[']).next().unwrap_or_default()
}

/// What a list's entry is known by: its name, its time of motoring, or all of it.
pub(super) fn called(entry: &Value) -> String {
    let key = entry.get("name").or_else(|| entry.get("on_s")).unwrap_or(entry);
    key.as_str().map_or_else(|| key.to_string(), str::to_owned)
}

/// Path, what stands there in words. A value's unit is that of its key, and is put in by [`value`].
pub(super) const WORDS: &[(&str, &str)] = &[
    ("water.window_min_tenths_celsius", "water no colder than"),
    ("water.aim_tenths_celsius", "water aimed at"),
    ("water.window_max_tenths_celsius", "water no hotter than"),
    ("water.volume_min_millilitres", "water in the rig at least"),
    ("water.additive_max_per_mille", "additive at most"),
    ("motoring.injection_wait_s", "wait from motoring to injection"),
    ("motoring.speed_min_tenths_percent", "least speed that counts, of N2"),
    ("motoring.speed_aim_tenths_percent", "speed aimed at, of N2"),
    ("motoring.duty_tolerance_s", "grace on the starter's duty"),
    ("motoring.area_clear_max_s", "an area clearance holds for at most"),
    ("motoring.starter_duty", "starter duty"),
    ("motoring.starter_duty[]", "row of the starter's duty table"),
    ("motoring.starter_duty[].on_s", "starter turns for at most"),
    ("motoring.starter_duty[].rest_s", "starter rests for at least"),
    ("cycle.injection_min_s", "injection at least"),
    ("cycle.soak_s", "soak"),
    ("cycle.count", "valid cycles asked"),
    ("dry_crank.length_min_s", "dry crank at least"),
    ("dry_crank.count", "dry cranks asked"),
    ("run_up.window_s", "run-up window from the first injection"),
    ("run_up.start_margin_s", "margin from a planned start to the window's end"),
    ("run_up.idle_or_above_min_s", "time at idle or above that dries"),
    ("run_up.start_unconfirmed_after_s", "a planned start is asked after when late by"),
    ("run_up.overdue_closed_by", "what may close an overdue run-up"),
    ("run_up.overdue_closed_by[]", "a way to close an overdue run-up"),
    ("limits.outside_air_min_tenths_celsius", "outside air no colder than"),
    ("limits.freeze_below_tenths_celsius", "freezing is watched for below"),
    ("limits.metal_min_tenths_celsius", "metal no colder than"),
    ("limits.metal_max_tenths_celsius", "metal no hotter than"),
    ("limits.cooled_down_min_s", "cooled down for at least"),
    ("people.inspector_required", "an inspector is required, and no lone second look stands for one"),
    ("people.reconnect_before_dry_allowed", "lines may be reconnected before the engine is dried"),
    ("record.late_entry_after_s", "an entry is late after"),
    ("record.clock_off_max_s", "a station's clock may be off by"),
    ("record.device_report_max_age_s", "a station's report holds for"),
    ("lines[]", "line"),
    ("lines[].name", "name"),
    ("lines[].torque_min_millinewton_metres", "torque at least"),
    ("lines[].torque_max_millinewton_metres", "torque at most"),
    ("lines[].locking", "locked by"),
    ("lines[].inspection", "independent inspection asked"),
    ("lines[].leak_check", "leak or function check asked"),
    ("lines[].open_before_injection", "to be open before water goes in"),
    ("access[]", "access"),
    ("access[].name", "name"),
    ("access[].latched", "a second person sees its latches"),
    ("access[].open_for_leak_run", "may stay open for a leak run"),
    ("fixtures[]", "fixture"),
    ("fixtures[].name", "name"),
    ("isolations[]", "isolation"),
    ("isolations[].name", "name"),
    ("isolations[].tested", "tested when restored"),
];

/// A step on the way to a value.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) enum Step {
    /// Of a table.
    Key(String),
    /// Of a list, by what it is known by.
    Entry(String),
}

/// As it is written, such as `lines[PS-1].locking`.
pub(super) fn written(path: &[Step]) -> String {
    joined(path, |called| called)
}

/// Without the names of entries: `lines[].locking`.
pub(super) fn general(path: &[Step]) -> String {
    joined(path, |_| "")
}

fn joined<'p>(path: &'p [Step], entry: impl Fn(&'p str) -> &'p str) -> String {
    let mut text = String::new();
    for step in path {
        match step {
            Step::Key(key) if text.is_empty() => text.push_str(key),
            Step::Key(key) => text.extend([".", key]),
            Step::Entry(called) => text.extend(["[", entry(called), "]"]),
        }
    }
    text
}

/// The words for a path; none where nobody has written any.
pub(super) fn words(path: &[Step]) -> Option<&'static str> {
    let general = general(path);
    WORDS.iter().find(|(known, _)| *known == general).map(|(_, words)| *words)
}

/// A difference at this path, in words; a path without words is told as it is.
pub(super) fn change(path: &[Step], old: Option<&Value>, new: Option<&Value>) -> Change {
    let text = written(path);
    let of = section(&text);
    let section = SECTIONS.iter().find(|(name, _)| *name == of).map_or(of, |(_, words)| *words);
    Change {
        about: match path.get(1) {
            Some(Step::Entry(called)) => format!("{section} {called}"),
            _ => section.to_owned(),
        },
        what: words(path).map_or_else(|| text.clone(), str::to_owned),
        old: old.map(|held| value(path, held)),
        new: new.map(|held| value(path, held)),
        entry: matches!(path.last(), Some(Step::Entry(_))),
        path: text,
    }
}

/// A value with the unit that its key names.
fn value(path: &[Step], held: &Value) -> String {
    match held {
        Value::Integer(number) => quantity(path, *number),
        Value::Boolean(true) => "yes".to_owned(),
        Value::Boolean(false) => "no".to_owned(),
        Value::String(text) => text.clone(),
        Value::Table(table) => {
            let under = |key: &String| [path, &[Step::Key(key.clone())]].concat();
            let mut parts: Vec<(usize, String)> = Vec::new();
            for (key, held) in table.iter().filter(|(key, _)| *key != "name") {
                let path = under(key);
                let at = WORDS.iter().position(|(known, _)| *known == general(&path)).unwrap_or(WORDS.len());
                let what = words(&path).map_or_else(|| written(&path), str::to_owned);
                parts.push((at, format!("{what}: {}", value(&path, held))));
            }
            parts.sort();
            parts.into_iter().map(|(_, part)| part).collect::<Vec<_>>().join("; ")
        }
        Value::Array(entries) => entries.iter().map(|entry| value(path, entry)).collect::<Vec<_>>().join(", "),
        Value::Float(_) | Value::Datetime(_) => held.to_string(),
    }
}

fn quantity(path: &[Step], number: i64) -> String {
    let keys = path.iter().rev().filter_map(|step| if let Step::Key(key) = step { Some(key.as_str()) } else { None });
    let key = keys.take(1).next().unwrap_or_default();
    let ends = |suffix: &str| key.ends_with(suffix);
    if ends("_tenths_celsius") {
        format!("{} °C", thousandths(number * 100))
    } else if ends("_tenths_percent") {
        format!("{} %", thousandths(number * 100))
    } else if ends("_per_mille") {
        format!("{number} ‰")
    } else if ends("_millilitres") {
        format!("{} L", thousandths(number))
    } else if ends("_millinewton_metres") {
        format!("{} N·m", thousandths(number))
    } else if ends("_s") {
        time(number)
    } else {
        number.to_string()
    }
}

/// Exact, with no more decimals than it needs.
fn thousandths(number: i64) -> String {
    let (sign, whole, rest) = (if number < 0 { "-" } else { "" }, number.abs() / 1000, number.abs() % 1000);
    let decimals = format!("{rest:03}");
    match decimals.trim_end_matches('0') {
        "" => format!("{sign}{whole}"),
        decimals => format!("{sign}{whole}.{decimals}"),
    }
}

/// In hours, minutes and seconds; where it has more than seconds, these stand beside it, as the text has them.
fn time(seconds: i64) -> String {
    let parts = [(seconds / 3600, "h"), (seconds / 60 % 60, "min"), (seconds % 60, "s")];
    let said: Vec<String> = parts.iter().filter(|(n, _)| *n != 0).map(|(n, unit)| format!("{n} {unit}")).collect();
    if seconds.abs() < 60 { format!("{seconds} s") } else { format!("{} ({seconds} s)", said.join(" ")) }
}
