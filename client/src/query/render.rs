//! How answers are shown to people: plain lines that read well at 80 columns, the most pressing first, nothing told by
//! colour. Times are UTC. Rendering takes what the service answered, and adds nothing to it.

use std::borrow::Cow;
use std::io::{self, Write};

use rinsebook_proto::rules::{NOTHING_OPEN_NOTICE, NOTICE};
use rinsebook_proto::v1::{self, Authority, Blocks, ItemKind, Severity, Verdict};

use super::text::{from_then, paragraph, plain};
pub use super::text::{instant, second};

/// Under an item's or finding's first line.
const UNDER: &str = "            ";

/// The items and findings of one aircraft, judged at `then_ms`, and what must be read with them.
pub fn items(list: &v1::AircraftItems, then_ms: u64, out: &mut dyn Write) -> io::Result<()> {
    writeln!(out, "{}", named(&list.registration))?;
    items_and_findings(&list.items, &list.findings, then_ms, out)?;
    let notice = if list.items.is_empty() { NOTHING_OPEN_NOTICE } else { NOTICE };
    writeln!(out, "{notice}")
}

/// What a list was answered from.
pub fn as_of(as_of: &v1::AsOf, out: &mut dyn Write) -> io::Result<()> {
    writeln!(out, "answered from {} entries, judged at {}", as_of.size, instant(as_of.time_ms))
}

pub(crate) fn named(registration: &str) -> Cow<'_, str> {
    if registration.is_empty() { Cow::Borrowed("aircraft not listed") } else { plain(registration) }
}

/// What blocks first, then what stands in the way of the sign-off, then conditions; the earliest due first in each.
fn rank(item: &v1::OpenItem) -> (u8, u64) {
    let rank = match Blocks::try_from(item.blocks).unwrap_or_default() {
        Blocks::Yes => 0,
        Blocks::SignOff => 1,
        Blocks::Condition => 2,
        // A value of a later version: nearer to the top than what is known not to block.
        Blocks::Unspecified => 3,
        Blocks::No => 4,
    };
    (rank, item.due_ms.unwrap_or(u64::MAX))
}

/// The elements that are not accounted for, and all else; each by rank.
fn ranked(items: &[v1::OpenItem]) -> (Vec<&v1::OpenItem>, Vec<&v1::OpenItem>) {
    let mut items: Vec<&v1::OpenItem> = items.iter().collect();
    items.sort_by_key(|item| rank(item));
    items.into_iter().partition(|item| item.kind == ItemKind::Unaccounted as i32)
}

fn items_and_findings(
    items: &[v1::OpenItem],
    findings: &[v1::Finding],
    then_ms: u64,
    out: &mut dyn Write,
) -> io::Result<()> {
    let (elements, items) = ranked(items);
    let (blocking, others): (Vec<_>, Vec<_>) = items.into_iter().partition(|item| rank(item).0 == 0);
    blocking.into_iter().try_for_each(|item| one_item(item, then_ms, out))?;
    elements_together(&elements, then_ms, out)?;
    others.into_iter().try_for_each(|item| one_item(item, then_ms, out))?;
    let (settled, open): (Vec<_>, Vec<_>) = findings.iter().partition(|finding| finding.settled_by.is_some());
    open.into_iter().chain(settled).try_for_each(|finding| one_finding(finding, out))
}

/// "engine 2, line PS-1": where to go.
fn place(engine: Option<&v1::EngineAt>, subject: &str, kind: i32) -> String {
    let subject = plain(subject);
    let engine = engine.map(|e| format!("engine {}", e.position));
    let subject = match ItemKind::try_from(kind).unwrap_or_default() {
        // A device's id says nothing to a reader; its name stands in the text.
        ItemKind::DeviceOutstanding => None,
        _ if subject.is_empty() => None,
        ItemKind::LineDisconnected
        | ItemKind::LineUnsecured
        | ItemKind::InspectionDue
        | ItemKind::ReworkDue
        | ItemKind::LeakCheckDue
        | ItemKind::LineDamaged => Some(format!("line {subject}")),
        _ => Some(subject.into_owned()),
    };
    [engine, subject].into_iter().flatten().collect::<Vec<_>>().join(", ")
}

/// Elements of the procedure that are not accounted for: one paragraph an opening and engine, since they say the same of
/// each and would hide what blocks.
fn elements_together(elements: &[&v1::OpenItem], then_ms: u64, out: &mut dyn Write) -> io::Result<()> {
    let key = |item: &v1::OpenItem| {
        let engine = item.engine.as_ref().map_or(0, |e| e.position);
        (item.opened_by.as_ref().map(|fact| fact.index), engine, item.blocks)
    };
    for group in elements.chunk_by(|a, b| key(a) == key(b)) {
        let names: Vec<Cow<'_, str>> = group.iter().map(|item| plain(&item.subject)).collect();
        let engine = group[0].engine.as_ref().map(|e| format!("Engine {}: ", e.position)).unwrap_or_default();
        let text = format!("{engine}{} not accounted for.", names.join(", "));
        let together = v1::OpenItem { subject: String::new(), text, ..group[0].clone() };
        one_item(if let [only] = group { only } else { &together }, then_ms, out)?;
    }
    Ok(())
}

/// In a column.
fn blocks(item: &v1::OpenItem) -> &'static str {
    match Blocks::try_from(item.blocks).unwrap_or_default() {
        Blocks::Yes => "blocks  ",
        Blocks::SignOff => "sign-off",
        Blocks::Condition => "on terms",
        Blocks::No => "open    ",
        Blocks::Unspecified => "not read",
    }
}

fn one_item(item: &v1::OpenItem, then_ms: u64, out: &mut dyn Write) -> io::Result<()> {
    let blocks = blocks(item);
    let place = place(item.engine.as_ref(), &item.subject, item.kind);
    writeln!(out, "{}", format!("  {blocks}  {}  {place}", item.name).trim_end())?;
    paragraph(UNDER, &item.text, out)?;
    if let Some(fact) = &item.opened_by {
        writeln!(out, "{UNDER}since {} ({}, entry {})", instant(fact.happened_ms), fact.kind, fact.index)?;
    }
    if let Some(due) = item.due_ms {
        writeln!(out, "{UNDER}due {}, {}", instant(due), from_then(then_ms, due))?;
    }
    if !item.closes.is_empty() {
        paragraph(&format!("{UNDER}closed by: "), &item.closes, out)?;
    }
    if !item.who_may.is_empty() {
        writeln!(out, "{UNDER}by whoever may {}", who_may(&item.who_may))?;
    }
    Ok(())
}

fn who_may(authorities: &[i32]) -> String {
    names_of(authorities).join(" or ")
}

pub(crate) fn names_of(authorities: &[i32]) -> Vec<&'static str> {
    authorities.iter().map(|a| authority(*a)).collect()
}

fn authority(number: i32) -> &'static str {
    match Authority::try_from(number).unwrap_or_default() {
        Authority::Perform => "perform",
        Authority::Inspect => "inspect",
        Authority::Run => "run engines",
        Authority::Certify => "certify",
        Authority::Waive => "waive",
        Authority::Plan => "plan",
        Authority::Custody => "keep custody",
        Authority::Unspecified => "do what this version cannot read",
    }
}

fn one_finding(finding: &v1::Finding, out: &mut dyn Write) -> io::Result<()> {
    let severity = match Severity::try_from(finding.severity).unwrap_or_default() {
        Severity::Major => "major",
        Severity::Minor => "minor",
        Severity::Note => "note",
        Severity::Unspecified => "not read",
    };
    let place = place(finding.engine.as_ref(), &finding.subject, 0);
    let place = if place.is_empty() { place } else { format!("  {place}") };
    // Nobody settles a note: it is only shown.
    let state = match &finding.settled_by {
        Some(fact) => format!(", settled {} (entry {})", instant(fact.happened_ms), fact.index),
        None if severity == "note" => String::new(),
        None => ", not settled".to_owned(),
    };
    writeln!(out, "  finding   {}{place}  ({severity}{state})", finding.rule)?;
    paragraph(UNDER, &finding.text, out)
}

/// An assessment in as few lines as tell what is open: of each item and finding its sentence.
pub fn in_short(answer: &v1::Assessment, out: &mut dyn Write) -> io::Result<()> {
    writeln!(out, "{}", plain(&answer.first_line))?;
    for start in &answer.latest_starts {
        latest_start(start, out)?;
    }
    let (elements, items) = ranked(&answer.items);
    items.into_iter().try_for_each(|item| paragraph(&format!("  {}  ", blocks(item)), &item.text, out))?;
    if !elements.is_empty() {
        let elements = format!("{} elements of the procedure are not accounted for.", elements.len());
        paragraph("  sign-off  ", &elements, out)?;
    }
    let open = answer.findings.iter().filter(|finding| finding.settled_by.is_none());
    open.into_iter().try_for_each(|finding| paragraph("  finding   ", &finding.text, out))?;
    // Where nothing is open the first line says it already.
    if answer.first_line.to_lowercase().contains(&answer.notice) { Ok(()) } else { writeln!(out, "{}", answer.notice) }
}

/// An assessment: the telephone line first, alone on its line.
pub fn assessment(answer: &v1::Assessment, out: &mut dyn Write) -> io::Result<()> {
    writeln!(out, "{}", plain(&answer.first_line))?;
    let verdict = match Verdict::try_from(answer.verdict).unwrap_or_default() {
        Verdict::Blocked => "blocked: something open stands in the way",
        Verdict::Conditions => "conditions: nothing blocks, something is open",
        Verdict::NothingOpen => "nothing open in this record",
        Verdict::Unspecified => "not known to this version: ask with a newer one",
    };
    writeln!(out, "  aircraft     {}", named(&answer.registration))?;
    writeln!(out, "  verdict      {verdict}")?;
    if let Some(ms) = answer.planned_start_ms {
        writeln!(out, "  asked for    a start at {}", instant(ms))?;
    }
    for condition in &answer.conditions {
        paragraph("  condition    ", condition, out)?;
    }
    for start in &answer.latest_starts {
        latest_start(start, out)?;
    }
    how_long(answer, out)?;
    let then_ms = answer.as_of.as_ref().map_or(0, |as_of| as_of.time_ms);
    items_and_findings(&answer.items, &answer.findings, then_ms, out)?;
    writeln!(out, "{}", answer.notice)
}

fn latest_start(start: &v1::LatestStart, out: &mut dyn Write) -> io::Result<()> {
    let engine = start.engine.as_ref().map_or(0, |e| e.position);
    let air = if start.air_source.is_empty() { String::new() } else { format!("; needs {}", start.air_source) };
    let line = format!(
        "engine {engine}: {}, its window ends {}{air}",
        instant(start.latest_start_ms),
        instant(start.window_end_ms)
    );
    paragraph("  latest start ", &line, out)
}

/// Until when the answer holds, and what it rests on.
fn how_long(answer: &v1::Assessment, out: &mut dyn Write) -> io::Result<()> {
    match answer.horizon_ms {
        Some(ms) => paragraph(
            "  horizon      ",
            &format!("this answer holds until {}, if nothing new is recorded", instant(ms)),
            out,
        )?,
        None => writeln!(out, "  horizon      this answer holds until something new is recorded")?,
    }
    if let Some(ms) = answer.devices_heard_until_ms {
        writeln!(out, "  devices      heard until {}", instant(ms))?;
    }
    let Some(as_of) = &answer.as_of else { return Ok(()) };
    let (size, then, rules) = (as_of.size, instant(as_of.time_ms), answer.rules_version);
    writeln!(out, "  answered     from {size} entries, judged at {then}, rules version {rules}")
}
