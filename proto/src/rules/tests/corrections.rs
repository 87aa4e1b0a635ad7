use crate::bytes::Hash;
use crate::fact::Kind;
use crate::rules::testing::*;
use crate::v1;

fn cowl_open(w: &World, time_ms: u64) -> bool {
    w.metal(time_ms).contains(&"access-open 1 fan cowl".to_owned())
}

fn torqued(millinewton_metres: u32) -> Kind {
    Kind::LineReconnected(v1::LineReconnected {
        torque_millinewton_metres: Some(millinewton_metres),
        ..reconnection(1, "PS-1")
    })
}

/// A joint made at 08:20 with that torque and inspected at 08:30, naming it.
fn inspected_joint(w: &mut World, millinewton_metres: u32) -> Hash {
    w.act("tech", at(8, 10), disconnected(1, "PS-1"));
    let joint = w.act("tech", at(8, 20), torqued(millinewton_metres));
    w.naming("inspector", at(8, 30), &[joint], inspected(1, "PS-1"));
    joint
}

#[test]
fn a_struck_out_closing_leaves_open_what_it_closed_from_the_correction_on() {
    let mut w = World::washing();
    w.act("tech", at(8, 10), access(1, true));
    let closed = w.act("tech", at(8, 20), access(1, false));
    w.correct("tech", at(8, 40), closed, None);
    assert!(!cowl_open(&w, at(8, 40) - 1000));
    assert!(cowl_open(&w, at(8, 40)));
}

#[test]
fn a_struck_out_opening_waits_for_a_second_person_and_then_goes_in_place() {
    let mut w = World::washing();
    let opened = w.act("tech", at(8, 10), access(1, true));
    let struck = w.correct("tech", at(8, 20), opened, None);
    assert!(cowl_open(&w, at(8, 30)), "nobody agreed yet");
    w.agree("inspector", at(8, 40), struck);
    assert!(cowl_open(&w, at(8, 40) - 1000));
    assert!(!cowl_open(&w, at(8, 40)));
}

#[test]
fn only_another_person_who_may_inspect_or_certify_agrees() {
    for (corrector, who, agrees) in [
        ("tech", "inspector", true),
        ("tech", "certifier", true),
        ("tech", "tech", false),
        ("tech", "mate", false),
        ("tech", "stranger", false),
        ("certifier", "certifier", false),
        ("certifier", "inspector", true),
    ] {
        let mut w = World::washing();
        let opened = w.act("tech", at(8, 10), access(1, true));
        let struck = w.correct(corrector, at(8, 20), opened, None);
        w.agree(who, at(8, 30), struck);
        assert_eq!(cowl_open(&w, at(9, 0)), !agrees, "{corrector} corrects, {who} agrees");
    }
}

#[test]
fn another_purpose_is_no_agreement() {
    let mut w = World::washing();
    let opened = w.act("tech", at(8, 10), access(1, true));
    let struck = w.correct("tech", at(8, 20), opened, None);
    let purpose = v1::CountersignPurpose::Other as i32;
    let signed = Kind::Countersigned(v1::Countersigned { purpose, remark: String::new() });
    w.naming("inspector", at(8, 30), &[struck], signed);
    assert!(cowl_open(&w, at(9, 0)));
}

#[test]
fn the_author_or_certifying_staff_correct_and_nobody_else() {
    for (who, may) in [("tech", true), ("certifier", true), ("mate", false), ("inspector", false)] {
        let mut w = World::washing();
        w.act("tech", at(8, 10), access(1, true));
        let closed = w.act("tech", at(8, 20), access(1, false));
        w.correct(who, at(8, 30), closed, None);
        assert_eq!(cowl_open(&w, at(9, 0)), may, "{who}");
        assert_eq!(w.rules_broken(at(9, 0)).contains(&"beyond-authority"), !may, "{who}");
    }
}

#[test]
fn a_revoked_key_corrects_nothing() {
    let mut w = World::washing();
    w.act("mate", at(8, 10), access(1, true));
    let closed = w.act("mate", at(8, 20), access(1, false));
    let from = w.history.size();
    w.correct("mate", at(8, 30), closed, None);
    assert!(cowl_open(&w, at(9, 0)));
    w.custody(Kind::KeyRevoked(v1::KeyRevoked {
        key_id: key_id_of("mate").to_vec(),
        untrusted_from_index: Some(from),
        reason: "lost".into(),
    }));
    assert!(!cowl_open(&w, at(9, 0)));
}

#[test]
fn a_replacement_keeps_kind_engine_and_names_or_has_no_effect_and_is_found() {
    let cases = [
        (access(1, true), access(1, false)),
        (access(1, true), access(2, true)),
        (fixture(1, "T-1", true), fixture(1, "T-2", true)),
        (disconnected(1, "PS-1"), disconnected(1, "MV-2")),
    ];
    for (old, new) in cases {
        let mut w = World::washing();
        let fact = w.act("tech", at(8, 10), old);
        let before = w.metal(at(9, 0));
        let corrected = w.correct("tech", at(8, 20), fact, Some(new.clone()));
        w.agree("inspector", at(8, 30), corrected);
        let after: Vec<String> =
            w.metal(at(9, 0)).into_iter().filter(|name| !name.starts_with("finding-open")).collect();
        assert_eq!(after, before, "{new:?}");
        assert_eq!(w.rules_broken(at(9, 0)), ["impossible-step"], "{new:?}");
    }
}

#[test]
fn bytes_that_are_no_kind_replace_nothing() {
    let mut w = World::washing();
    let opened = w.act("tech", at(8, 10), access(1, true));
    let corrected = v1::Corrected {
        outcome: v1::CorrectionOutcome::Replace as i32,
        kind_field: vec![0xFF; 9],
        happened_ms: None,
        reason: String::new(),
    };
    let corrected = w.naming("tech", at(8, 20), &[opened], Kind::Corrected(corrected));
    w.agree("inspector", at(8, 30), corrected);
    assert!(cowl_open(&w, at(9, 0)));
    assert_eq!(w.rules_broken(at(9, 0)), ["impossible-step"]);
}

#[test]
fn a_correction_of_less_than_all_that_a_fact_is_about_has_no_effect() {
    let mut w = World::washing();
    w.act("tech", at(8, 10), access(1, true));
    let closed = w.act("tech", at(8, 20), access(1, false));
    let strike =
        Kind::Corrected(v1::Corrected { outcome: v1::CorrectionOutcome::StrikeOut as i32, ..Default::default() });
    let subjects = vec![crate::fact::Subject::Wash(wash())];
    let fact = w.sign("tech", at(8, 30), subjects, vec![closed], strike, None);
    w.put(fact, at(8, 30));
    assert!(!cowl_open(&w, at(9, 0)));
    assert_eq!(w.rules_broken(at(9, 0)), ["impossible-step"]);
}

#[test]
fn another_torque_within_the_window_takes_effect_at_once_and_asks_a_new_inspection() {
    let mut w = World::washing();
    let joint = inspected_joint(&mut w, 17_000);
    assert!(w.metal(at(8, 35)).is_empty());
    let corrected = w.correct("tech", at(8, 40), joint, Some(torqued(17_500)));
    assert_eq!(w.metal(at(8, 40)), ["inspection-due 1 PS-1"]);
    w.naming("inspector", at(8, 50), &[joint], inspected(1, "PS-1"));
    assert_eq!(w.metal(at(8, 50)), ["inspection-due 1 PS-1"], "it names the version that is no more in force");
    w.naming("inspector", at(8, 55), &[corrected], inspected(1, "PS-1"));
    assert!(w.metal(at(9, 0)).is_empty(), "{:?}", w.metal(at(9, 0)));
}

#[test]
fn tool_and_locking_free_an_inspection_too_and_helpers_do_not() {
    let tool = v1::ToolUsed { tool: "TW-2".into(), calibration_due_unix_day: Some(30_000) };
    let joint = || reconnection(1, "PS-1");
    let cases = [
        (v1::LineReconnected { tool: Some(tool), ..joint() }, true),
        (v1::LineReconnected { locking: Some(v1::Locking::TabWasher as i32), ..joint() }, true),
        (v1::LineReconnected { helpers: vec![id("mate").to_vec()], ..joint() }, false),
    ];
    for (new, frees) in cases {
        let mut w = World::washing();
        let made = inspected_joint(&mut w, 17_000);
        let told = format!("{new:?}");
        w.correct("tech", at(8, 40), made, Some(Kind::LineReconnected(new)));
        assert_eq!(!w.metal(at(9, 0)).is_empty(), frees, "{told}: {:?}", w.metal(at(9, 0)));
    }
}

#[test]
fn a_torque_put_right_takes_an_item_away_and_waits_for_agreement() {
    let mut w = World::washing();
    w.act("tech", at(8, 10), disconnected(1, "PS-1"));
    let joint = w.act("tech", at(8, 20), torqued(71_000));
    let corrected = w.correct("tech", at(8, 30), joint, Some(torqued(17_000)));
    assert!(w.metal(at(8, 35)).contains(&"line-unsecured 1 PS-1".to_owned()));
    w.agree("inspector", at(8, 40), corrected);
    assert!(w.metal(at(8, 40) - 1000).contains(&"line-unsecured 1 PS-1".to_owned()));
    assert!(!w.metal(at(8, 40)).contains(&"line-unsecured 1 PS-1".to_owned()));
    assert!(w.metal(at(8, 40)).contains(&"inspection-due 1 PS-1".to_owned()));
}

#[test]
fn a_torque_put_wrong_shows_at_once() {
    let mut w = World::washing();
    let joint = inspected_joint(&mut w, 17_000);
    w.correct("tech", at(8, 40), joint, Some(torqued(71_000)));
    assert!(w.metal(at(8, 40)).contains(&"line-unsecured 1 PS-1".to_owned()));
}

#[test]
fn saying_not_injected_waits_for_agreement_even_when_the_engine_has_run_since() {
    let mut w = World::washing();
    let cycled = w.act("tech", at(9, 10), cycle(1, at(9, 0)));
    let Kind::CycleRun(dry) = cycle(1, at(9, 0)) else { unreachable!() };
    let dry = v1::CycleRun { injection_started_ms: None, injection_ended_ms: None, ..dry };
    let corrected = w.correct("tech", at(9, 20), cycled, Some(Kind::CycleRun(dry)));
    assert!(w.open(at(9, 30)).contains(&"drying-due 1".to_owned()));
    w.agree("certifier", at(9, 40), corrected);
    assert!(!w.open(at(9, 40)).contains(&"drying-due 1".to_owned()));
    assert!(!w.open(at(9, 40)).contains(&"run-up-due 1".to_owned()));
}

#[test]
fn a_later_beginning_of_injection_does_not_lengthen_the_window_unless_agreed() {
    // 12 h: common practice, no source.
    let mut w = World::washing();
    let cycled = w.act("tech", at(9, 10), cycle(1, at(9, 0)));
    let later = w.correct("tech", at(9, 20), cycled, Some(cycle(1, at(9, 5))));
    let due = |w: &World| w.state_at(at(10, 0)).latest_starts[0].window_end_ms;
    assert_eq!(due(&w), at(21, 0));
    w.agree("inspector", at(9, 30), later);
    assert_eq!(due(&w), at(21, 5));
}

#[test]
fn an_earlier_beginning_of_injection_shortens_the_window_at_once() {
    let mut w = World::washing();
    let cycled = w.act("tech", at(9, 10), cycle(1, at(9, 0)));
    let Kind::CycleRun(body) = cycle(1, at(9, 0)) else { unreachable!() };
    let earlier = v1::CycleRun { injection_started_ms: Some(at(8, 55)), ..body };
    w.correct("tech", at(9, 20), cycled, Some(Kind::CycleRun(earlier)));
    // 12 h: common practice, no source.
    assert_eq!(w.state_at(at(10, 0)).latest_starts[0].window_end_ms, at(20, 55));
}

#[test]
fn a_correction_that_is_struck_out_is_as_if_it_had_never_been_made() {
    let mut w = World::washing();
    w.act("tech", at(8, 10), access(1, true));
    let closed = w.act("tech", at(8, 20), access(1, false));
    let struck = w.correct("tech", at(8, 30), closed, None);
    assert!(cowl_open(&w, at(8, 35)));
    let back = w.correct("tech", at(8, 40), struck, None);
    assert!(cowl_open(&w, at(8, 45)), "taking it back takes an open item away");
    w.agree("inspector", at(8, 50), back);
    assert!(!cowl_open(&w, at(8, 50)));
}

#[test]
fn a_replacement_of_a_replacement_is_the_one_in_force() {
    let mut w = World::washing();
    w.act("tech", at(8, 10), disconnected(1, "PS-1"));
    let joint = w.act("tech", at(8, 20), torqued(17_000));
    let wrong = w.correct("tech", at(8, 30), joint, Some(torqued(71_000)));
    assert!(w.metal(at(8, 35)).contains(&"line-unsecured 1 PS-1".to_owned()));
    let right = w.correct("tech", at(8, 40), wrong, Some(torqued(17_500)));
    w.agree("inspector", at(8, 50), right);
    assert!(!w.metal(at(9, 0)).contains(&"line-unsecured 1 PS-1".to_owned()));
    w.naming("inspector", at(9, 10), &[right], inspected(1, "PS-1"));
    assert!(w.metal(at(9, 20)).is_empty(), "{:?}", w.metal(at(9, 20)));
}

#[test]
fn a_moved_fact_stands_at_its_new_time() {
    for (moved, open) in [(at(8, 15), false), (at(8, 30), true)] {
        let mut w = World::washing();
        let opened = w.act("tech", at(8, 10), access(1, true));
        w.act("tech", at(8, 20), access(1, false));
        w.correct_to("tech", at(8, 40), opened, Some(access(1, true)), Some(moved));
        assert_eq!(cowl_open(&w, at(8, 40)), open);
    }
}

#[test]
fn a_replacement_counts_from_the_lesser_of_its_new_time_and_the_original_s_receipt() {
    // The correction happened before the original came in, so that only the original's receipt can hold it back.
    let mut w = World::washing();
    let kind = access(1, true);
    let fact = w.sign("tech", at(8, 10), World::subjects(&kind), vec![], kind, None);
    let opened = w.put(fact, at(9, 0));
    w.correct_to("tech", at(8, 20), opened, Some(access(1, true)), Some(at(10, 0)));
    assert!(cowl_open(&w, at(8, 30)), "moved to the future it would be missing until it came in");
    assert!(cowl_open(&w, at(9, 0)));
}

#[test]
fn two_corrections_of_one_version_open_what_any_says_and_close_nothing_until_one_is_left() {
    let mut w = World::washing();
    let opened = w.act("tech", at(8, 10), access(1, true));
    w.act("tech", at(8, 20), access(1, false));
    w.correct_to("tech", at(8, 30), opened, Some(access(1, true)), Some(at(8, 11)));
    assert!(w.metal(at(8, 35)).is_empty());
    let second = w.correct_to("certifier", at(8, 40), opened, Some(access(1, true)), Some(at(8, 12)));
    assert!(cowl_open(&w, at(8, 45)));
    assert_eq!(w.rules_broken(at(8, 45)), ["correction-conflict"]);
    w.act("tech", at(8, 50), access(1, false));
    assert!(cowl_open(&w, at(8, 55)), "no closing reaches what is contested");
    w.correct("certifier", at(9, 0), second, None);
    assert!(w.metal(at(9, 0)).is_empty(), "{:?}", w.metal(at(9, 0)));
    assert!(w.rules_broken(at(9, 0)).is_empty());
}

#[test]
fn a_contested_closing_closes_nothing() {
    let mut w = World::washing();
    w.act("tech", at(8, 10), access(1, true));
    let closed = w.act("tech", at(8, 20), access(1, false));
    w.correct_to("tech", at(8, 30), closed, Some(access(1, false)), Some(at(8, 21)));
    assert!(!cowl_open(&w, at(8, 35)));
    w.correct_to("certifier", at(8, 40), closed, Some(access(1, false)), Some(at(8, 19)));
    assert!(cowl_open(&w, at(8, 45)));
}

#[test]
fn settling_the_conflict_closes_the_finding_and_no_item() {
    let mut w = World::washing();
    let opened = w.act("tech", at(8, 10), access(1, true));
    w.act("tech", at(8, 20), access(1, false));
    let one = w.correct_to("tech", at(8, 30), opened, Some(access(1, true)), Some(at(8, 11)));
    let other = w.correct_to("mate", at(8, 40), opened, Some(access(1, true)), Some(at(8, 12)));
    assert_eq!(w.rules_broken(at(8, 45)), ["beyond-authority"], "the mate may not: there is no conflict");
    let third = w.correct_to("tech", at(8, 50), opened, Some(access(1, true)), Some(at(8, 9)));
    w.naming("certifier", at(9, 0), &[one, third], Kind::FindingSettled(settlement("correction-conflict")));
    w.naming("certifier", at(9, 0), &[other], Kind::FindingSettled(settlement("beyond-authority")));
    assert_eq!(w.metal(at(9, 0)), ["access-open 1 fan cowl"]);
}

#[test]
fn striking_one_of_a_conflict_takes_no_water_away_without_agreement() {
    let mut w = World::washing();
    let Kind::CycleRun(wet) = cycle(1, at(9, 0)) else { unreachable!() };
    let dry = v1::CycleRun { injection_started_ms: None, injection_ended_ms: None, ..wet.clone() };
    let cycled = w.act("tech", at(9, 10), Kind::CycleRun(dry.clone()));
    let says_wet = w.correct("tech", at(9, 20), cycled, Some(Kind::CycleRun(wet)));
    w.correct("certifier", at(9, 30), cycled, Some(Kind::CycleRun(v1::CycleRun { volume_millilitres: None, ..dry })));
    assert!(w.rules_broken(at(9, 35)).contains(&"correction-conflict"));
    let struck = w.correct("tech", at(9, 40), says_wet, None);
    assert!(w.open(at(9, 45)).contains(&"drying-due 1".to_owned()));
    w.agree("inspector", at(9, 50), struck);
    assert!(!w.open(at(9, 50)).contains(&"drying-due 1".to_owned()));
}

#[test]
fn a_finding_is_named_by_the_newest_version_and_a_settlement_of_the_older_one_holds() {
    let mut w = World::washing();
    let opened = w.act("stranger", at(8, 10), access(1, true));
    w.naming("certifier", at(8, 20), &[opened], Kind::FindingSettled(settlement("beyond-authority")));
    let newer = w.correct_to("stranger", at(8, 30), opened, Some(access(1, true)), Some(at(8, 11)));
    let found = w.state_at(at(9, 0)).findings;
    let finding = found.iter().find(|f| f.rule.name() == "beyond-authority").unwrap();
    assert_eq!(finding.rests_on[0].hash, newer);
    assert_eq!(finding.rests_on[0].index, w.history.by_hash(&newer).unwrap());
    assert!(finding.settled.is_some());
}

#[test]
fn a_correction_reopens_the_sign_off_that_does_not_cover_it() {
    let mut w = World::washing();
    w.act("tech", at(8, 10), access(1, true));
    let closed = w.act("tech", at(8, 20), access(1, false));
    w.act("certifier", at(8, 30), Kind::SignedOff(signed_off()));
    let due = |w: &World, when| w.open(when).iter().any(|name| name.starts_with("sign-off-due"));
    assert!(!due(&w, at(8, 40)), "{:?}", w.open(at(8, 40)));
    w.correct_to("tech", at(8, 50), closed, Some(access(1, false)), Some(at(8, 19)));
    assert!(due(&w, at(9, 0)));
    w.act("certifier", at(9, 10), Kind::SignedOff(signed_off()));
    assert!(!due(&w, at(9, 20)), "{:?}", w.open(at(9, 20)));
}

#[test]
fn the_device_of_a_struck_out_fact_is_still_waited_for() {
    let mut w = World::washing();
    let joined = w.act("mate", at(8, 10), access(1, true));
    let struck = w.correct("certifier", at(8, 20), joined, None);
    w.agree("inspector", at(8, 30), struck);
    let mate = id("mate device").to_string();
    assert!(!cowl_open(&w, at(9, 0)));
    assert!(w.state_at(at(9, 0)).items.iter().any(|i| i.subject == mate), "{:?}", w.state_at(at(9, 0)).items);
}

#[test]
fn a_correction_that_comes_before_its_fact_waits_for_it() {
    let mut on_time = World::washing();
    on_time.act("tech", at(8, 10), access(1, true));
    let closed = on_time.act("tech", at(8, 20), access(1, false));
    on_time.correct("certifier", at(8, 30), closed, None);
    let facts: Vec<_> = on_time.recorded[on_time.start as usize..].iter().map(|r| (*r.fact).clone()).collect();
    let mut late = World::new();
    for fact in facts.into_iter().rev() {
        late.put(fact, at(9, 0));
    }
    assert_eq!(late.metal(at(9, 0)), on_time.metal(at(9, 0)));
    assert!(cowl_open(&late, at(9, 0)));
}

#[test]
fn a_second_signature_is_not_struck_out() {
    let mut w = World::washing();
    let opened = w.act("tech", at(8, 10), access(1, true));
    let struck = w.correct("tech", at(8, 20), opened, None);
    let agreed = w.agree("inspector", at(8, 30), struck);
    w.correct("inspector", at(8, 40), agreed, None);
    assert!(!cowl_open(&w, at(9, 0)));
    assert_eq!(w.rules_broken(at(9, 0)), ["impossible-step"]);
}

/// A cycle that soaks from 09:02; corrected at 09:20 to one from 09:05 to 09:20. The later beginning would lengthen the
/// window and waits for agreement; the later end of the soak, 300 s (common practice, no source), does not.
fn a_later_cycle() -> World {
    let mut w = World::washing();
    let cycled = w.act("tech", at(9, 3), cycle(1, at(9, 0)));
    let Kind::CycleRun(body) = cycle(1, at(9, 5)) else { unreachable!() };
    let later = v1::CycleRun { injection_ended_ms: Some(at(9, 20)), motoring_ended_ms: Some(at(9, 21)), ..body };
    w.correct("tech", at(9, 4), cycled, Some(Kind::CycleRun(later)));
    w
}

#[test]
fn what_a_waiting_correction_opens_counts_at_once() {
    let w = a_later_cycle();
    let soaks = |when| w.open(when).contains(&"soaking 1".to_owned());
    assert!(soaks(at(9, 25) - 1000) && !soaks(at(9, 25)));
    // 12 h: common practice, no source.
    assert_eq!(w.state_at(at(9, 30)).latest_starts[0].window_end_ms, at(21, 0));
}

#[test]
fn an_item_that_two_versions_open_stands_once_and_with_the_stricter_end() {
    let w = a_later_cycle();
    let soaking: Vec<_> =
        w.state_at(at(9, 6)).items.into_iter().filter(|i| i.kind.name() == "soaking").map(|i| i.due_ms).collect();
    assert_eq!(soaking, [Some(at(9, 25))]);
}

#[test]
fn who_agreed_to_the_newer_version_agreed_to_it_in_the_place_of_the_older_ones() {
    let mut w = World::washing();
    let opened = w.act("tech", at(8, 10), access(1, true));
    // Nobody agreed to striking it out; to what replaces that somebody did.
    let struck = w.correct("tech", at(8, 20), opened, None);
    let moved = w.correct_to("tech", at(8, 30), struck, Some(access(1, true)), Some(at(8, 9)));
    w.agree("inspector", at(8, 40), moved);
    let item = w.state_at(at(9, 0)).items.into_iter().find(|i| i.kind.name() == "access-open").unwrap();
    assert_eq!((item.opened_by.hash, item.opened_by.happened_ms), (moved, at(8, 9)));
}

#[test]
fn striking_out_an_agreed_version_brings_none_back_that_nobody_agreed_to() {
    let mut w = World::washing();
    let opened = w.act("tech", at(8, 10), access(1, true));
    w.act("tech", at(8, 20), access(1, false));
    let struck = w.correct("tech", at(8, 30), opened, None);
    let back = w.correct_to("tech", at(8, 40), struck, Some(access(1, true)), Some(at(8, 25)));
    w.agree("inspector", at(8, 50), back);
    assert!(cowl_open(&w, at(8, 55)), "opened after it was closed");
    w.correct("tech", at(9, 0), back, None);
    assert!(cowl_open(&w, at(9, 10)));
}

#[test]
fn a_correction_of_a_correction_is_its_signer_s_or_certifying_staff_s() {
    for (who, may) in [("certifier", true), ("tech", false)] {
        let mut w = World::washing();
        w.act("tech", at(8, 10), access(1, true));
        let closed = w.act("tech", at(8, 20), access(1, false));
        let struck = w.correct("certifier", at(8, 30), closed, None);
        let back = w.correct(who, at(8, 40), struck, None);
        w.agree("inspector", at(8, 50), back);
        assert_eq!(cowl_open(&w, at(9, 0)), !may, "{who}");
    }
}

#[test]
fn as_known_before_a_correction_the_original_stands() {
    let mut w = World::washing();
    w.act("tech", at(8, 10), access(1, true));
    let closed = w.act("tech", at(8, 20), access(1, false));
    let before = w.history.size();
    w.correct("tech", at(8, 30), closed, None);
    assert!(!names(&w.history.state(&aircraft(), before, at(9, 0))).contains(&"access-open 1 fan cowl".to_owned()));
}

#[test]
fn certifying_staff_for_another_engine_type_correct_nothing() {
    let mut w = World::new();
    w.enrol("guest");
    w.grant("guest", v1::Authority::Certify, |g| g.engine_type = "Tellmark R5".into());
    w.open_wash("tech", at(8, 0));
    w.act("tech", at(8, 10), access(1, true));
    let closed = w.act("tech", at(8, 20), access(1, false));
    w.correct("guest", at(8, 30), closed, None);
    assert!(!cowl_open(&w, at(9, 0)));
}
