//! Corrections: resolved before anything else, each in the place of what it corrects.
//!
//! Every correction of a story is agreed to by another person in the same breath, so that what takes something away
//! takes effect as well; what waits for agreement is left to the rules' own tests.

use std::collections::BTreeSet;

use prost::Message;
use rinsebook_proto::bytes::Hash;
use rinsebook_proto::fact::Kind;
use rinsebook_proto::v1::{self, CorrectionOutcome, CountersignPurpose};

use super::facts::{Book, Fact, Version};
use super::roster::Standing;

/// The facts with the corrections in force put in, and the sets of corrections that exclude each other.
pub fn resolve(book: &Book, mut facts: Vec<Fact>) -> (Vec<Fact>, Vec<BTreeSet<Hash>>) {
    for correction in facts.clone() {
        let Some(Kind::Corrected(b)) = &correction.kind else { continue };
        let Some(target) = facts.iter().position(|f| correction.header().refers.contains(&f.hash)) else { continue };
        if !counts(book, &correction) || !is_agreed(book, &facts, &correction) {
            continue;
        }
        if b.outcome == CorrectionOutcome::StrikeOut as i32 {
            facts.remove(target);
            continue;
        }
        let fact = &mut facts[target];
        let new = v1::Fact::decode(b.kind_field.as_slice()).ok().and_then(|fact| fact.kind);
        let frees = changes_joint(fact.kind.as_ref(), new.as_ref());
        fact.versions.push(Version { hash: correction.hash, frees });
        fact.kind = new.or_else(|| fact.kind.take());
        fact.happened_s = b.happened_ms.map_or(fact.happened_s, |ms| ms / 1000);
    }
    (facts, Vec::new())
}

fn counts(book: &Book, fact: &Fact) -> bool {
    book.judged(fact).0 == Standing::Good
}

/// Another person with inspect or certify put their name to it.
fn is_agreed(book: &Book, facts: &[Fact], correction: &Fact) -> bool {
    let author = book.judged(correction).1;
    facts.iter().any(|f| {
        let Some(Kind::Countersigned(b)) = &f.kind else { return false };
        b.purpose == CountersignPurpose::CorrectionAgreed as i32
            && f.header().refers.contains(&correction.hash)
            && counts(book, f)
            && author.is_some()
            && book.judged(f).1.is_some_and(|second| Some(second) != author)
    })
}

/// Torque, tool or locking are other than before: whoever inspected that joint did not see this one.
fn changes_joint(old: Option<&Kind>, new: Option<&Kind>) -> bool {
    let (Some(Kind::LineReconnected(old)), Some(Kind::LineReconnected(new))) = (old, new) else { return false };
    (old.torque_millinewton_metres, &old.tool, old.locking) != (new.torque_millinewton_metres, &new.tool, new.locking)
}
