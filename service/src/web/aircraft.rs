//! One aircraft: what one would say on the telephone, what is open and who closes it, the question before a departure,
//! its washes and who has them, and its history in sentences.

use askama::Template;
use axum::extract::{Form, Path, Query, State};
use axum::response::{IntoResponse, Redirect, Response};
use rinsebook_proto::bytes::Id;
use rinsebook_proto::fact::Subject;
use rinsebook_proto::rules::{Deed, History, kind_name, lists};
use rinsebook_proto::v1;

use super::people::People;
use super::{Frame, PageError, Pages, Viewer, html, words};
use crate::query::{AsOf, Moment};

/// Sentences on one page.
const FACTS_A_PAGE: usize = 60;

type Pairs = Vec<(String, String)>;

struct Item {
    name: String,
    text: String,
    closes: String,
    who: String,
    blocks: &'static str,
    rank: &'static str,
    due_ms: Option<u64>,
    left: String,
    due: String,
    until: &'static str,
    opened: u64,
}

struct Finding {
    rule: String,
    severity: &'static str,
    text: String,
    entries: String,
    settled: Option<String>,
}

struct Wash {
    id: String,
    work_order: String,
    station: String,
    engines: String,
    opened: String,
    signed_off: Option<String>,
    has_it: String,
}

struct Sentence {
    at: String,
    text: String,
    signer: String,
    index: u64,
}

#[derive(Template)]
#[template(path = "aircraft.html")]
struct Page {
    frame: Frame,
    id: String,
    registration: String,
    aircraft_type: String,
    engines: Vec<String>,
    first_line: String,
    verdict: &'static str,
    verdict_said: &'static str,
    /// The start that was asked about.
    asked: Option<String>,
    notice: String,
    conditions: Vec<String>,
    starts: Vec<[String; 4]>,
    holds: String,
    heard: Option<String>,
    items: Vec<Item>,
    findings: Vec<Finding>,
    settled: Vec<Finding>,
    washes: Vec<Wash>,
    facts: Vec<Sentence>,
    older: Option<u64>,
    start: String,
    judged: String,
    size: u64,
    /// Every item that could be assumed closed: its name in a question, how it is shown, whether it is assumed.
    assumable: Vec<(String, String, bool)>,
    kept: Option<String>,
}

/// What the form asks.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
struct Asked {
    planned_start_ms: Option<u64>,
    assume_closed: Vec<String>,
    at_time_ms: Option<u64>,
}

impl Asked {
    fn read(pairs: &Pairs) -> Result<Asked, PageError> {
        let instant = |name: &str, field: &'static str| {
            let given = pairs.iter().rev().find(|(n, value)| n == name && !value.trim().is_empty());
            let why = || PageError::Field { field, why: "a date and time in UTC, such as 2031-03-04T18:30".to_owned() };
            given.map(|(_, value)| words::read_field(value).ok_or_else(why)).transpose()
        };
        let assumed = pairs.iter().filter(|(name, value)| name == "assume" && !value.is_empty());
        Ok(Asked {
            planned_start_ms: instant("start", "the planned start")?,
            assume_closed: assumed.map(|(_, value)| value.clone()).collect(),
            at_time_ms: instant("at", "the time to judge at")?,
        })
    }

    fn request(&self, aircraft: &Id) -> v1::AssessRequest {
        v1::AssessRequest {
            aircraft: aircraft.to_vec(),
            planned_start_ms: self.planned_start_ms,
            assume_closed: self.assume_closed.clone(),
            at_time_ms: self.at_time_ms,
            ..v1::AssessRequest::default()
        }
    }

    async fn settle(&self, pages: &Pages) -> Result<AsOf, PageError> {
        Ok(pages.queries.settle(Moment { at_time_ms: self.at_time_ms, ..Moment::default() }).await?)
    }
}

/// The aircraft of an address: its id, or its registration.
fn found(history: &History, name: &str) -> Result<Id, PageError> {
    let missing = || PageError::Missing { what: "aircraft", name: words::line(name) };
    let is = |id: &Id| history.roster().registration(id, u64::MAX) == Some(name);
    let by_id = Id::from_hex(name).filter(|id| !history.facts_of(&Subject::Aircraft(*id)).is_empty());
    by_id.or_else(|| history.aircraft().find(is)).ok_or_else(missing)
}

/// The page, with the answer to what its form asks.
pub(super) async fn page(
    pages: State<Pages>,
    viewer: Viewer,
    Path(name): Path<String>,
    Query(pairs): Query<Pairs>,
) -> Result<Response, PageError> {
    let asked = Asked::read(&pairs)?;
    let as_of = asked.settle(&pages).await?;
    let number = |name: &str| pairs.iter().find(|(n, _)| n == name).and_then(|(_, value)| value.parse::<u64>().ok());
    let aircraft = found(&pages.queries.view().history(), &name)?;
    let answer = pages.queries.assess(aircraft, as_of, &asked.request(&aircraft))?;
    let assumable = assumable(&pages, &aircraft, as_of, &asked)?;
    // From here on the history is held: nothing below may ask for it again, or a writer between the two waits for ever.
    let history = pages.queries.view().history();
    let people = People::new(&history, pages.queries.blobs());
    let about = lists::aircraft(&history, &aircraft, as_of.size);
    let (facts, older) = sentences(&history, &people, &aircraft, number("before").unwrap_or(as_of.size));
    let (settled, findings): (Vec<_>, Vec<_>) = answer.findings.iter().partition(|f| f.settled_by.is_some());
    let page = Page {
        registration: shown_as(&answer, &aircraft),
        frame: Frame::new(shown_as(&answer, &aircraft), viewer, &pages),
        id: aircraft.to_string(),
        aircraft_type: words::line(&about.aircraft_type),
        engines: about.engines.iter().map(engine).collect(),
        first_line: words::line(&answer.first_line),
        verdict: verdict(&answer).0,
        verdict_said: verdict(&answer).1,
        asked: answer.planned_start_ms.map(words::minute),
        notice: answer.notice.clone(),
        conditions: answer.conditions.clone(),
        starts: answer.latest_starts.iter().map(start).collect(),
        holds: answer
            .horizon_ms
            .map_or_else(|| "at any later time".to_owned(), |ms| format!("until {}", words::second(ms))),
        heard: answer.devices_heard_until_ms.map(words::second),
        items: answer.items.iter().map(|i| item(i, as_of.time_ms)).collect(),
        findings: findings.into_iter().map(|f| finding(f, &history, &people)).collect(),
        settled: settled.into_iter().map(|f| finding(f, &history, &people)).collect(),
        washes: washes(&history, &people, &aircraft, as_of),
        facts,
        older,
        start: asked.planned_start_ms.map(words::field).unwrap_or_default(),
        judged: words::second(as_of.time_ms),
        size: as_of.size,
        assumable,
        kept: number("kept").map(|index| format!("Question and answer are kept in the log at entry {index}.")),
    };
    html(&page)
}

fn shown_as(answer: &v1::Assessment, aircraft: &Id) -> String {
    match words::line(&answer.registration) {
        none if none.is_empty() => format!("aircraft {}", aircraft.short()),
        registration => registration,
    }
}

fn engine(installed: &v1::InstalledEngine) -> String {
    let at = installed.engine.clone().unwrap_or_default();
    format!("{}: {}, serial number {}", at.position, words::line(&installed.engine_type), words::line(&at.serial))
}

fn verdict(answer: &v1::Assessment) -> (&'static str, &'static str) {
    match answer.verdict() {
        v1::Verdict::NothingOpen => ("nothing", "Nothing open in this record"),
        v1::Verdict::Conditions => ("condition", "On condition"),
        _ => ("blocked", "Blocked"),
    }
}

fn start(start: &v1::LatestStart) -> [String; 4] {
    let air = if start.air_source.is_empty() { "not stated" } else { &start.air_source };
    let engine = words::engine(start.engine.as_ref());
    [engine, words::minute(start.latest_start_ms), words::minute(start.window_end_ms), words::line(air)]
}

fn item(item: &v1::OpenItem, time_ms: u64) -> Item {
    let over = item.due_ms.is_some_and(|due| due / 1000 <= time_ms / 1000);
    let rank = match item.blocks() {
        _ if over => "overdue",
        v1::Blocks::Yes => "blocked",
        v1::Blocks::Condition => "condition",
        _ => "open",
    };
    Item {
        name: item.name.clone(),
        text: words::line(&item.text),
        closes: item.closes.clone(),
        who: words::who_may(&item.who_may),
        blocks: words::blocks(item.blocks),
        rank,
        due_ms: item.due_ms,
        until: words::until(item.kind()),
        left: item.due_ms.map(|ms| words::left(time_ms, ms)).unwrap_or_default(),
        due: item.due_ms.map(words::minute).unwrap_or_default(),
        opened: item.opened_by.as_ref().map_or(0, |by| by.index),
    }
}

fn finding(finding: &v1::Finding, history: &History, people: &People<'_>) -> Finding {
    let entries: Vec<String> = finding.rests_on.iter().map(|fact| fact.index.to_string()).collect();
    let settled = finding.settled_by.as_ref().map(|by| {
        let accepted = finding.outcome == Some(v1::FindingOutcome::Accepted as i32);
        let how = if accepted { "accepted: it was so, and is dealt with" } else { "rejected: there was none" };
        let person = signer(history, by.index);
        format!("{how}; {}, {}, entry {}", people.signer(person.as_ref()), words::minute(by.happened_ms), by.index)
    });
    Finding {
        rule: words::spaced(&finding.rule),
        severity: words::severity(finding.severity),
        text: words::line(&finding.text),
        entries: entries.join(", "),
        settled,
    }
}

fn signer(history: &History, index: u64) -> Option<Id> {
    let recorded = history.recorded(index)?;
    Id::from_slice(&lists::recorded_fact(history, recorded, u64::MAX).person)
}

fn assumable(
    pages: &Pages,
    aircraft: &Id,
    as_of: AsOf,
    asked: &Asked,
) -> Result<Vec<(String, String, bool)>, PageError> {
    let plain = Asked { assume_closed: Vec::new(), ..asked.clone() };
    let answer = pages.queries.assess(*aircraft, as_of, &plain.request(aircraft))?;
    let named = |item: &v1::OpenItem| {
        let name = if item.subject.is_empty() { item.name.clone() } else { format!("{}:{}", item.name, item.subject) };
        (name.clone(), words::line(&item.text), asked.assume_closed.contains(&name))
    };
    let mut named: Vec<_> = answer.items.iter().map(named).collect();
    named.dedup_by(|a, b| a.0 == b.0);
    Ok(named)
}

fn washes(history: &History, people: &People<'_>, aircraft: &Id, as_of: AsOf) -> Vec<Wash> {
    let deeds = history.deeds(aircraft, as_of.size, as_of.time_ms);
    let mut washes: Vec<(u64, Wash)> = history
        .state(aircraft, as_of.size, as_of.time_ms)
        .washes
        .iter()
        .map(|wash| {
            let engines: Vec<String> = wash.engines.iter().map(|e| e.position.to_string()).collect();
            let shown = Wash {
                id: wash.wash.to_string(),
                work_order: words::line(&wash.work_order),
                station: words::line(&wash.station),
                engines: engines.join(" and "),
                opened: words::minute(wash.opened_by.happened_ms),
                signed_off: wash.signed_off_by.as_ref().map(|by| words::minute(by.happened_ms)),
                has_it: has_it(&deeds, &wash.wash, people),
            };
            (wash.opened_by.happened_ms, shown)
        })
        .collect();
    washes.sort_by_key(|(opened_ms, _)| std::cmp::Reverse(*opened_ms));
    washes.into_iter().map(|(_, wash)| wash).collect()
}

/// Who did the last thing in the wash, with which device.
fn has_it(deeds: &[Deed], wash: &Id, people: &People<'_>) -> String {
    let of_wash = |deed: &&Deed| deed.washes.contains(wash) && deed.person.is_some() && !deed.struck_out;
    let Some(last) = deeds.iter().rev().find(of_wash) else { return "nobody known".to_owned() };
    let by = people.signer(last.person.as_ref());
    let device = people.device(&last.device);
    format!("{by}, with {device}, {}: {}", words::clock(last.reference.happened_ms), words::line(&last.text))
}

/// The newest sentences before an index, newest first; and from where there are older ones.
fn sentences(history: &History, people: &People<'_>, aircraft: &Id, before: u64) -> (Vec<Sentence>, Option<u64>) {
    let of_aircraft = history.facts_of(&Subject::Aircraft(*aircraft));
    let upto = of_aircraft.partition_point(|index| *index < before);
    let from = upto.saturating_sub(FACTS_A_PAGE);
    let sentence = |index: &u64| {
        let recorded = history.recorded(*index)?;
        let fact = lists::recorded_fact(history, recorded, u64::MAX);
        let header = recorded.fact.header();
        let signer = if Some(header.device) == history.roster().service_device() {
            "the service".to_owned()
        } else {
            people.signer(Id::from_slice(&fact.person).as_ref())
        };
        let unread = if fact.unread_because.is_empty() {
            String::new()
        } else {
            format!(" (not read: {})", fact.unread_because)
        };
        let kind = recorded.fact.kind().map_or("unread", kind_name);
        let text = if fact.text.is_empty() { words::spaced(kind) } else { words::line(&fact.text) };
        Some(Sentence { at: words::second(header.happened_ms), text: text + &unread, signer, index: *index })
    };
    let sentences = of_aircraft[from..upto].iter().rev().filter_map(sentence).collect();
    (sentences, (from > 0).then(|| of_aircraft[from]))
}

/// Keeps question and answer in the log, in the name of who asks.
pub(super) async fn keep(
    State(pages): State<Pages>,
    viewer: Viewer,
    Path(name): Path<String>,
    Form(pairs): Form<Pairs>,
) -> Result<Response, PageError> {
    let asked = Asked::read(&pairs)?;
    let as_of = asked.settle(&pages).await?;
    let aircraft = found(&pages.queries.view().history(), &name)?;
    let answer = pages.queries.assess(aircraft, as_of, &asked.request(&aircraft))?;
    let kept = pages.queries.record_answer(aircraft, &answer, viewer.asked_by()).await?;
    let again =
        pairs.iter().filter(|(name, value)| matches!(name.as_str(), "start" | "assume" | "at") && !value.is_empty());
    let again: Vec<String> = again.map(|(name, value)| format!("&{name}={}", super::board::encoded(value))).collect();
    Ok(Redirect::to(&format!("/aircraft/{aircraft}?kept={}{}#question", kept.index, again.concat())).into_response())
}
