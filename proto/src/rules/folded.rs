//! What a fold comes to, before sign-offs and devices are judged.

use super::act::{Act, Context};
use super::finding::Raised;
use super::item::Open;

/// The fold's result: everything but sign-offs and devices.
pub(super) struct Folded<'c> {
    pub(super) context: Context<'c>,
    pub(super) acts: Vec<Act<'c>>,
    pub(super) opens: Vec<Open<'c>>,
    pub(super) findings: Vec<Raised<'c>>,
}
