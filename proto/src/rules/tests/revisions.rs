use crate::bytes::Hash;
use crate::fact::{Kind, Subject};
use crate::rules::testing::*;
use crate::rules::{Blocks, ItemKind, Rule, Severity};
use crate::v1::{self, RevisionOutcome};

const SECOND: u64 = 1000;

fn digest_of(revision: u32) -> Hash {
    if revision == 1 { text_digest() } else { Hash::of(revised(revision).as_bytes()) }
}

fn publish(w: &mut World, when_ms: u64, revision: u32) -> Hash {
    w.custody_at(when_ms, vec![], vec![], publication(revision, digest_of(revision)))
}

fn decide(w: &mut World, who: &str, when_ms: u64, outcome: RevisionOutcome, revision: u32, reason: &str) {
    let procedure = Some(v1::ProcedureRef { digest: digest_of(revision).to_vec() });
    let decided = v1::RevisionDecided { outcome: outcome as i32, procedure, reason: reason.into() };
    w.act(who, when_ms, Kind::RevisionDecided(decided));
}

fn withdraw(w: &mut World, when_ms: u64, grace_until_ms: Option<u64>) {
    let procedure = procedure_id().to_vec();
    let withdrawn = v1::ProcedureWithdrawn { procedure, revision: 1, reason: "wrong torque".into(), grace_until_ms };
    w.custody_at(when_ms, vec![], vec![], Kind::ProcedureWithdrawn(withdrawn));
}

fn undecided(w: &World, time_ms: u64) -> Vec<String> {
    w.of_kind(ItemKind::ProcedureRevised, time_ms).into_iter().map(|item| item.subject).collect()
}

#[test]
fn a_newer_revision_published_while_a_wash_is_open_is_to_be_decided_on_before_it_is_signed_off() {
    let mut w = World::washing();
    let published = publish(&mut w, at(8, 30), 2);
    let item = &w.of_kind(ItemKind::ProcedureRevised, at(9, 0))[0];
    assert_eq!((item.blocks, item.wash, item.opened_by.hash), (Blocks::SignOff, Some(wash()), published));
    assert_eq!(item.short, "revision 2 of the procedure to be decided on");
    assert!(undecided(&w, at(8, 30) - SECOND).is_empty());
    w.act("certifier", at(9, 0), Kind::SignedOff(signed_off()));
    assert_eq!(w.rules_broken(at(9, 0)), ["signed-off-early"]);
    decide(&mut w, "certifier", at(9, 10), RevisionOutcome::GoOn, 2, "the change is about another engine");
    w.act("certifier", at(9, 20), Kind::SignedOff(signed_off()));
    assert!(w.of_kind(ItemKind::SignOffDue, at(9, 20)).is_empty());
}

#[test]
fn a_revision_published_before_the_opening_after_the_sign_off_or_of_another_procedure_is_not_asked_about() {
    let mut w = World::new();
    publish(&mut w, at(7, 59), 2);
    w.open_wash("tech", at(8, 0));
    assert!(undecided(&w, at(9, 0)).is_empty());
    let mut w = World::washing();
    w.act("certifier", at(9, 0), Kind::SignedOff(signed_off()));
    publish(&mut w, at(9, 10), 2);
    assert!(undecided(&w, at(9, 30)).is_empty());
    // Reopened, it is open under an old revision.
    w.act("tech", at(10, 0), access(1, true));
    assert_eq!(undecided(&w, at(10, 0)), ["revision 2"]);
    let mut w = World::washing();
    let Kind::ProcedurePublished(mut other) = publication(2, digest_of(2)) else { unreachable!("a publication") };
    other.procedure = id("another procedure").to_vec();
    w.custody_at(at(8, 30), vec![], vec![], Kind::ProcedurePublished(other));
    assert!(undecided(&w, at(9, 0)).is_empty());
}

#[test]
fn a_revision_published_by_somebody_without_custody_is_none() {
    let mut w = World::washing();
    let fact = w.sign("certifier", at(8, 30), vec![Subject::Roster], vec![], publication(2, digest_of(2)), None);
    w.put(fact, at(8, 30));
    assert!(undecided(&w, at(9, 0)).is_empty());
}

#[test]
fn only_certifying_staff_decide_with_a_reason_to_go_on_and_on_the_newest_revision() {
    let mut w = World::washing();
    publish(&mut w, at(8, 30), 2);
    publish(&mut w, at(8, 40), 3);
    decide(&mut w, "tech", at(8, 50), RevisionOutcome::GoOn, 3, "no matter");
    decide(&mut w, "certifier", at(8, 50), RevisionOutcome::GoOn, 3, " ");
    decide(&mut w, "certifier", at(8, 50), RevisionOutcome::GoOn, 2, "no matter");
    assert_eq!(undecided(&w, at(9, 0)), ["revision 3"]);
    decide(&mut w, "certifier", at(9, 0), RevisionOutcome::GoOn, 3, "no matter");
    assert!(undecided(&w, at(9, 0)).is_empty());
}

#[test]
fn a_decision_on_what_was_not_published_yet_decides_nothing() {
    let mut w = World::washing();
    decide(&mut w, "certifier", at(8, 20), RevisionOutcome::GoOn, 2, "no matter");
    publish(&mut w, at(8, 30), 2);
    assert_eq!(undecided(&w, at(9, 0)), ["revision 2"]);
}

#[test]
fn a_wash_does_not_move_to_another_procedure() {
    let mut w = World::washing();
    let (other, text) = another_procedure();
    let digest = Hash::of(text.as_bytes());
    let Kind::ProcedurePublished(mut published) = publication(2, digest) else { unreachable!("a publication") };
    published.procedure = other.to_vec();
    w.custody_at(at(8, 10), vec![], vec![], Kind::ProcedurePublished(published));
    let procedure = Some(v1::ProcedureRef { digest: digest.to_vec() });
    let moved = v1::RevisionDecided { outcome: RevisionOutcome::Move as i32, procedure, reason: String::new() };
    w.act("certifier", at(8, 20), Kind::RevisionDecided(moved));
    w.act("tech", at(9, 3), cycle(1, at(9, 0)));
    assert_eq!(w.of_kind(ItemKind::Soaking, at(9, 3))[0].due_ms, Some(at(9, 7)));
}

#[test]
fn a_decision_before_a_still_newer_revision_does_not_reach_it() {
    let mut w = World::washing();
    publish(&mut w, at(8, 30), 2);
    decide(&mut w, "certifier", at(8, 40), RevisionOutcome::Move, 2, "");
    assert!(undecided(&w, at(8, 45)).is_empty());
    publish(&mut w, at(8, 50), 3);
    assert_eq!(undecided(&w, at(9, 0)), ["revision 3"]);
}

#[test]
fn a_moved_wash_takes_the_newer_revision_for_what_follows() {
    // The first revision soaks for 300 s and asks two cycles, the second 600 s and one.
    let mut w = World::washing();
    publish(&mut w, at(8, 30), 2);
    w.act("tech", at(9, 3), cycle(2, at(9, 0)));
    decide(&mut w, "tech", at(9, 10), RevisionOutcome::Move, 2, "");
    w.act("tech", at(9, 23), cycle(1, at(9, 20)));
    let soak_end = |w: &World, ms| w.of_kind(ItemKind::Soaking, ms)[0].due_ms;
    assert_eq!(soak_end(&w, at(9, 3)), Some(at(9, 7)));
    assert_eq!(soak_end(&w, at(9, 23)), Some(at(9, 27)), "a technician moves nothing");
    decide(&mut w, "certifier", at(9, 15), RevisionOutcome::Move, 2, "");
    assert!(undecided(&w, at(9, 15)).is_empty());
    assert_eq!(soak_end(&w, at(9, 3)), Some(at(9, 7)));
    assert_eq!(soak_end(&w, at(9, 23)), Some(at(9, 32)));
    assert!(w.of_kind(ItemKind::CyclesShort, at(9, 30)).is_empty());
}

#[test]
fn a_wash_moves_to_no_older_revision() {
    let mut w = World::new();
    publish(&mut w, at(7, 0), 2);
    w.open_wash_by("tech", at(8, 0), digest_of(2));
    decide(&mut w, "certifier", at(8, 10), RevisionOutcome::Move, 1, "");
    w.act("tech", at(9, 3), cycle(1, at(9, 0)));
    assert_eq!(w.of_kind(ItemKind::Soaking, at(9, 3))[0].due_ms, Some(at(9, 12)));
}

#[test]
fn opening_against_a_superseded_revision_is_a_major_finding() {
    let mut w = World::new();
    w.open_wash("tech", at(8, 0));
    publish(&mut w, at(8, 0) + SECOND, 2);
    assert!(w.broken(Rule::ProcedureSuperseded, at(9, 0)).is_empty());
    let mut w = World::new();
    publish(&mut w, at(8, 0) - SECOND, 2);
    w.open_wash("tech", at(8, 0));
    let found = &w.broken(Rule::ProcedureSuperseded, at(9, 0))[0];
    assert_eq!((found.severity, found.rests_on.len()), (Severity::Major, 1));
    assert!(found.text.ends_with("revision 1, not 2."), "{}", found.text);
    w.naming(
        "certifier",
        at(9, 0),
        &[found.rests_on[0].hash],
        Kind::FindingSettled(settlement("procedure-superseded")),
    );
    assert!(w.of_kind(ItemKind::FindingOpen, at(9, 0)).is_empty());
}

#[test]
fn opening_against_a_withdrawn_revision_is_major_and_minor_in_its_grace_time() {
    let cases = [
        (at(8, 0) + SECOND, None, None),
        (at(7, 0), None, Some(Severity::Major)),
        (at(7, 0), Some(at(8, 0) - SECOND), Some(Severity::Major)),
        (at(7, 0), Some(at(8, 0)), Some(Severity::Minor)),
    ];
    for (withdrawn_ms, grace_until_ms, severity) in cases {
        let mut w = World::new();
        publish(&mut w, at(6, 0), 2);
        withdraw(&mut w, withdrawn_ms, grace_until_ms);
        w.open_wash("tech", at(8, 0));
        let found = w.broken(Rule::ProcedureWithdrawn, at(9, 0));
        assert_eq!(found.first().map(|f| f.severity), severity, "{grace_until_ms:?}");
        let superseded = w.broken(Rule::ProcedureSuperseded, at(9, 0));
        assert_eq!(superseded.is_empty(), severity.is_some(), "one breach is one finding");
    }
}

#[test]
fn a_superseded_revision_is_minor_in_the_grace_that_its_withdrawal_leaves() {
    for (grace_until_ms, severity) in [(at(8, 0) - SECOND, Severity::Major), (at(8, 0), Severity::Minor)] {
        let mut w = World::new();
        publish(&mut w, at(7, 0), 2);
        w.open_wash("tech", at(8, 0));
        withdraw(&mut w, at(8, 30), Some(grace_until_ms));
        assert_eq!(w.broken(Rule::ProcedureSuperseded, at(9, 0))[0].severity, severity);
    }
}

#[test]
fn the_instant_of_a_publication_is_a_horizon() {
    let mut w = World::washing();
    w.act("tech", at(8, 10), Kind::Remark(v1::Remark { text: None }));
    publish(&mut w, at(8, 30), 2);
    assert_eq!(w.history.assess(&w.question(at(8, 20))).horizon_ms, Some(at(8, 30)));
}
