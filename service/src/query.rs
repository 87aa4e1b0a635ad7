//! Questions, answered from the history at a size, judged at a time. Pure reading: nothing here writes but
//! [`Queries::record_answer`], which hands a service fact to the sequencer like everybody else.

use std::sync::Arc;

use rinsebook_proto::bytes::{Hash, Id};
use rinsebook_proto::clock::Clock;
use rinsebook_proto::fact::{Kind, Subject};
use rinsebook_proto::note::Checkpoint;
use rinsebook_proto::rules::{History, Question, answer};
use rinsebook_proto::v1;

use crate::blobs::{Blob, Blobs};
use crate::error::CallError;
use crate::projection::View;
use crate::sequencer::Sequencer;

mod recent;

use recent::Recent;

/// What a question may fix; what it leaves open is the newest.
#[derive(Debug, Clone, Copy, Default)]
pub struct Moment {
    /// Wait for at least this size.
    pub at_least_size: u64,
    /// As known at this size.
    pub at_size: Option<u64>,
    /// Judged at this time, Unix milliseconds.
    pub at_time_ms: Option<u64>,
}

/// A moment, settled.
#[derive(Debug, Clone, Copy)]
pub struct AsOf {
    /// Entries known.
    pub size: u64,
    /// Unix milliseconds.
    pub time_ms: u64,
}

/// Answers questions.
#[derive(Clone)]
pub struct Queries {
    view: View,
    clock: Arc<dyn Clock>,
    blobs: Blobs,
    sequencer: Sequencer,
    recent: Arc<Recent>,
}

impl Queries {
    /// Wires the parts.
    pub fn new(view: View, clock: Arc<dyn Clock>, blobs: Blobs, sequencer: Sequencer) -> Queries {
        Queries { view, clock, blobs, sequencer, recent: Arc::default() }
    }

    /// The view of the history.
    pub fn view(&self) -> &View {
        &self.view
    }

    /// The blobs.
    pub fn blobs(&self) -> &Blobs {
        &self.blobs
    }

    /// The way to the sequencer.
    pub fn sequencer(&self) -> &Sequencer {
        &self.sequencer
    }

    /// Service time, Unix milliseconds.
    pub fn now_ms(&self) -> u64 {
        self.clock.wall_ms()
    }

    /// The time at which open items are judged where a question names none, Unix milliseconds: service time, but never
    /// before the log's last entry. A clock set back must not hide what was recorded already.
    pub fn judged_ms(&self) -> u64 {
        let last = self.view.known().size.checked_sub(1);
        let received_ms = last.and_then(|index| self.view.history().received_ms(index));
        self.clock.wall_ms().max(received_ms.unwrap_or(0))
    }

    /// The log's epoch.
    pub fn epoch(&self) -> u32 {
        let origin = Checkpoint::read_unverified(&self.view.known().note).map(|checkpoint| checkpoint.origin);
        origin.ok().and_then(|origin| origin.rsplit_once('/')?.1.parse().ok()).unwrap_or(1)
    }

    /// Waits for the size asked, and for all that was acknowledged before the question, and fixes what was left open.
    pub async fn settle(&self, moment: Moment) -> Result<AsOf, CallError> {
        self.view.caught_up().await;
        let wanted = moment.at_least_size.max(moment.at_size.unwrap_or(0));
        let known = self.view.known().size;
        if wanted > known {
            // A size that nobody was told of yet can only be a mistake: do not wait for ever.
            let wait = self.view.reaches(wanted);
            if !matches!(tokio::time::timeout(std::time::Duration::from_secs(5), wait).await, Ok(true)) {
                let why = format!("the log has {known} entries, not {wanted}");
                return Err(CallError::Field { field: "at_least_size", why });
            }
        }
        let size = moment.at_size.unwrap_or_else(|| self.view.known().size);
        Ok(AsOf { size, time_ms: moment.at_time_ms.unwrap_or_else(|| self.judged_ms()) })
    }

    /// As messages carry it.
    pub fn as_of(&self, as_of: AsOf) -> v1::AsOf {
        v1::AsOf { epoch: self.epoch(), size: as_of.size, time_ms: as_of.time_ms }
    }

    /// Items and findings of one aircraft; none where there are none.
    pub fn items(&self, history: &History, aircraft: &Id, as_of: AsOf) -> Option<Arc<v1::AircraftItems>> {
        self.recent.items(history, aircraft, as_of)
    }

    /// Answers what stands in the way of one aircraft.
    pub fn assess(&self, aircraft: Id, as_of: AsOf, request: &v1::AssessRequest) -> Result<v1::Assessment, CallError> {
        let history = self.view.history();
        if !history.knows_aircraft(&aircraft) {
            return Err(CallError::NotFound { what: "aircraft", name: aircraft.to_string() });
        }
        let question = Question {
            aircraft,
            planned_start_ms: request.planned_start_ms,
            assume_closed: request.assume_closed.clone(),
            epoch: self.epoch(),
            size: as_of.size,
            time_ms: as_of.time_ms,
        };
        if question.supposes_nothing() {
            return Ok(self.recent.assessment(&history, &question));
        }
        Ok(answer::assessment(&history.assess(&question)))
    }

    /// Keeps an answer: its bytes as an attachment, its digest in a service fact. `asked_by` is the subject of the token
    /// that the question came with, or empty.
    pub async fn record_answer(
        &self,
        aircraft: Id,
        assessment: &v1::Assessment,
        asked_by: &str,
    ) -> Result<v1::FactRef, CallError> {
        let blob = Blob { salt: Vec::new(), content: prost::Message::encode_to_vec(assessment) };
        let blobs = self.blobs.clone();
        let digest = crate::work::blocking(move || blobs.keep(&blob)).await.map_err(|_| CallError::Stopping)??;
        let as_of = assessment.as_of.unwrap_or_default();
        let fact = v1::QuestionAnswered {
            asked_by: asked_by.to_owned(),
            epoch: as_of.epoch,
            at_size: as_of.size,
            at_time_ms: as_of.time_ms,
            rules_version: assessment.rules_version,
            assessment: Some(v1::AttachmentRef { digest: digest.to_vec() }),
        };
        let answered = (Kind::QuestionAnswered(fact), vec![Subject::Aircraft(aircraft)]);
        let recorded = self.sequencer.record(vec![answered]).await?;
        let (index, envelope_hash) = *recorded.first().ok_or(CallError::Stopping)?;
        Ok(v1::FactRef {
            index,
            envelope_hash: envelope_hash.to_vec(),
            happened_ms: self.clock.wall_ms(),
            kind: "question-answered".to_owned(),
        })
    }
}

/// Reads an id of a request.
pub fn id(bytes: &[u8], field: &'static str) -> Result<Id, CallError> {
    Id::from_slice(bytes).ok_or_else(|| CallError::Field { field, why: "an id has 16 bytes".to_owned() })
}

/// Reads a hash of a request.
pub fn hash(bytes: &[u8], field: &'static str) -> Result<Hash, CallError> {
    Hash::from_slice(bytes).ok_or_else(|| CallError::Field { field, why: "a hash has 32 bytes".to_owned() })
}

/// The key that a page token says was the last given out; empty where none was.
pub fn after(page_token: &str) -> Result<Vec<u8>, CallError> {
    let wrong = || CallError::Field { field: "page_token", why: "it was not given out by this service".to_owned() };
    hex::decode(page_token).map_err(|_| wrong())
}

/// One page of a list whose keys ascend: what comes after the token, and the token for the rest (Google AIP-158).
pub fn page<T>(
    items: impl Iterator<Item = (Vec<u8>, T)>,
    page_size: i32,
    page_token: &str,
) -> Result<(Vec<T>, String), CallError> {
    let size = match page_size {
        0 => 100,
        n @ 1.. => (n as usize).min(1000),
        _ => return Err(CallError::Field { field: "page_size", why: "it is negative".to_owned() }),
    };
    let after = after(page_token)?;
    let mut rest = items.filter(|(key, _)| after.is_empty() || *key > after).peekable();
    let mut taken = Vec::new();
    let mut last = Vec::new();
    while taken.len() < size
        && let Some((key, item)) = rest.next()
    {
        last = key;
        taken.push(item);
    }
    let next = if rest.peek().is_some() { hex::encode(last) } else { String::new() };
    Ok((taken, next))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn pages_follow_one_another_and_the_last_has_no_token() {
        let list = || (0..5u8).map(|i| (vec![i], i));
        let (first, token) = page(list(), 2, "").unwrap();
        let (second, token) = page(list(), 2, &token).unwrap();
        let (third, end) = page(list(), 2, &token).unwrap();
        assert_eq!((first, second, third, end.as_str()), (vec![0, 1], vec![2, 3], vec![4], ""));
        assert!(page(list(), -1, "").is_err());
        assert!(page(list(), 1, "zz").is_err());
    }
}
