//! What must hold for every record: the order of arrival changes nothing, and nobody without authority closes anything.
//! Each failure prints its seed.

use std::collections::BTreeSet;

use crate::fact::{Kind, Signed};
use crate::rules::testing::*;
use crate::rules::{Blocks, State};
use crate::v1::{self, Authority, CheckResult};

/// A generator that the printed seed repeats: splitmix64 (Steele, Lea, Flood, 2014; constants from memory).
pub(super) struct Dice(pub(super) u64);

impl Dice {
    pub(super) fn below(&mut self, n: u64) -> u64 {
        self.0 = self.0.wrapping_add(0x9E37_79B9_7F4A_7C15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
        (z ^ (z >> 31)) % n
    }
}

pub(super) fn seeds() -> impl Iterator<Item = u64> {
    let chosen = std::env::var("RINSEBOOK_SEED").ok().and_then(|s| s.parse().ok());
    let first: u64 =
        chosen.unwrap_or_else(|| u64::from_le_bytes(crate::bytes::Id::random().0[..8].try_into().unwrap()));
    (0..if chosen.is_some() { 1 } else { 40 }).map(move |n| first.wrapping_add(n))
}

/// One random step at a minute of the day; joints that were made can be named.
fn step(dice: &mut Dice, minute: u64, joints: &[crate::bytes::Hash]) -> (Kind, Vec<crate::bytes::Hash>) {
    let position = 1 + dice.below(2) as u32;
    let line = ["PS-1", "MV-2", "XX-9"][dice.below(3) as usize];
    let when = at(8, minute);
    let kind = match dice.below(14) {
        0 | 1 => disconnected(position, line),
        2..=4 => reconnected(position, line),
        5 => access(position, true),
        6 => access(position, false),
        7 => fixture(position, "7", true),
        8 => fixture(position, "7", false),
        9 => cycle(position, when - 130_000),
        10 => dry_crank(position, when - 130_000),
        11 => run_up(position, when - 400_000),
        12 => started(position, 300),
        _ if joints.is_empty() => disconnected(position, line),
        _ => {
            let result = if dice.below(4) == 0 { CheckResult::NotSatisfactory } else { CheckResult::Satisfactory };
            let named = joints[dice.below(joints.len() as u64) as usize];
            return (inspection(position, line, result), vec![named]);
        }
    };
    (kind, vec![])
}

fn signer_of(kind: &Kind) -> &'static str {
    match kind {
        Kind::Inspected(_) => "inspector",
        Kind::RunUpDone(_) => "runner",
        Kind::EngineStarted(_) => "planner",
        _ => "tech",
    }
}

/// A world with a random wash, and its facts after the roster.
fn random_wash(dice: &mut Dice, steps: u64) -> World {
    let mut w = World::washing();
    w.seen_size = Some(w.start);
    let mut joints = vec![];
    for n in 0..steps {
        let (kind, refers) = step(dice, 10 + n, &joints);
        let joint = matches!(kind, Kind::LineReconnected(_));
        let who = signer_of(&kind);
        let hash = w.naming(who, at(8, 10 + n), &refers, kind);
        if joint {
            joints.push(hash);
        }
    }
    w
}

/// Everything of a state but the places in the log.
pub(super) fn without_places(state: &State) -> (BTreeSet<String>, BTreeSet<String>, Vec<String>) {
    let items = state.items.iter().map(|i| format!("{:?} {:?} {:?} {}", i.key(), i.blocks, i.due_ms, i.opened_by.hash));
    let findings = state.findings.iter().map(|f| {
        let facts: Vec<String> = f.rests_on.iter().map(|r| r.hash.to_string()).collect();
        format!("{} {:?} {}", f.rule.name(), f.severity, facts.join(" "))
    });
    (items.collect(), findings.collect(), state.conditions.clone())
}

#[test]
fn facts_that_arrive_late_and_in_any_order_give_the_same_answers() {
    for seed in seeds() {
        let mut dice = Dice(seed);
        let w = random_wash(&mut dice, 25);
        let on_time = without_places(&w.state_at(at(12, 0)));
        let mut late = World::new();
        let mut facts: Vec<Signed> = w.recorded[w.start as usize..].iter().map(|r| (*r.fact).clone()).collect();
        while !facts.is_empty() {
            let next = facts.swap_remove(dice.below(facts.len() as u64) as usize);
            late.put(next, at(11, 0));
        }
        assert_eq!(without_places(&late.state_at(at(12, 0))), on_time, "RINSEBOOK_SEED={seed}");
    }
}

/// What stands open on each thing: a line that was to be inspected and is now open again still blocks.
fn blocked_things(state: &State) -> BTreeSet<String> {
    let blocking = state.items.iter().filter(|i| i.blocks == Blocks::Yes);
    blocking
        .map(|i| {
            let name = i.kind.name();
            let group = match name {
                "line-disconnected" | "line-unsecured" | "inspection-due" | "rework-due" => "line",
                "run-up-due" | "start-awaited" | "run-up-overdue" => "run",
                other => other,
            };
            format!("{group} {:?} {:?} {}", i.engine, i.wash, i.subject)
        })
        .collect()
}

#[test]
fn no_fact_by_somebody_without_authority_removes_what_blocks() {
    for seed in seeds() {
        let mut dice = Dice(seed);
        let mut w = random_wash(&mut dice, 15);
        let joints: Vec<crate::bytes::Hash> = w
            .recorded
            .iter()
            .filter(|r| matches!(r.fact.kind(), Some(Kind::LineReconnected(_))))
            .map(|r| r.fact.hash())
            .collect();
        for n in 0..12 {
            let before = blocked_things(&w.state_at(at(12, 0)));
            let (kind, refers) = stranger_s_step(&mut dice, 30 + n, &joints);
            let told = format!("{kind:?}");
            w.naming("stranger", at(8, 30 + n), &refers, kind);
            let after = blocked_things(&w.state_at(at(12, 0)));
            let gone: Vec<&String> = before.difference(&after).collect();
            assert!(gone.is_empty(), "RINSEBOOK_SEED={seed}: {told} removed {gone:?}");
        }
    }
}

fn stranger_s_step(dice: &mut Dice, minute: u64, joints: &[crate::bytes::Hash]) -> (Kind, Vec<crate::bytes::Hash>) {
    match dice.below(6) {
        0 => (Kind::SignedOff(signed_off()), vec![]),
        1 => {
            let dried = v1::DriedOtherwise { engine: engine(1), data_reference: "invented data 2".into() };
            (Kind::DriedOtherwise(dried), vec![])
        }
        2 => {
            let waived = v1::RunUpWaived { engine: engine(1), planned_start_ms: Some(at(10, 0)), ..Default::default() };
            (Kind::RunUpWaived(waived), vec![])
        }
        _ => step(dice, minute, joints),
    }
}

#[test]
fn with_authority_the_same_facts_do_close_things() {
    // The counterpart that shows the property above can fail.
    let mut w = World::washing();
    w.act("tech", at(8, 10), access(1, true));
    let before = blocked_things(&w.state_at(at(12, 0)));
    w.grant("stranger", Authority::Perform, |_| ());
    w.act("stranger", at(8, 20), access(1, false));
    assert!(!before.is_subset(&blocked_things(&w.state_at(at(12, 0)))));
}
