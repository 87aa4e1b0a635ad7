//! Times of day as people type and read them. All UTC.

use chrono::{DateTime, NaiveDate, Utc};

const DAY_MS: u64 = 86_400_000;
/// A time that lies no further ahead is today's: clocks differ a little.
const AHEAD_MS: u64 = 10 * 60_000;

fn at(ms: u64) -> Option<DateTime<Utc>> {
    i64::try_from(ms).ok().and_then(DateTime::from_timestamp_millis)
}

/// "08:57:15".
pub(crate) fn second(ms: u64) -> String {
    at(ms).map_or_else(String::new, |t| t.format("%H:%M:%S").to_string())
}

/// "08:57Z", with the date where it is not today.
pub(crate) fn minute(ms: u64, now_ms: u64) -> String {
    let format = if ms / DAY_MS == now_ms / DAY_MS { "%H:%MZ" } else { "%Y-%m-%d %H:%MZ" };
    at(ms).map_or_else(String::new, |t| t.format(format).to_string())
}

/// "2031-03-04".
pub(crate) fn day(ms: u64) -> String {
    at(ms).map_or_else(String::new, |t| t.format("%Y-%m-%d").to_string())
}

/// How long, as a clock shows it: "4:05", "1:02:03".
pub(crate) fn length(ms: u64) -> String {
    let s = ms / 1000;
    let (h, m, s) = (s / 3600, s / 60 % 60, s % 60);
    if h > 0 { format!("{h}:{m:02}:{s:02}") } else { format!("{m}:{s:02}") }
}

/// An instant as a card has it.
pub(crate) fn toml(ms: u64) -> Option<toml::value::Datetime> {
    crate::query::text::rfc3339(ms)?.parse().ok()
}

/// "0857", "08:57", "085715", "8:57:15": the newest such instant that is not ahead of now by more than ten minutes.
pub(crate) fn read(text: &str, now_ms: u64) -> Result<u64, String> {
    let wrong = || format!("{text:?} is no time; write hh:mm:ss or hh:mm, UTC");
    let parts: Vec<&str> = if text.contains([':', '.']) {
        text.split([':', '.']).collect()
    } else if text.is_ascii() && matches!(text.len(), 4 | 6) {
        (0..text.len()).step_by(2).map(|at| &text[at..at + 2]).collect()
    } else {
        return Err(wrong());
    };
    let number = |part: &&str| if part.len() <= 2 { part.parse::<u64>().ok() } else { None };
    let parts: Vec<u64> = parts.iter().map(number).collect::<Option<_>>().ok_or_else(wrong)?;
    let (h, m, s) = match parts[..] {
        [h, m] => (h, m, 0),
        [h, m, s] => (h, m, s),
        _ => return Err(wrong()),
    };
    if h > 23 || m > 59 || s > 59 {
        return Err(wrong());
    }
    let today = now_ms - now_ms % DAY_MS + (h * 3600 + m * 60 + s) * 1000;
    Ok(if today > now_ms + AHEAD_MS { today.saturating_sub(DAY_MS) } else { today })
}

/// A date and a time of day.
pub(crate) fn read_on(date: &str, time: &str) -> Result<u64, String> {
    let wrong = || format!("{date:?} is no date such as 2031-03-04");
    let date: NaiveDate = date.parse().map_err(|_| wrong())?;
    let begins = date.and_hms_opt(0, 0, 0).and_then(|t| u64::try_from(t.and_utc().timestamp_millis()).ok());
    let begins = begins.ok_or_else(wrong)?;
    // At the day's last instant every time of the day lies before.
    read(time, begins + DAY_MS - 1)
}

#[cfg(test)]
mod tests {
    use super::*;

    const MORNING_MS: u64 = 1_930_377_600_000;

    #[test]
    fn times_are_read_as_gloved_hands_type_them_and_lie_on_the_nearest_day_before() {
        assert_eq!(read("0757", MORNING_MS), Ok(MORNING_MS - 3 * 60_000));
        assert_eq!(read("7:57:30", MORNING_MS), Ok(MORNING_MS - 150_000));
        assert_eq!(read("075730", MORNING_MS), Ok(MORNING_MS - 150_000));
        assert_eq!(read("08:05", MORNING_MS), Ok(MORNING_MS + 300_000), "a clock may be a little behind");
        assert_eq!(read("23:00", MORNING_MS), Ok(MORNING_MS - 9 * 3_600_000), "last night's");
        for wrong in ["", "8", "25:00", "12:60", "1:2:3:4", "noon", "123"] {
            assert!(read(wrong, MORNING_MS).is_err(), "{wrong}");
        }
        assert_eq!(read_on("2031-03-04", "23:59"), Ok(MORNING_MS + 16 * 3_600_000 - 60_000));
        assert!(read_on("4 March", "12:00").is_err());
    }

    #[test]
    fn lengths_read_like_a_clock() {
        assert_eq!((length(245_000).as_str(), length(3_723_000).as_str()), ("4:05", "1:02:03"));
        assert_eq!((second(MORNING_MS), day(MORNING_MS)), ("08:00:00".to_owned(), "2031-03-04".to_owned()));
    }
}
