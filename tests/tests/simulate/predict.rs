//! What every answer has to be, as the slow model of the rules says: from the log's own entries, at the size and time that
//! the answer names.

use std::sync::Arc;

use rinsebook_proto::bytes::Id;
use rinsebook_proto::entry::Entry;
use rinsebook_proto::fact::{MAX_SERVICE_ENVELOPE_BYTES, Signed};
use rinsebook_proto::rules::{Recorded, SignatureState};
use rinsebook_proto::v1;
use rinsebook_tests::slow::compare::{by_the_answer, by_the_model};
use rinsebook_tests::slow::facts::Book;
use rinsebook_tests::slow::shop::PROCEDURE;

/// The slow model is asked about so many answers of a story, the last among them: it takes longer than the whole service.
const PREDICTED: usize = 4;

fn recorded(data: &[u8]) -> Result<Recorded, String> {
    let entry = Entry::decode(data).map_err(|e| e.to_string())?;
    let fact = Signed::parse(&entry.envelope, MAX_SERVICE_ENVELOPE_BYTES).map_err(|e| e.to_string())?;
    Ok(Recorded {
        index: entry.index,
        received_ms: entry.received_ms,
        clock_unsure: entry.clock_unsure,
        fact: Arc::new(fact),
        // Every signature was verified before.
        signature: SignatureState::Good,
    })
}

/// Holds answers against the log; gives how many were predicted.
///
/// # Errors
/// An answer that knows less than was acknowledged before its question, or more than there is, or something else than the
/// model says.
pub(crate) fn answers(log: &[Vec<u8>], aircraft: &Id, answers: &[(u64, v1::Assessment)]) -> Result<u64, String> {
    let mut known = 0;
    for (acknowledged, answer) in answers {
        let size = answer.as_of.unwrap_or_default().size;
        if size < *acknowledged || size < known || size > log.len() as u64 {
            let before = (*acknowledged).max(known);
            return Err(format!("an answer from {size} entries, after {before} were told, of {}", log.len()));
        }
        known = size;
    }
    let recorded = log.iter().map(|data| recorded(data)).collect::<Result<Vec<_>, _>>()?;
    let book = Book::of(&recorded, &[PROCEDURE]);
    let every = answers.len().div_ceil(PREDICTED).max(1);
    let chosen: Vec<_> = answers.iter().rev().step_by(every).collect();
    for (_, answer) in &chosen {
        one(&book, aircraft, answer)?;
    }
    Ok(chosen.len() as u64)
}

fn one(book: &Book, aircraft: &Id, answer: &v1::Assessment) -> Result<(), String> {
    let as_of = answer.as_of.unwrap_or_default();
    let told = by_the_answer(answer);
    let model = by_the_model(&book.known_at(as_of.size), aircraft, as_of.time_ms / 1000, None);
    if told == model {
        return Ok(());
    }
    let only_told: Vec<_> = told.difference(&model).collect();
    let only_model: Vec<_> = model.difference(&told).collect();
    Err(format!("answered as of {as_of:?}:\nonly the answer: {only_told:#?}\nonly the model: {only_model:#?}"))
}
