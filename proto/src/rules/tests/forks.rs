use crate::fact::{Kind, Subject};
use crate::rules::testing::*;

fn forked(w: &World, time_ms: u64) -> usize {
    w.rules_broken(time_ms).iter().filter(|rule| **rule == "device-forked").count()
}

#[test]
fn what_the_second_fact_of_a_fork_opens_is_open() {
    let mut w = World::washing();
    w.act("tech", at(8, 10), access(1, true));
    w.act("tech", at(8, 20), access(1, false));
    w.fork("tech", at(8, 20), disconnected(2, "PS-1"));
    let open = w.metal(at(9, 0));
    assert!(open.contains(&"line-disconnected 2 PS-1".to_owned()), "{open:?}");
    assert!(open.contains(&"access-open 1 fan cowl".to_owned()), "the first of the two closes nothing: {open:?}");
    assert_eq!(forked(&w, at(9, 0)), 1);
}

#[test]
fn the_second_fact_of_a_fork_closes_nothing() {
    let mut w = World::washing();
    w.act("tech", at(8, 10), access(1, true));
    w.act("mate", at(8, 20), access(2, true));
    w.fork("mate", at(8, 20), access(1, false));
    assert!(w.metal(at(9, 0)).contains(&"access-open 1 fan cowl".to_owned()));
    assert!(w.metal(at(9, 0)).contains(&"access-open 2 fan cowl".to_owned()));
}

#[test]
fn a_later_closing_closes_what_a_fork_opened_and_the_finding_is_settled_apart() {
    let mut w = World::washing();
    let first = w.act("tech", at(8, 10), access(1, true));
    let (seen, _) = w.fork("tech", at(8, 10), access(2, true));
    w.act("tech", at(8, 20), access(1, false));
    w.act("tech", at(8, 21), access(2, false));
    let open = w.metal(at(9, 0));
    assert_eq!(open.len(), 1, "{open:?}");
    assert!(open[0].starts_with("finding-open 1 device-forked"), "{open:?}");
    w.naming("certifier", at(8, 30), &[seen, first], Kind::FindingSettled(settlement("device-forked")));
    assert!(w.metal(at(9, 0)).is_empty(), "{:?}", w.metal(at(9, 0)));
}

#[test]
fn a_fork_shows_on_the_aircraft_of_its_second_fact_too() {
    let mut w = World::new();
    w.list_aircraft("aircraft two", &["OT-8", "OT-9"]);
    w.open_wash("tech", at(8, 0));
    w.act("tech", at(8, 10), access(1, true));
    let kind = access(1, true);
    let Kind::AccessOpened(mut opened) = kind else { unreachable!() };
    opened.engine = Some(crate::v1::EngineAt { position: 1, serial: "OT-8".into() });
    let other =
        vec![Subject::Aircraft(id("aircraft two")), Subject::Engine("OT-8".into()), Subject::Wash(id("wash two"))];
    let (seen, _) = w.fork_about("tech", at(8, 10), other, Kind::AccessOpened(opened));
    let two = w.history.state(&id("aircraft two"), w.history.size(), at(9, 0));
    assert!(names(&two).contains(&"access-open 1 fan cowl".to_owned()), "{:?}", names(&two));
    assert!(two.findings.iter().any(|f| f.rule.name() == "device-forked"));
    assert_eq!(forked(&w, at(9, 0)), 1);
    let touched = w.history.aircraft_touched(w.history.by_hash(&seen).unwrap());
    assert!(touched.contains(&aircraft()) && touched.contains(&id("aircraft two")));
}

#[test]
fn before_the_fork_was_seen_the_first_fact_stood() {
    let mut w = World::washing();
    w.act("tech", at(8, 10), access(1, true));
    w.act("tech", at(8, 20), access(1, false));
    let before = w.history.size();
    w.fork("tech", at(8, 20), access(2, true));
    let then = w.history.state(&aircraft(), before, at(9, 0));
    assert!(!names(&then).contains(&"access-open 1 fan cowl".to_owned()));
    assert!(w.metal(at(9, 0)).contains(&"access-open 1 fan cowl".to_owned()));
}

#[test]
fn nobody_but_the_service_sees_a_fork() {
    let mut w = World::washing();
    w.act("tech", at(8, 10), access(1, true));
    w.act("tech", at(8, 20), access(1, false));
    let (seen, _) = w.clone_fork("tech", at(8, 20), disconnected(2, "PS-1"));
    let forged = w.recorded[w.history.by_hash(&seen).unwrap() as usize].fact.kind().cloned().unwrap();
    assert!(!w.metal(at(9, 0)).iter().any(|n| n.starts_with("line")), "{forged:?} {:?}", w.metal(at(9, 0)));
    assert_eq!(forked(&w, at(9, 0)), 0);
}

impl World {
    /// As [`World::fork`], but a person says that it was seen.
    fn clone_fork(&mut self, who: &str, when_ms: u64, kind: Kind) -> (crate::bytes::Hash, crate::bytes::Hash) {
        let mut beside = World::washing();
        beside.act("tech", at(8, 10), access(1, true));
        beside.act("tech", at(8, 20), access(1, false));
        let (seen, second) = beside.fork(who, when_ms, kind);
        let index = beside.history.by_hash(&seen).unwrap() as usize;
        let said = beside.recorded[index].fact.kind().cloned().unwrap();
        let device = Subject::Device(id(&format!("{who} device")));
        let fact = self.sign("stranger", when_ms, vec![device], vec![], said, None);
        (self.put(fact, when_ms), second)
    }
}
