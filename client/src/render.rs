//! How answers are shown to people: plain lines that read well at 80 columns, the most pressing first, nothing told by
//! colour. Times are UTC. Rendering takes what the service answered, and adds nothing to it.

use std::io::{self, Write};

use chrono::{DateTime, Utc};
use rinsebook_proto::v1::{self, Blocks, ItemKind, Verdict};

/// An instant as people read it.
pub fn instant(ms: u64) -> String {
    let seconds = i64::try_from(ms / 1000).unwrap_or(i64::MAX);
    DateTime::<Utc>::from_timestamp(seconds, 0)
        .map_or_else(|| "?".to_owned(), |t| t.format("%Y-%m-%d %H:%MZ").to_string())
}

/// The items and findings of one aircraft.
pub fn items(list: &v1::AircraftItems, out: &mut dyn Write) -> io::Result<()> {
    let name = if list.registration.is_empty() { "aircraft not listed" } else { &list.registration };
    writeln!(out, "{name}")?;
    let mut items: Vec<&v1::OpenItem> = list.items.iter().collect();
    items.sort_by_key(|item| (item.blocks != Blocks::Yes as i32, item.due_ms.unwrap_or(u64::MAX)));
    for item in items {
        one_item(item, out)?;
    }
    for finding in &list.findings {
        let state = if finding.settled_by.is_some() { "settled" } else { "not settled" };
        writeln!(out, "  finding   {} ({state}): {}", finding.rule, finding.text)?;
    }
    Ok(())
}

fn one_item(item: &v1::OpenItem, out: &mut dyn Write) -> io::Result<()> {
    let blocks = match Blocks::try_from(item.blocks).unwrap_or_default() {
        Blocks::Yes => "blocks  ",
        Blocks::SignOff => "sign-off",
        Blocks::Condition => "on terms",
        Blocks::No | Blocks::Unspecified => "open    ",
    };
    let engine = item.engine.as_ref().map(|e| format!("  engine {}", e.position)).unwrap_or_default();
    // A device's id says nothing to a reader; its name stands in the text.
    let subject = match item.subject.as_str() {
        "" => String::new(),
        _ if item.kind == ItemKind::DeviceOutstanding as i32 => String::new(),
        subject => format!("  {subject}"),
    };
    writeln!(out, "  {blocks}  {}{engine}{subject}", item.name)?;
    writeln!(out, "            {}", item.text)?;
    if let Some(fact) = &item.opened_by {
        writeln!(out, "            since {} ({}, entry {})", instant(fact.happened_ms), fact.kind, fact.index)?;
    }
    if let Some(due) = item.due_ms {
        writeln!(out, "            due {}", instant(due))?;
    }
    if !item.closes.is_empty() {
        writeln!(out, "            closed by: {}", item.closes)?;
    }
    Ok(())
}

/// An assessment: the telephone line first.
pub fn assessment(answer: &v1::Assessment, out: &mut dyn Write) -> io::Result<()> {
    writeln!(out, "{}", answer.first_line)?;
    let verdict = match Verdict::try_from(answer.verdict).unwrap_or_default() {
        Verdict::Blocked => "blocked",
        Verdict::Conditions => "conditions",
        Verdict::NothingOpen => "nothing open",
        Verdict::Unspecified => "not known",
    };
    writeln!(out, "  verdict      {verdict}")?;
    for condition in &answer.conditions {
        writeln!(out, "  condition    {condition}")?;
    }
    for start in &answer.latest_starts {
        let engine = start.engine.as_ref().map_or(0, |e| e.position);
        writeln!(out, "  latest start engine {engine}: {}", instant(start.latest_start_ms))?;
    }
    match answer.horizon_ms {
        Some(ms) => writeln!(out, "  holds until  {}, if nothing new is recorded", instant(ms))?,
        None => writeln!(out, "  holds        until something new is recorded")?,
    }
    if let Some(ms) = answer.devices_heard_until_ms {
        writeln!(out, "  devices      heard until {}", instant(ms))?;
    }
    if let Some(as_of) = &answer.as_of {
        writeln!(
            out,
            "  answered     from {} entries, judged at {}, rules version {}",
            as_of.size,
            instant(as_of.time_ms),
            answer.rules_version
        )?;
    }
    let list = v1::AircraftItems {
        registration: answer.registration.clone(),
        items: answer.items.clone(),
        findings: answer.findings.clone(),
        ..v1::AircraftItems::default()
    };
    items(&list, out)?;
    writeln!(out, "{}", answer.notice)
}
