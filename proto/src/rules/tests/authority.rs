use crate::fact::{Kind, Subject};
use crate::rules::Severity;
use crate::rules::testing::*;
use crate::v1::{self, Authority};

fn revoke(w: &mut World, name: &str, from: u64) {
    let revoked =
        v1::KeyRevoked { key_id: key_id_of(name).to_vec(), untrusted_from_index: Some(from), reason: "lost".into() };
    w.custody(Kind::KeyRevoked(revoked));
}

/// Opened by the technician, closed by the mate; the closing's index.
fn closed_by_mate(w: &mut World) -> u64 {
    w.act("tech", at(8, 10), access(1, true));
    let closed = w.act("mate", at(8, 20), access(1, false));
    w.history.by_hash(&closed).unwrap()
}

#[test]
fn a_fact_at_the_index_that_a_revocation_names_is_not_trusted_and_the_one_before_it_is() {
    for (ahead, trusted) in [(0, false), (1, true)] {
        let mut w = World::washing();
        let index = closed_by_mate(&mut w);
        revoke(&mut w, "mate", index + ahead);
        assert_eq!(!w.metal(at(9, 0)).contains(&"access-open 1 fan cowl".to_owned()), trusted);
        assert_eq!(w.rules_broken(at(9, 0)).contains(&"key-not-trusted"), !trusted);
    }
}

#[test]
fn as_known_before_the_revocation_the_key_was_trusted() {
    let mut w = World::washing();
    let index = closed_by_mate(&mut w);
    let before = w.history.size();
    revoke(&mut w, "mate", index);
    assert!(!names(&w.history.state(&aircraft(), before, at(9, 0))).contains(&"access-open 1 fan cowl".to_owned()));
}

#[test]
fn an_authority_holds_at_its_last_instant_and_not_a_second_later() {
    for (valid_until, holds) in [(at(8, 20), true), (at(8, 20) - 1000, false)] {
        let mut w = World::new();
        w.enrol("guest");
        w.grant("guest", Authority::Perform, |g| g.valid_until_ms = Some(valid_until));
        w.open_wash("tech", at(8, 0));
        w.act("tech", at(8, 10), access(1, true));
        w.act("guest", at(8, 20), access(1, false));
        assert_eq!(!w.metal(at(9, 0)).contains(&"access-open 1 fan cowl".to_owned()), holds);
        assert_eq!(w.rules_broken(at(9, 0)).contains(&"beyond-authority"), !holds);
    }
}

#[test]
fn an_authority_for_another_engine_type_does_not_do() {
    let mut w = World::new();
    w.enrol("guest");
    w.grant("guest", Authority::Perform, |g| g.engine_type = "Tellmark R5".into());
    w.open_wash("tech", at(8, 0));
    w.act("tech", at(8, 10), access(1, true));
    w.act("guest", at(8, 20), access(1, false));
    assert!(w.metal(at(9, 0)).contains(&"access-open 1 fan cowl".to_owned()));
}

#[test]
fn an_authority_granted_between_seen_and_index_leaves_the_act_in_doubt_until_it_is_settled() {
    let mut w = World::washing();
    w.act("tech", at(8, 10), access(1, true));
    let seen = w.history.size();
    w.grant("stranger", Authority::Perform, |_| ());
    let kind = access(1, false);
    let fact = w.sign("stranger", at(8, 20), World::subjects(&kind), vec![], kind, Some(seen));
    let closed = w.put(fact, at(8, 20));
    assert_eq!(w.rules_broken(at(9, 0)), ["in-doubt"]);
    assert!(w.metal(at(9, 0)).contains(&"access-open 1 fan cowl".to_owned()));
    let counts = v1::FindingSettled { act_counts: Some(true), ..settlement("in-doubt") };
    w.naming("certifier", at(8, 40), &[closed], Kind::FindingSettled(counts));
    assert!(w.metal(at(8, 39)).contains(&"access-open 1 fan cowl".to_owned()), "it closes from its settlement on");
    assert!(w.metal(at(9, 0)).is_empty(), "{:?}", w.metal(at(9, 0)));
}

/// The stranger's act at 08:20, in doubt: the authority came after what the station had seen. Settled at 09:00 it counts.
fn in_doubt_then_settled(w: &mut World, authority: Authority, kind: Kind, between: impl FnOnce(&mut World)) {
    let seen = w.history.size();
    w.grant("stranger", authority, |_| ());
    let fact = w.sign("stranger", at(8, 20), World::subjects(&kind), vec![], kind, Some(seen));
    let act = w.put(fact, at(8, 20));
    between(w);
    let counts = v1::FindingSettled { act_counts: Some(true), ..settlement("in-doubt") };
    w.naming("certifier", at(9, 0), &[act], Kind::FindingSettled(counts));
}

#[test]
fn an_act_let_count_closes_what_was_open_before_it_and_nothing_that_was_opened_after_it() {
    let cases: [(Kind, Kind, &str); 3] = [
        (disconnected(1, "PS-1"), reconnected(1, "PS-1"), "line-disconnected 1 PS-1"),
        (access(1, true), access(1, false), "access-open 1 fan cowl"),
        (fixture(1, "T-1", true), fixture(1, "T-1", false), "fixture-fitted"),
    ];
    for (opening, closing, item) in cases {
        for opened_again in [false, true] {
            let mut w = World::washing();
            w.act("tech", at(8, 10), opening.clone());
            in_doubt_then_settled(&mut w, Authority::Perform, closing.clone(), |w| {
                if opened_again {
                    w.act("tech", at(8, 30), opening.clone());
                }
            });
            let open = w.metal(at(9, 30)).iter().any(|name| name.starts_with(item));
            assert_eq!(open, opened_again, "{item}: {:?}", w.metal(at(9, 30)));
        }
    }
}

#[test]
fn a_cycle_and_a_clearance_let_count_count_once_and_from_then_on() {
    let mut w = World::washing();
    w.act("tech", at(8, 12), cycle(1, at(8, 5)));
    let short = |w: &World, ms| {
        let items = w.of_kind(crate::rules::ItemKind::CyclesShort, ms);
        items.into_iter().filter(|item| item.engine.as_ref().is_some_and(|e| e.position == 1)).count()
    };
    in_doubt_then_settled(&mut w, Authority::Perform, cycle(1, at(8, 15)), |w| assert_eq!(short(w, at(8, 59)), 1));
    assert_eq!(short(&w, at(9, 0)), 0);
    let mut w = World::washing();
    in_doubt_then_settled(&mut w, Authority::Perform, cycle(1, at(8, 15)), |_| ());
    assert_eq!(short(&w, at(9, 0)), 1, "one cycle is one");
    let mut w = World::washing();
    w.area_left = true;
    let uncleared = |w: &World, ms| w.broken(crate::rules::Rule::AreaNotCleared, ms).len();
    in_doubt_then_settled(&mut w, Authority::Perform, area_cleared(1), |w| {
        w.act("tech", at(8, 45), dry_crank(1, at(8, 40)));
        assert_eq!(uncleared(w, at(8, 59)), 1);
    });
    assert_eq!(uncleared(&w, at(9, 0)), 0);
}

#[test]
fn drying_otherwise_let_count_dries_no_water_that_came_after_it() {
    let dried = || {
        let engine = engine(1);
        Kind::DriedOtherwise(v1::DriedOtherwise { engine, data_reference: "data 7".into() })
    };
    for water_after in [false, true] {
        let mut w = World::washing();
        w.act("tech", at(8, 12), cycle(1, at(8, 5)));
        in_doubt_then_settled(&mut w, Authority::Certify, dried(), |w| {
            if water_after {
                w.act("tech", at(8, 40), cycle(1, at(8, 30)));
            }
        });
        let due = |w: &World| w.open(at(9, 30)).iter().any(|name| name.starts_with("run-up-due 1"));
        assert_eq!(due(&w), water_after, "{:?}", w.open(at(9, 30)));
    }
}

#[test]
fn a_waiver_let_count_does_not_outlive_what_voided_it_meanwhile() {
    for reopened in [false, true] {
        let mut w = World::washing();
        w.washed_and_dried(1);
        let waiver = Kind::RunUpWaived(v1::RunUpWaived {
            engine: engine(1),
            planned_start_ms: Some(at(15, 0)),
            air_source: "ground air".into(),
            reason: String::new(),
        });
        let seen = w.history.size();
        w.grant("stranger", Authority::Waive, |_| ());
        let fact = w.sign("stranger", at(9, 50), World::subjects(&waiver), vec![], waiver, Some(seen));
        let act = w.put(fact, at(9, 50));
        if reopened {
            w.act("tech", at(10, 0), disconnected(1, "PS-1"));
            let joint = w.act("tech", at(10, 10), reconnected(1, "PS-1"));
            w.naming("inspector", at(10, 20), &[joint], inspected(1, "PS-1"));
        }
        let counts = v1::FindingSettled { act_counts: Some(true), ..settlement("in-doubt") };
        w.naming("certifier", at(10, 30), &[act], Kind::FindingSettled(counts));
        let awaited = w.open(at(11, 0)).iter().any(|name| name.starts_with("start-awaited 1"));
        assert_eq!(awaited, !reopened, "{:?}", w.open(at(11, 0)));
    }
}

#[test]
fn an_authority_withdrawn_between_seen_and_index_leaves_the_act_in_doubt() {
    let mut w = World::washing();
    w.enrol("guest");
    let granted = w.grant("guest", Authority::Perform, |_| ());
    let seen = w.history.size();
    let withdrawn = Kind::AuthorityWithdrawn(v1::AuthorityWithdrawn { reason: "left".into() });
    w.custody_at(at(8, 5), vec![granted], vec![], withdrawn);
    w.act("tech", at(8, 10), access(1, true));
    let kind = access(1, false);
    let fact = w.sign("guest", at(8, 20), World::subjects(&kind), vec![], kind, Some(seen));
    w.put(fact, at(8, 20));
    assert_eq!(w.rules_broken(at(9, 0)), ["in-doubt"]);
    assert!(w.metal(at(9, 0)).contains(&"access-open 1 fan cowl".to_owned()));
}

#[test]
fn nobody_settles_a_finding_on_their_own_act() {
    let mut w = World::washing();
    w.grant("stranger", Authority::Certify, |_| ());
    let act = w.act("stranger", at(8, 10), access(1, true));
    w.naming("stranger", at(8, 20), &[act], Kind::FindingSettled(settlement("beyond-authority")));
    assert!(w.metal(at(9, 0)).iter().any(|name| name.starts_with("finding-open")));
    w.naming("certifier", at(8, 30), &[act], Kind::FindingSettled(settlement("beyond-authority")));
    assert_eq!(w.metal(at(9, 0)), ["access-open 1 fan cowl"]);
}

#[test]
fn custodian_s_facts_by_somebody_without_custody_change_nothing() {
    let mut w = World::new();
    let granted = Kind::AuthorityGranted(v1::AuthorityGranted {
        person: id("stranger").to_vec(),
        authority: Authority::Perform as i32,
        ..Default::default()
    });
    let fact = w.sign("tech", at(2, 0), vec![crate::fact::Subject::Roster], vec![], granted, None);
    w.put(fact, at(2, 0));
    assert!(!w.history.roster().grants().iter().any(|g| g.person == id("stranger")));
}

#[test]
fn what_a_revoked_custodian_key_signed_from_that_index_on_falls_away() {
    let mut w = World::new();
    w.enrol("second");
    w.grant("second", Authority::Custody, |_| ());
    let from = w.history.size();
    let thief = |w: &mut World, kind: Kind| {
        let fact = w.sign("second", at(2, 0), vec![crate::fact::Subject::Roster], vec![], kind, None);
        w.put(fact, at(2, 0))
    };
    let granted = v1::AuthorityGranted {
        person: id("stranger").to_vec(),
        authority: Authority::Perform as i32,
        ..Default::default()
    };
    thief(&mut w, Kind::AuthorityGranted(granted));
    let size = w.history.size();
    assert!(w.history.roster().grants().iter().any(|g| g.person == id("stranger")));
    revoke(&mut w, "second", from);
    assert!(!w.history.roster().grants().iter().any(|g| g.person == id("stranger")));
    assert!(w.history.roster_at(size).grants().iter().any(|g| g.person == id("stranger")));
}

#[test]
fn a_time_after_receipt_is_a_finding_beyond_two_minutes_and_major_where_it_touches_an_item() {
    for (late_s, kind, open) in [
        (120, access(1, true), None),
        (121, access(1, true), Some(true)),
        (121, Kind::Remark(v1::Remark { text: None }), Some(false)),
    ] {
        let mut w = World::washing();
        let fact = w.sign("tech", at(8, 10) + late_s * 1000, World::subjects(&kind), vec![], kind, None);
        w.put(fact, at(8, 10));
        assert_eq!(w.rules_broken(at(9, 0)).contains(&"time-disorder"), open.is_some());
        let blocks = w.metal(at(9, 0)).iter().any(|name| name.starts_with("finding-open"));
        assert_eq!(blocks, open == Some(true));
    }
}

#[test]
fn a_fact_counts_from_the_lesser_of_happened_and_received() {
    let mut w = World::washing();
    let kind = access(1, true);
    let fact = w.sign("tech", at(8, 30), World::subjects(&kind), vec![], kind, None);
    w.put(fact, at(10, 0));
    assert!(w.metal(at(8, 30) - 1000).is_empty());
    assert_eq!(w.metal(at(8, 30)), ["access-open 1 fan cowl"]);
}

#[test]
fn an_engine_listed_later_changes_no_answer_as_known_before() {
    let mut w = World::washing();
    let unlisted = Some(v1::EngineAt { position: 1, serial: "OT-9".into() });
    let line = |line: &str| (unlisted.clone(), line.to_owned());
    let (engine, name) = line("PS-1");
    w.act("tech", at(8, 10), Kind::LineDisconnected(v1::LineDisconnected { engine, line: name, tag: String::new() }));
    let (engine, line) = line("PS-1");
    w.act("tech", at(8, 20), Kind::LineReconnected(v1::LineReconnected { engine, line, ..reconnection(1, "PS-1") }));
    let size = w.history.size();
    let before = w.state_at(at(9, 0));
    assert!(before.findings.iter().any(|f| f.rule.name() == "beyond-authority"), "its type is not known");
    w.list_aircraft("aircraft two", &["OT-9"]);
    assert_eq!(w.history.state(&aircraft(), size, at(9, 0)), before);
    assert!(!w.rules_broken(at(9, 0)).contains(&"beyond-authority"), "as known now it is of the technician's type");
}

/// The engine at a position replaced by one of another type.
fn exchange(w: &mut World, when_ms: u64, position: u32) {
    let serial = format!("RV-{position}");
    let installed = v1::InstalledEngine {
        engine: Some(v1::EngineAt { position, serial: serial.clone() }),
        engine_type: "Tellmark R5".into(),
    };
    let changed =
        v1::EngineChanged { aircraft: aircraft().to_vec(), removed: engine(position), installed: Some(installed) };
    let engines = [format!("OT-{position}"), serial].map(crate::fact::Subject::Engine);
    let subjects = [crate::fact::Subject::Aircraft(aircraft())].into_iter().chain(engines).collect();
    w.custody_at(when_ms, vec![], subjects, Kind::EngineChanged(changed));
}

#[test]
fn a_fact_that_names_no_engine_asks_the_authority_for_a_type_that_hung_on_the_aircraft_then() {
    for (hour, broken) in [(11, false), (13, true)] {
        let mut w = World::washing();
        (1..=2).for_each(|position| exchange(&mut w, at(12, 0), position));
        let settled = v1::DeviceSettled { device: id("tech device").to_vec(), reason: "lost".into() };
        w.act("certifier", at(hour, 0), Kind::DeviceSettled(settled));
        assert_eq!(w.rules_broken(at(14, 0)).contains(&"beyond-authority"), broken, "at {hour}");
    }
}

#[test]
fn while_it_is_not_known_what_hung_then_any_type_ever_listed_there_does() {
    let mut w = World::new();
    (1..=2).for_each(|position| exchange(&mut w, at(12, 0), position));
    let settled = v1::DeviceSettled { device: id("tech device").to_vec(), reason: "lost".into() };
    // An hour before the aircraft was first listed.
    w.act("certifier", at(0, 0), Kind::DeviceSettled(settled));
    assert!(!w.rules_broken(at(14, 0)).contains(&"beyond-authority"), "{:?}", w.rules_broken(at(14, 0)));
}

/// A fact of the roster signed by anybody, as a station that is not up to date would record it.
fn roster_fact(w: &mut World, who: &str, refers: &[crate::bytes::Hash], kind: Kind) -> crate::bytes::Hash {
    let fact = w.sign(who, at(2, 0), vec![Subject::Roster], refers.to_vec(), kind, None);
    w.put(fact, at(2, 0))
}

fn granted(to: &str) -> Kind {
    let authority = Authority::Perform as i32;
    Kind::AuthorityGranted(v1::AuthorityGranted { person: id(to).to_vec(), authority, ..Default::default() })
}

fn holds(roster: &crate::rules::Roster, size: u64, who: &str) -> bool {
    roster.grants().iter().any(|g| g.person == id(who) && g.authority == Authority::Perform && g.index < size)
}

#[test]
fn a_custodian_s_fact_that_came_before_their_key_takes_effect_when_the_key_is_enrolled() {
    for custodian in [true, false] {
        let mut w = World::new();
        roster_fact(&mut w, "deputy", &[], granted("stranger"));
        roster_fact(&mut w, "deputy", &[], Kind::KeyEnrolled(enrolment("newcomer", "newcomer")));
        w.act("newcomer", at(8, 10), access(1, true));
        assert!(!holds(w.history.roster(), w.history.size(), "stranger"), "nobody knows the deputy yet");
        let before = w.history.size();
        w.enrol_on_card("deputy", if custodian { Authority::Custody } else { Authority::Plan });
        let size = w.history.size();
        assert_eq!(holds(w.history.roster(), size, "stranger"), custodian);
        assert!(!holds(w.history.roster_at(size - 1), size - 1, "stranger"), "not before the card's last fact");
        assert!(!holds(w.history.roster_at(before), before, "stranger"));
        let unread = w.metal(at(9, 0)).iter().any(|name| name.starts_with("unread-fact"));
        assert_eq!(unread, !custodian, "the key that the deputy enrolled tells what its owner signed");
    }
}

#[test]
fn a_fact_in_a_custodian_s_name_that_they_did_not_sign_has_no_effect_once_their_key_is_known() {
    let mut w = World::new();
    let forge = |w: &mut World, who: &str, kind: Kind| {
        let fact = w.sign(who, at(2, 0), vec![Subject::Roster], vec![], kind, None);
        w.put(spoilt(&fact), at(2, 0));
    };
    forge(&mut w, "deputy", granted("stranger"));
    forge(&mut w, "second", granted("stranger"));
    // The deputy's own facts, which waited too, are what enrols the second.
    roster_fact(&mut w, "deputy", &[], Kind::KeyEnrolled(enrolment("second", "second")));
    let custody = v1::AuthorityGranted { person: id("second").to_vec(), authority: 7, ..Default::default() };
    assert_eq!(custody.authority, Authority::Custody as i32);
    roster_fact(&mut w, "deputy", &[], Kind::AuthorityGranted(custody));
    w.enrol_on_card("deputy", Authority::Custody);
    let roster = w.history.roster();
    assert!(roster.grants().iter().any(|g| g.person == id("second")), "the deputy's good facts count");
    assert!(!holds(roster, w.history.size(), "stranger"));
}

#[test]
fn a_revocation_that_came_before_its_signer_s_key_reaches_back_once_the_key_is_known() {
    let mut w = World::washing();
    let index = closed_by_mate(&mut w);
    let revoked =
        v1::KeyRevoked { key_id: key_id_of("mate").to_vec(), untrusted_from_index: Some(index), reason: "lost".into() };
    roster_fact(&mut w, "deputy", &[], Kind::KeyRevoked(revoked));
    let before = w.history.size();
    assert!(!w.metal(at(9, 0)).contains(&"access-open 1 fan cowl".to_owned()));
    w.enrol_on_card("deputy", Authority::Custody);
    assert!(w.metal(at(9, 0)).contains(&"access-open 1 fan cowl".to_owned()));
    assert!(!names(&w.history.state(&aircraft(), before, at(9, 0))).contains(&"access-open 1 fan cowl".to_owned()));
}

fn countersign(w: &mut World, who: &str, act: crate::bytes::Hash) {
    let purpose = v1::CountersignPurpose::CustodyRecovery as i32;
    roster_fact(w, who, &[act], Kind::Countersigned(v1::Countersigned { purpose, remark: String::new() }));
}

#[test]
fn custody_passes_to_a_new_custodian_once_as_many_recovery_keys_signed_as_the_founding_fact_asks() {
    let mut w = World::new();
    let kind = Kind::CustodyReestablished(v1::CustodyReestablished {
        custodian: Some(v1::PersonEnrolled { person: id("keeper").to_vec(), ..Default::default() }),
        custodian_key: Some(enrolment("keeper", "keeper")),
        custodian_device: Some(v1::DeviceEnrolled {
            device: id("keeper device").to_vec(),
            tls_key_digest: vec![2; 32],
            ..Default::default()
        }),
        recovery_keys: vec![],
        recovery_threshold: 0,
        reason: "the custodian's key is lost".into(),
    });
    let act = roster_fact(&mut w, "keeper", &[], kind);
    let grants = |w: &mut World, who: &str, to: &str| {
        roster_fact(w, who, &[], granted(to));
        holds(w.history.roster(), w.history.size(), to)
    };
    countersign(&mut w, "recovery one", act);
    countersign(&mut w, "recovery one", act);
    countersign(&mut w, "custodian", act);
    assert!(!grants(&mut w, "keeper", "planner"), "one recovery key is not enough, twice or with others");
    assert!(grants(&mut w, "custodian", "waiver"), "until then custody is where it was");
    let before = w.history.size();
    countersign(&mut w, "recovery three", act);
    assert!(holds(w.history.roster(), w.history.size(), "planner"), "what the keeper signed meanwhile takes effect");
    assert!(grants(&mut w, "keeper", "stranger"));
    assert!(!grants(&mut w, "custodian", "runner"), "who had custody has it no longer");
    assert!(!holds(w.history.roster_at(before), before, "planner"));
}

#[test]
fn whose_act_a_signer_nobody_knows_did_is_not_known_to_be_another_s() {
    let mut w = World::washing();
    w.washed_and_dried(1);
    let kind = reconnected(1, "PS-1");
    let fact = w.sign("newcomer", at(9, 50), World::subjects(&kind), vec![], kind, None);
    let touched = w.put(fact, at(9, 50));
    w.naming("inspector", at(9, 55), &[touched], inspected(1, "PS-1"));
    assert!(w.metal(at(10, 0)).contains(&"inspection-due 1 PS-1".to_owned()), "it may be the inspector's own work");
}

#[test]
fn a_finding_on_what_the_service_signed_can_be_settled_for_it_is_nobody_s_own() {
    let mut w = World::washing();
    let kind = Kind::DeviceReported(v1::DeviceReported { report: vec![] });
    let fact = w.sign("service", at(8, 30), World::subjects(&access(1, true)), vec![], kind, None);
    let early = w.put(fact, at(8, 10));
    w.naming("certifier", at(8, 40), &[early], Kind::FindingSettled(settlement("time-disorder")));
    assert!(w.state_at(at(9, 0)).findings.iter().any(|f| f.rule.name() == "time-disorder" && f.settled.is_some()));
}

#[test]
fn a_remark_asks_for_any_authority_and_for_no_certain_one() {
    for (who, broken) in [("runner", false), ("planner", false), ("stranger", true)] {
        let mut w = World::washing();
        w.act(who, at(8, 10), Kind::Remark(v1::Remark { text: None }));
        assert_eq!(w.rules_broken(at(9, 0)).contains(&"beyond-authority"), broken, "{who}");
    }
}

#[test]
fn a_time_after_receipt_is_major_only_where_the_fact_can_change_an_item() {
    let dry = |change: fn(&mut v1::CycleRun)| {
        let Kind::CycleRun(mut body) = cycle(1, at(8, 5)) else { unreachable!("a cycle is a cycle") };
        change(&mut body);
        Kind::CycleRun(body)
    };
    let cases = [
        ("tech", dry(|_| ()), true),
        ("tech", dry(|b| (b.injection_started_ms, b.injection_ended_ms) = (None, None)), false),
        ("tech", dry_crank(1, at(8, 5)), true),
        ("stranger", dry_crank(1, at(8, 5)), false),
        ("stranger", access(1, true), true),
        ("runner", run_up(1, at(8, 5)), true),
        ("tech", Kind::WaterReady(v1::WaterReady::default()), false),
    ];
    for (who, kind, major) in cases {
        let mut w = World::washing();
        let told = format!("{who}: {kind:?}");
        let fact = w.sign(who, at(8, 20), World::subjects(&kind), vec![], kind, None);
        w.put(fact, at(8, 10));
        let state = w.state_at(at(9, 0));
        let found = state.findings.iter().find(|f| f.rule.name() == "time-disorder").expect("ten minutes too late");
        assert_eq!(found.severity == Severity::Major, major, "{told}");
    }
}

#[test]
fn a_finding_about_engines_without_an_aircraft_shows_wherever_each_of_them_is() {
    let mut w = World::new();
    w.list_aircraft("aircraft two", &["OT-3", "OT-4"]);
    let serials = [(1, "OT-1"), (1, "OT-3")];
    let engines = serials.map(|(position, serial)| v1::EngineAt { position, serial: serial.into() });
    let kind = Kind::StartPlanned(v1::StartPlanned { engines: engines.to_vec(), ..Default::default() });
    let subjects = serials.map(|(_, serial)| Subject::Engine(serial.into())).to_vec();
    let fact = w.sign("stranger", at(8, 10), subjects, vec![], kind, None);
    w.put(fact, at(8, 10));
    for name in ["aircraft one", "aircraft two"] {
        let state = w.history.state(&id(name), w.history.size(), at(9, 0));
        assert!(state.findings.iter().any(|f| f.rule.name() == "beyond-authority"), "{name}");
    }
}
