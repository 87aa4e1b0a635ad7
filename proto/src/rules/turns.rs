//! What was opened and closed, and when: for rules that ask how something stood at an instant.

use super::act::Act;
use crate::v1::ElementKind;

/// When one thing was opened and closed, in the order of the acts; whole seconds.
#[derive(Debug, Default)]
pub(super) struct Turns(Vec<(u64, bool)>);

impl Turns {
    pub(super) fn opened(&mut self, at_s: u64) {
        self.0.push((at_s, true));
    }

    pub(super) fn closed(&mut self, at_s: u64) {
        self.0.push((at_s, false));
    }

    /// Whether it was open at that instant, by what was taken so far.
    pub(super) fn open_at(&self, at_s: u64) -> bool {
        self.0.iter().rfind(|(when, _)| *when <= at_s).is_some_and(|(_, open)| *open)
    }
}

/// A closing that ended an opening.
#[derive(Debug, Clone)]
pub(super) struct Ended<'c> {
    pub(super) kind: ElementKind,
    pub(super) name: String,
    pub(super) opened: Act<'c>,
    pub(super) closed: Act<'c>,
}

impl<'c> Ended<'c> {
    pub(super) fn new(kind: ElementKind, name: &str, opened: Act<'c>, closed: Act<'c>) -> Self {
        Ended { kind, name: name.to_owned(), opened, closed }
    }
}
