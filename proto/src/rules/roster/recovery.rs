//! Custody established anew by the offline recovery keys.

use std::collections::{BTreeSet, HashMap};

use super::{Grant, Roster};
use crate::bytes::{Hash, Id};
use crate::fact::Kind;
use crate::key::{self, VerifyingKey};
use crate::rules::Recorded;
use crate::v1::{self, Authority};

/// The offline keys, and what they are about to do.
#[derive(Debug, Clone, Default)]
pub(super) struct Recovery {
    keys: HashMap<Hash, VerifyingKey>,
    /// So many of them establish custody anew; 0: none can.
    threshold: usize,
    /// Acts that wait for enough of them.
    asked: Vec<Recorded>,
    /// Their second signatures.
    signed: Vec<Recorded>,
}

impl Recovery {
    /// An act that asks for custody, or a second signature: kept where its own signature tells that it may be one.
    pub(super) fn hear(&mut self, recorded: &Recorded, kind: &Kind) {
        let by = self.keys.get(&recorded.fact.header().author_key);
        if matches!(kind, Kind::CustodyReestablished(_)) {
            self.asked.push(recorded.clone());
        } else if by.is_some_and(|key| recorded.fact.signed_by(key)) {
            self.signed.push(recorded.clone());
        }
    }

    pub(super) fn of(keys: &[Vec<u8>], threshold: u32) -> Recovery {
        let keys = keys.iter().filter_map(|bytes| key::public_key(bytes).ok()).map(|k| (key::key_id(&k), k));
        Recovery { keys: keys.collect(), threshold: threshold as usize, ..Recovery::default() }
    }

    /// An act signed by its own new custodian, or by a recovery key, that enough of the others signed too.
    fn agreed(&self, act: &Recorded, new_key: &VerifyingKey) -> bool {
        let names = |by: &&Recorded| {
            let header = by.fact.header();
            let about = &act.fact.header().subjects;
            header.refers.contains(&act.fact.hash()) && about.iter().all(|s| header.subjects.contains(s))
        };
        let by: BTreeSet<Hash> = self.signed.iter().filter(names).map(|by| by.fact.header().author_key).collect();
        let own = self.keys.get(&act.fact.header().author_key).unwrap_or(new_key);
        self.threshold > 0 && by.len() >= self.threshold && act.fact.signed_by(own)
    }
}

impl Roster {
    /// Passes custody on, where enough recovery keys signed for it.
    pub(super) fn reestablish(&mut self, index: u64) {
        let ready = self.recovery.asked.iter().find_map(|act| match act.fact.kind() {
            Some(Kind::CustodyReestablished(b)) => {
                self.may_take_over(act, b).map(|person| (act.clone(), b.clone(), person))
            }
            _ => None,
        });
        let Some((act, b, person)) = ready else { return };
        let act = Recorded { index, ..act };
        if let Some(enrolled) = &b.custodian {
            self.person(index, enrolled);
        }
        if let Some(enrolled) = &b.custodian_key {
            self.enrol_key(&act, enrolled);
        }
        if let Some(enrolled) = &b.custodian_device {
            self.enrol_device(index, enrolled);
        }
        let custody = self.grants.iter_mut().filter(|g| g.authority == Authority::Custody);
        custody.for_each(|g| g.withdrawn_index = g.withdrawn_index.or(Some(index)));
        self.keep_grant(Grant {
            index,
            fact: act.fact.hash(),
            person,
            authority: Authority::Custody,
            engine_type: String::new(),
            valid_from_s: None,
            valid_until_s: None,
            withdrawn_index: None,
        });
        // A set that could do nothing leaves the old one in place; what waits was signed for under the old one.
        let next = Recovery::of(&b.recovery_keys, b.recovery_threshold);
        let able = next.threshold > 0 && next.keys.len() >= next.threshold;
        self.recovery = if able {
            next
        } else {
            Recovery { keys: std::mem::take(&mut self.recovery.keys), threshold: self.recovery.threshold, ..next }
        };
    }

    /// The new custodian, where the act is agreed and the key proved to be theirs and nobody else's.
    fn may_take_over(&self, act: &Recorded, b: &v1::CustodyReestablished) -> Option<Id> {
        let enrolled = b.custodian_key.as_ref()?;
        let new_key = key::public_key(&enrolled.public_key).ok()?;
        let person = Id::from_slice(&enrolled.person)?;
        let another_s = self.key(&key::key_id(&new_key), u64::MAX).is_some_and(|known| known.person != person);
        let proved = key::possesses(&new_key, &enrolled.person, &enrolled.possession);
        (!another_s && proved && self.recovery.agreed(act, &new_key)).then_some(person)
    }
}
