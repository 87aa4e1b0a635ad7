//! One entry as the history holds it, and why it cannot be read, where it cannot.

use super::Recorded;
use super::roster::Roster;
use crate::bytes::Hash;
use crate::fact::{Body, Kind};

/// One entry, with what is known of it from its bytes alone.
#[derive(Debug, Clone)]
pub(super) struct Held {
    pub(super) recorded: Recorded,
    pub(super) hash: Hash,
    /// The signature, once it could be checked. Only what was found good is anybody's act.
    pub(super) good: Option<bool>,
}

/// Why a fact cannot be read, in a sentence for people.
pub(super) fn unread_because(held: &Held, roster: &Roster, size: u64) -> Option<String> {
    let header = held.recorded.fact.header();
    let founding = held.recorded.index == 0;
    if !founding && roster.service_key() != Some(header.author_key) && roster.key(&header.author_key, size).is_none() {
        return Some(format!("the signer's key {} is not enrolled yet", header.author_key.short()));
    }
    match held.good {
        Some(true) => {}
        Some(false) => return Some("its signature does not hold under the signer's key".to_owned()),
        None => return Some("its signature is not checked yet".to_owned()),
    }
    if let Body::Unread(why) = held.recorded.fact.body() {
        return Some(why.to_string());
    }
    let Some(Kind::WashOpened(opened)) = held.recorded.fact.kind() else { return None };
    let digest = opened.procedure.as_ref().and_then(|p| Hash::from_slice(&p.digest));
    match digest.and_then(|d| roster.procedure(&d, size)) {
        None => Some("the procedure that it names is not published yet".to_owned()),
        Some(published) => published.text.as_ref().err().map(|why| format!("its procedure: {why}")),
    }
}
