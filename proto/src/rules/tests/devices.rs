use std::sync::Arc;

use crate::bytes::Hash;
use crate::fact::{Kind, Subject};
use crate::rules::testing::*;
use crate::rules::{History, ItemKind, Recorded, SignatureState, lists};
use crate::v1;

const SECOND: u64 = 1000;

fn outstanding(w: &World, time_ms: u64) -> usize {
    w.state_at(time_ms).items.iter().filter(|i| i.kind == ItemKind::DeviceOutstanding).count()
}

#[test]
fn a_device_is_outstanding_unless_it_reported_under_ten_minutes_ago_with_nothing_unsent() {
    let mut w = World::washing();
    assert_eq!(outstanding(&w, at(9, 0)), 1);
    w.report("tech", at(9, 0), 1);
    assert_eq!(outstanding(&w, at(9, 0)), 1, "it has a fact unsent");
    w.report("tech", at(9, 1), 0);
    assert_eq!(outstanding(&w, at(9, 11) - SECOND), 0);
    assert_eq!(w.state_at(at(9, 11) - SECOND).devices_heard_until_ms, Some(at(9, 1)));
    assert_eq!(outstanding(&w, at(9, 11)), 1, "ten minutes later it is not heard any more");
}

#[test]
fn a_report_from_before_its_last_fact_does_not_do() {
    let mut w = World::washing();
    w.report("tech", at(9, 0), 0);
    w.act("tech", at(9, 1), access(1, true));
    assert_eq!(outstanding(&w, at(9, 2)), 1);
}

#[test]
fn a_report_after_the_sign_off_does_for_ever_while_it_covers_all() {
    let mut w = World::washing();
    w.finish(at(8, 30));
    w.act("certifier", at(9, 0), Kind::SignedOff(signed_off()));
    w.report("tech", at(9, 1), 0);
    w.report("certifier", at(9, 1), 0);
    assert_eq!(outstanding(&w, at(9, 1) + 86_400_000), 0);
    assert_eq!(w.state_at(at(9, 1) + 86_400_000).devices_heard_until_ms, None);
    w.act("tech", at(9, 30), access(1, true));
    w.report("tech", at(9, 31), 0);
    assert_eq!(outstanding(&w, at(9, 31) + 86_400_000), 2, "the sign-off does not cover that any more");
}

/// Whether the newest entry is a report that says no less than before; where none was awaited it has changed nothing then.
fn heard_again(w: &World, time_ms: u64) -> bool {
    let index = w.history.size() - 1;
    let again = w.history.is_heard_again(index);
    let before = w.history.state(&aircraft(), index, time_ms);
    if again && before.devices_heard_until_ms.is_none() {
        assert_eq!(before, w.state_at(time_ms));
    }
    again
}

#[test]
fn a_report_that_says_no_less_than_the_one_before_changes_nothing_where_no_device_is_awaited() {
    let mut w = World::washing();
    w.finish(at(8, 30));
    w.act("certifier", at(9, 0), Kind::SignedOff(signed_off()));
    w.report("certifier", at(9, 1), 0);
    w.report("tech", at(9, 1), 0);
    assert!(!heard_again(&w, at(9, 1)), "its first");
    assert_eq!(w.state_at(at(9, 1)).devices_heard_until_ms, None);
    w.report("tech", at(9, 2), 0);
    assert!(heard_again(&w, at(9, 2)));
    w.report("tech", at(9, 3), 1);
    assert!(!heard_again(&w, at(9, 3)));
    assert_eq!(outstanding(&w, at(9, 3)), 1, "what it has unsent may be of this wash");
    w.report("tech", at(9, 4), 0);
    assert!(heard_again(&w, at(9, 4)), "nothing less than before, and whoever awaits it hears it");
    assert_eq!(outstanding(&w, at(9, 4)), 0);
}

#[test]
fn a_device_that_left_with_its_last_fact_is_not_awaited() {
    let mut w = World::washing();
    let left = || Kind::DeviceLeft(v1::DeviceLeft { device: id("tech device").to_vec() });
    w.act("tech", at(9, 0), left());
    assert_eq!(outstanding(&w, at(12, 0)), 0);
    w.act("tech", at(9, 5), access(1, true));
    assert_eq!(outstanding(&w, at(12, 0)), 1, "it signed again");
}

#[test]
fn a_lost_device_is_settled_by_name_until_it_signs_again() {
    let mut w = World::washing();
    let settled =
        || Kind::DeviceSettled(v1::DeviceSettled { device: id("tech device").to_vec(), reason: "lost".into() });
    w.act("stranger", at(9, 0), settled());
    assert!(w.state_at(at(9, 0)).items.iter().any(|i| i.subject == id("tech device").to_string()));
    w.act("certifier", at(9, 0), settled());
    assert!(!w.state_at(at(9, 0)).items.iter().any(|i| i.subject == id("tech device").to_string()));
    w.act("tech", at(9, 5), access(1, true));
    assert!(w.state_at(at(9, 6)).items.iter().any(|i| i.subject == id("tech device").to_string()));
}

#[test]
fn a_run_that_begins_after_an_envelope_the_log_lacks_keeps_the_device_outstanding() {
    let mut w = World::washing();
    w.forget("tech");
    w.act("tech", at(9, 0), access(1, true));
    w.report("tech", at(9, 1), 0);
    assert_eq!(outstanding(&w, at(9, 1)), 1);
}

#[test]
fn devices_block_the_aircraft_and_not_the_sign_off() {
    let mut w = World::washing();
    w.finish(at(8, 30));
    w.act("certifier", at(9, 0), Kind::SignedOff(signed_off()));
    assert_eq!(w.open(at(9, 0)), ["release-reference-due WO-1"]);
    assert_eq!(outstanding(&w, at(9, 0)), 2);
}

#[test]
fn a_fact_whose_signer_is_not_enrolled_opens_and_blocks_and_closes_nothing_until_they_are() {
    let mut w = World::washing();
    w.act("tech", at(8, 10), access(1, true));
    let kind = access(1, false);
    let fact = w.sign("newcomer", at(8, 20), World::subjects(&kind), vec![], kind, None);
    let hash = w.put(fact, at(8, 20));
    w.act("newcomer", at(8, 30), disconnected(2, "PS-1"));
    let index = w.history.by_hash(&hash).unwrap();
    let open = w.metal(at(9, 0));
    assert_eq!(open.iter().filter(|name| name.starts_with("unread-fact")).count(), 2, "{open:?}");
    assert!(open.contains(&"access-open 1 fan cowl".to_owned()));
    assert!(open.contains(&"line-disconnected 2 PS-1".to_owned()));
    assert!(w.history.unread_because(index, w.history.size()).unwrap().contains("not enrolled yet"));
    let before = w.history.size();
    // One card enrols the person, the key and the authority: it is judged by the roster after its last fact.
    w.enrol_on_card("newcomer", v1::Authority::Perform);
    let read: Vec<String> = w.metal(at(9, 0)).into_iter().filter(|name| !name.contains("enrolled-late")).collect();
    assert_eq!(read, ["line-disconnected 2 PS-1"]);
    assert_eq!(w.rules_broken(at(9, 0)), ["enrolled-late", "enrolled-late"]);
    assert!(w.history.unread_because(index, w.history.size()).is_none());
    assert!(w.history.unread_because(index, before).is_some(), "as known before, it was unread");
}

#[test]
fn a_signature_that_does_not_hold_once_the_key_is_known_leaves_the_fact_unread() {
    let mut w = World::washing();
    let kind = access(1, true);
    let good = w.sign("newcomer", at(8, 20), World::subjects(&kind), vec![], kind, None);
    let mut bytes = good.bytes().to_vec();
    *bytes.last_mut().unwrap() ^= 1;
    let bad = crate::fact::Signed::parse(&bytes, crate::fact::MAX_ENVELOPE_BYTES).unwrap();
    w.put(bad, at(8, 20));
    w.enrol_on_card("newcomer", v1::Authority::Perform);
    assert!(w.metal(at(9, 0)).iter().any(|name| name.starts_with("unread-fact")));
}

#[test]
fn a_fact_in_the_service_s_name_whose_signature_was_not_found_good_is_unread() {
    let mut w = World::washing();
    let kind = Kind::DeviceReported(v1::DeviceReported { report: vec![] });
    let fact = w.sign("service", at(8, 30), World::subjects(&access(1, true)), vec![], kind, None);
    let forged = w.put_as(spoilt(&fact), at(8, 30), SignatureState::Unchecked);
    let index = w.history.by_hash(&forged).unwrap();
    assert!(w.history.unread_because(index, w.history.size()).unwrap().contains("does not hold"));
    let good = w.put_as(fact, at(8, 31), SignatureState::Unchecked);
    let index = w.history.by_hash(&good).unwrap();
    assert_eq!(w.history.unread_because(index, w.history.size()), None, "the founding fact names the key");
}

#[test]
fn a_fact_with_a_bad_signature_is_nobody_s_act_and_breaks_no_rule_of_who_may() {
    let mut w = World::washing();
    let kind = access(1, true);
    let fact = w.sign("stranger", at(8, 10), World::subjects(&kind), vec![], kind, None);
    let forged = w.put_as(spoilt(&fact), at(8, 10), SignatureState::Unchecked);
    let index = w.history.by_hash(&forged).unwrap();
    assert!(w.rules_broken(at(9, 0)).is_empty(), "{:?}", w.rules_broken(at(9, 0)));
    let listed = lists::recorded_fact(&w.history, w.history.recorded(index).unwrap(), w.history.size());
    assert!(listed.person.is_empty() && !listed.unread_because.is_empty(), "{listed:?}");
    assert!(w.metal(at(9, 0)).contains(&"access-open 1 fan cowl".to_owned()), "what opens, opens");
}

#[test]
fn an_inspector_whose_name_was_forged_under_the_work_did_not_do_it() {
    let mut w = World::washing();
    w.act("tech", at(8, 10), disconnected(1, "PS-1"));
    let joint = w.act("tech", at(8, 20), reconnected(1, "PS-1"));
    let kind = reconnected(1, "PS-1");
    let fact = w.sign("inspector", at(8, 25), World::subjects(&kind), vec![], kind, None);
    let forged = w.put_as(spoilt(&fact), at(8, 25), SignatureState::Unchecked);
    w.naming("inspector", at(8, 30), &[joint, forged], inspected(1, "PS-1"));
    assert!(!w.rules_broken(at(9, 0)).contains(&"self-inspected"), "{:?}", w.rules_broken(at(9, 0)));
}

#[test]
fn a_wash_whose_procedure_is_not_published_is_unread_and_its_lines_are_inspected_all_the_same() {
    let mut w = World::new();
    w.open_wash_by("tech", at(8, 0), Hash::of(b"another text"));
    w.act("tech", at(8, 10), disconnected(1, "PS-1"));
    w.act("tech", at(8, 20), reconnected(1, "PS-1"));
    let open = w.metal(at(9, 0));
    assert!(open.iter().any(|name| name.starts_with("unread-fact")) && open.contains(&"inspection-due 1 PS-1".into()));
}

fn refused(digest: Hash) -> Kind {
    Kind::FactRefused(v1::FactRefused {
        device: id("tech device").to_vec(),
        run: id("tech run").to_vec(),
        counter: 9,
        received_digest: digest.to_vec(),
        received_bytes: 10,
        reason: v1::RefusalReason::Malformed as i32,
    })
}

fn refuse(w: &mut World, digest: Hash, when_ms: u64) {
    w.service(when_ms, refused(digest));
}

#[test]
fn a_refused_fact_blocks_the_unsigned_washes_that_its_device_joined_until_recorded_anew() {
    let mut w = World::washing();
    let digest = Hash::of(b"refused bytes");
    refuse(&mut w, digest, at(8, 30));
    let unread = format!("unread-fact {}", digest.short());
    assert_eq!(w.metal(at(9, 0)), [unread]);
    w.act("certifier", at(9, 0), Kind::SignedOff(signed_off()));
    assert!(w.open(at(9, 0)).contains(&"sign-off-due WO-1".to_owned()), "it stands in the sign-off's way");
    w.naming("tech", at(9, 10), &[digest], Kind::Remark(v1::Remark { text: None }));
    assert_eq!(w.rules_broken(at(9, 30)), ["signed-off-early"]);
    assert!(!w.open(at(9, 30)).iter().any(|name| name.starts_with("unread-fact")));
}

#[test]
fn naming_refused_bytes_clears_nothing_for_somebody_without_authority_nor_by_a_countersignature() {
    let mut w = World::washing();
    let digest = Hash::of(b"refused bytes");
    refuse(&mut w, digest, at(8, 30));
    let unread = format!("unread-fact {}", digest.short());
    w.naming("stranger", at(8, 40), &[digest], Kind::Remark(v1::Remark { text: None }));
    assert!(w.metal(at(9, 0)).contains(&unread), "a stranger's word");
    let signed = v1::Countersigned { purpose: v1::CountersignPurpose::Other as i32, remark: String::new() };
    w.naming("tech", at(8, 50), &[digest], Kind::Countersigned(signed));
    assert!(w.metal(at(9, 0)).contains(&unread), "a second signature records nothing anew");
}

#[test]
fn a_refusal_after_the_sign_off_leaves_the_signed_wash_alone() {
    let mut w = World::washing();
    w.finish(at(8, 30));
    w.act("certifier", at(9, 0), Kind::SignedOff(signed_off()));
    refuse(&mut w, Hash::of(b"refused bytes"), at(9, 30));
    assert_eq!(w.open(at(10, 0)), ["release-reference-due WO-1"]);
}

#[test]
fn setting_aside_takes_two_persons_and_only_what_is_unread() {
    let mut w = World::washing();
    let unread = w.act("newcomer", at(8, 20), disconnected(1, "PS-1"));
    let read = w.act("tech", at(8, 20), disconnected(2, "PS-1"));
    let subjects = || World::subjects(&disconnected(1, "x")).into_iter().chain(World::subjects(&disconnected(2, "x")));
    let aside = Kind::FactSetAside(v1::FactSetAside { reason: "not ours".into() });
    let aside = w.custody_at(at(8, 30), vec![unread, read], subjects().collect(), aside);
    assert!(w.metal(at(9, 0)).iter().any(|name| name.starts_with("unread-fact")), "one person does not do");
    let agreed = v1::Countersigned { purpose: v1::CountersignPurpose::SetAsideAgreed as i32, remark: String::new() };
    w.naming("stranger", at(8, 40), &[aside], Kind::Countersigned(agreed.clone()));
    assert!(w.metal(at(9, 0)).iter().any(|name| name.starts_with("unread-fact")), "nor one without certify");
    w.naming("certifier", at(8, 40), &[aside], Kind::Countersigned(agreed));
    assert_eq!(w.metal(at(9, 0)), ["line-disconnected 2 PS-1"]);
}

#[test]
fn a_history_grows_from_the_same_entries_to_the_same_answers() {
    let w = World::washing();
    let mut again = History::new();
    for recorded in &w.recorded {
        let text = |d: &Hash| (*d == text_digest()).then(|| lines_only().into_bytes());
        again.add(recorded.clone(), &text);
    }
    assert_eq!(again.state(&aircraft(), again.size(), at(9, 0)), w.state_at(at(9, 0)));
}

#[test]
fn entries_name_the_aircraft_whose_answers_may_change() {
    let mut w = World::washing();
    let line = w.act("tech", at(8, 10), disconnected(1, "PS-1"));
    let index = w.history.by_hash(&line).unwrap();
    assert_eq!(w.history.aircraft_touched(index), [aircraft()]);
    // A plan that names the engine alone.
    let plan = v1::StartPlanned { engines: engine(1).into_iter().collect(), ..Default::default() };
    let subjects = vec![Subject::Engine("OT-1".into())];
    let fact = w.sign("planner", at(8, 20), subjects, vec![], Kind::StartPlanned(plan), None);
    let index = w.history.size();
    let recorded = Recorded {
        index,
        received_ms: at(8, 20),
        clock_unsure: false,
        fact: Arc::new(fact),
        signature: SignatureState::Good,
    };
    w.history.add(recorded, &|_| None);
    assert_eq!(w.history.aircraft_touched(index), [aircraft()]);
}

fn on_aircraft_two(w: &mut World, who: &str, when_ms: u64) -> crate::fact::Signed {
    let subjects = vec![Subject::Aircraft(id("aircraft two")), Subject::Wash(id("wash two"))];
    let kind = Kind::DeviceJoined(v1::DeviceJoined { device: id(&format!("{who} device")).to_vec() });
    w.sign(who, when_ms, subjects, vec![], kind, None)
}

#[test]
fn a_fact_of_one_wash_changes_nothing_on_another_of_its_device() {
    let mut w = World::washing();
    w.list_aircraft("aircraft two", &["OT-3", "OT-4"]);
    w.act("tech", at(8, 10), disconnected(1, "PS-1"));
    let first = on_aircraft_two(&mut w, "tech", at(8, 20));
    w.put(first, at(8, 20));
    let other = w.act("tech", at(8, 30), disconnected(1, "MV-2"));
    assert_eq!(w.history.aircraft_touched(w.history.by_hash(&other).unwrap()), [aircraft()]);
}

#[test]
fn a_fact_that_was_named_before_it_came_may_change_the_answer_about_whoever_named_it() {
    let mut w = World::washing();
    w.list_aircraft("aircraft two", &["OT-3", "OT-4"]);
    let late = on_aircraft_two(&mut w, "certifier", at(8, 20));
    w.naming("tech", at(8, 30), &[late.hash()], disconnected(1, "PS-1"));
    let late = w.put(late, at(8, 40));
    let touched = w.history.aircraft_touched(w.history.by_hash(&late).unwrap());
    assert!(touched.contains(&aircraft()), "{touched:?}");
}

#[test]
fn a_device_leaves_by_the_word_of_anybody_with_an_authority() {
    for (who, left) in [("runner", true), ("stranger", false)] {
        let mut w = World::washing();
        w.act(who, at(9, 0), Kind::DeviceLeft(v1::DeviceLeft { device: id(&format!("{who} device")).to_vec() }));
        let subject = id(&format!("{who} device")).to_string();
        assert_eq!(!w.state_at(at(12, 0)).items.iter().any(|i| i.subject == subject), left, "{who}");
    }
}

#[test]
fn what_is_set_aside_and_agreed_is_all_that_the_fact_is_about() {
    let agreed = v1::Countersigned { purpose: v1::CountersignPurpose::SetAsideAgreed as i32, remark: String::new() };
    let aside = || Kind::FactSetAside(v1::FactSetAside { reason: "not ours".into() });
    for whole in [true, false] {
        let mut w = World::washing();
        let unread = w.act("newcomer", at(8, 20), disconnected(1, "PS-1"));
        let mut subjects = World::subjects(&disconnected(1, "PS-1"));
        subjects.retain(|s| whole || !matches!(s, Subject::Engine(_)));
        let set = w.custody_at(at(8, 30), vec![unread], subjects, aside());
        w.naming("certifier", at(8, 40), &[set], Kind::Countersigned(agreed.clone()));
        assert_eq!(w.metal(at(9, 0)).is_empty(), whole, "{:?}", w.metal(at(9, 0)));
    }
    for whole in [true, false] {
        let mut w = World::washing();
        let digest = Hash::of(b"refused bytes");
        let fact =
            w.sign("service", at(8, 30), vec![Subject::Device(id("tech device"))], vec![], refused(digest), None);
        w.put(fact, at(8, 30));
        let mut subjects = World::subjects(&aside());
        subjects.extend(whole.then(|| Subject::Device(id("tech device"))));
        let set = w.custody_at(at(8, 30), vec![digest], subjects, aside());
        w.naming("certifier", at(8, 40), &[set], Kind::Countersigned(agreed.clone()));
        assert_eq!(w.metal(at(9, 0)).is_empty(), whole, "{:?}", w.metal(at(9, 0)));
    }
}

#[test]
fn a_set_aside_is_agreed_by_who_certifies_on_the_engine_that_the_fact_is_about() {
    for (engine_type, does) in [(TYPE, true), ("Tellmark R5", false)] {
        let mut w = World::washing();
        // An aircraft of another type whose certifying staff have no word on this one.
        w.custody(Kind::AircraftListed(v1::AircraftListed {
            aircraft: [0; 16].to_vec(),
            registration: "AIRCRAFT ZERO".into(),
            aircraft_type: "invented".into(),
            engines: vec![v1::InstalledEngine {
                engine: Some(v1::EngineAt { position: 1, serial: "RV-1".into() }),
                engine_type: "Tellmark R5".into(),
            }],
        }));
        w.enrol("guest");
        w.grant("guest", v1::Authority::Certify, |g| g.engine_type = engine_type.into());
        let unread = w.act("newcomer", at(8, 20), disconnected(1, "PS-1"));
        let mut subjects = World::subjects(&disconnected(1, "PS-1"));
        subjects.push(Subject::Aircraft(crate::bytes::Id([0; 16])));
        let aside = Kind::FactSetAside(v1::FactSetAside { reason: "not ours".into() });
        let set = w.custody_at(at(8, 30), vec![unread], subjects, aside);
        let purpose = v1::CountersignPurpose::SetAsideAgreed as i32;
        w.naming("guest", at(8, 40), &[set], Kind::Countersigned(v1::Countersigned { purpose, remark: String::new() }));
        assert_eq!(w.metal(at(9, 0)).is_empty(), does, "{:?}", w.metal(at(9, 0)));
    }
}
