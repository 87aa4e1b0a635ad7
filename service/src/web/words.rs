//! Words for instants, lengths of time, authorities and what items stand in the way of.

use chrono::{DateTime, NaiveDateTime, Utc};
use rinsebook_proto::v1::{Authority, Blocks, EngineAt, ItemKind, Severity};

fn at(ms: u64) -> Option<DateTime<Utc>> {
    i64::try_from(ms).ok().and_then(DateTime::from_timestamp_millis)
}

/// An instant to the minute, UTC.
pub(super) fn minute(ms: u64) -> String {
    at(ms).map_or_else(|| format!("{ms} ms"), |t| t.format("%Y-%m-%d %H:%MZ").to_string())
}

/// An instant to the second, UTC.
pub(super) fn second(ms: u64) -> String {
    at(ms).map_or_else(|| format!("{ms} ms"), |t| t.format("%Y-%m-%d %H:%M:%SZ").to_string())
}

/// The hour and minute alone, UTC.
pub(super) fn clock(ms: u64) -> String {
    at(ms).map_or_else(|| format!("{ms} ms"), |t| t.format("%H:%MZ").to_string())
}

/// A day since 1970-01-01.
pub(super) fn day(unix_day: i32) -> String {
    let seconds = i64::from(unix_day) * 86_400;
    DateTime::from_timestamp(seconds, 0).map_or_else(|| unix_day.to_string(), |t| t.format("%Y-%m-%d").to_string())
}

/// As a form's field for date and time wants it.
pub(super) fn field(ms: u64) -> String {
    at(ms).map_or_else(String::new, |t| t.format("%Y-%m-%dT%H:%M").to_string())
}

/// Reads such a field; its time is UTC. Unix milliseconds.
pub(super) fn read_field(text: &str) -> Option<u64> {
    let text = text.trim().trim_end_matches('Z');
    let read = |form| NaiveDateTime::parse_from_str(text, form).ok();
    let read = read("%Y-%m-%dT%H:%M").or_else(|| read("%Y-%m-%dT%H:%M:%S")).or_else(|| read("%Y-%m-%d %H:%M"))?;
    u64::try_from(read.and_utc().timestamp_millis()).ok()
}

/// How far a due instant is from now. What is left is rounded down and what is past rounded up, so that nobody reads more
/// time than there is. The script counts in the same words.
pub(super) fn left(now_ms: u64, due_ms: u64) -> String {
    let (now_s, due_s) = (now_ms / 1000, due_ms / 1000);
    match due_s.checked_sub(now_s) {
        Some(left) if left < 60 => "under a minute left".to_owned(),
        Some(left) => format!("{} left", length(left / 60)),
        None => format!("{} over", length((now_s - due_s).div_ceil(60))),
    }
}

/// Minutes, as people say them.
pub(super) fn length(minutes: u64) -> String {
    let (days, hours, rest) = (minutes / 1440, minutes / 60 % 24, minutes % 60);
    match (days, hours) {
        (0, 0) => format!("{rest} min"),
        (0, _) => format!("{hours} h {rest:02} min"),
        _ => format!("{days} d {hours} h"),
    }
}

/// Who holds an authority.
pub(super) fn who(authority: Authority) -> &'static str {
    match authority {
        Authority::Unspecified => "nobody",
        Authority::Perform => "technician",
        Authority::Inspect => "second person",
        Authority::Run => "person who may run engines",
        Authority::Certify => "certifying staff",
        Authority::Waive => "person who may waive",
        Authority::Plan => "planner",
        Authority::Custody => "custodian",
    }
}

/// Who may close an item.
pub(super) fn who_may(authorities: &[i32]) -> String {
    let named: Vec<&str> = authorities.iter().filter_map(|a| Authority::try_from(*a).ok()).map(who).collect();
    if named.is_empty() { "nobody: time closes it".to_owned() } else { named.join(", ") }
}

/// Until when an item is open for which no time is set.
pub(super) fn until(kind: ItemKind) -> &'static str {
    match kind {
        ItemKind::FindingOpen | ItemKind::DefectOpen => "until it is settled",
        ItemKind::UnreadFact => "until it is read",
        ItemKind::SignOffDue => "until it is signed off",
        ItemKind::DeviceOutstanding => "until it is heard",
        _ => "until it is done",
    }
}

/// What an item stands in the way of.
pub(super) fn blocks(blocks: i32) -> &'static str {
    match Blocks::try_from(blocks) {
        Ok(Blocks::Yes) => "blocks the aircraft",
        Ok(Blocks::SignOff) => "blocks the sign-off",
        Ok(Blocks::Condition) => "a condition",
        _ => "does not block",
    }
}

/// How grave a finding is.
pub(super) fn severity(severity: i32) -> &'static str {
    match Severity::try_from(severity) {
        Ok(Severity::Major) => "major",
        Ok(Severity::Minor) => "minor",
        _ => "note",
    }
}

/// An engine at its place.
pub(super) fn engine(engine: Option<&EngineAt>) -> String {
    engine.map(|e| format!("engine {}", e.position)).unwrap_or_default()
}

/// A name with hyphens, as words.
pub(super) fn spaced(name: &str) -> String {
    name.replace(['-', '_'], " ")
}

/// One line of what somebody wrote, spaces collapsed, control characters shown.
pub(super) fn line(text: &str) -> String {
    let shown: String =
        text.chars().map(|c| if c.is_control() && !c.is_whitespace() { '\u{FFFD}' } else { c }).collect();
    shown.split_whitespace().collect::<Vec<_>>().join(" ")
}

/// Fit for SVG and HTML that is written by hand.
pub(super) fn escaped(text: &str) -> String {
    let mut out = String::with_capacity(text.len());
    for c in text.chars() {
        match c {
            '&' => out.push_str("&amp;"),
            '<' => out.push_str("&lt;"),
            '>' => out.push_str("&gt;"),
            '"' => out.push_str("&quot;"),
            '\'' => out.push_str("&#39;"),
            c if c.is_control() && !c.is_whitespace() => out.push('\u{FFFD}'),
            c => out.push(c),
        }
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_is_left_is_rounded_down_and_what_is_over_is_rounded_up() {
        assert_eq!(left(0, 59_999), "under a minute left");
        assert_eq!(left(0, 119_000), "1 min left");
        assert_eq!(left(0, 7_500_000), "2 h 05 min left");
        assert_eq!(left(61_000, 0), "2 min over");
        assert_eq!(left(0, 90_000_000), "1 d 1 h left");
    }

    #[test]
    fn a_field_is_read_as_it_is_shown_and_nonsense_is_not() {
        let ms = 1_930_377_600_000;
        assert_eq!(read_field(&field(ms)), Some(ms));
        assert_eq!(read_field("2031-03-04 08:00Z"), Some(ms));
        assert_eq!(read_field("soon"), None);
    }

    #[test]
    fn what_somebody_wrote_cannot_become_markup() {
        assert_eq!(escaped("<a href='x'>&\u{7}"), "&lt;a href=&#39;x&#39;&gt;&amp;\u{FFFD}");
    }
}
