//! One aircraft on the board: what is open on it, most urgent first.

use askama::Template;
use rinsebook_proto::bytes::Id;
use rinsebook_proto::fact::{Kind, Subject};
use rinsebook_proto::rules::History;
use rinsebook_proto::v1;

use super::super::words;

/// How urgent. The order is the board's.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub(super) enum Rank {
    /// A due time has passed.
    Overdue,
    /// Something blocks the aircraft.
    Blocked,
    /// It may go, on a condition.
    Condition,
    /// Open, and nothing blocks.
    Open,
}

impl Rank {
    fn of(item: &v1::OpenItem, time_ms: u64) -> Rank {
        let over = item.due_ms.is_some_and(|due| due / 1000 <= time_ms / 1000);
        match v1::Blocks::try_from(item.blocks) {
            _ if over => Rank::Overdue,
            Ok(v1::Blocks::Yes) => Rank::Blocked,
            Ok(v1::Blocks::Condition) => Rank::Condition,
            _ => Rank::Open,
        }
    }

    fn name(self) -> &'static str {
        match self {
            Rank::Overdue => "overdue",
            Rank::Blocked => "blocked",
            Rank::Condition => "condition",
            Rank::Open => "open",
        }
    }

    fn said(self) -> &'static str {
        match self {
            Rank::Overdue => "Overdue",
            Rank::Blocked => "Blocked",
            Rank::Condition => "On condition",
            Rank::Open => "Nothing blocks",
        }
    }
}

/// One item, as it stands in a row.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) struct Line {
    pub(super) name: String,
    pub(super) text: String,
    pub(super) blocks: &'static str,
    pub(super) rank: Rank,
    pub(super) due_ms: Option<u64>,
    /// Until when it is open, where no time is set.
    pub(super) until: &'static str,
    pub(super) closes: String,
    pub(super) who: String,
}

/// See the module.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Row {
    pub(super) number: u64,
    pub(super) aircraft: Id,
    pub(super) registration: String,
    pub(super) stations: Vec<String>,
    pub(super) rank: Rank,
    pub(super) items: Vec<Line>,
    pub(super) findings: Vec<v1::Finding>,
    /// Sorts as the board does: rank, the next due time, registration, id.
    pub(super) key: String,
}

impl Row {
    pub(super) fn new(aircraft: &v1::AircraftItems, history: &History, as_of: v1::AsOf) -> Row {
        let id = Id::from_slice(&aircraft.aircraft).expect("an id that came from one");
        let mut items: Vec<Line> = aircraft.items.iter().map(|item| line(item, as_of.time_ms)).collect();
        items.sort_by_key(|item| (item.rank, item.due_ms.unwrap_or(u64::MAX)));
        let rank = items.first().map_or(Rank::Open, |item| item.rank);
        let due_ms = items.iter().filter_map(|item| item.due_ms).min();
        let registration = match words::line(&aircraft.registration) {
            unlisted if unlisted.is_empty() => format!("not listed, {}", id.short()),
            registration => registration,
        };
        let key = format!("{}-{:016}-{registration}-{id}", rank as u8, due_ms.unwrap_or(9_999_999_999_999_999));
        let stations = stations(aircraft, history);
        let findings = aircraft.findings.clone();
        Row { number: 0, aircraft: id, registration, stations, rank, items, findings, key }
    }

    pub(super) fn is_open(&self) -> bool {
        !self.items.is_empty()
    }

    pub(super) fn view(&self, now_ms: u64) -> View<'_> {
        View { row: self, now_ms }
    }
}

fn line(item: &v1::OpenItem, time_ms: u64) -> Line {
    Line {
        name: item.name.clone(),
        text: words::line(&item.text),
        blocks: words::blocks(item.blocks),
        rank: Rank::of(item, time_ms),
        due_ms: item.due_ms,
        until: words::until(item.kind()),
        closes: item.closes.clone(),
        who: words::who_may(&item.who_may),
    }
}

/// Where the washes of the open items were opened.
fn stations(aircraft: &v1::AircraftItems, history: &History) -> Vec<String> {
    let mut washes: Vec<&[u8]> = aircraft.items.iter().map(|item| item.wash.as_slice()).collect();
    washes.sort_unstable();
    washes.dedup();
    let opened = |wash: Id| {
        history.facts_of(&Subject::Wash(wash)).iter().find_map(|index| match history.recorded(*index)?.fact.kind()? {
            Kind::WashOpened(b) => Some(words::line(&b.station)),
            _ => None,
        })
    };
    let mut stations: Vec<String> = washes.into_iter().filter_map(Id::from_slice).filter_map(opened).collect();
    stations.retain(|station| !station.is_empty());
    stations.sort();
    stations.dedup();
    stations
}

/// The row as a fragment of the page.
#[derive(Template)]
#[template(path = "board_row.html")]
pub(super) struct View<'r> {
    row: &'r Row,
    now_ms: u64,
}

impl View<'_> {
    fn left(&self, due_ms: &u64) -> String {
        words::left(self.now_ms, *due_ms)
    }

    fn at(&self, due_ms: &u64) -> String {
        words::minute(*due_ms)
    }
}
