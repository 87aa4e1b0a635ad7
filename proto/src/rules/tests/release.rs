use crate::bytes::Hash;
use crate::fact::Kind;
use crate::rules::testing::*;
use crate::rules::{Blocks, ItemKind, Rule, Severity, Verdict};
use crate::v1;

fn sign(w: &mut World, when_ms: u64) -> Hash {
    w.act("certifier", when_ms, Kind::SignedOff(signed_off()))
}

fn reference(text: &str) -> Kind {
    Kind::ReleaseReferenceRecorded(v1::ReleaseReferenceRecorded { reference: text.into() })
}

fn due(w: &World, time_ms: u64) -> usize {
    w.of_kind(ItemKind::ReleaseReferenceDue, time_ms).len()
}

#[test]
fn a_sign_off_that_has_effect_asks_for_its_release_reference_as_a_condition() {
    let mut w = World::washing();
    let signed = sign(&mut w, at(9, 0));
    let item = &w.of_kind(ItemKind::ReleaseReferenceDue, at(9, 0))[0];
    assert_eq!((item.blocks, item.opened_by.hash), (Blocks::Condition, signed));
    assert_eq!(w.state_at(at(9, 0)).conditions, ["record the release reference of work order WO-1"]);
    for who in ["tech", "certifier"] {
        w.report(who, at(9, 1), 0);
    }
    let mut question = w.question(at(9, 1));
    assert_eq!(w.history.assess(&question).verdict, Verdict::Conditions);
    question.assume_closed = vec!["release-reference-due".into()];
    let supposed = w.history.assess(&question);
    assert_eq!((supposed.verdict, supposed.conditions.len()), (Verdict::NothingOpen, 0));
}

#[test]
fn a_release_reference_closes_only_what_it_names_by_certifying_staff_and_not_empty() {
    let mut w = World::washing();
    let signed = sign(&mut w, at(9, 0));
    w.act("certifier", at(9, 10), reference("invented 1"));
    w.naming("tech", at(9, 10), &[signed], reference("invented 1"));
    w.naming("certifier", at(9, 10), &[signed], reference(" "));
    assert_eq!(due(&w, at(9, 30)), 1);
    w.naming("certifier", at(9, 20), &[signed], reference("invented 1"));
    assert_eq!(due(&w, at(9, 30)), 0);
    assert!(w.of_kind(ItemKind::SignOffDue, at(9, 30)).is_empty());
}

#[test]
fn each_sign_off_that_has_effect_asks_for_one() {
    let mut w = World::washing();
    let first = sign(&mut w, at(9, 0));
    w.act("tech", at(9, 10), access(1, true));
    w.act("tech", at(9, 20), access(1, false));
    let second = sign(&mut w, at(9, 30));
    let item = &w.of_kind(ItemKind::ReleaseReferenceDue, at(9, 30))[0];
    assert!(item.text.ends_with("2 sign-offs have none."), "{}", item.text);
    w.naming("certifier", at(9, 40), &[first], reference("invented 1"));
    assert_eq!(w.of_kind(ItemKind::ReleaseReferenceDue, at(9, 40))[0].opened_by.hash, second);
    w.naming("certifier", at(9, 50), &[second], reference("invented 2"));
    assert_eq!(due(&w, at(9, 50)), 0);
}

#[test]
fn signing_off_early_is_major_until_a_good_sign_off_which_it_does_not_bar_and_minor_then() {
    let mut w = World::washing();
    w.act("tech", at(8, 10), access(1, true));
    let early = sign(&mut w, at(9, 0));
    let found = w.broken(Rule::SignedOffEarly, at(9, 10));
    assert_eq!((found[0].severity, found[0].rests_on[0].hash), (Severity::Major, early));
    assert!(found[0].text.contains("fan cowl open stood open"), "{}", found[0].text);
    let blocks = |w: &World, ms| w.of_kind(ItemKind::FindingOpen, ms)[0].blocks;
    assert_eq!(blocks(&w, at(9, 10)), Blocks::Yes);
    assert_eq!(due(&w, at(9, 10)), 0);
    w.act("tech", at(9, 20), access(1, false));
    sign(&mut w, at(9, 30));
    assert_eq!(w.broken(Rule::SignedOffEarly, at(9, 30))[0].severity, Severity::Minor);
    assert_eq!(blocks(&w, at(9, 30)), Blocks::No);
    w.enrol("other");
    w.grant("other", v1::Authority::Certify, |_| ());
    w.naming("other", at(9, 40), &[early], Kind::FindingSettled(settlement("signed-off-early")));
    assert!(w.of_kind(ItemKind::FindingOpen, at(9, 40)).is_empty());
}

#[test]
fn an_early_sign_off_after_a_good_one_is_major_again() {
    let mut w = World::washing();
    sign(&mut w, at(9, 0));
    w.act("tech", at(9, 10), access(1, true));
    sign(&mut w, at(9, 20));
    assert_eq!(w.broken(Rule::SignedOffEarly, at(9, 30))[0].severity, Severity::Major);
}

#[test]
fn who_may_not_sign_off_acts_beyond_authority_and_does_not_sign_off_early() {
    let mut w = World::washing();
    w.act("tech", at(9, 0), Kind::SignedOff(signed_off()));
    assert_eq!(w.rules_broken(at(9, 0)), ["beyond-authority"]);
}

#[test]
fn supposing_what_reopened_a_signed_wash_closed_and_signed_again_asks_for_one_reference() {
    let mut w = World::washing();
    let signed = sign(&mut w, at(9, 0));
    w.naming("certifier", at(9, 5), &[signed], reference("invented 1"));
    w.plan(1, at(9, 6), at(19, 0));
    w.act("tech", at(9, 10), access(1, true));
    for who in ["tech", "certifier", "planner"] {
        w.report(who, at(9, 11), 0);
    }
    let mut question = w.question(at(9, 12));
    question.assume_closed = ["access-open", "final-check-due", "sign-off-due"].map(String::from).to_vec();
    let kinds: Vec<ItemKind> = w.history.assess(&question).items.iter().map(|item| item.kind).collect();
    assert_eq!(kinds, [ItemKind::ReleaseReferenceDue]);
}
