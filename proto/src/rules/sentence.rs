//! Items and findings put on one aircraft, in words for people.

use super::act::Context;
use super::finding::{Finding, Raised, Rule};
use super::folded::Folded;
use super::instants::{clock, minute_after};
use super::item::{Blocks, Item, ItemKind, Open};
use super::state::{LatestStart, State};
use super::{metal_words, wording};
use crate::bytes::Id;
use crate::v1::{Authority, EngineAt};

/// What shows on the aircraft at the fold's time.
pub(super) fn place(folded: &Folded<'_>, aircraft: &Id) -> State {
    let context = &folded.context;
    let mut state = State::default();
    let shown = |belongs: &super::fleet::Belongs| belongs.shows_on(&context.fleet, aircraft, context.time_s);
    for open in folded.opens.iter().filter(|open| shown(&open.belongs)) {
        let item = item(open, context, aircraft);
        if let (Some(start), Some(engine)) = (&open.start, &item.engine) {
            state.latest_starts.push(LatestStart {
                engine: engine.clone(),
                latest_start_ms: start.latest_s.saturating_mul(1000),
                window_end_ms: start.window_end_s.saturating_mul(1000),
                air_source: start.air_source.clone(),
            });
            if open.blocks == Blocks::Condition {
                let [end, latest] = [start.window_end_s, start.latest_s].map(|s| clock(s, Some(context.time_s)));
                let air = if start.air_source.is_empty() { "a source not stated" } else { &start.air_source };
                let position = engine.position;
                state
                    .conditions
                    .push(format!("start engine {position} by {end} (plan no later than {latest}), air from {air}"));
            }
        }
        if open.kind == ItemKind::ReleaseReferenceDue {
            state.conditions.push(reference_condition(&open.subject));
        }
        state.items.push(item);
    }
    for raised in folded.findings.iter().filter(|raised| shown(&raised.belongs)) {
        state.findings.push(finding(raised, context, aircraft));
    }
    let position = |engine: &Option<EngineAt>| engine.as_ref().map_or(0, |e| e.position);
    state.items.sort_by_cached_key(|i| (i.kind, position(&i.engine), i.subject.clone(), i.opened_by.index));
    state.findings.sort_by_cached_key(|f| (f.rule, f.rests_on.iter().map(|r| r.index).collect::<Vec<u64>>()));
    state.latest_starts.sort_by_key(|s| s.engine.position);
    state.conditions.sort();
    state
}

/// What is to be done after a sign-off; the work order may not be known.
pub(super) fn reference_condition(work_order: &str) -> String {
    let of = if work_order.is_empty() { String::new() } else { format!(" of work order {work_order}") };
    format!("record the release reference{of}")
}

/// The engine at its position on this aircraft; as it was recorded where it is not listed there.
fn engine_here(engine: Option<&EngineAt>, context: &Context<'_>, aircraft: Option<Id>) -> Option<EngineAt> {
    engine.map(|engine| {
        let here = aircraft.and_then(|a| context.fleet.position(&engine.serial, &a, context.time_s));
        EngineAt { position: here.unwrap_or(engine.position), serial: engine.serial.clone() }
    })
}

fn item(open: &Open<'_>, context: &Context<'_>, aircraft: &Id) -> Item {
    let engine = engine_here(open.engine.as_ref(), context, Some(*aircraft));
    let short = short_of(open, context, Some(*aircraft));
    let (text, closes, who_may) = (text(open, context, &short), closes(open), who_may(open.kind));
    Item {
        kind: open.kind,
        aircraft: *aircraft,
        wash: open.wash,
        engine,
        subject: open.subject.clone(),
        opened_by: open.by.reference(),
        due_ms: open.due_s.map(|s| s.saturating_mul(1000)),
        blocks: open.blocks,
        short,
        text,
        closes,
        who_may,
        next: open.next.clone(),
    }
}

/// In a few words, as on the telephone.
pub(super) fn short_of(open: &Open<'_>, context: &Context<'_>, aircraft: Option<Id>) -> String {
    let engine = engine_here(open.engine.as_ref(), context, aircraft);
    short(open.kind, engine.as_ref(), &open.subject, &open.detail)
}

/// The same words for an item that is only supposed.
pub(super) fn short(kind: ItemKind, engine: Option<&EngineAt>, subject: &str, detail: &str) -> String {
    let on = engine.map(|e| format!("engine {} ", e.position)).unwrap_or_default();
    if let Some(words) = metal_words::short(kind, &on, subject) {
        return words;
    }
    match kind {
        ItemKind::LineDisconnected => format!("{on}line {subject} disconnected"),
        ItemKind::LineUnsecured => format!("{on}line {subject} not secured"),
        ItemKind::InspectionDue => format!("{on}line {subject} not inspected"),
        ItemKind::ReworkDue => format!("{on}line {subject} to be worked again"),
        ItemKind::FixtureFitted => format!("{on}{subject} still fitted"),
        ItemKind::AccessOpen => format!("{on}{subject} open"),
        ItemKind::Soaking => format!("{on}soaking"),
        ItemKind::DryingDue => format!("{on}not dried"),
        ItemKind::RunUpDue => format!("{on}not run up"),
        ItemKind::StartAwaited => format!("{on}not started yet"),
        ItemKind::RunUpOverdue => format!("{on}run-up overdue, ask whether it ran"),
        ItemKind::UnreadFact => format!("fact {subject} not read"),
        ItemKind::DeviceOutstanding => format!("device {detail} not heard out"),
        ItemKind::SignOffDue if subject.is_empty() => "wash not signed off".to_owned(),
        ItemKind::SignOffDue => format!("work order {subject} not signed off"),
        // Which breach it was, and not its digits: those stand in the item's subject.
        ItemKind::FindingOpen => {
            let rule = subject.split(' ').next().unwrap_or_default().replace('-', " ");
            format!("{on}finding ({rule}) not settled")
        }
        other => wording::short(other, &on, subject)
            .unwrap_or_else(|| format!("{on}{} {subject}", other.name()).trim().to_owned()),
    }
}

fn text(open: &Open<'_>, context: &Context<'_>, short: &str) -> String {
    let mut text = capital(short);
    if let Some(due_s) = open.due_s {
        let at = clock(due_s, Some(context.time_s));
        match open.kind {
            ItemKind::Soaking | ItemKind::MotoringRest => {
                text.push_str(&format!(" until {}", clock(minute_after(due_s), Some(context.time_s))));
            }
            ItemKind::DefectOpen => text.push_str(&format!("; its deferral's limit is {at}")),
            ItemKind::RunUpOverdue => text.push_str(&format!("; its window ended {at}")),
            _ => text.push_str(&format!("; its window ends {at}")),
        }
    }
    let detail_said = matches!(open.kind, ItemKind::DeviceOutstanding);
    if !open.detail.is_empty() && !detail_said {
        text.push_str(&format!(": {}", open.detail));
    }
    text.push('.');
    text
}

/// The sentence for an item that is only supposed.
pub(super) fn supposed(item: &Item, kind: ItemKind) -> Item {
    let short = short(kind, item.engine.as_ref(), &item.subject, "");
    Item {
        kind,
        due_ms: None,
        blocks: if kind == ItemKind::ReleaseReferenceDue { Blocks::Condition } else { Blocks::Yes },
        text: format!("{}.", capital(&short)),
        closes: closes_by_kind(kind).to_owned(),
        who_may: who_may(kind),
        short,
        next: Vec::new(),
        ..item.clone()
    }
}

pub(super) fn capital(text: &str) -> String {
    let mut chars = text.chars();
    chars.next().map(|first| first.to_uppercase().chain(chars).collect()).unwrap_or_default()
}

fn closes(open: &Open<'_>) -> String {
    closes_by_kind(open.kind).to_owned()
}

impl ItemKind {
    /// What closes an item of this kind, in a sentence.
    pub fn closes(self) -> &'static str {
        closes_by_kind(self)
    }

    /// Who may close it; nobody where time alone does.
    pub fn who_may(self) -> Vec<Authority> {
        who_may(self)
    }
}

fn closes_by_kind(kind: ItemKind) -> &'static str {
    match kind {
        ItemKind::LineDisconnected => "The same line of the same engine is reconnected.",
        ItemKind::LineUnsecured => "It is reconnected with the torque and locking asked, by a tool in calibration.",
        ItemKind::InspectionDue => {
            "Another person, who did not help, inspects it and finds it satisfactory, naming that reconnection."
        }
        ItemKind::ReworkDue => "It is reconnected again, then inspected.",
        ItemKind::FixtureFitted => "It is removed, same tag.",
        ItemKind::AccessOpen => "It is closed.",
        ItemKind::Soaking => "The soak time passes.",
        ItemKind::DryingDue => {
            "A valid dry crank after the last soak; or a run-up, a start that dries, drying otherwise."
        }
        ItemKind::RunUpDue => "A satisfactory run-up or a start that dries, begun in its window; or drying otherwise.",
        ItemKind::StartAwaited => "The engine starts in its window, and runs long enough; or it is run up.",
        ItemKind::RunUpOverdue => "As the procedure allows: run-up, drying otherwise, new valid cycles, a decision.",
        ItemKind::UnreadFact => {
            "It is enrolled and read; a refused one is recorded anew naming it; or two persons set it aside."
        }
        ItemKind::DeviceOutstanding => {
            "The device reports that it has nothing unsent, or leaves the wash; or certifying staff settle it by name."
        }
        ItemKind::SignOffDue => "Certifying staff sign the wash off while nothing of it blocks.",
        ItemKind::FindingOpen => "Certifying staff settle it, another person than who signed what it rests on.",
        other => wording::closes(other).or_else(|| metal_words::closes(other)).unwrap_or("See the procedure."),
    }
}

fn who_may(kind: ItemKind) -> Vec<Authority> {
    match kind {
        ItemKind::LineDisconnected | ItemKind::LineUnsecured | ItemKind::ReworkDue => vec![Authority::Perform],
        ItemKind::FixtureFitted | ItemKind::AccessOpen => vec![Authority::Perform],
        ItemKind::InspectionDue => vec![Authority::Inspect],
        ItemKind::DryingDue => vec![Authority::Perform, Authority::Run, Authority::Certify, Authority::Plan],
        ItemKind::RunUpDue | ItemKind::StartAwaited => {
            vec![Authority::Run, Authority::Certify, Authority::Waive, Authority::Plan]
        }
        ItemKind::RunUpOverdue => vec![Authority::Run, Authority::Certify],
        ItemKind::UnreadFact => vec![Authority::Custody, Authority::Certify],
        ItemKind::DeviceOutstanding => vec![Authority::Perform, Authority::Certify],
        ItemKind::SignOffDue | ItemKind::FindingOpen => vec![Authority::Certify],
        other => wording::who_may(other).or_else(|| metal_words::who_may(other)).unwrap_or_default(),
    }
}

fn finding(raised: &Raised<'_>, context: &Context<'_>, aircraft: &Id) -> Finding {
    let engine = engine_here(raised.engine.as_ref(), context, Some(*aircraft));
    Finding {
        rule: raised.rule,
        severity: raised.severity,
        aircraft: *aircraft,
        wash: raised.wash(),
        subject: raised.subject.clone(),
        rests_on: raised.rests_on.iter().map(super::act::Act::reference).collect(),
        text: finding_text(raised, engine.as_ref()),
        settled: raised.settled.as_ref().map(|(by, outcome)| (by.reference(), *outcome)),
        engine,
    }
}

fn finding_text(raised: &Raised<'_>, engine: Option<&EngineAt>) -> String {
    let act = raised.rests_on.last().map(super::act::Act::reference);
    let kind = act.as_ref().map_or("unread", |a| a.kind).replace('-', " ");
    let on = engine.map(|e| format!(" on engine {}", e.position)).unwrap_or_default();
    if let Some(words) = metal_words::finding(raised, engine, &on) {
        return words;
    }
    match raised.rule {
        Rule::BeyondAuthority => format!("\"{kind}\"{on} was signed without the authority that it asks."),
        Rule::KeyNotTrusted => format!("\"{kind}\"{on} was signed with a key that was revoked."),
        Rule::InDoubt => format!(
            "\"{kind}\"{on} was signed while its signer's key or authority changed: what it closes waits for settlement."
        ),
        Rule::SelfInspected => {
            format!("{}{on} was inspected by somebody who worked on it; that closes nothing.", capital(&raised.subject))
        }
        Rule::TimeDisorder if raised.rests_on.len() > 1 => {
            format!("\"{kind}\"{on} says that it happened before what it names.")
        }
        Rule::EnrolledLate => format!("The signer of \"{kind}\"{on} was enrolled after it had come in."),
        Rule::LateEntry => format!("\"{kind}\"{on} was written down long after it happened."),
        Rule::Doubled => format!("\"{kind}\"{on} stands there twice within a minute."),
        Rule::OrderUnsure => {
            let of = if raised.subject.is_empty() { String::new() } else { format!(" of {}", raised.subject) };
            format!("Two clocks are too close to tell whether \"{kind}\"{of}{on} came last: close it again.")
        }
        Rule::DeviceForked => {
            format!("One device told two stories at one place, \"{kind}\"{on} among them: neither closes anything.")
        }
        Rule::TimeDisorder => format!("\"{kind}\"{on} says that it happened after it was received."),
        Rule::ImpossibleStep if kind == "corrected" => {
            "A correction names nothing that can be corrected, or changes what it may not: strike out and record anew."
                .to_owned()
        }
        Rule::CorrectionConflict => format!(
            "Two corrections of one fact{on} disagree: none of its versions closes anything until one correction is left."
        ),
        Rule::ClockAdrift => format!("The clock of the device that sent \"{kind}\"{on} was off."),
        other => wording::finding(raised, &on)
            .unwrap_or_else(|| format!("\"{kind}\"{on}: {}.", other.name().replace('-', " "))),
    }
}
