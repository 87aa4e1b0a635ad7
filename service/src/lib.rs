//! The service: admits signed facts, keeps the log, derives what is open, answers.
//!
//! # One way through
//!
//! ```text
//! grpc::intake ─► admission ─► sequencer ─► log ─► acknowledged
//!  wire bytes      parsed,      one thread:   written,      │
//!                  signature    place, links, fdatasync     ▼
//!                  checked      group                    projection ─► query ─► grpc::{items, records, roster}
//!                                                        one owner
//! ```
//!
//! - Nothing is acknowledged before its group is on disk with its checkpoint.
//! - The sequencer alone does the checks that depend on what came before, while it builds the group.
//! - The projection never writes to the log. What sled keeps says how far the log was checked; where it does not fit, the log is checked anew.
//! - Only [`run`] knows everybody.

pub mod access;
pub mod admission;
pub mod audits;
pub mod authority;
pub mod backup;
pub mod blobs;
pub mod caller;
pub mod command;
pub mod config;
pub mod desk;
pub mod doorkeeper;
pub mod erasing;
pub mod error;
pub mod files;
pub mod founding;
pub mod grpc;
pub mod identity;
pub mod limits;
pub mod log;
pub mod packs;
pub mod projection;
pub mod query;
pub mod recovery;
pub mod refusal;
pub mod register;
pub mod registers;
pub mod restore;
pub mod run;
pub mod sequencer;
pub mod session;
pub mod shed;
pub mod shelf;
pub mod sign_in;
pub mod signing;
pub mod snapshot;
pub mod standstill;
pub mod tokens;
pub mod watch;
pub mod web;
mod whole;
pub mod witnesses;
mod work;

pub use config::Config;
pub use run::{Running, start};

/// The generated server side of the gRPC services.
#[allow(missing_docs, clippy::all, clippy::pedantic)]
pub mod rpc {
    include!(concat!(env!("OUT_DIR"), "/rinsebook.v1.rs"));
}
