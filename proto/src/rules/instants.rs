//! Instants as sentences say them.

use chrono::DateTime;

/// A time of day, UTC; with the date where the day is another than that of `beside_s`.
pub(super) fn clock(at_s: u64, beside_s: Option<u64>) -> String {
    let same_day = beside_s.is_some_and(|beside| beside / 86_400 == at_s / 86_400);
    let Some(at) = i64::try_from(at_s).ok().and_then(|s| DateTime::from_timestamp(s, 0)) else {
        return "an instant out of range".to_owned();
    };
    at.format(if same_day { "%H:%MZ" } else { "%Y-%m-%d %H:%MZ" }).to_string()
}

/// The first full minute not before that instant: the clock shows minutes, and nothing may seem over too early.
pub(super) fn minute_after(at_s: u64) -> u64 {
    at_s.div_ceil(60).saturating_mul(60)
}
