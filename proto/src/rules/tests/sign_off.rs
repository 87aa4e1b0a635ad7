use crate::fact::{Kind, Subject};
use crate::rules::testing::*;
use crate::v1::{self, Authority};

fn ready() -> World {
    let mut w = World::washing();
    w.washed_and_dried(1);
    w.finish(at(9, 50));
    w.act("runner", at(10, 6), run_up(1, at(10, 0)));
    w
}

/// What is open, the hashes of findings and the engines whose cycles nobody stated left out.
fn open(w: &World, time_ms: u64) -> Vec<String> {
    let all = w.open(time_ms).into_iter().filter(|name| !name.starts_with("cycles-short"));
    all.map(|name| match name.rsplit_once(' ') {
        Some((finding, _)) if name.starts_with("finding-open") => finding.to_owned(),
        _ => name,
    })
    .collect()
}

const REFERENCE: &str = "release-reference-due WO-1";

fn sign(w: &mut World, hour: u64) {
    w.act("certifier", at(hour, 0), Kind::SignedOff(signed_off()));
}

#[test]
fn a_wash_is_to_be_signed_off_until_certifying_staff_do() {
    let mut w = ready();
    assert_eq!(w.open(at(11, 0)), ["cycles-short 1", "cycles-short 2", "sign-off-due WO-1"]);
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
    assert_eq!(w.open(at(12, 0)), [REFERENCE]);
    assert!(w.state_at(at(12, 0)).washes[0].signed_off_by.is_some());
}

#[test]
fn a_sign_off_while_an_item_blocks_has_no_effect_then_or_later() {
    let mut w = ready();
    w.act("tech", at(11, 0), access(1, true));
    sign(&mut w, 12);
    w.act("tech", at(12, 30), access(1, false));
    let state = w.state_at(at(13, 0));
    assert_eq!(open(&w, at(13, 0)), ["finding-open signed-off-early", "final-check-due", "sign-off-due WO-1"]);
    assert!(state.items.iter().any(|i| i.text.contains("engine 1 fan cowl open stood open")), "{:?}", state.items);
    w.act("tech", at(13, 30), final_check());
    sign(&mut w, 14);
    assert_eq!(open(&w, at(14, 0)), ["finding-open signed-off-early", REFERENCE]);
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
        assert_eq!(open(&w, at(12, 0)), ["finding-open signed-off-early", "sign-off-due WO-1"]);
    }
}

#[test]
fn a_fact_that_opens_or_closes_an_item_reopens_the_sign_off() {
    let mut w = ready();
    sign(&mut w, 12);
    w.act("tech", at(12, 10), access(1, true));
    w.act("tech", at(12, 20), access(1, false));
    w.act("tech", at(12, 30), final_check());
    assert_eq!(w.open(at(13, 0)), ["sign-off-due WO-1", REFERENCE]);
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
    assert_eq!(w.open(at(15, 0)), [REFERENCE]);
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
    assert_eq!(names(&state), ["final-check-due", "sign-off-due WO-1", REFERENCE]);
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
    assert_eq!(w.open(at(12, 0)), [REFERENCE], "{own}");
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
    assert_eq!(open(&w, at(11, 0)), ["start-awaited 1", "finding-open signed-off-early", REFERENCE]);
}

#[test]
fn a_key_enrolled_after_a_sign_off_does_not_make_it_good() {
    let mut w = ready();
    w.act("tech", at(11, 0), access(1, true));
    w.act("newcomer", at(11, 10), access(1, false));
    sign(&mut w, 12);
    w.enrol_on_card("newcomer", Authority::Perform);
    // That it was read late is a finding of its own, minor.
    let told = less_late(&w, at(13, 0));
    assert_eq!(
        told,
        ["finding-open signed-off-early", "sign-off-due WO-1"],
        "who signed it could not read that the cowl was closed"
    );
    assert!(w.state_at(at(13, 0)).washes[0].signed_off_by.is_none());
    sign(&mut w, 14);
    assert_eq!(less_late(&w, at(14, 0)), ["finding-open signed-off-early", REFERENCE]);
}

fn less_late(w: &World, time_ms: u64) -> Vec<String> {
    open(w, time_ms).into_iter().filter(|name| !name.contains("enrolled-late")).collect()
}

#[test]
fn a_sign_off_whose_signer_is_enrolled_later_counts_from_then_on() {
    let mut w = ready();
    w.act("newcomer", at(12, 0), Kind::SignedOff(signed_off()));
    let before = w.history.size();
    assert!(w.open(at(13, 0)).contains(&"sign-off-due WO-1".to_owned()));
    w.enrol_on_card("newcomer", Authority::Certify);
    assert_eq!(less_late(&w, at(13, 0)), [REFERENCE]);
    assert!(names(&w.history.state(&aircraft(), before, at(13, 0))).contains(&"sign-off-due WO-1".to_owned()));
}

#[test]
fn a_revocation_that_reaches_back_to_what_a_sign_off_rests_on_takes_its_effect() {
    for (ahead, falls) in [(0, true), (1, false)] {
        let mut w = ready();
        w.act("tech", at(11, 0), access(1, true));
        let closed = w.act("mate", at(11, 10), access(1, false));
        sign(&mut w, 12);
        let before = w.history.size();
        let index = w.history.by_hash(&closed).unwrap();
        w.custody(Kind::KeyRevoked(v1::KeyRevoked {
            key_id: key_id_of("mate").to_vec(),
            untrusted_from_index: Some(index + ahead),
            reason: "lost".into(),
        }));
        assert_eq!(w.state_at(at(13, 0)).washes[0].signed_off_by.is_none(), falls);
        assert!(w.history.state(&aircraft(), before, at(13, 0)).washes[0].signed_off_by.is_some(), "as known before");
    }
}

#[test]
fn what_a_sign_off_names_is_judged_even_where_it_came_later() {
    for closed in [true, false] {
        let mut w = ready();
        let kind = access(2, true);
        let mut subjects = World::subjects(&kind);
        let opening = w.sign("mate", at(11, 0), subjects.clone(), vec![], kind, None);
        let closing = w.sign("mate", at(11, 10), subjects.clone(), vec![], access(2, false), None);
        let checking = w.sign("mate", at(11, 20), World::subjects(&final_check()), vec![], final_check(), None);
        let last = [closing.hash(), checking.hash()];
        let named = if closed { [&[opening.hash()][..], &last].concat() } else { vec![opening.hash()] };
        subjects.extend(World::subjects(&Kind::SignedOff(signed_off())));
        let signed = w.sign("certifier", at(12, 0), subjects, named, Kind::SignedOff(signed_off()), None);
        w.put(signed, at(12, 0));
        assert!(w.open(at(12, 1)).contains(&"sign-off-due WO-1".to_owned()), "what it names is not there");
        w.put(opening, at(12, 10));
        w.put(closing, at(12, 11));
        w.put(checking, at(12, 12));
        assert_eq!(w.state_at(at(13, 0)).washes[0].signed_off_by.is_some(), closed);
    }
}

/// A fact in the washes named, received at once.
fn in_washes(w: &mut World, washes: &[&str], who: &str, when_ms: u64, kind: Kind) {
    if let Some((position, start_ms)) = motoring(&kind) {
        w.act("tech", start_ms, area_cleared(position));
    }
    let own = Subject::Wash(wash());
    let mut subjects: Vec<Subject> = World::subjects(&kind).into_iter().filter(|s| *s != own).collect();
    subjects.extend(washes.iter().map(|name| Subject::Wash(id(name))));
    let fact = w.sign(who, when_ms, subjects, vec![], kind, None);
    w.put(fact, when_ms);
}

/// A second wash of the same aircraft, opened at 10:00.
fn open_second(w: &mut World) {
    let opened = v1::WashOpened {
        work_order: "WO-2".into(),
        procedure: Some(v1::ProcedureRef { digest: text_digest().to_vec() }),
        engines: [1, 2].map(|position| v1::EngineInScope { engine: engine(position), ..Default::default() }).to_vec(),
        ..Default::default()
    };
    in_washes(w, &["wash two"], "tech", at(10, 0), Kind::WashOpened(opened));
}

/// The second wash uses nothing that the procedure lists, no tools, and checks at last.
fn finish_second(w: &mut World, when_ms: u64) {
    for (position, line) in [(1, "PS-1"), (1, "MV-2"), (2, "PS-1"), (2, "MV-2")] {
        let not_used = v1::ElementNotUsed {
            engine: engine(position),
            element_kind: v1::ElementKind::Line as i32,
            element: line.into(),
            reason: "done in the other wash".into(),
        };
        in_washes(w, &["wash two"], "tech", when_ms, Kind::ElementNotUsed(not_used));
    }
    let none = v1::ToolsOut { tools: vec![], none_used: true };
    in_washes(w, &["wash two"], "tech", when_ms, Kind::ToolsOut(none));
    in_washes(w, &["wash one", "wash two"], "tech", when_ms, final_check());
}

/// Signs the second wash off; whether that had effect then.
fn second_signed(w: &mut World, when_ms: u64) -> bool {
    finish_second(w, when_ms - 1000);
    in_washes(w, &["wash two"], "certifier", when_ms, Kind::SignedOff(signed_off()));
    let state = w.state_at(when_ms);
    state.washes.iter().find(|known| known.wash == id("wash two")).unwrap().signed_off_by.is_some()
}

fn first_signed(w: &mut World, when_ms: u64) -> bool {
    w.act("certifier", when_ms, Kind::SignedOff(signed_off()));
    let state = w.state_at(when_ms);
    state.washes.iter().find(|known| known.wash == wash()).unwrap().signed_off_by.is_some()
}

#[test]
fn each_wash_that_put_water_in_waits_for_the_run() {
    let mut w = World::washing();
    w.washed_and_dried(1);
    open_second(&mut w);
    in_washes(&mut w, &["wash two"], "tech", at(10, 12), cycle(1, at(10, 10)));
    in_washes(&mut w, &["wash two"], "tech", at(10, 32), dry_crank(1, at(10, 30)));
    assert!(!second_signed(&mut w, at(11, 0)), "its water waits too");
    assert!(!first_signed(&mut w, at(11, 0)));
    w.act("runner", at(11, 16), run_up(1, at(11, 10)));
    assert!(second_signed(&mut w, at(12, 0)) && first_signed(&mut w, at(12, 0)));
}

#[test]
fn each_wash_whose_water_is_not_dried_waits_for_drying() {
    let mut w = World::washing();
    let first_water = w.act("tech", at(9, 2), cycle(1, at(9, 0)));
    open_second(&mut w);
    in_washes(&mut w, &["wash two"], "tech", at(10, 12), cycle(1, at(10, 10)));
    let decided = v1::OverdueDecided { engine: engine(1), ..Default::default() };
    w.act("certifier", at(21, 0), Kind::OverdueDecided(decided));
    assert!(!first_signed(&mut w, at(21, 30)), "its water is still in the engine");
    in_washes(&mut w, &["wash two"], "tech", at(22, 0), dry_crank(1, at(21, 58)));
    assert!(!first_signed(&mut w, at(22, 5)), "that no run was recorded in time is to be settled");
    let settled = v1::FindingSettled {
        rule: "run-up-missed".into(),
        outcome: v1::FindingOutcome::Accepted as i32,
        ..Default::default()
    };
    w.naming("certifier", at(22, 10), &[first_water], Kind::FindingSettled(settled));
    assert!(first_signed(&mut w, at(22, 30)));
}

#[test]
fn a_fact_about_two_washes_bars_and_reopens_the_sign_off_of_both() {
    let both = ["wash one", "wash two"];
    let mut w = World::washing();
    open_second(&mut w);
    in_washes(&mut w, &both, "tech", at(10, 10), access(1, true));
    assert!(!second_signed(&mut w, at(11, 0)) && !first_signed(&mut w, at(11, 0)));
    in_washes(&mut w, &both, "tech", at(11, 30), access(1, false));
    assert!(second_signed(&mut w, at(12, 0)) && first_signed(&mut w, at(12, 0)));
    let due = |w: &World, time_ms| -> Vec<String> {
        w.open(time_ms).into_iter().filter(|name| name.starts_with("sign-off-due")).collect()
    };
    assert!(due(&w, at(12, 0)).is_empty());
    in_washes(&mut w, &both, "tech", at(12, 10), access(1, true));
    in_washes(&mut w, &both, "tech", at(12, 20), access(1, false));
    assert_eq!(due(&w, at(13, 0)), ["sign-off-due WO-1", "sign-off-due WO-2"]);
}

#[test]
fn a_sign_off_in_doubt_has_effect_once_it_is_let_count() {
    let mut w = ready();
    let seen = w.history.size();
    w.grant("stranger", Authority::Certify, |_| ());
    let kind = Kind::SignedOff(signed_off());
    let fact = w.sign("stranger", at(12, 0), World::subjects(&kind), vec![], kind, Some(seen));
    let act = w.put(fact, at(12, 0));
    assert!(w.open(at(12, 30)).contains(&"sign-off-due WO-1".to_owned()));
    let counts = v1::FindingSettled { act_counts: Some(true), ..settlement("in-doubt") };
    w.naming("certifier", at(13, 0), &[act], Kind::FindingSettled(counts));
    assert!(w.open(at(12, 59)).contains(&"sign-off-due WO-1".to_owned()), "from its settlement on");
    assert_eq!(open(&w, at(13, 0)), [REFERENCE]);
}

#[test]
fn a_sign_off_let_count_does_not_stand_before_one_that_was_signed_meanwhile() {
    let mut w = ready();
    let seen = w.history.size();
    w.grant("stranger", Authority::Certify, |_| ());
    let kind = Kind::SignedOff(signed_off());
    let fact = w.sign("stranger", at(11, 0), World::subjects(&kind), vec![], kind, Some(seen));
    let act = w.put(fact, at(11, 0));
    w.act("tech", at(11, 10), access(1, true));
    w.act("tech", at(11, 20), access(1, false));
    w.naming("certifier", at(11, 30), &[act], Kind::FindingSettled(settlement("in-doubt")));
    sign(&mut w, 12);
    let counts = v1::FindingSettled { act_counts: Some(true), ..settlement("in-doubt") };
    w.naming("certifier", at(13, 0), &[act], Kind::FindingSettled(counts));
    assert_eq!(open(&w, at(13, 0)), [REFERENCE]);
}

#[test]
fn an_engine_change_that_the_signer_had_not_seen_takes_nothing_out_of_the_way() {
    for (unseen, effect) in [(true, false), (false, true)] {
        let mut w = World::washing();
        w.washed_and_dried(1);
        w.finish(at(9, 50));
        w.list_aircraft("aircraft two", &["OT-8", "OT-9"]);
        let seen = w.history.size();
        change_engine(&mut w, at(10, 0));
        let kind = Kind::SignedOff(signed_off());
        let seen = unseen.then_some(seen);
        let fact = w.sign("certifier", at(11, 0), World::subjects(&kind), vec![], kind, seen);
        w.put(fact, at(11, 0));
        // Engine 1 has not run: for who had not seen it go, that stood in the way.
        assert_eq!(w.state_at(at(12, 0)).washes[0].signed_off_by.is_some(), effect, "{:?}", w.open(at(12, 0)));
    }
}
