use crate::bytes::Hash;
use crate::fact::Kind;
use crate::rules::testing::*;
use crate::rules::{Blocks, ItemKind, Question};
use crate::v1::{self, DefectOutcome};

fn raised(w: &mut World, engine: Option<v1::EngineAt>) -> Hash {
    w.act("stranger", at(8, 10), Kind::DefectRaised(v1::DefectRaised { engine, line: String::new(), text: None }))
}

fn settled(outcome: DefectOutcome, limit_ms: Option<u64>) -> v1::DefectSettled {
    let (reference, agreed_by) = ("DEF-3".into(), "duty engineer".into());
    v1::DefectSettled { outcome: outcome as i32, reference, limit_ms, agreed_by }
}

fn blocks(w: &World, time_ms: u64) -> Option<Blocks> {
    w.state_at(time_ms).items.iter().find(|i| i.kind == ItemKind::DefectOpen).map(|i| i.blocks)
}

#[test]
fn a_defect_blocks_whoever_raised_it_until_certifying_staff_settle_it_naming_it() {
    let mut w = World::washing();
    let defect = raised(&mut w, engine(1));
    assert_eq!(blocks(&w, at(8, 10)), Some(Blocks::Yes));
    let rectified = Kind::DefectSettled(settled(DefectOutcome::Rectified, None));
    w.act("certifier", at(8, 20), rectified.clone());
    w.naming("tech", at(8, 21), &[defect], rectified.clone());
    assert_eq!(blocks(&w, at(8, 25)), Some(Blocks::Yes));
    w.naming("certifier", at(8, 30), &[defect], rectified);
    assert_eq!(blocks(&w, at(9, 0)), None);
}

#[test]
fn a_deferred_defect_stays_open_and_blocks_from_its_limit_on() {
    let mut w = World::washing();
    let defect = raised(&mut w, engine(1));
    let deferred = settled(DefectOutcome::Deferred, Some(at(12, 0)));
    w.naming("certifier", at(8, 30), &[defect], Kind::DefectSettled(deferred));
    assert_eq!(blocks(&w, at(12, 0) - 1000), Some(Blocks::No));
    assert_eq!(blocks(&w, at(12, 0)), Some(Blocks::Yes));
    let answer = w.history.assess(&w.question(at(9, 0)));
    assert_eq!(answer.items.iter().find(|i| i.kind == ItemKind::DefectOpen).unwrap().due_ms, Some(at(12, 0)));
    assert_eq!(answer.horizon_ms, Some(at(12, 0)));
}

#[test]
fn a_deferral_that_ends_before_the_planned_start_blocks_now() {
    let mut w = World::washing();
    let defect = raised(&mut w, engine(1));
    let deferred = settled(DefectOutcome::Deferred, Some(at(12, 0)));
    w.naming("certifier", at(8, 30), &[defect], Kind::DefectSettled(deferred));
    let asked = |w: &World, start_ms: u64| {
        let question = Question { planned_start_ms: Some(start_ms), ..w.question(at(9, 0)) };
        let answer = w.history.assess(&question);
        answer.items.iter().find(|i| i.kind == ItemKind::DefectOpen).map(|i| i.blocks)
    };
    assert_eq!(asked(&w, at(12, 0) - 1000), Some(Blocks::No));
    assert_eq!(asked(&w, at(12, 0)), Some(Blocks::Yes));
    w.plan(1, at(8, 40), at(12, 30));
    assert_eq!(blocks(&w, at(9, 0)), Some(Blocks::Yes), "the recorded plan");
    assert_eq!(asked(&w, at(11, 0)), Some(Blocks::No), "the question's start outranks it");
}

#[test]
fn a_deferral_without_limit_reference_or_who_agreed_is_none() {
    let changes: [fn(&mut v1::DefectSettled); 3] =
        [|b| b.limit_ms = None, |b| b.reference.clear(), |b| b.agreed_by.clear()];
    for change in changes {
        let mut w = World::washing();
        let defect = raised(&mut w, engine(1));
        let mut body = settled(DefectOutcome::Deferred, Some(at(12, 0)));
        change(&mut body);
        w.naming("certifier", at(8, 30), &[defect], Kind::DefectSettled(body));
        assert_eq!(blocks(&w, at(9, 0)), Some(Blocks::Yes));
    }
}

#[test]
fn a_defect_goes_with_its_engine_and_one_of_no_engine_with_the_aircraft() {
    for (engine_named, shown) in [(engine(1), (0, 1)), (None, (1, 0))] {
        let mut w = World::washing();
        raised(&mut w, engine_named);
        change_engine(&mut w, at(12, 0));
        let count = |name: &str| {
            let state = w.history.state(&id(name), w.history.size(), at(12, 0));
            state.items.iter().filter(|i| i.kind == ItemKind::DefectOpen).count()
        };
        assert_eq!((count("aircraft one"), count("aircraft two")), shown);
    }
}
