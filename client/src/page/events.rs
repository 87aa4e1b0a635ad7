//! What a page is told while it is open: the station's time, for its clocks, and that something changed.

use std::convert::Infallible;
use std::time::Duration;

use axum::extract::State;
use axum::response::sse::{Event, Sse};
use tokio_stream::Stream;
use tokio_stream::wrappers::ReceiverStream;

use super::App;

const TIME_EVERY: Duration = Duration::from_secs(5);

pub(super) async fn stream(State(app): State<App>) -> Sse<impl Stream<Item = Result<Event, Infallible>>> {
    let (send, told) = tokio::sync::mpsc::channel(2);
    tokio::spawn(async move {
        let mut changes = app.desk.changes();
        loop {
            let change = *changes.borrow_and_update();
            let now = serde_json::json!({ "now_ms": app.desk.now_ms(), "change": change });
            // A page that was closed takes nothing any more.
            if send.send(Ok(Event::default().event("now").data(now.to_string()))).await.is_err() {
                return;
            }
            tokio::select! {
                changed = changes.changed() => if changed.is_err() { return },
                () = tokio::time::sleep(TIME_EVERY) => {}
                () = send.closed() => return,
            }
        }
    });
    Sse::new(ReceiverStream::new(told))
}
