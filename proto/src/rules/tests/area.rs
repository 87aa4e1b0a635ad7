use crate::fact::Kind;
use crate::rules::testing::*;
use crate::rules::{Rule, Severity};
use crate::v1;

const SECOND: u64 = 1000;

/// The area cleared at 08:30, then what is told, then engine 1 motored from 08:50 to 08:52.
fn motored(between: impl Fn(&mut World)) -> World {
    let mut w = World::washing();
    w.area_left = true;
    w.act("tech", at(8, 30), area_cleared(1));
    between(&mut w);
    w.act("tech", at(8, 52), dry_crank(1, at(8, 50)));
    w
}

fn is_clear(w: &World) -> bool {
    w.broken(Rule::AreaNotCleared, at(10, 0)).is_empty()
}

#[test]
fn motoring_without_a_clearance_for_that_engine_is_a_major_finding() {
    let mut w = World::washing();
    w.area_left = true;
    w.act("tech", at(8, 30), area_cleared(2));
    w.act("tech", at(8, 52), dry_crank(1, at(8, 50)));
    assert_eq!(w.broken(Rule::AreaNotCleared, at(10, 0))[0].severity, Severity::Major);
    assert!(is_clear(&motored(|_| ())));
}

#[test]
fn a_clearance_by_somebody_without_authority_clears_nothing() {
    let mut w = World::washing();
    w.area_left = true;
    w.act("stranger", at(8, 30), area_cleared(1));
    w.act("tech", at(8, 52), dry_crank(1, at(8, 50)));
    assert!(!is_clear(&w));
}

#[test]
fn a_clearance_stands_from_motoring_start_to_motoring_end() {
    for (cleared_ms, clear) in [(at(8, 50), true), (at(8, 50) + SECOND, false)] {
        let mut w = World::washing();
        w.area_left = true;
        w.act("tech", cleared_ms, area_cleared(1));
        w.act("tech", at(8, 53), dry_crank(1, at(8, 50)));
        assert_eq!(is_clear(&w), clear);
    }
}

#[test]
fn a_clearance_is_over_after_an_hour() {
    for (cleared_ms, clear) in [(at(7, 52), true), (at(7, 52) - SECOND, false)] {
        let mut w = World::new();
        w.area_left = true;
        w.open_wash("tech", at(7, 0));
        w.act("tech", cleared_ms, area_cleared(1));
        w.act("tech", at(8, 53), dry_crank(1, at(8, 50)));
        assert_eq!(is_clear(&w), clear);
    }
}

#[test]
fn release_interruption_handover_and_work_on_that_engine_end_a_clearance_whoever_says_so() {
    let ends = [
        Kind::AreaReleased(v1::AreaReleased { engine: engine(1) }),
        Kind::WashInterrupted(v1::WashInterrupted::default()),
        Kind::HandedOver(v1::HandedOver::default()),
        disconnected(1, "PS-1"),
        reconnected(1, "PS-1"),
        inspected(1, "PS-1"),
        access(1, true),
        access(1, false),
        fixture(1, "7", true),
        fixture(1, "7", false),
    ];
    for end in ends {
        assert!(
            !is_clear(&motored(|w| {
                w.act("stranger", at(8, 40), end.clone());
            })),
            "{end:?}"
        );
    }
    assert!(
        is_clear(&motored(|w| {
            w.act("tech", at(8, 40), access(2, true));
        })),
        "work on the other engine"
    );
}

#[test]
fn what_ends_a_clearance_while_the_engine_turns_breaks_it_and_at_its_end_does_not() {
    for (end_ms, clear) in [(at(8, 51), false), (at(8, 52) - SECOND, false), (at(8, 52), true)] {
        let released = || Kind::AreaReleased(v1::AreaReleased { engine: engine(1) });
        assert_eq!(
            is_clear(&motored(|w| {
                w.act("tech", end_ms, released());
            })),
            clear
        );
    }
}

#[test]
fn cleared_again_it_is_clear() {
    let again = motored(|w| {
        w.act("tech", at(8, 40), fixture(1, "7", false));
        w.act("tech", at(8, 45), area_cleared(1));
    });
    assert!(is_clear(&again));
}
