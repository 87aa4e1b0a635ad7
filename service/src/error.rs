//! What can go wrong, and the one table from there to gRPC statuses.

use std::collections::HashMap;
use std::time::Duration;

use rinsebook_proto::bytes::{Hash, Id};
use rinsebook_proto::journal::{AppendError, JournalError};
use rinsebook_proto::rules::erasures::Erasure;
use tonic::{Code, Status};
use tonic_types::{ErrorDetails, StatusExt};

use crate::tokens::TokenError;

/// The domain in `google.rpc.ErrorInfo`.
pub const DOMAIN: &str = "rinsebook";
/// A full disk is seldom mended faster (common practice, no source).
const DISK_LOOKED_AT_AGAIN: Duration = Duration::from_secs(10);

/// Why the service cannot start or cannot go on.
#[derive(Debug, thiserror::Error)]
pub enum ServiceError {
    /// The log's files.
    #[error("the log: {0}")]
    Journal(#[from] JournalError),
    /// Writing to the log.
    #[error("the log: {0}")]
    Append(#[from] AppendError),
    /// An entry was there and cannot be read back.
    #[error(
        "the log: {0}; nobody is answered without it; check the disk, and restore the log from a backup where it is damaged"
    )]
    Unreadable(String),
    /// A log entry that does not check.
    #[error(
        "log entry {index} in {file} at offset {offset}: {why}; nothing is served from this log; restore it from a backup"
    )]
    BadEntry {
        /// The entry.
        index: u64,
        /// Its segment file.
        file: String,
        /// Where its group begins.
        offset: u64,
        /// What does not check.
        why: String,
    },
    /// A file beside the log.
    #[error("{what}: {source}")]
    File {
        /// Which, and what was done with it.
        what: String,
        /// What the system said.
        source: std::io::Error,
    },
    /// Keys and certificates.
    #[error("{what}: {why}")]
    Key {
        /// Which.
        what: String,
        /// Why not.
        why: String,
    },
    /// The address.
    #[error("cannot listen on {address}: {source}; is another service running there?")]
    Listen {
        /// Where.
        address: std::net::SocketAddr,
        /// What the system said.
        source: std::io::Error,
    },
}

impl ServiceError {
    /// For `map_err` on file operations.
    pub fn file(what: impl Into<String>) -> impl FnOnce(std::io::Error) -> ServiceError {
        let what = what.into();
        move |source| ServiceError::File { what, source }
    }
}

/// Why a call is not answered: the reasons that clients may act on.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum CallError {
    /// No client certificate where one is asked.
    #[error("this call needs the certificate of an enrolled device; ask the custodian to enrol this device")]
    NoCertificate,
    /// Neither a certificate nor a token where one of them is asked.
    #[error("this call needs {needs}")]
    NoCredentials {
        /// Which would do.
        needs: String,
    },
    /// A token that is not taken.
    #[error("{0}")]
    Token(#[from] TokenError),
    /// A person without a role that would do.
    #[error("this call needs {needs}; the token shown has none of these roles; ask the custodian")]
    NoRole {
        /// Which would do.
        needs: String,
    },
    /// A certificate that no enrolled device has.
    #[error("this certificate belongs to no device enrolled in this record; ask the custodian to enrol this device")]
    UnknownCertificate,
    /// A report or fact in another device's name.
    #[error("this certificate belongs to another device than the one named; use the station folder of this device")]
    OtherDevice,
    /// A field of the request.
    #[error("the request's {field} does not fit: {why}")]
    Field {
        /// Which.
        field: &'static str,
        /// What is wrong.
        why: String,
    },
    /// Nothing by that name.
    #[error("there is no {what} {name} in this record")]
    NotFound {
        /// Of which sort.
        what: &'static str,
        /// What was asked for.
        name: String,
    },
    /// An annex that a custodian erased.
    #[error(
        "the annex {digest} was erased by person {by}, entry {index}: {reason}; it is not kept or given out again, and \
         facts that name it are taken without it"
    )]
    Erased {
        /// Which.
        digest: Hash,
        /// Who erased it.
        by: Id,
        /// The entry by which it counts.
        index: u64,
        /// When that was received, Unix milliseconds.
        at_ms: u64,
        /// Why.
        reason: String,
    },
    /// Before the founding fact.
    #[error("this record is not founded yet; the custodian founds it with `rinsebook enrol found`")]
    NotFounded,
    /// The disk is full.
    #[error("the service's disk is full: nothing was recorded and nothing is lost; free space there, then send again")]
    DiskFull,
    /// The disk takes nothing.
    #[error(
        "the service's disk takes nothing ({why}): nothing was recorded and nothing is lost; whoever keeps the service \
         has to make it writable, then send again"
    )]
    DiskRefuses {
        /// What the system said.
        why: String,
    },
    /// A limit of the service was met.
    #[error("{what}: nothing was done and nothing is lost; try again in {} ms", .wait.as_millis())]
    Busy {
        /// Which, as a sentence without its end.
        what: &'static str,
        /// After that it is worth trying again.
        wait: Duration,
    },
    /// A stream whose reader does not read.
    #[error("this stream was given up since nobody read it; what came of it is not all there is; ask again")]
    NotRead,
    /// The call took too long to come in, or its answer to begin.
    #[error("this call was not received and answered in time; try again")]
    NotInTime,
    /// An older state was put back.
    #[error("nothing is recorded here now: {0}")]
    NotRecording(String),
    /// The service is stopping.
    #[error("the service is stopping; whether the last facts were written is not known; send them again")]
    Stopping,
    /// Not built.
    #[error("this version does not offer {0}")]
    NotOffered(&'static str),
}

impl CallError {
    /// That the disk did not take something.
    pub fn of_disk(error: &std::io::Error) -> CallError {
        match error.kind() {
            std::io::ErrorKind::StorageFull | std::io::ErrorKind::QuotaExceeded => CallError::DiskFull,
            _ => CallError::DiskRefuses { why: error.to_string() },
        }
    }

    /// That it was erased, by whom, when and why.
    pub fn erased(erasure: &Erasure) -> CallError {
        let Erasure { digest, by, index, at_ms, reason, .. } = erasure.clone();
        CallError::Erased { digest, by, index, at_ms, reason }
    }

    /// Code and reason; the reasons are for programs and never change.
    pub fn code(&self) -> (Code, &'static str) {
        match self {
            CallError::NoCertificate => (Code::Unauthenticated, "CERTIFICATE_MISSING"),
            CallError::NoCredentials { .. } => (Code::Unauthenticated, "CREDENTIALS_MISSING"),
            CallError::Token(error) => (Code::Unauthenticated, error.reason()),
            CallError::NoRole { .. } => (Code::PermissionDenied, "ROLE_MISSING"),
            CallError::UnknownCertificate => (Code::PermissionDenied, "CERTIFICATE_UNKNOWN"),
            CallError::OtherDevice => (Code::PermissionDenied, "OTHER_DEVICE"),
            CallError::Field { .. } => (Code::InvalidArgument, "FIELD_INVALID"),
            CallError::NotFound { .. } => (Code::NotFound, "NOT_FOUND"),
            CallError::Erased { .. } => (Code::NotFound, "ERASED"),
            CallError::NotFounded => (Code::FailedPrecondition, "NOT_FOUNDED"),
            CallError::DiskFull => (Code::ResourceExhausted, "DISK_FULL"),
            CallError::DiskRefuses { .. } => (Code::Unavailable, "DISK_REFUSES"),
            CallError::Busy { .. } => (Code::ResourceExhausted, "BUSY"),
            CallError::NotRead => (Code::Aborted, "NOT_READ"),
            CallError::NotInTime => (Code::DeadlineExceeded, "NOT_IN_TIME"),
            CallError::NotRecording(_) => (Code::FailedPrecondition, "NOT_RECORDING"),
            CallError::Stopping => (Code::Unavailable, "STOPPING"),
            CallError::NotOffered(_) => (Code::Unimplemented, "NOT_OFFERED"),
        }
    }

    /// After what time it is worth trying again, where time can mend it.
    pub fn retry_after(&self) -> Option<Duration> {
        match self {
            CallError::Busy { wait, .. } => Some(*wait),
            CallError::DiskFull | CallError::DiskRefuses { .. } => Some(DISK_LOOKED_AT_AGAIN),
            _ => None,
        }
    }

    fn metadata(&self) -> HashMap<String, String> {
        let pairs: Vec<(&str, String)> = match self {
            CallError::Field { field, why } => vec![("field", (*field).to_owned()), ("why", why.clone())],
            CallError::NotFound { what, name } => vec![("what", (*what).to_owned()), ("name", name.clone())],
            CallError::Erased { digest, by, index, at_ms, reason } => vec![
                ("digest", digest.to_string()),
                ("by", by.to_string()),
                ("index", index.to_string()),
                ("erased_ms", at_ms.to_string()),
                ("reason", reason.clone()),
            ],
            CallError::NoCredentials { needs } | CallError::NoRole { needs } => vec![("needs", needs.clone())],
            CallError::NotOffered(what) => vec![("what", (*what).to_owned())],
            _ => vec![],
        };
        pairs.into_iter().map(|(k, v)| (k.to_owned(), v)).collect()
    }
}

impl From<CallError> for Status {
    fn from(error: CallError) -> Status {
        let (code, reason) = error.code();
        let mut details = ErrorDetails::with_error_info(reason, DOMAIN, error.metadata());
        if let Some(wait) = error.retry_after() {
            details.set_retry_info(Some(wait));
        }
        Status::with_error_details(code, error.to_string(), details)
    }
}
