//! What people, devices and stations are called.

use std::cell::RefCell;
use std::collections::HashMap;

use rinsebook_proto::bytes::{Hash, Id};
use rinsebook_proto::rules::History;

use super::words::line;
use crate::blobs::Blobs;

/// Names for the length of one answer.
pub(super) struct People<'h> {
    history: &'h History,
    blobs: &'h Blobs,
    known: RefCell<HashMap<Id, String>>,
}

impl<'h> People<'h> {
    pub(super) fn new(history: &'h History, blobs: &'h Blobs) -> People<'h> {
        People { history, blobs, known: RefCell::default() }
    }

    /// A person's name; where its annex was erased, a piece of their id.
    pub(super) fn name(&self, person: &Id) -> String {
        if let Some(name) = self.known.borrow().get(person) {
            return name.clone();
        }
        let enrolled = self.history.roster().people().iter().rev().find(|p| p.person == *person);
        let name = enrolled.and_then(|p| p.name).and_then(|digest| self.annex(&digest));
        let name = name.unwrap_or_else(|| format!("person {}", person.short()));
        self.known.borrow_mut().insert(*person, name.clone());
        name
    }

    /// Who signed; the service itself signs too.
    pub(super) fn signer(&self, person: Option<&Id>) -> String {
        person.map_or_else(|| "the service, or a key not known".to_owned(), |p| self.name(p))
    }

    /// The text of an annex, while it is kept.
    pub(super) fn annex(&self, digest: &Hash) -> Option<String> {
        let blob = self.blobs.read(digest)?;
        Some(line(std::str::from_utf8(&blob.content).ok()?)).filter(|text| !text.is_empty())
    }

    /// A device's label.
    pub(super) fn device(&self, device: &Id) -> String {
        let known = self.history.roster().device(device, u64::MAX).map(|d| line(&d.label)).filter(|l| !l.is_empty());
        known.unwrap_or_else(|| device.short())
    }
}
