//! Words for instants, lengths of time and lines of 80 columns.

use std::borrow::Cow;
use std::io::{self, Write};

use chrono::{DateTime, SecondsFormat, Utc};

/// What a terminal has, at least.
const COLUMNS: usize = 80;

fn at(ms: u64) -> Option<DateTime<Utc>> {
    i64::try_from(ms).ok().and_then(DateTime::from_timestamp_millis)
}

/// A word to whoever runs the command, beside its results.
pub fn say(line: &str) {
    // Standard error may be closed; there is nobody else to tell then.
    let _ = writeln!(io::stderr(), "rinsebook: {line}");
}

/// An instant as people read it, to the minute.
pub fn instant(ms: u64) -> String {
    at(ms).map_or_else(|| format!("{ms} ms"), |t| t.format("%Y-%m-%d %H:%MZ").to_string())
}

/// An instant to the second, as for what somebody signed.
pub fn second(ms: u64) -> String {
    at(ms).map_or_else(|| format!("{ms} ms"), |t| t.format("%Y-%m-%d %H:%M:%SZ").to_string())
}

/// An instant as RFC 3339, for programs; none beyond what a calendar can say.
pub fn rfc3339(ms: u64) -> Option<String> {
    at(ms).map(|t| t.to_rfc3339_opts(SecondsFormat::Millis, true))
}

/// How a due instant stands to the time that an answer is for: "in 3 h 05 min", "5 min ago".
///
/// Both are cut to whole seconds, as the rules do. What is left is rounded down and what is past is rounded up, so that no
/// one reads more time than there is.
pub fn from_then(then_ms: u64, due_ms: u64) -> String {
    let (then_s, due_s) = (then_ms / 1000, due_ms / 1000);
    match due_s.checked_sub(then_s) {
        Some(0) => "now".to_owned(),
        Some(left) if left < 60 => "in less than a minute".to_owned(),
        Some(left) => format!("in {}", minutes(left / 60)),
        None => format!("{} ago", minutes((then_s - due_s).div_ceil(60))),
    }
}

fn minutes(minutes: u64) -> String {
    let (days, hours, rest) = (minutes / 1440, minutes / 60 % 24, minutes % 60);
    match (days, hours) {
        (0, 0) => format!("{rest} min"),
        (0, _) => format!("{hours} h {rest:02} min"),
        _ => format!("{days} d {hours} h"),
    }
}

/// What somebody wrote, fit for one line of a terminal: control characters, which could move the cursor, forge a line or
/// change what stands above, become U+FFFD.
pub fn plain(text: &str) -> Cow<'_, str> {
    if text.chars().any(char::is_control) {
        Cow::Owned(text.chars().map(|c| if c.is_control() { char::REPLACEMENT_CHARACTER } else { c }).collect())
    } else {
        Cow::Borrowed(text)
    }
}

/// Writes `head`, then the text, broken at spaces so that a line stays within 80 columns, the lines after the first
/// standing under the text. A word that is longer, such as a hash, is left whole.
pub fn paragraph(head: &str, text: &str, out: &mut dyn Write) -> io::Result<()> {
    let indent = head.chars().count();
    let (mut line, mut columns, mut fresh) = (head.to_owned(), indent, true);
    for word in text.split_whitespace().map(plain) {
        let length = word.chars().count();
        if !fresh && columns + 1 + length > COLUMNS {
            writeln!(out, "{line}")?;
            (line, columns, fresh) = (" ".repeat(indent), indent, true);
        }
        if !fresh {
            line.push(' ');
            columns += 1;
        }
        line.push_str(&word);
        (columns, fresh) = (columns + length, false);
    }
    writeln!(out, "{}", line.trim_end())
}

#[cfg(test)]
mod tests {
    use super::*;

    fn lines(head: &str, text: &str) -> Vec<String> {
        let mut out = Vec::new();
        paragraph(head, text, &mut out).unwrap();
        String::from_utf8(out).unwrap().lines().map(str::to_owned).collect()
    }

    #[test]
    fn time_left_is_never_told_longer_than_it_is() {
        let then = 1_930_377_600_000;
        let told = |seconds: i64| from_then(then, then.saturating_add_signed(seconds * 1000));
        assert_eq!(told(0), "now");
        assert_eq!(told(59), "in less than a minute");
        assert_eq!(told(119), "in 1 min");
        assert_eq!(told(3 * 3600 + 5 * 60 + 59), "in 3 h 05 min");
        assert_eq!(told(49 * 3600), "in 2 d 1 h");
        assert_eq!(told(-1), "1 min ago");
        assert_eq!(told(-61), "2 min ago");
        assert_eq!(from_then(u64::MAX, 0).split(' ').next_back(), Some("ago"));
    }

    #[test]
    fn instants_that_no_calendar_knows_are_told_as_they_are() {
        assert_eq!(instant(1_930_377_600_000), "2031-03-04 08:00Z");
        assert_eq!(second(1_930_377_661_999), "2031-03-04 08:01:01Z");
        assert_eq!(rfc3339(1_930_377_600_001).unwrap(), "2031-03-04T08:00:00.001Z");
        assert_eq!(instant(u64::MAX), format!("{} ms", u64::MAX));
        assert_eq!(rfc3339(u64::MAX), None);
    }

    #[test]
    fn long_text_is_broken_within_eighty_columns_and_stands_under_itself() {
        let text = "word ".repeat(40);
        let lines = lines("  why  ", &text);
        assert!(lines.len() > 2 && lines.iter().all(|line| line.chars().count() <= 80), "{lines:?}");
        assert!(lines[0].starts_with("  why  word") && lines[1].starts_with("       word"), "{lines:?}");
        assert_eq!(lines.join(" ").matches("word").count(), 40);
    }

    #[test]
    fn what_somebody_wrote_cannot_steer_the_terminal_or_forge_a_line() {
        assert_eq!(plain("ZZ-RBA\nNo\u{1b}[2J\u{9b}2J"), "ZZ-RBA\u{fffd}No\u{fffd}[2J\u{fffd}2J");
        assert_eq!(lines("", "a\u{1b}[2J b\nc"), ["a\u{fffd}[2J b c"]);
        assert_eq!(plain("Prüfung – gut"), "Prüfung – gut");
    }

    #[test]
    fn a_hash_is_never_broken_and_umlauts_count_once() {
        let hash = "ab".repeat(50);
        assert_eq!(lines("x ", &hash), [format!("x {hash}")]);
        assert_eq!(lines("", &"ü".repeat(80)).len(), 1);
        assert_eq!(lines("", &format!("{} b", "ü".repeat(78))).len(), 1);
        assert_eq!(lines("", &format!("{} b", "ü".repeat(79))).len(), 2);
        assert_eq!(lines("  none ", ""), ["  none"]);
    }
}
