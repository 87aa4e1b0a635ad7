use crate::fact::Kind;
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
