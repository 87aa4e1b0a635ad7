//! Watching: what is open now, and from then on each aircraft whose answer changed, by a fact or by time passing.
//!
//! ```text
//! entries, time ─► Follower ─► which aircraft to look at ─► derived anew ─► told only what differs ─► the watcher
//! ```
//!
//! Nothing is kept for a watcher that is away: its token says what it was told, and that is derived again. A watcher that
//! reads slowly is told less often, never more than one round at once; one that does not read at all is dropped.

mod token;

use std::collections::BTreeMap;
use std::time::Duration;

use prost::Message as _;
use rinsebook_proto::bytes::{Hash, Id};
use rinsebook_proto::rules::{History, Look, answer};
use rinsebook_proto::v1;
use tokio::sync::mpsc;
use tokio::sync::mpsc::error::SendTimeoutError;
use tonic::Status;

use crate::error::CallError;
use crate::query::{AsOf, Moment, Queries};
pub use token::{Token, Told};

/// The wall clock can be set: it is looked at this often while something is due.
const CLOCK_LOOKED_AT_EVERY: Duration = Duration::from_secs(1);

type Answer = Result<v1::WatchItemsResponse, Status>;

/// What a watcher saw last of one aircraft.
#[derive(Debug, Clone, Default)]
struct Seen {
    /// Digest of what was shown; none: nothing was open.
    shown: Option<Hash>,
    /// When time alone may change it, Unix milliseconds.
    again_ms: Option<u64>,
    /// Some device of its washes is not heard out.
    awaits: bool,
}

/// What one watcher was told.
#[derive(Debug)]
struct Follower {
    asked: Option<Id>,
    token: Token,
    /// All aircraft were looked at once.
    begun: bool,
    seen: BTreeMap<Id, Seen>,
}

impl Follower {
    /// The least instant at which time alone may change an answer.
    fn again_ms(&self) -> Option<u64> {
        self.seen.values().filter_map(|seen| seen.again_ms).min()
    }

    /// Aircraft that may have changed from what was told to `now`, ascending.
    fn suspects(&self, history: &History, now: AsOf) -> Vec<Id> {
        let mut suspects: Vec<Id> = if self.begun {
            let touched = (self.token.whole.size..now.size).flat_map(|index| self.touched(history, index));
            let due = self.seen.iter().filter(|(_, seen)| seen.again_ms.is_some_and(|ms| ms <= now.time_ms));
            touched.chain(due.map(|(id, _)| *id)).collect()
        } else {
            history.aircraft().collect()
        };
        suspects.retain(|id| self.asked.is_none_or(|asked| asked == *id));
        suspects.sort_unstable();
        suspects.dedup();
        suspects
    }

    /// Aircraft whose answers that entry may change. Reports come from every device every few seconds: those that say no less
    /// than before concern only who awaits one.
    fn touched(&self, history: &History, index: u64) -> Vec<Id> {
        if history.is_heard_again(index) {
            return self.seen.iter().filter(|(_, seen)| seen.awaits).map(|(id, _)| *id).collect();
        }
        history.aircraft_touched(index)
    }

    /// Looks at one aircraft; its message where it differs from what was told.
    fn look(&mut self, history: &History, aircraft: Id, now: AsOf) -> Option<v1::AircraftItems> {
        let look = history.look(&aircraft, now.size, now.time_ms);
        let message = message(history, &aircraft, now.size, &look);
        let shown = digest(&message);
        let before = match self.seen.get(&aircraft) {
            Some(seen) => seen.shown,
            None => self.told_before(history, &aircraft),
        };
        let awaits = look.state.devices_heard_until_ms.is_some();
        self.seen.insert(aircraft, Seen { shown, again_ms: look.again_ms, awaits });
        (shown != before).then_some(message)
    }

    /// What the token says was told of an aircraft that was not looked at since.
    fn told_before(&self, history: &History, aircraft: &Id) -> Option<Hash> {
        let Told { size, time_ms } = self.token.told_of(aircraft);
        if size == 0 {
            return None;
        }
        digest(&message(history, aircraft, size, &history.look(aircraft, size, time_ms)))
    }
}

fn message(history: &History, aircraft: &Id, size: u64, look: &Look) -> v1::AircraftItems {
    v1::AircraftItems {
        aircraft: aircraft.to_vec(),
        registration: history.roster().registration(aircraft, size).unwrap_or_default().to_owned(),
        items: look.state.items.iter().map(answer::item).collect(),
        findings: look.state.findings.iter().map(answer::finding).collect(),
    }
}

fn digest(message: &v1::AircraftItems) -> Option<Hash> {
    let open = !message.items.is_empty() || !message.findings.is_empty();
    open.then(|| Hash::of(&message.encode_to_vec()))
}

/// Begins to watch; the stream ends when the watcher goes or the service stops.
pub async fn watch(
    queries: Queries,
    request: v1::WatchItemsRequest,
    reader_wait: Duration,
) -> Result<mpsc::Receiver<Answer>, CallError> {
    let now = queries.settle(Moment::default()).await?;
    let asked = match request.aircraft.as_slice() {
        [] => None,
        bytes => Some(crate::query::id(bytes, "aircraft")?),
    };
    let token = {
        let history = queries.view().history();
        if let Some(one) = asked.filter(|one| !history.knows_aircraft(one)) {
            return Err(CallError::NotFound { what: "aircraft", name: one.to_string() });
        }
        let log =
            token::Log { record: history.hash_of(0).unwrap_or(Hash::ZERO), epoch: queries.epoch(), size: now.size };
        Token::read(&request.resume_token, &log)?
    };
    let follower = Follower { asked, token, begun: false, seen: BTreeMap::new() };
    // One answer waits while another is on its way: a slow reader holds up nobody but itself.
    let (answers, receiver) = mpsc::channel(1);
    tokio::spawn(follow(queries, follower, Watcher { answers, reader_wait }));
    Ok(receiver)
}

/// The way to who watches.
struct Watcher {
    answers: mpsc::Sender<Answer>,
    reader_wait: Duration,
}

impl Watcher {
    /// Sends; fails when the watcher has gone, or has not read for too long.
    async fn tell(&self, answer: Answer) -> Result<(), SendTimeoutError<Answer>> {
        self.answers.send_timeout(answer, self.reader_wait).await
    }
}

async fn follow(queries: Queries, mut follower: Follower, watcher: Watcher) {
    let mut known = queries.view().news();
    loop {
        let size = known.borrow_and_update().size;
        // Answers never go back in time, though a clock may.
        let now = AsOf { size, time_ms: queries.judged_ms().max(follower.token.newest().time_ms) };
        let Ok((mut looked, changed)) = round(&queries, follower, now).await else { return };
        let told = tell(&queries, &mut looked, changed, now, &watcher).await;
        follower = looked;
        if told.is_err() {
            return;
        }
        tokio::select! {
            () = watcher.answers.closed() => return,
            news = known.changed() => if news.is_err() {
                // The watcher may have gone too; then nobody is left to be told.
                let _ = watcher.tell(Err(CallError::Stopping.into())).await;
                return;
            },
            () = comes(&queries, follower.again_ms()) => {}
        }
    }
}

/// Looks at every aircraft that may have changed.
async fn round(
    queries: &Queries,
    mut follower: Follower,
    now: AsOf,
) -> Result<(Follower, Vec<v1::AircraftItems>), tokio::task::JoinError> {
    let view = queries.view().clone();
    tokio::task::spawn_blocking(move || {
        let suspects = follower.suspects(&view.history(), now);
        // The history is let go between two aircraft: recording waits for no watcher.
        let changed =
            suspects.into_iter().filter_map(|aircraft| follower.look(&view.history(), aircraft, now)).collect();
        (follower, changed)
    })
    .await
}

/// Sends what changed; the last of the first round says that the watcher knows all.
async fn tell(
    queries: &Queries,
    follower: &mut Follower,
    changed: Vec<v1::AircraftItems>,
    now: AsOf,
    watcher: &Watcher,
) -> Result<(), SendTimeoutError<Answer>> {
    let first = !std::mem::replace(&mut follower.begun, true);
    let mut rest = changed.into_iter().peekable();
    let nothing = first && rest.peek().is_none();
    let told = Told { size: now.size, time_ms: now.time_ms };
    let whole = follower.token.told_all(told);
    while let Some(aircraft) = rest.next() {
        let last = rest.peek().is_none();
        let upto = Id::from_slice(&aircraft.aircraft).expect("an id that came from one");
        follower.token = if last { whole } else { follower.token.told_upto(told, upto) };
        let answer = v1::WatchItemsResponse {
            aircraft: Some(aircraft),
            as_of: Some(queries.as_of(now)),
            resume_token: follower.token.to_string(),
            snapshot_complete: first && last,
        };
        watcher.tell(Ok(answer)).await?;
    }
    follower.token = whole;
    if nothing {
        let answer = v1::WatchItemsResponse {
            aircraft: None,
            as_of: Some(queries.as_of(now)),
            resume_token: whole.to_string(),
            snapshot_complete: true,
        };
        watcher.tell(Ok(answer)).await?;
    }
    Ok(())
}

/// Waits until the wall clock shows that instant; for ever where there is none.
async fn comes(queries: &Queries, instant_ms: Option<u64>) {
    let Some(instant_ms) = instant_ms else { return std::future::pending().await };
    while let Some(left_ms) = instant_ms.checked_sub(queries.judged_ms()).filter(|left| *left > 0) {
        tokio::time::sleep(CLOCK_LOOKED_AT_EVERY.min(Duration::from_millis(left_ms))).await;
    }
}
