//! How much anybody may take of the service: one table, so that its memory and its threads stay bounded whatever a client
//! does. Who meets a limit is told so, with the time after which it is worth trying again, and nothing of theirs is lost.
//!
//! All values are common practice, no source, chosen so that the sum stays within a small machine:
//!
//! ```text
//! connections   (connections + strangers + handshakes) × 512 KiB of unread bytes, and as much again not fetched yet
//! intake        intake_streams × 2 × message_kibibytes, and intake_kibibytes of what is decided on
//! other calls   streams × ask_kibibytes
//! ```

mod places;
mod rates;

use std::time::Duration;

use serde::Deserialize;

pub use places::{Place, Places};
pub use rates::Rates;

/// The table, as `[limits]` in the configuration spells it.
#[derive(Debug, Clone, PartialEq, Eq, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub struct Limits {
    /// Connections that show a certificate of our authority, all together.
    pub connections: u32,
    /// Of those, with one certificate.
    pub connections_a_certificate: u32,
    /// Connections without a certificate, all together.
    pub strangers: u32,
    /// Of those, from one address (IPv6: from one /64).
    pub strangers_an_address: u32,
    /// Connections whose handshake is not finished, all together.
    pub handshakes: u32,
    /// Of those, from one address.
    pub handshakes_an_address: u32,
    /// Calls on one connection at once.
    pub streams_a_connection: u32,
    /// Calls and streams of one caller at once, over all connections.
    pub calls_a_caller: u32,
    /// Calls and pages of one caller a second, over a while.
    pub calls_a_second: u32,
    /// So many may come at once, after a rest.
    pub calls_burst: u32,
    /// Facts, reports and blobs of one device a second, over a while.
    pub facts_a_second: u32,
    /// So many may come at once, after a rest: a station that was without a network for days.
    pub facts_burst: u32,
    /// Intake streams, all together.
    pub intake_streams: u32,
    /// Of those, of one device.
    pub intake_streams_a_device: u32,
    /// The largest message of an intake stream, KiB.
    pub message_kibibytes: u32,
    /// What is under way to the log of one intake stream, KiB.
    pub stream_kibibytes: u32,
    /// And of all of them, KiB.
    pub intake_kibibytes: u32,
    /// The largest message of any other call, KiB.
    pub ask_kibibytes: u32,
    /// The headers of one request, KiB.
    pub header_kibibytes: u32,
    /// A handshake, and the head of a request, have to be there after so many seconds.
    pub header_seconds: u32,
    /// A connection on which nothing moves for so many seconds is closed; an HTTP/2 client that is alive answers pings.
    pub idle_seconds: u32,
    /// Whoever does not read what is sent to them for so many seconds is dropped.
    pub reader_seconds: u32,
    /// A call that is not answered, or not even received whole, after so many seconds is given up.
    pub answer_seconds: u32,
    /// An intake stream on which no whole message comes for so many seconds is ended.
    pub message_seconds: u32,
    /// What finds no room on its way to the log within so many seconds is sent back.
    pub room_seconds: u32,
}

impl Default for Limits {
    fn default() -> Limits {
        Limits {
            connections: 512,
            connections_a_certificate: 32,
            strangers: 192,
            strangers_an_address: 64,
            handshakes: 256,
            handshakes_an_address: 64,
            streams_a_connection: 64,
            calls_a_caller: 64,
            calls_a_second: 500,
            calls_burst: 5_000,
            facts_a_second: 1_000,
            facts_burst: 20_000,
            intake_streams: 64,
            intake_streams_a_device: 4,
            message_kibibytes: 4_096,
            stream_kibibytes: 8_192,
            intake_kibibytes: 65_536,
            ask_kibibytes: 64,
            header_kibibytes: 16,
            header_seconds: 10,
            idle_seconds: 60,
            reader_seconds: 30,
            answer_seconds: 60,
            message_seconds: 300,
            room_seconds: 5,
        }
    }
}

/// HTTP/2: bytes of a stream that its call has not read yet.
pub const STREAM_WINDOW_BYTES: u32 = 256 << 10;
/// HTTP/2: the same of all streams of a connection.
pub const CONNECTION_WINDOW_BYTES: u32 = 512 << 10;
/// HTTP/2: bytes of an answer that its reader has not fetched yet.
pub const UNFETCHED_BYTES: usize = 64 << 10;

impl Limits {
    /// Each value within what makes sense; else the key and why not.
    pub fn check(&self) -> Result<(), (&'static str, String)> {
        let rows = [
            ("limits.connections", self.connections, 1, 100_000),
            ("limits.connections_a_certificate", self.connections_a_certificate, 1, 100_000),
            ("limits.strangers", self.strangers, 1, 100_000),
            ("limits.strangers_an_address", self.strangers_an_address, 1, 100_000),
            ("limits.handshakes", self.handshakes, 1, 100_000),
            ("limits.handshakes_an_address", self.handshakes_an_address, 1, 100_000),
            ("limits.streams_a_connection", self.streams_a_connection, 4, 10_000),
            ("limits.calls_a_caller", self.calls_a_caller, 4, 10_000),
            ("limits.calls_a_second", self.calls_a_second, 1, 1_000_000),
            ("limits.calls_burst", self.calls_burst, 1, 10_000_000),
            ("limits.facts_a_second", self.facts_a_second, 1, 1_000_000),
            ("limits.facts_burst", self.facts_burst, 64, 10_000_000),
            ("limits.intake_streams", self.intake_streams, 1, 10_000),
            ("limits.intake_streams_a_device", self.intake_streams_a_device, 1, 10_000),
            // An attachment of 1 MiB has to fit, with what frames it.
            ("limits.message_kibibytes", self.message_kibibytes, 1_100, 65_536),
            ("limits.stream_kibibytes", self.stream_kibibytes, self.message_kibibytes, 1_048_576),
            ("limits.intake_kibibytes", self.intake_kibibytes, self.stream_kibibytes, 16_777_216),
            ("limits.ask_kibibytes", self.ask_kibibytes, 16, 4_096),
            ("limits.header_kibibytes", self.header_kibibytes, 8, 1_024),
            ("limits.header_seconds", self.header_seconds, 1, 600),
            ("limits.idle_seconds", self.idle_seconds, 3, 86_400),
            ("limits.reader_seconds", self.reader_seconds, 1, 3_600),
            ("limits.answer_seconds", self.answer_seconds, 1, 3_600),
            ("limits.message_seconds", self.message_seconds, 1, 86_400),
            ("limits.room_seconds", self.room_seconds, 1, 600),
        ];
        match rows.into_iter().find(|(_, value, least, most)| value < least || value > most) {
            Some((key, value, least, most)) => Err((key, format!("{value} is not from {least} to {most}"))),
            None => Ok(()),
        }
    }

    /// The largest intake message, bytes.
    pub fn message_bytes(&self) -> usize {
        (self.message_kibibytes as usize) << 10
    }

    /// The largest message of another call, bytes.
    pub fn ask_bytes(&self) -> usize {
        (self.ask_kibibytes as usize) << 10
    }

    /// How long a handshake and a head may take.
    pub fn header_wait(&self) -> Duration {
        seconds(self.header_seconds)
    }

    /// How long a connection may be silent.
    pub fn idle_wait(&self) -> Duration {
        seconds(self.idle_seconds)
    }

    /// How long a reader may not read.
    pub fn reader_wait(&self) -> Duration {
        seconds(self.reader_seconds)
    }

    /// How long an answer may take to begin.
    pub fn answer_wait(&self) -> Duration {
        seconds(self.answer_seconds)
    }

    /// How long an intake stream may bring nothing whole.
    pub fn message_wait(&self) -> Duration {
        seconds(self.message_seconds)
    }

    /// How long something waits for room on its way to the log.
    pub fn room_wait(&self) -> Duration {
        seconds(self.room_seconds)
    }
}

fn seconds(n: u32) -> Duration {
    Duration::from_secs(n.into())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_usual_values_fit_their_own_table_and_one_that_does_not_is_named() {
        assert_eq!(Limits::default().check(), Ok(()));
        let small = Limits { message_kibibytes: 100, ..Limits::default() };
        let (key, why) = small.check().unwrap_err();
        assert_eq!(key, "limits.message_kibibytes");
        assert!(why.contains("1100"), "{why}");
        let upside_down = Limits { intake_kibibytes: 2_000, ..Limits::default() };
        assert_eq!(upside_down.check().unwrap_err().0, "limits.intake_kibibytes");
    }
}
