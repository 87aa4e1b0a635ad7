//! Silence is not completeness: facts that cannot be read, facts refused, devices that may still hold some.

use std::collections::{BTreeMap, BTreeSet};

use super::act::{Act, Context};
use super::case::Case;
use super::fleet::Belongs;
use super::folded::Folded;
use super::history::Heard;
use super::item::{ItemKind, Open};
use super::people::SignOffState;
use super::roster::Roster;
use crate::bytes::{Hash, Id};
use crate::fact::{Kind, Subject, engines_named};
use crate::v1;

/// A report older than this leaves its device outstanding, where no procedure says it: invented.
const REPORT_MAX_AGE_S: u64 = 600;

/// A device's part in a wash.
struct Part<'c> {
    device: Id,
    /// The fact that brought it in.
    joined: Act<'c>,
    /// Its fact with the highest index there.
    last: Option<Act<'c>>,
}

/// Every device named, joined or signing in a wash; the service's own apart.
fn parts<'c>(context: &Context<'c>, acts: &[Act<'c>], wash: Id) -> Vec<Part<'c>> {
    let mut parts: BTreeMap<Id, Part<'c>> = BTreeMap::new();
    let signed = acts.iter().chain(&context.struck).filter(|a| a.fact.on_log);
    for act in signed.filter(|a| !a.revived && a.header().subjects.contains(&Subject::Wash(wash))) {
        let device = act.header().device;
        let named: Vec<Id> = match act.kind() {
            Some(Kind::WashOpened(b)) => b.devices.iter().filter_map(|d| Id::from_slice(d)).collect(),
            Some(Kind::DeviceJoined(b)) => Id::from_slice(&b.device).into_iter().collect(),
            _ => Vec::new(),
        };
        for device in named.into_iter().chain([device]) {
            parts.entry(device).or_insert_with(|| Part { device, joined: *act, last: None });
        }
        let part = parts.get_mut(&device).expect("just put there");
        if part.last.is_none_or(|last| last.index() < act.index()) {
            part.last = Some(*act);
        }
    }
    parts.into_values().filter(|part| context.roster.service_device() != Some(part.device)).collect()
}

/// An item for each refused fact on every unsigned wash that its device joined, until it is recorded anew naming the
/// refused bytes, or set aside. Without sign-offs every wash is taken as unsigned.
pub(super) fn refused<'c>(
    case: &Case<'_>,
    folded: &Folded<'c>,
    signed: Option<&BTreeMap<Id, SignOffState<'c>>>,
) -> Vec<Open<'c>> {
    let refusals: Vec<(&Act<'c>, &v1::FactRefused)> = folded
        .acts
        .iter()
        .filter_map(|act| match act.kind() {
            Some(Kind::FactRefused(b)) if act.counts() => Some((act, b)),
            _ => None,
        })
        .collect();
    if refusals.is_empty() {
        return Vec::new();
    }
    let aside = case.set_aside(&folded.acts);
    let anew: BTreeSet<Hash> = folded
        .acts
        .iter()
        .filter(|act| act.counts() && act.fact.unread.is_none())
        // These speak of a fact; they record nothing anew.
        .filter(|act| !matches!(act.kind(), Some(Kind::FactSetAside(_) | Kind::Countersigned(_) | Kind::Corrected(_))))
        .flat_map(|act| act.header().refers.iter().copied())
        .collect();
    let open = |(act, b): &&(&Act<'c>, &v1::FactRefused)| {
        let digest = Hash::from_slice(&b.received_digest).unwrap_or_default();
        !anew.contains(&digest) && !aside.contains(&digest) && !aside.contains(&act.hash())
    };
    let still_open: Vec<_> = refusals.iter().filter(open).collect();
    let mut opens = Vec::new();
    for (wash, facts) in &folded.context.washes {
        let devices: BTreeSet<Id> = parts(&folded.context, &folded.acts, *wash).iter().map(|p| p.device).collect();
        let state = signed.and_then(|s| s.get(wash));
        for (act, body) in &still_open {
            let of_device = Id::from_slice(&body.device).is_some_and(|d| devices.contains(&d));
            if of_device && state.is_none_or(|s| s.was_unsigned_at(act.index())) {
                let digest = Hash::from_slice(&body.received_digest).unwrap_or_default();
                let belongs = Belongs::to_aircraft(facts.aircraft);
                let mut item = Open::new(ItemKind::UnreadFact, **act, belongs).about(digest.short());
                item.wash = Some(*wash);
                item.detail = "it was refused when it came".to_owned();
                opens.push(item);
            }
        }
    }
    opens
}

/// An item for each device of a wash that may still hold facts of it; and until when the awaited ones were heard.
pub(super) fn outstanding<'c>(
    case: &Case<'_>,
    folded: &Folded<'c>,
    signed: &BTreeMap<Id, SignOffState<'c>>,
) -> (Vec<Open<'c>>, Option<u64>) {
    let mut opens = Vec::new();
    let mut heard_until_ms: Option<u64> = None;
    for (wash, facts) in &folded.context.washes {
        let belongs = carriers(folded, *wash);
        if !belongs.shows_on(&folded.context.fleet, &case.aircraft, folded.context.time_s) {
            continue;
        }
        for part in parts(&folded.context, &folded.acts, *wash) {
            if part.has_left() || settled(folded, *wash, &part) {
                continue;
            }
            let heard = newest_report(case, &part.device, folded.context.time_s);
            let max_age_s =
                facts.procedure.as_ref().map_or(REPORT_MAX_AGE_S, |p| p.record.device_report_max_age_s.into());
            let complete = heard.is_some_and(|h| says_all(case, h, &part, facts.first.index()));
            let after_sign_off = |h: &Heard| {
                signed.get(wash).filter(|s| s.stands()).and_then(|s| s.last).is_some_and(|s| s.index() < h.index)
            };
            if complete && heard.is_some_and(after_sign_off) {
                continue;
            }
            let fresh = |h: &Heard| folded.context.time_s < h.received_ms / 1000 + max_age_s;
            let since = part.last.unwrap_or(part.joined).fact.held.recorded.received_ms;
            let until_ms = heard.map_or(since, |h| h.received_ms);
            heard_until_ms = Some(heard_until_ms.map_or(until_ms, |other| other.min(until_ms)));
            if !(complete && heard.is_some_and(fresh)) {
                let mut item = Open::new(ItemKind::DeviceOutstanding, part.joined, belongs.clone());
                item.wash = Some(*wash);
                item.subject = part.device.to_string();
                item.detail = label(folded.context.roster, &part.device, case.size);
                opens.push(item);
            }
        }
    }
    (opens, heard_until_ms)
}

/// Instants at which a report of a device near this case comes to be known, or grows too old, after that time.
pub(super) fn turning_points(case: &Case<'_>, time_s: u64) -> BTreeSet<u64> {
    let texts = case.roster.procedures().iter().filter_map(|published| published.text.as_ref().ok());
    let mut ages: BTreeSet<u64> = texts.map(|procedure| procedure.record.device_report_max_age_s.into()).collect();
    ages.insert(REPORT_MAX_AGE_S);
    let oldest_s = ages.last().copied().unwrap_or_default();
    let mut instants = BTreeSet::new();
    for device in case.devices() {
        let reports = case.history.reports(&device).iter().filter(|heard| heard.index < case.size).rev();
        let received_s = reports.map(|heard| heard.received_ms / 1000);
        for at_s in received_s.take_while(|at_s| at_s + oldest_s > time_s) {
            instants.insert(at_s);
            instants.extend(ages.iter().map(|age_s| at_s + age_s));
        }
    }
    instants
}

/// A name for people: the device's label, or the first digits of its id.
fn label(roster: &Roster, device: &Id, size: u64) -> String {
    let known = roster.device(device, size).map(|d| d.label.clone()).filter(|label| !label.is_empty());
    known.unwrap_or_else(|| device.short())
}

impl Part<'_> {
    fn has_left(&self) -> bool {
        self.last.as_ref().is_some_and(|last| {
            matches!(last.kind(), Some(Kind::DeviceLeft(b)) if b.device.as_slice() == self.device.as_ref())
                && last.counts()
        })
    }
}

/// Settled by name, until it signs in the wash again.
fn settled(folded: &Folded<'_>, wash: Id, part: &Part<'_>) -> bool {
    folded.acts.iter().any(|act| {
        matches!(act.kind(), Some(Kind::DeviceSettled(b)) if b.device.as_slice() == part.device.as_ref())
            && act.header().subjects.contains(&Subject::Wash(wash))
            && act.counts()
            && part.last.is_none_or(|last| last.index() <= act.index())
    })
}

fn newest_report<'h>(case: &Case<'h>, device: &Id, time_s: u64) -> Option<&'h Heard> {
    let known = |h: &&Heard| h.index < case.size && h.received_ms / 1000 <= time_s;
    case.history.reports(device).iter().rev().find(known)
}

/// Nothing unsent; its last fact of the wash is its newest or before that one; and every run since the wash was opened
/// begins where an envelope on the log ended.
fn says_all(case: &Case<'_>, heard: &Heard, part: &Part<'_>, opened_index: u64) -> bool {
    let place = |hash: &Hash| {
        let on_log = case.history.by_hash(hash).filter(|at| *at < case.size);
        on_log.or_else(|| case.history.refusals(hash).iter().rev().copied().find(|at| *at < case.size))
    };
    let head = Hash::from_slice(&heard.report.head).filter(|h| *h != Hash::ZERO);
    let head_at = head.and_then(|h| place(&h));
    let names_last = match part.last {
        Some(last) => head_at.is_some_and(|at| at >= last.index()),
        None => head.is_none() || head_at.is_some(),
    };
    let runs = case.history.run_starts(&part.device).iter().filter(|at| **at >= opened_index && **at < case.size);
    let joins_on = |at: &u64| {
        let previous = case.history.recorded(*at).map(|r| r.fact.header().previous);
        previous.is_none_or(|p| p == Hash::ZERO || place(&p).is_some())
    };
    heard.report.unsent == 0 && names_last && runs.into_iter().all(joins_on)
}

/// A wash's devices concern every aircraft that carries an engine named in it; the one washed where it names none.
fn carriers(folded: &Folded<'_>, wash: Id) -> Belongs {
    let mut belongs = Belongs::default();
    for act in folded.acts.iter().filter(|act| act.is_of(wash)) {
        for engine in act.kind().map(engines_named).unwrap_or_default() {
            let of_engine = folded.context.with_engine(act, engine);
            belongs.aircraft.extend(of_engine.aircraft);
            belongs.engines.extend(of_engine.engines);
        }
    }
    if belongs == Belongs::default() {
        belongs.aircraft.extend(folded.context.washes.get(&wash).and_then(|w| w.aircraft));
    }
    belongs
}
