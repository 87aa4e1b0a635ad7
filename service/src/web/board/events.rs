//! The board's events: `row` (a row that changed, as a fragment), `gone` (a row that left the stretch), `count` (how many
//! there are), `beat` (the service's clock and the log's size, every few seconds: its absence is how a browser knows that
//! it shows the past), `anew` (the service was started anew: load the page).

use std::convert::Infallible;
use std::time::Duration;

use axum::extract::{Query, State};
use axum::http::HeaderMap;
use axum::response::sse::{Event, Sse};
use tokio::sync::mpsc;
use tokio_stream::wrappers::ReceiverStream;

use super::super::{PageError, Pages, Viewer};
use super::{Asked, Count, Shown, drawn};

/// A browser that hears nothing for three of these says that the connection is lost.
const BEAT_EVERY: Duration = Duration::from_secs(3);

type Events = Sse<ReceiverStream<Result<Event, Infallible>>>;

/// Where a browser stands: the service's start and the last change that it was told.
fn place(pairs: &[(String, String)], headers: &HeaderMap) -> Option<(String, u64)> {
    // A browser that comes back says it by itself; the page's own word is then older.
    let said = headers.get("last-event-id").and_then(|value| value.to_str().ok()).map(str::to_owned);
    let said = said.or_else(|| pairs.iter().find(|(name, _)| name == "last").map(|(_, value)| value.clone()))?;
    let (start, number) = said.split_once('.')?;
    Some((start.to_owned(), number.parse().ok()?))
}

/// The events of one stretch of the board.
pub(in super::super) async fn events(
    State(pages): State<Pages>,
    viewer: Viewer,
    Query(pairs): Query<Vec<(String, String)>>,
    headers: HeaderMap,
) -> Result<Events, PageError> {
    let asked = Asked::read(&pairs);
    let board = pages.board().await?;
    let (start, mut news) = (board.start.clone(), board.news.clone());
    let told = place(&pairs, &headers).filter(|(of, _)| *of == start).map(|(_, number)| number);
    let (shown, reader_wait) = (board.shown.clone(), pages.reader_wait);
    let (events, stream) = mpsc::channel(4);
    tokio::spawn(async move {
        let Some(mut told) = told else {
            // Nothing more is told to a page of another start: it loads itself.
            let _ = events.send(Ok(Event::default().event("anew").data("the service was started anew"))).await;
            return;
        };
        let mut last_count = None;
        // Whoever is no longer let in hears nothing more; their browser asks again, and is told why not.
        while viewer.is_still_known(&pages.sessions, &pages) {
            news.borrow_and_update();
            let now_ms = pages.queries.judged_ms();
            let changes = {
                let shown = shown.read().expect("no holder of this lock panics");
                changes(&shown, &asked, &mut told, &mut last_count, now_ms, &start)
            };
            let known = pages.queries.view().known();
            let beat = format!("{{\"now_ms\":{},\"size\":{}}}", pages.queries.now_ms(), known.size);
            for event in changes.into_iter().chain([Event::default().event("beat").data(beat)]) {
                if events.send_timeout(Ok(event), reader_wait).await.is_err() {
                    return;
                }
            }
            tokio::select! {
                () = events.closed() => return,
                changed = news.changed() => if changed.is_err() { return },
                () = tokio::time::sleep(BEAT_EVERY) => {}
            }
        }
    });
    Ok(Sse::new(ReceiverStream::new(stream)))
}

/// What a browser has to be told beyond the change numbered `told`.
fn changes(
    shown: &Shown,
    asked: &Asked,
    told: &mut u64,
    last_count: &mut Option<Count>,
    now_ms: u64,
    start: &str,
) -> Vec<Event> {
    let (mut out, since) = (Vec::new(), *told);
    *told = shown.number;
    let id = format!("{start}.{}", shown.number);
    for row in shown.rows.values().filter(|row| row.number > since) {
        let here = row.is_open() && asked.passes(row) && asked.reaches(row);
        // A template of ours that fails is told at the page itself; a line break of another system ends no event.
        let event = match drawn(&row.view(now_ms)) {
            Ok(fragment) if here => Event::default().event("row").data(fragment.replace('\r', " ")),
            _ => Event::default().event("gone").data(row.aircraft.to_string()),
        };
        out.push(event.id(&id));
    }
    if out.is_empty() && last_count.is_some() {
        return out;
    }
    let rows = shown.sorted(asked);
    let begin = rows.partition_point(|row| !asked.after.is_empty() && row.key <= asked.after);
    let reached = rows[begin..].iter().filter(|row| asked.reaches(row)).count();
    let count = Count::of(&rows, begin..begin + reached);
    if last_count.as_ref() != Some(&count) {
        out.extend(
            drawn(&count).ok().map(|text| Event::default().event("count").id(&id).data(text.replace('\r', " "))),
        );
        *last_count = Some(count);
    }
    out
}

#[cfg(test)]
pub(super) fn changes_of(shown: &Shown, asked: &Asked, told: &mut u64) -> usize {
    changes(shown, asked, told, &mut Some(Count::default()), 0, "s").len()
}
