//! Both answers side by side.

use std::collections::BTreeSet;

use rinsebook_proto::bytes::{Hash, Id};
use rinsebook_proto::rules::{self, Blocks, History};
use rinsebook_proto::v1;

use super::facts::Book;
use super::findings::{self, Severity};
use super::items::Stops;
use super::order::View;

/// Items that are compared.
pub const COMPARED_ITEMS: &[&str] = &[
    "line-disconnected",
    "line-unsecured",
    "inspection-due",
    "rework-due",
    "leak-check-due",
    "line-damaged",
    "isolation-open",
    "fixture-fitted",
    "access-open",
    "latch-check-due",
    "soaking",
    "motoring-rest",
    "drying-due",
    "run-up-due",
    "start-awaited",
    "run-up-overdue",
    "start-unconfirmed",
    "freeze-watch",
    "cycles-short",
];
/// Rules whose findings are compared.
pub const COMPARED_RULES: &[&str] = &[
    "beyond-authority",
    "key-not-trusted",
    "in-doubt",
    "self-inspected",
    "clock-adrift",
    "torque-out",
    "tool-uncalibrated",
    "line-outside-procedure",
    "injected-early",
    "rotation-unconfirmed",
    "speed-low",
    "injection-short",
    "soak-short",
    "starter-overrun",
    "run-up-missed",
    "wrong-engine",
    "enrolled-late",
    "doubled",
];

/// Items that stay with the aircraft: the engine is not compared.
const STAYS: &[&str] = &["access-open", "isolation-open", "latch-check-due"];

/// One line of an answer: an item or a finding, in the same words for both.
pub type Lines = BTreeSet<String>;

/// What the rules say of an aircraft.
pub fn by_the_rules(history: &History, aircraft: &Id, size: u64, time_ms: u64, planned_ms: Option<u64>) -> Lines {
    let question = rules::Question {
        aircraft: *aircraft,
        planned_start_ms: planned_ms,
        assume_closed: vec![],
        epoch: 1,
        size,
        time_ms,
    };
    let answer = history.assess(&question);
    let items = answer.items.iter().filter(|i| COMPARED_ITEMS.contains(&i.kind.name())).map(|i| {
        let serial = i.engine.as_ref().map(|e| e.serial.as_str()).filter(|_| !STAYS.contains(&i.kind.name()));
        item_line(i.kind.name(), serial, &i.opened_by.hash, i.due_ms.map(|ms| ms / 1000), stops(i.blocks))
    });
    let rules = answer.findings.iter().filter(|f| COMPARED_RULES.contains(&f.rule.name())).map(|f| {
        let facts: BTreeSet<Hash> = f.rests_on.iter().map(|r| r.hash).collect();
        finding_line(f.rule.name(), &format!("{:?}", f.severity), &facts, f.settled.is_some())
    });
    items.chain(rules).collect()
}

/// What an answer of the service says of it.
pub fn by_the_answer(answer: &v1::Assessment) -> Lines {
    let hash = |fact: &v1::FactRef| Hash::from_slice(&fact.envelope_hash).unwrap_or(Hash::ZERO);
    let items = answer.items.iter().filter_map(|i| {
        let kind = COMPARED_ITEMS.iter().find(|kind| **kind == i.name)?;
        let serial = i.engine.as_ref().map(|e| e.serial.as_str()).filter(|_| !STAYS.contains(kind));
        let opened_by = i.opened_by.as_ref().map(hash).unwrap_or(Hash::ZERO);
        let stops = match i.blocks() {
            v1::Blocks::Yes => Stops::Going,
            v1::Blocks::SignOff => Stops::SignOff,
            v1::Blocks::Condition => Stops::OnCondition,
            v1::Blocks::No | v1::Blocks::Unspecified => Stops::Nothing,
        };
        Some(item_line(kind, serial, &opened_by, i.due_ms.map(|ms| ms / 1000), stops))
    });
    let rules = answer.findings.iter().filter(|f| COMPARED_RULES.contains(&f.rule.as_str())).map(|f| {
        let severity = match f.severity() {
            v1::Severity::Minor => "Minor",
            v1::Severity::Major => "Major",
            v1::Severity::Note | v1::Severity::Unspecified => "Note",
        };
        let facts: BTreeSet<Hash> = f.rests_on.iter().map(hash).collect();
        finding_line(&f.rule, severity, &facts, f.settled_by.is_some())
    });
    items.chain(rules).collect()
}

/// What the model says of it.
pub fn by_the_model(book: &Book, aircraft: &Id, time_s: u64, planned_s: Option<u64>) -> Lines {
    let view = View::new(book, time_s, planned_s);
    let open = super::open_items(&view);
    let here = open.iter().filter(|i| i.shows_on.contains(aircraft) && COMPARED_ITEMS.contains(&i.kind));
    let items = here.map(|i| item_line(i.kind, i.serial.as_deref(), &i.opened_by, i.due_s, i.stops));
    let breaches = findings::all(&view);
    let found = breaches.iter().filter(|b| b.shows_on.contains(aircraft) && COMPARED_RULES.contains(&b.rule));
    let rules = found.map(|b| finding_line(b.rule, severity(b.severity), &b.facts, b.settled(&view).is_some()));
    items.chain(rules).collect()
}

fn severity(severity: Severity) -> &'static str {
    match severity {
        Severity::Note => "Note",
        Severity::Minor => "Minor",
        Severity::Major => "Major",
    }
}

fn stops(blocks: Blocks) -> Stops {
    match blocks {
        Blocks::No => Stops::Nothing,
        Blocks::Yes => Stops::Going,
        Blocks::SignOff => Stops::SignOff,
        Blocks::Condition => Stops::OnCondition,
    }
}

fn item_line(kind: &str, serial: Option<&str>, by: &Hash, due_s: Option<u64>, stops: Stops) -> String {
    format!("{kind} {} opened by {} due {due_s:?} stops {stops:?}", serial.unwrap_or("-"), by.short())
}

fn finding_line(rule: &str, severity: &str, facts: &BTreeSet<Hash>, settled: bool) -> String {
    let facts: Vec<String> = facts.iter().map(Hash::short).collect();
    format!("! {rule} {severity} on {}{}", facts.join("+"), if settled { " settled" } else { "" })
}
