//! Quality: how the record comes about. The log's state, devices, findings over time, waivers, lone re-inspections,
//! settlements, and authorities about to end.

mod counts;

use std::collections::BTreeMap;

use askama::Template;
use axum::extract::State;
use axum::response::Response;
use rinsebook_proto::rules::{History, lists};
use rinsebook_proto::v1::{self, Authority};

use super::people::People;
use super::plots::{Value, bars, columns};
use super::{Frame, PageError, Pages, Viewer, html, words};
use crate::audits::Audit;
use crate::query::{AsOf, Moment};
use counts::Counts;

const WEEK_MS: u64 = 7 * 86_400_000;
const WEEKS: u64 = 12;
/// An authority that ends within so many days is named.
const ENDS_WITHIN_MS: u64 = 60 * 86_400_000;

#[derive(Template)]
#[template(path = "quality.html")]
struct Page {
    frame: Frame,
    size: u64,
    note: String,
    cosigned: Option<ByWitnesses>,
    asks_witnesses: bool,
    expects_audits: bool,
    /// The auditor, up to which entry, how many came since, when, and how long ago.
    audits: Vec<[String; 5]>,
    last_entry: String,
    last_entry_age: String,
    devices: Vec<[String; 5]>,
    findings: String,
    waivers: String,
    alone: String,
    settlements: String,
    ending: Vec<[String; 5]>,
    unsure: Option<u64>,
}

/// What witnesses cosigned.
struct ByWitnesses {
    note: String,
    /// The name, when, and how long ago.
    by: Vec<[String; 3]>,
    enough: bool,
}

impl ByWitnesses {
    fn of(pages: &Pages, now_ms: u64) -> Option<ByWitnesses> {
        let cosigned = pages.witnesses.cosigned(now_ms)?;
        let row = |(name, at_s): &(String, u64)| {
            let at_ms = at_s.saturating_mul(1000);
            [words::line(name), words::second(at_ms), words::length(now_ms.saturating_sub(at_ms) / 60_000)]
        };
        let by = cosigned.by.iter().map(row).collect();
        Some(ByWitnesses { note: cosigned.note, by, enough: cosigned.policy_met })
    }
}

/// The page.
pub(super) async fn page(pages: State<Pages>, viewer: Viewer) -> Result<Response, PageError> {
    let as_of = pages.queries.settle(Moment::default()).await?;
    let findings = pages.board().await?.findings();
    let known = pages.queries.view().known();
    let history = pages.queries.view().history();
    let people = People::new(&history, pages.queries.blobs());
    let counts = Counts::of(&history, as_of.size);
    let last = as_of.size.checked_sub(1).and_then(|index| history.received_ms(index));
    let by_person = counts.settlements.iter().map(|(person, count)| (people.signer(person.as_ref()), *count));
    let page = Page {
        frame: Frame::new("Quality", viewer, &pages),
        size: as_of.size,
        note: known.note,
        cosigned: ByWitnesses::of(&pages, as_of.time_ms),
        asks_witnesses: pages.witnesses.are_asked(),
        expects_audits: pages.audits.are_expected(),
        audits: audits(&pages, as_of),
        last_entry: last.map_or_else(|| "none".to_owned(), words::second),
        last_entry_age: last.map(|ms| words::length(as_of.time_ms.saturating_sub(ms) / 60_000)).unwrap_or_default(),
        devices: devices(&history, as_of),
        findings: over_time(&findings, as_of.time_ms),
        waivers: bars("Waivers, of washes, a station", &with_washes(&counts.waivers, &counts.washes)),
        alone: bars("Re-inspected alone, of washes, a station", &with_washes(&counts.alone, &counts.washes)),
        settlements: bars("Findings and defects settled, a person", &sorted(by_person)),
        ending: ending(&history, &people, as_of),
        unsure: history.clock_unsure_since(as_of.size),
    };
    html(&page)
}

fn sorted(values: impl Iterator<Item = (String, u64)>) -> Vec<Value> {
    let mut values: Vec<Value> = values.map(|(label, count)| Value { label, count, of: None }).collect();
    values.sort_by(|a, b| b.count.cmp(&a.count).then_with(|| a.label.cmp(&b.label)));
    values
}

fn with_washes(counted: &BTreeMap<String, u64>, washes: &BTreeMap<String, u64>) -> Vec<Value> {
    let value = |(station, of): (&String, &u64)| Value {
        label: if station.is_empty() { "no station named".to_owned() } else { station.clone() },
        count: counted.get(station).copied().unwrap_or_default(),
        of: Some(*of),
    };
    let mut values: Vec<Value> = washes.iter().map(value).collect();
    values.sort_by(|a, b| b.count.cmp(&a.count).then_with(|| a.label.cmp(&b.label)));
    values
}

/// The audit that reaches furthest first.
fn audits(pages: &Pages, as_of: AsOf) -> Vec<[String; 5]> {
    let row = |audit: &Audit| {
        let at_ms = audit.unix_seconds.saturating_mul(1000);
        [
            words::line(&audit.auditor),
            audit.size.saturating_sub(1).to_string(),
            as_of.size.saturating_sub(audit.size).to_string(),
            words::second(at_ms),
            words::length(as_of.time_ms.saturating_sub(at_ms) / 60_000),
        ]
    };
    pages.audits.newest().iter().map(row).collect()
}

/// Newest report first is least urgent: whoever was silent longest stands on top.
fn devices(history: &History, as_of: AsOf) -> Vec<[String; 5]> {
    let mut devices = lists::devices(history, as_of.size);
    devices.sort_by_key(|d| (d.retired_index.is_some(), d.last_reported_ms.unwrap_or(0)));
    let row = |d: &v1::Device| {
        let heard = d.last_reported_ms.map_or_else(|| "never".to_owned(), words::second);
        let ago = d.last_reported_ms.map(|ms| words::length(as_of.time_ms.saturating_sub(ms) / 60_000));
        let unsent = match (d.retired_index, d.unsent) {
            (Some(index), _) => format!("retired at entry {index}"),
            (None, Some(unsent)) => unsent.to_string(),
            (None, None) => "not known".to_owned(),
        };
        [words::line(&d.label), words::line(&d.station), heard, ago.unwrap_or_default(), unsent]
    };
    devices.iter().map(row).collect()
}

/// Findings a week by rule, the most frequent first.
fn over_time(findings: &[v1::Finding], now_ms: u64) -> String {
    let this_week = now_ms / WEEK_MS;
    let mut rules: BTreeMap<String, Vec<u64>> = BTreeMap::new();
    let mut older = 0;
    for finding in findings {
        let happened_ms = finding.rests_on.last().map_or(0, |on| on.happened_ms);
        let back = this_week.saturating_sub(happened_ms / WEEK_MS);
        if back >= WEEKS {
            older += 1;
            continue;
        }
        let counts = rules.entry(words::spaced(&finding.rule)).or_insert_with(|| vec![0; WEEKS as usize]);
        counts[(WEEKS - 1 - back) as usize] += 1;
    }
    let mut rows: Vec<(String, Vec<u64>)> = rules.into_iter().collect();
    rows.sort_by_key(|(_, counts)| std::cmp::Reverse(counts.iter().sum::<u64>()));
    let begins = (0..WEEKS).map(|at| (this_week + 1 + at).saturating_sub(WEEKS) * WEEK_MS);
    let periods: Vec<String> = begins.map(|ms| words::minute(ms)[5..10].to_owned()).collect();
    let title = format!("Findings by rule, a week; {older} older ones are not drawn");
    columns(&title, &periods, &rows)
}

/// Authorities that ended or end soon, of people whose grant was not withdrawn.
fn ending(history: &History, people: &People<'_>, as_of: AsOf) -> Vec<[String; 5]> {
    let soon = (as_of.time_ms + ENDS_WITHIN_MS) / 1000;
    let grants = history.roster_at(as_of.size).grants();
    let in_force =
        grants.iter().filter(|g| g.index < as_of.size && g.withdrawn_index.is_none_or(|at| at >= as_of.size));
    let mut ending: Vec<_> =
        in_force.filter_map(|g| Some((g.valid_until_s.filter(|until| *until <= soon)?, g))).collect();
    ending.sort_by_key(|(until_s, _)| *until_s);
    let row = |(until_s, g): (u64, &rinsebook_proto::rules::roster::Grant)| {
        let of = if g.engine_type.is_empty() { "every engine type".to_owned() } else { words::line(&g.engine_type) };
        let until_ms = until_s.saturating_mul(1000);
        let authority = match g.authority {
            Authority::Custody => "custody",
            other => words::who(other),
        };
        [
            people.name(&g.person),
            authority.to_owned(),
            of,
            words::minute(until_ms),
            words::left(as_of.time_ms, until_ms),
        ]
    };
    ending.into_iter().map(row).collect()
}
