//! The station, the planner's questions and the keys of rinsebook, as a library that others can call.
//!
//! ```text
//! Draft ─► station::Station::sign_card ─► outbox (synced: "saved") ─► sync ─► receipts
//! ```

pub mod about;
pub mod brought;
pub mod card;
pub mod command;
mod contract;
pub mod demo;
pub mod dial;
pub mod enrol;
pub mod explain;
pub mod home;
pub mod mirror;
pub mod names;
pub mod outbox;
pub mod page;
pub mod query;
pub mod receipt;
pub mod remote;
pub mod revisions;
pub mod secret;
pub mod station;
pub mod sync;
mod trust;
pub mod verify;
pub mod witness;

pub use query::render;
use tonic_types::StatusExt;

/// The generated client side of the gRPC services.
#[allow(missing_docs, clippy::all, clippy::pedantic)]
pub mod rpc {
    include!(concat!(env!("OUT_DIR"), "/rinsebook.v1.rs"));
}

/// Why something did not work, in sentences for the person who asked for it.
#[derive(Debug, thiserror::Error)]
pub enum ClientError {
    /// A file of ours.
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
    /// The outbox.
    #[error("the outbox: {0}; nothing in it is lost by trying again; do not delete it, call the custodian")]
    Outbox(String),
    /// The service cannot be reached.
    #[error("the service is not reachable: {0}; what you signed is saved here; send it when the network is back")]
    Unreachable(String),
    /// The service takes nothing now, and says when it is worth trying again.
    #[error("{why}")]
    Busy {
        /// What it says.
        why: String,
        /// Not before this has passed.
        wait: std::time::Duration,
    },
    /// The service answered with an error.
    #[error("{0}")]
    Answered(String),
    /// The log shows another past than the one this station has proof of.
    #[error("the log does not continue what this station has seen: {0}; send nothing more and call the custodian")]
    Diverged(String),
    /// What was asked for does not fit.
    #[error("{0}")]
    Usage(String),
}

impl ClientError {
    /// For `map_err` on file operations.
    pub fn file(what: impl Into<String>) -> impl FnOnce(std::io::Error) -> ClientError {
        let what = what.into();
        move |source| ClientError::File { what, source }
    }
}

impl From<tonic::Status> for ClientError {
    fn from(status: tonic::Status) -> ClientError {
        let hint = status.get_details_retry_info().and_then(|info| info.retry_delay);
        if let Some(wait) = hint {
            return ClientError::Busy { why: status.message().to_owned(), wait };
        }
        match status.code() {
            tonic::Code::Unavailable | tonic::Code::Unknown | tonic::Code::Cancelled => {
                ClientError::Unreachable(status.message().to_owned())
            }
            _ => ClientError::Answered(status.message().to_owned()),
        }
    }
}
