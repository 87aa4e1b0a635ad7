//! What the fuzzers do with foreign bytes: each target hands any input to one reader and asserts what has to hold of the
//! answer. Beyond "no panic": what was read writes back to the same bytes, and two ways of reading agree.
//!
//! A target answers whether the reader took the input. The kept inputs under `corpus/<target>/` are replayed by
//! `cargo test --no-default-features --test replay`; `nightly` looks for new ones with libFuzzer.

#![forbid(unsafe_code)]

mod disk;
mod facts;
mod files;
mod journal;
mod log;
pub mod seeds;
mod story;

pub use facts::{envelope, fact, procedure};
pub use files::{bundle, pack, receipt, request, tile};
pub use journal::journal;
pub use log::{entry, note, proof};
pub use story::story;

/// Reads an input; whether it was taken.
pub type Target = fn(&[u8]) -> bool;

/// Every target under its name, which is also that of its file in `fuzz_targets` and of its folder in `corpus`.
pub const TARGETS: [(&str, Target); 13] = [
    ("bundle", bundle),
    ("entry", entry),
    ("envelope", envelope),
    ("fact", fact),
    ("journal", journal),
    ("note", note),
    ("pack", pack),
    ("procedure", procedure),
    ("proof", proof),
    ("receipt", receipt),
    ("request", request),
    ("story", story),
    ("tile", tile),
];

/// Takes an input apart from its front.
struct Input<'a>(&'a [u8]);

impl<'a> Input<'a> {
    /// At most that many bytes: fewer where the input ends.
    fn take(&mut self, length: usize) -> &'a [u8] {
        let (taken, rest) = self.0.split_at(length.min(self.0.len()));
        self.0 = rest;
        taken
    }

    /// Zeros where the input ends.
    fn array<const N: usize>(&mut self) -> [u8; N] {
        let mut out = [0; N];
        let taken = self.take(N);
        out[..taken.len()].copy_from_slice(taken);
        out
    }

    fn u8(&mut self) -> u8 {
        self.array::<1>()[0]
    }

    fn u16(&mut self) -> u16 {
        u16::from_be_bytes(self.array())
    }

    fn u64(&mut self) -> u64 {
        u64::from_be_bytes(self.array())
    }
}
