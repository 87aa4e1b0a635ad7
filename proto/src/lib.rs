//! What both sides of rinsebook agree on, to the byte: facts and their signatures, the device's chain, the log's
//! entries, tree and notes, the journal file, and the rules from facts to open items.
//!
//! Nothing here reads a clock, opens a socket or starts a thread; [`journal`] alone touches a disk.
//!
//! # From bytes to an answer
//!
//! ```text
//! &[u8] ─► fact::Signed ─► fact::Verified ─► entry::Entry ─► rules::Recorded ─► rules::History ─► rules::Assessment
//!          exact bytes     signature good     place, links      as known           every moment       the answer
//! ```
//!
//! Each step holds what the one before it proved, and only its own check can make it.
//!
//! # The formats
//!
//! | what | where | standard |
//! |---|---|---|
//! | a fact: header and one kind, protobuf, exact bytes | [`fact`] | – |
//! | the envelope around it: payload, type, one signature | [`fact`] | DSSE 1.0.2 |
//! | signatures, keys, key files | [`key`] | RFC 8032; PKCS #8, PBES2 |
//! | places in a device's runs | [`chain`] | – |
//! | entries and links | [`entry`] | – |
//! | leaf and node hashes, inclusion and consistency proofs | [`tree`] | RFC 6962, RFC 9162 |
//! | checkpoints | [`note`] | C2SP signed-note, tlog-checkpoint |
//! | changes of the key that signs them | [`succession`] | – |
//! | cosignatures, and what is sent to a witness | [`cosignature`] | C2SP tlog-cosignature, tlog-witness |
//! | segment files | [`journal`] | – |
//! | the proof of one entry | [`proof`] | C2SP tlog-proof |
//! | the log as static files | [`tiles`] | C2SP tlog-tiles |
//! | packs | [`pack`] | – |

pub mod bytes;
pub mod chain;
pub mod clock;
pub mod cosignature;
pub mod entry;
pub mod fact;
pub mod journal;
pub mod key;
pub mod note;
pub mod pack;
pub mod proof;
pub mod rules;
pub mod succession;
pub mod tiles;
pub mod tree;

/// The messages and enums generated from `proto/rinsebook/v1/*.proto`; their documentation stands in those files.
#[allow(missing_docs, clippy::all, clippy::pedantic)]
pub mod v1 {
    include!(concat!(env!("OUT_DIR"), "/rinsebook.v1.rs"));
}

/// The descriptors of all messages and services, for reflection.
pub const FILE_DESCRIPTOR_SET: &[u8] = include_bytes!(concat!(env!("OUT_DIR"), "/descriptors.bin"));

/// The text of all .proto files: what a pack carries, so that it can be read without this program.
pub const CONTRACT: &str = concat!(
    include_str!("../rinsebook/v1/fact.proto"),
    "\n// ==== intake.proto\n",
    include_str!("../rinsebook/v1/intake.proto"),
    "\n// ==== items.proto\n",
    include_str!("../rinsebook/v1/items.proto"),
    "\n// ==== ledger.proto\n",
    include_str!("../rinsebook/v1/ledger.proto"),
    "\n// ==== records.proto\n",
    include_str!("../rinsebook/v1/records.proto"),
    "\n// ==== roster.proto\n",
    include_str!("../rinsebook/v1/roster.proto"),
);

/// The version of the rules that this library holds.
pub const RULES_VERSION: u32 = 1;
