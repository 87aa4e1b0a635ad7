//! What a watcher was told, in a word that it gives back: sizes and times, from which all that it saw follows.
//!
//! `w1.RECORD.EPOCH.SIZE.TIME`, and in the middle of a round `.SIZE.TIME.AIRCRAFT`: the newer state, and the last aircraft
//! that was told of it. RECORD is the first 8 bytes of the record's id, times are Unix milliseconds.

use std::fmt;

use rinsebook_proto::bytes::{Hash, Id};

use crate::error::CallError;

/// A state of knowledge, told whole.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, PartialOrd, Ord)]
pub struct Told {
    /// Entries known; 0: nothing was told.
    pub size: u64,
    /// Judged at, Unix milliseconds.
    pub time_ms: u64,
}

/// See the module.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Token {
    record: [u8; 8],
    epoch: u32,
    /// Of every aircraft.
    pub whole: Told,
    /// Newer: of aircraft up to this one.
    pub part: Option<(Told, Id)>,
}

/// The log that a token has to be of.
#[derive(Debug, Clone, Copy)]
pub struct Log {
    /// The record's id.
    pub record: Hash,
    /// Its epoch.
    pub epoch: u32,
    /// Entries known.
    pub size: u64,
}

impl Token {
    /// Reads a token of this log; an empty one was told nothing.
    pub fn read(text: &str, log: &Log) -> Result<Token, CallError> {
        let record = log.record.0[..8].try_into().expect("a hash is longer");
        if text.is_empty() {
            return Ok(Token { record, epoch: log.epoch, whole: Told::default(), part: None });
        }
        let wrong = |why: &str| CallError::Field {
            field: "resume_token",
            why: format!("{why}; leave it empty and begin with what is open now"),
        };
        let token = parse(text).ok_or_else(|| wrong("it was not given out by this service"))?;
        if token.record != record {
            return Err(wrong("it is of another record"));
        }
        if token.epoch != log.epoch {
            return Err(wrong("it is of another epoch of this log"));
        }
        if token.newest().size > log.size || token.whole > token.newest() {
            return Err(wrong("it knows more than this log holds"));
        }
        Ok(token)
    }

    /// The newest that was told of any aircraft.
    pub fn newest(&self) -> Told {
        self.part.map_or(self.whole, |(told, _)| told)
    }

    /// Once every aircraft was told of.
    pub fn told_all(self, told: Told) -> Token {
        Token { whole: told, part: None, ..self }
    }

    /// While a round is told, up to this aircraft.
    pub fn told_upto(self, told: Told, upto: Id) -> Token {
        Token { part: Some((told, upto)), ..self }
    }

    /// What was told of this aircraft.
    pub fn told_of(&self, aircraft: &Id) -> Told {
        self.part.filter(|(_, upto)| aircraft <= upto).map_or(self.whole, |(told, _)| told)
    }
}

fn parse(text: &str) -> Option<Token> {
    let mut parts = text.split('.');
    let mut next = || parts.next();
    if next()? != "w1" {
        return None;
    }
    let record = hex::decode(next()?).ok()?.try_into().ok()?;
    let epoch = next()?.parse().ok()?;
    let whole = Told { size: next()?.parse().ok()?, time_ms: next()?.parse().ok()? };
    let part = match next() {
        None => None,
        Some(size) => {
            let told = Told { size: size.parse().ok()?, time_ms: next()?.parse().ok()? };
            Some((told, Id::from_hex(next()?)?))
        }
    };
    let token = Token { record, epoch, whole, part };
    // Exactly as it was written.
    (token.to_string() == text).then_some(token)
}

impl fmt::Display for Token {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let Token { record, epoch, whole, part } = self;
        write!(f, "w1.{}.{epoch}.{}.{}", hex::encode(record), whole.size, whole.time_ms)?;
        match part {
            None => Ok(()),
            Some((told, upto)) => write!(f, ".{}.{}.{upto}", told.size, told.time_ms),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const LOG: Log = Log { record: Hash([7; 32]), epoch: 1, size: 40 };

    fn token(size: u64, part: Option<(Told, Id)>) -> Token {
        Token { record: [7; 8], epoch: 1, whole: Told { size, time_ms: 5 }, part }
    }

    #[test]
    fn a_token_is_read_as_it_was_written() {
        for part in [None, Some((Told { size: 30, time_ms: 9 }, Id([3; 16])))] {
            let token = token(20, part);
            assert_eq!(Token::read(&token.to_string(), &LOG).unwrap(), token);
        }
    }

    #[test]
    fn in_the_middle_of_a_round_each_aircraft_has_been_told_its_own() {
        let newer = Told { size: 30, time_ms: 9 };
        let token = token(20, Some((newer, Id([3; 16]))));
        assert_eq!(token.told_of(&Id([3; 16])), newer);
        assert_eq!(token.told_of(&Id([4; 16])), token.whole);
    }

    #[test]
    fn nonsense_another_record_another_epoch_and_the_future_are_refused_with_what_to_do() {
        let good = token(20, None).to_string();
        for (text, why) in [
            ("w1.zz".to_owned(), "not given out"),
            (format!("{good}."), "not given out"),
            (good.replace(".20.", ".020."), "not given out"),
            (good.replace("07", "08"), "another record"),
            (good.replace(".1.20.", ".2.20."), "another epoch"),
            (good.replace(".20.", ".41."), "more than this log holds"),
            (token(20, Some((Told { size: 10, time_ms: 1 }, Id([3; 16])))).to_string(), "more than"),
        ] {
            let said = Token::read(&text, &LOG).unwrap_err().to_string();
            assert!(said.contains(why) && said.contains("leave it empty"), "{text}: {said}");
        }
    }
}
