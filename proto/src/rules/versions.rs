//! What a correction does to a fact, as far as the two bodies tell it: whether it may stand in its place, whether it
//! asks a second person whatever else is recorded, and whether it frees those who named the older version. And, with
//! everything else that is recorded, whether it takes anything away.
//!
//! *Taking away* is found by folding the facts with and without the correction, at the time asked for. It takes away
//! an item that is open without it and is neither open with it nor stood for by a graver one; an item whose due time
//! it makes laxer; and a major finding, settled or not. Minor findings may go: a correction is how they go. Until it is
//! agreed to, what such a correction opens counts beside the rest, as any opening does.

use std::collections::BTreeSet;

use super::act::Act;
use super::finding::{self, Raised, Rule, Severity};
use super::fleet::Belongs;
use super::folded::Folded;
use super::item::{Blocks, ItemKind, Open};
use super::kinds::{self, Asked};
use crate::bytes::{Hash, Id};
use crate::fact::{Kind, engines_named};
use crate::v1::CheckResult;

/// Custodians' and the service's facts are mended by newer ones; a second signature goes with the fact that it is on.
pub(super) fn can_be_corrected(kind: &Kind) -> bool {
    let by_a_person = !matches!(kinds::asked(kind), Asked::Custody | Asked::Service);
    by_a_person && !matches!(kind, Kind::Corrected(_) | Kind::Countersigned(_) | Kind::CustodyReestablished(_))
}

/// Whether the new body may stand in the old one's place: same kind, same engines, same names.
pub(super) fn may_replace(old: &Kind, new: &Kind) -> bool {
    std::mem::discriminant(old) == std::mem::discriminant(new)
        && engines_named(old) == engines_named(new)
        && names(old) == names(new)
}

/// What a body names beside engines: lines, accesses, tags, tools, devices, rules.
fn names(kind: &Kind) -> Vec<&[u8]> {
    match kind {
        Kind::WashOpened(b) => b.devices.iter().map(Vec::as_slice).collect(),
        Kind::DeviceJoined(b) => vec![&b.device],
        Kind::DeviceLeft(b) => vec![&b.device],
        Kind::DeviceSettled(b) => vec![&b.device],
        Kind::Isolated(b) => vec![b.isolation.as_bytes(), b.tag.as_bytes()],
        Kind::IsolationRestored(b) => vec![b.isolation.as_bytes(), b.tag.as_bytes()],
        Kind::FoundDeferred(b) => vec![b.isolation.as_bytes()],
        Kind::AccessOpened(b) => vec![b.access.as_bytes()],
        Kind::AccessClosed(b) => vec![b.access.as_bytes()],
        Kind::LatchesSeen(b) => vec![b.access.as_bytes()],
        Kind::LineDisconnected(b) => vec![b.line.as_bytes()],
        Kind::LineReconnected(b) => vec![b.line.as_bytes()],
        Kind::FixtureFitted(b) => vec![b.fixture.as_bytes(), b.tag.as_bytes()],
        Kind::FixtureRemoved(b) => vec![b.fixture.as_bytes(), b.tag.as_bytes()],
        // The element's name among those of its kind.
        Kind::ElementNotUsed(b) => vec![element_kind(b.element_kind), b.element.as_bytes()],
        Kind::LeakChecked(b) => vec![b.line.as_bytes()],
        Kind::LineRepaired(b) => vec![b.line.as_bytes()],
        Kind::PartReplaced(b) => vec![b.line.as_bytes()],
        Kind::DefectRaised(b) => vec![b.line.as_bytes()],
        Kind::Inspected(b) => vec![b.line.as_bytes()],
        Kind::JointDispositioned(b) => vec![b.line.as_bytes()],
        Kind::ReinspectedAlone(b) => vec![b.line.as_bytes(), b.access.as_bytes()],
        Kind::ToolsOut(b) => b.tools.iter().map(String::as_bytes).collect(),
        Kind::ToolsIn(b) => b.tools.iter().map(String::as_bytes).collect(),
        Kind::ToolSearched(b) => vec![b.tool.as_bytes()],
        Kind::ToolRecalled(b) => vec![b.tool.as_bytes()],
        Kind::ToolSearchAccepted(b) => vec![b.tool.as_bytes()],
        Kind::FindingSettled(b) => vec![b.rule.as_bytes()],
        _ => Vec::new(),
    }
}

fn element_kind(value: i32) -> &'static [u8] {
    crate::v1::ElementKind::try_from(value).map_or("", |kind| kind.as_str_name()).as_bytes()
}

/// Whether the correction asks a second person whatever else is recorded; `new` is none where it strikes out. A
/// sign-off's weight shows only beside the other facts, after them: it always asks one.
pub(super) fn asks_second(old: &Kind, new: Option<&Kind>) -> bool {
    match new {
        _ if matches!(old, Kind::SignedOff(_)) => true,
        None => opens(old),
        Some(new) => is_injected(old) && !is_injected(new),
    }
}

/// Whether the fact is by its nature an opening. Reconnecting and closing are not, for striking them out opens again.
fn opens(kind: &Kind) -> bool {
    let bad = CheckResult::NotSatisfactory as i32;
    match kind {
        Kind::WashOpened(_) | Kind::WashInterrupted(_) | Kind::HandedOver(_) | Kind::DeviceJoined(_) => true,
        Kind::Isolated(_) | Kind::AccessOpened(_) | Kind::LineDisconnected(_) | Kind::FixtureFitted(_) => true,
        Kind::ToolsOut(_) | Kind::DefectRaised(_) | Kind::ToolRecalled(_) | Kind::RevisionDecided(_) => true,
        Kind::CycleRun(_) | Kind::MotoringAborted(_) => is_injected(kind),
        Kind::Inspected(b) => b.result == bad,
        Kind::LeakChecked(b) => b.result == bad,
        Kind::ReinspectedAlone(b) => b.result == bad,
        _ => false,
    }
}

fn is_injected(kind: &Kind) -> bool {
    match kind {
        Kind::CycleRun(b) => b.injection_started_ms.or(b.injection_ended_ms).is_some(),
        Kind::MotoringAborted(b) => b.injection_started_ms.or(b.injection_ended_ms).is_some(),
        _ => false,
    }
}

/// Whether what named the older version has to be done again: torque, tool or locking of a joint changed.
pub(super) fn frees(old: &Kind, new: &Kind) -> bool {
    match (old, new) {
        (Kind::LineReconnected(old), Kind::LineReconnected(new)) => {
            old.torque_millinewton_metres != new.torque_millinewton_metres
                || old.tool != new.tool
                || old.locking != new.locking
        }
        _ => false,
    }
}

/// Whether something stands open, or is found, in the one and no more in the other.
pub(super) fn takes_away(before: &Folded<'_>, after: &Folded<'_>) -> bool {
    let left: Vec<Standing<'_>> = after.opens.iter().filter_map(standing).collect();
    let gone = |item: &Standing<'_>| !left.iter().any(|other| other.stands_for(item));
    if before.opens.iter().filter_map(standing).any(|item| gone(&item)) {
        return true;
    }
    let majors = |folded: &Folded<'_>| folded.findings.iter().filter_map(major).collect::<BTreeSet<Major>>();
    let (were, are) = (majors(before), majors(after));
    !were.is_subset(&are)
}

/// Adds what stands open, and the major findings, under a correction that waits for agreement: what opens, opens. An
/// item that is there already takes the stricter due time and block of the two.
pub(super) fn add_openings<'c>(folded: &mut Folded<'c>, waiting: Folded<'c>) {
    for open in waiting.opens.into_iter().filter(|open| open.kind != ItemKind::FindingOpen) {
        let stands = folded
            .opens
            .iter()
            .filter_map(standing)
            .any(|other| standing(&open).is_some_and(|item| other.stands_for(&item)));
        let key = |open: &Open<'_>| (open.kind, open.wash, open.engine.clone(), open.subject.clone());
        match folded.opens.iter_mut().find(|known| key(known) == key(&open)) {
            _ if stands => {}
            Some(known) => make_stricter(known, open),
            None => folded.opens.push(open),
        }
    }
    let majors: BTreeSet<Major> = folded.findings.iter().filter_map(major).collect();
    let new = |raised: &Raised<'_>| major(raised).is_some_and(|found| !majors.contains(&found));
    let findings: Vec<Raised<'c>> = waiting.findings.into_iter().filter(new).collect();
    folded.opens.extend(finding::open_items(&findings));
    folded.findings.extend(findings);
}

fn make_stricter<'c>(known: &mut Open<'c>, other: Open<'c>) {
    if rank(other.blocks) > rank(known.blocks) {
        known.blocks = other.blocks;
    }
    known.belongs.aircraft.extend(other.belongs.aircraft.iter().copied());
    known.belongs.engines.extend(other.belongs.engines.iter().cloned());
    if is_laxer(&other, known) {
        (known.due_s, known.start) = (other.due_s, other.start);
    }
}

/// Instants at which an item of the fold turns: an answer may differ there that shows nothing of it now.
pub(super) fn turns(folded: &Folded<'_>) -> impl Iterator<Item = u64> {
    let starts = folded.opens.iter().filter_map(|open| open.start.as_ref().map(|start| start.latest_s + 1));
    folded.opens.iter().filter_map(|open| open.due_s).chain(starts)
}

/// An open item, told by what does not change with a version's hash.
struct Standing<'a> {
    open: &'a Open<'a>,
    subject: String,
}

fn standing<'a>(open: &'a Open<'_>) -> Option<Standing<'a>> {
    // Findings are compared by themselves.
    (open.kind != ItemKind::FindingOpen).then(|| {
        let subject = open.subject.replace(&open.by.hash().short(), &open.by.original().short());
        Standing { open, subject }
    })
}

impl Standing<'_> {
    /// Whether this one, open, stands in the way of all that the other does.
    fn stands_for(&self, other: &Standing<'_>) -> bool {
        let (mine, its) = (self.open, other.open);
        let covers = |mine: &Belongs, its: &Belongs| {
            mine.aircraft.is_superset(&its.aircraft) && mine.engines.is_superset(&its.engines)
        };
        let same_thing = mine.engine == its.engine && self.subject == other.subject && mine.wash == its.wash;
        let same_kind = mine.kind == its.kind;
        let graver = mine.next.contains(&its.kind) || replaces(mine.kind, its.kind);
        same_thing
            && (same_kind && !is_laxer(its, mine) || graver)
            && rank(mine.blocks) >= rank(its.blocks)
            && covers(&mine.belongs, &its.belongs)
    }
}

/// A kind that stands in another's place while it lasts.
fn replaces(graver: ItemKind, other: ItemKind) -> bool {
    use ItemKind::{
        AccessOpen, InspectionDue, LatchCheckDue, LeakCheckDue, LineDisconnected, LineUnsecured, ReworkDue,
    };
    match graver {
        LineDisconnected => matches!(other, LineUnsecured | ReworkDue | InspectionDue | LeakCheckDue),
        LineUnsecured | ReworkDue => matches!(other, InspectionDue | LeakCheckDue),
        AccessOpen => other == LatchCheckDue,
        ItemKind::RunUpOverdue => matches!(other, ItemKind::RunUpDue | ItemKind::StartAwaited),
        ItemKind::RunUpDue => other == ItemKind::StartAwaited,
        _ => false,
    }
}

/// A soak or rest that is over sooner, or a limit that falls later.
fn is_laxer(before: &Open<'_>, after: &Open<'_>) -> bool {
    let passes = matches!(before.kind, ItemKind::Soaking | ItemKind::MotoringRest);
    match (before.due_s, after.due_s) {
        (Some(before), Some(after)) if passes => after < before,
        (Some(before), Some(after)) => after > before,
        (before, after) => before.is_some() != after.is_some(),
    }
}

fn rank(blocks: Blocks) -> u8 {
    match blocks {
        Blocks::No => 0,
        Blocks::Condition => 1,
        Blocks::SignOff => 2,
        Blocks::Yes => 3,
    }
}

/// A major finding. Whether it is settled is not in it: that is the word of whoever settled it, not the correction's.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord)]
struct Major {
    rule: Rule,
    wash: Option<Id>,
    engine: Option<String>,
    subject: String,
    rests_on: Vec<Hash>,
}

fn major(raised: &Raised<'_>) -> Option<Major> {
    (raised.severity == Severity::Major).then(|| Major {
        rule: raised.rule,
        wash: raised.wash(),
        engine: raised.engine.as_ref().map(|e| e.serial.clone()),
        subject: raised.subject.clone(),
        rests_on: raised.rests_on.iter().map(Act::original).collect(),
    })
}
