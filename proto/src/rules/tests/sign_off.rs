use crate::fact::Kind;
use crate::rules::testing::*;
use crate::v1::{self, Authority};

fn ready() -> World {
    let mut w = World::washing();
    w.washed_and_dried(1);
    w.finish(at(9, 50));
    w.act("runner", at(10, 6), run_up(1, at(10, 0)));
    w
}

fn sign(w: &mut World, hour: u64) {
    w.act("certifier", at(hour, 0), Kind::SignedOff(signed_off()));
}

#[test]
fn a_wash_is_to_be_signed_off_until_certifying_staff_do() {
    let mut w = ready();
    assert_eq!(w.open(at(11, 0)), ["sign-off-due WO-1"]);
    w.act("tech", at(11, 0), Kind::SignedOff(signed_off()));
    assert!(w.open(at(11, 0)).contains(&"sign-off-due WO-1".to_owned()));
    sign(&mut w, 12);
    assert!(!w.open(at(12, 0)).contains(&"sign-off-due WO-1".to_owned()) || !w.rules_broken(at(12, 0)).is_empty());
    assert!(w.state_at(at(12, 0)).washes[0].signed_off_by.is_none(), "an unsettled major finding stands in its way");
}

#[test]
fn a_good_sign_off_closes_the_wash() {
    let mut w = ready();
    sign(&mut w, 12);
    assert!(w.open(at(12, 0)).is_empty(), "{:?}", w.state_at(at(12, 0)).items);
    assert!(w.state_at(at(12, 0)).washes[0].signed_off_by.is_some());
}

#[test]
fn a_sign_off_while_an_item_blocks_has_no_effect_then_or_later() {
    let mut w = ready();
    w.act("tech", at(11, 0), access(1, true));
    sign(&mut w, 12);
    w.act("tech", at(12, 30), access(1, false));
    let state = w.state_at(at(13, 0));
    assert_eq!(names(&state), ["final-check-due", "sign-off-due WO-1"]);
    assert!(state.items.iter().any(|i| i.text.contains("engine 1 fan cowl open stood open")), "{:?}", state.items);
    w.act("tech", at(13, 30), final_check());
    sign(&mut w, 14);
    assert!(w.open(at(14, 0)).is_empty());
}

#[test]
fn a_sign_off_without_a_field_of_the_list_has_no_effect() {
    type Change = fn(&mut v1::SignedOff);
    let changes: [Change; 5] = [
        |b| b.description.clear(),
        |b| b.data_reference.clear(),
        |b| b.completion_unix_day = None,
        |b| b.certificate_number = None,
        |b| b.certificate_kind.clear(),
    ];
    for change in changes {
        let mut w = ready();
        let mut body = signed_off();
        change(&mut body);
        w.act("certifier", at(12, 0), Kind::SignedOff(body));
        assert_eq!(w.open(at(12, 0)), ["sign-off-due WO-1"]);
    }
}

#[test]
fn a_fact_that_opens_or_closes_an_item_reopens_the_sign_off() {
    let mut w = ready();
    sign(&mut w, 12);
    w.act("tech", at(12, 10), access(1, true));
    w.act("tech", at(12, 20), access(1, false));
    w.act("tech", at(12, 30), final_check());
    assert_eq!(w.open(at(13, 0)), ["sign-off-due WO-1"]);
}

#[test]
fn plan_start_settlement_and_remark_never_reopen_it() {
    let mut w = ready();
    sign(&mut w, 12);
    w.plan(1, at(12, 10), at(14, 0));
    w.act("planner", at(14, 0), started(1, 600));
    w.act("tech", at(14, 10), Kind::Remark(v1::Remark { text: None }));
    let reference = v1::ReleaseReferenceRecorded { reference: "invented 1".into() };
    w.act("certifier", at(14, 20), Kind::ReleaseReferenceRecorded(reference));
    assert!(w.open(at(15, 0)).is_empty(), "{:?}", w.open(at(15, 0)));
}

#[test]
fn what_the_signer_had_not_seen_is_not_covered() {
    let mut w = ready();
    let unseen = w.history.size();
    w.act("mate", at(10, 30), access(2, true));
    w.act("mate", at(10, 40), access(2, false));
    let kind = Kind::SignedOff(signed_off());
    let fact = w.sign("certifier", at(12, 0), World::subjects(&kind), vec![], kind, Some(unseen));
    w.put(fact, at(12, 0));
    let state = w.state_at(at(12, 0));
    assert_eq!(names(&state), ["final-check-due", "sign-off-due WO-1"]);
    assert!(state.washes[0].signed_off_by.is_some(), "it has effect over what it covers");
}

#[test]
fn its_own_device_s_earlier_facts_and_what_it_names_are_covered() {
    let mut w = ready();
    w.grant("certifier", Authority::Perform, |_| ());
    let seen = w.history.size();
    let named = w.act("mate", at(10, 30), access(2, true));
    let own = w.act("certifier", at(10, 40), access(2, false));
    w.act("certifier", at(10, 45), final_check());
    let kind = Kind::SignedOff(signed_off());
    let mut subjects = World::subjects(&kind);
    subjects.push(crate::fact::Subject::Engine("OT-2".into()));
    let fact = w.sign("certifier", at(12, 0), subjects, vec![named], kind, Some(seen));
    w.put(fact, at(12, 0));
    assert!(w.open(at(12, 0)).is_empty(), "{own}: {:?}", w.state_at(at(12, 0)).items);
}

#[test]
fn a_wash_may_be_signed_off_on_a_valid_waiver() {
    let mut w = World::washing();
    w.washed_and_dried(1);
    w.finish(at(9, 50));
    sign(&mut w, 10);
    assert!(w.open(at(10, 0)).contains(&"sign-off-due WO-1".to_owned()));
    w.waive(1, at(10, 30), at(19, 0));
    sign(&mut w, 11);
    assert_eq!(w.open(at(11, 0)), ["start-awaited 1"]);
}
