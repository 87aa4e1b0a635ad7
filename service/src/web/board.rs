//! The board: every aircraft with something open, overdue first. One follower watches for everybody; a page is a stretch
//! of its rows, and its events are the rows of that stretch that changed since.
//!
//! Each change gives its row the next number. A browser that lost the connection says the last number it was told, and is
//! told exactly what changed since; after a restart of the service everything is told anew.

mod events;
mod row;

use std::collections::BTreeMap;
use std::sync::{Arc, RwLock, RwLockReadGuard};

use askama::Template;
use axum::extract::{Query, State};
use axum::response::Response;
use rinsebook_proto::bytes::Id;
use rinsebook_proto::rules::ItemKind;
use rinsebook_proto::v1;
use tokio::sync::{mpsc, watch};

use super::{Frame, PageError, Pages, Viewer, html, words};
use crate::error::CallError;
use crate::query::Queries;
pub(super) use events::events;
use row::{Rank, Row};

/// Aircraft on one page.
const ROWS_A_PAGE: usize = 50;

/// What everybody is shown.
#[derive(Debug, Default)]
pub(super) struct Shown {
    /// Every aircraft that ever had something open, by id; empty rows tell that nothing is left.
    rows: BTreeMap<Id, Row>,
    /// The number of the newest change.
    number: u64,
    /// The newest answer was from this size and time.
    as_of: v1::AsOf,
}

/// See the module.
#[derive(Debug)]
pub(super) struct Board {
    shown: Arc<RwLock<Shown>>,
    news: watch::Receiver<u64>,
    /// Tells one start of the service from another.
    start: String,
    /// Dropped with the board: the follower ends, and holds up no stop.
    _held: mpsc::Sender<()>,
}

impl Board {
    /// Begins to follow; returns once everything that is open now is known.
    pub(super) async fn follow(queries: Queries) -> Result<Board, CallError> {
        // The board itself is no slow reader, whatever holds it up.
        let ever = std::time::Duration::MAX;
        let mut answers = crate::watch::watch(queries.clone(), v1::WatchItemsRequest::default(), ever).await?;
        let shown = Arc::new(RwLock::new(Shown::default()));
        let (tell, news) = watch::channel(0);
        let (held, mut dropped) = mpsc::channel(1);
        let (ready, begun) = tokio::sync::oneshot::channel();
        let follower = shown.clone();
        tokio::spawn(async move {
            let mut ready = Some(ready);
            loop {
                let answer = tokio::select! {
                    answer = answers.recv() => answer,
                    _ = dropped.recv() => return,
                };
                let Some(Ok(answer)) = answer else { return };
                let number = follower.write().expect("no holder of this lock panics").take(&queries, &answer);
                if answer.snapshot_complete
                    && let Some(ready) = ready.take()
                {
                    // Whoever asked may have gone; the board is there for the next.
                    let _ = ready.send(());
                }
                tell.send_replace(number);
            }
        });
        begun.await.map_err(|_| CallError::Stopping)?;
        Ok(Board { shown, news, start: Id::random().short(), _held: held })
    }

    fn shown(&self) -> RwLockReadGuard<'_, Shown> {
        self.shown.read().expect("no holder of this lock panics")
    }

    /// Findings of every aircraft, settled ones too, as the newest answers say.
    pub(super) fn findings(&self) -> Vec<v1::Finding> {
        self.shown().rows.values().flat_map(|row| row.findings.iter().cloned()).collect()
    }
}

impl Shown {
    fn take(&mut self, queries: &Queries, answer: &v1::WatchItemsResponse) -> u64 {
        self.as_of = answer.as_of.unwrap_or_default();
        if let Some(aircraft) = &answer.aircraft {
            let history = queries.view().history();
            self.put(Row::new(aircraft, &history, self.as_of));
        }
        self.number
    }

    fn put(&mut self, mut row: Row) {
        self.number += 1;
        row.number = self.number;
        self.rows.insert(row.aircraft, row);
    }

    /// Rows that pass, in the order of the board.
    fn sorted(&self, asked: &Asked) -> Vec<&Row> {
        let mut rows: Vec<&Row> = self.rows.values().filter(|row| row.is_open() && asked.passes(row)).collect();
        rows.sort_by(|a, b| a.key.cmp(&b.key));
        rows
    }
}

/// What the board is filtered by, and which stretch of it is wanted.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub(super) struct Asked {
    station: String,
    aircraft: String,
    item: String,
    /// Rows behind this key.
    after: String,
    /// Rows up to this key; empty: as far as there are any.
    upto: String,
}

impl Asked {
    fn read(pairs: &[(String, String)]) -> Asked {
        let last = |name: &str| {
            pairs.iter().rev().find(|(n, _)| n == name).map(|(_, value)| value.trim().to_owned()).unwrap_or_default()
        };
        let [station, aircraft, item, after, upto] = ["station", "aircraft", "item", "after", "upto"].map(last);
        Asked { station, aircraft, item, after, upto }
    }

    fn passes(&self, row: &Row) -> bool {
        let has = |text: &str, part: &str| text.to_lowercase().contains(&part.to_lowercase());
        (self.station.is_empty() || row.stations.contains(&self.station))
            && (self.aircraft.is_empty() || has(&row.registration, &self.aircraft))
            && (self.item.is_empty() || row.items.iter().any(|i| i.name == self.item))
    }

    /// Whether the row stands in the stretch.
    fn reaches(&self, row: &Row) -> bool {
        (self.after.is_empty() || row.key > self.after) && (self.upto.is_empty() || row.key <= self.upto)
    }

    /// As a query string, with these bounds.
    fn query(&self, after: &str, upto: &str) -> String {
        let pairs = [
            ("station", self.station.as_str()),
            ("aircraft", &self.aircraft),
            ("item", &self.item),
            ("after", after),
            ("upto", upto),
        ];
        let mut out = String::new();
        for (name, value) in pairs.iter().filter(|(_, value)| !value.is_empty()) {
            out.push_str(if out.is_empty() { "?" } else { "&" });
            out.push_str(&format!("{name}={}", encoded(value)));
        }
        out
    }
}

pub(super) fn encoded(text: &str) -> String {
    let plain = |b: u8| b.is_ascii_alphanumeric() || b"-._~".contains(&b);
    text.bytes().map(|b| if plain(b) { char::from(b).to_string() } else { format!("%{b:02X}") }).collect()
}

/// How many there are of each sort.
#[derive(Debug, Clone, Default, PartialEq, Eq, Template)]
#[template(path = "board_count.html")]
pub(super) struct Count {
    aircraft: usize,
    items: usize,
    overdue: usize,
    blocked: usize,
    first: usize,
    last: usize,
}

impl Count {
    fn of(rows: &[&Row], stretch: std::ops::Range<usize>) -> Count {
        let ranked = |rank| rows.iter().filter(|row| row.rank == rank).count();
        Count {
            aircraft: rows.len(),
            items: rows.iter().map(|row| row.items.len()).sum(),
            overdue: ranked(Rank::Overdue),
            blocked: ranked(Rank::Blocked),
            first: stretch.start + 1,
            last: stretch.end,
        }
    }
}

#[derive(Template)]
#[template(path = "board.html")]
struct Page {
    frame: Frame,
    asked: Asked,
    stations: Vec<String>,
    kinds: Vec<(&'static str, String)>,
    count: String,
    rows: Vec<String>,
    events: String,
    next: Option<String>,
    back: Option<String>,
    size: u64,
    changed: String,
}

/// The board.
pub(super) async fn page(
    pages: State<Pages>,
    viewer: Viewer,
    Query(pairs): Query<Vec<(String, String)>>,
) -> Result<Response, PageError> {
    let asked = Asked { upto: String::new(), ..Asked::read(&pairs) };
    let board = pages.board().await?;
    let shown = board.shown();
    let rows = shown.sorted(&asked);
    let begin = rows.partition_point(|row| !asked.reaches(row));
    let end = rows.len().min(begin + ROWS_A_PAGE);
    let stretch = &rows[begin..end];
    let upto = if end < rows.len() { stretch.last().map_or("", |row| &row.key) } else { "" };
    let mut stations: Vec<String> = shown.rows.values().flat_map(|row| row.stations.iter().cloned()).collect();
    stations.sort();
    stations.dedup();
    let page = Page {
        frame: Frame::new("What is open", viewer, &pages),
        stations,
        kinds: ItemKind::ALL.iter().map(|kind| (kind.name(), words::spaced(kind.name()))).collect(),
        count: drawn(&Count::of(&rows, begin..end))?,
        rows: stretch.iter().map(|row| drawn(&row.view(pages.queries.judged_ms()))).collect::<Result<_, _>>()?,
        events: {
            let query = asked.query(&asked.after, upto);
            let join = if query.is_empty() { '?' } else { '&' };
            format!("/events{query}{join}last={}.{}", board.start, shown.number)
        },
        next: (!upto.is_empty()).then(|| format!("/{}", asked.query(upto, ""))),
        back: (!asked.after.is_empty()).then(|| format!("/{}", asked.query("", ""))),
        size: pages.queries.view().known().size,
        changed: if shown.as_of.time_ms == 0 { "never".to_owned() } else { words::second(shown.as_of.time_ms) },
        asked,
    };
    html(&page)
}

fn drawn(template: &impl Template) -> Result<String, PageError> {
    template.render().map_err(|_| PageError::Drawing)
}

#[cfg(test)]
mod tests;
