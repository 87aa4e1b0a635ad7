//! What must hold for every record: the order of arrival changes nothing, and nobody without authority closes anything.
//! Each failure prints its seed.

use std::collections::BTreeSet;

use proptest::prelude::*;

use super::story::{Step, Story, Told, What, forged_fork, stories};
use crate::bytes::Hash;
use crate::fact::{Kind, Signed, engines_named};
use crate::rules::testing::*;
use crate::rules::{Blocks, Question, Severity, State, answer};
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
    // The plain run judges the change and not the dice; the nightly one tells other stories each time.
    let nightly = std::env::var_os("RINSEBOOK_NIGHTLY").is_some();
    let other = || u64::from_le_bytes(crate::bytes::Id::random().0[..8].try_into().unwrap());
    let first: u64 = chosen.unwrap_or_else(|| if nightly { other() } else { 2031 });
    (0..if chosen.is_some() { 1 } else { 40 }).map(move |n| first.wrapping_add(n))
}

/// One random step at a minute of the day; joints that were made can be named.
fn step(dice: &mut Dice, minute: u64, joints: &[crate::bytes::Hash]) -> (Kind, Vec<crate::bytes::Hash>) {
    let position = 1 + dice.below(2) as u32;
    let line = ["PS-1", "MV-2", "XX-9"][dice.below(3) as usize];
    let when = at(8, minute);
    let kind = match dice.below(22) {
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
        13 => outside(if dice.below(2) == 0 { 20 } else { 120 }),
        14 => water_ready(550 + dice.below(250) as i32, 300_000),
        15 => metal_at(position, 20 + dice.below(700) as i32),
        16 => Kind::AreaReleased(v1::AreaReleased { engine: engine(position) }),
        17 => Kind::HandedOver(v1::HandedOver::default()),
        18 => Kind::WashInterrupted(v1::WashInterrupted::default()),
        19 => Kind::WashResumed(v1::WashResumed::default()),
        20 => Kind::EngineDropped(v1::EngineDropped { engine: engine(position), reason: String::new() }),
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
    let mut w = World::washing().unfinished();
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
        let mut late = World::new().unfinished();
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
    let blocking = state.items.iter().filter(|i| matches!(i.blocks, Blocks::Yes | Blocks::SignOff));
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
            .filter(|r| {
                let named = |kind: &Kind| {
                    matches!(kind, Kind::LineReconnected(_) | Kind::HandedOver(_) | Kind::WashInterrupted(_))
                };
                r.fact.kind().is_some_and(named)
            })
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
    match dice.below(9) {
        6 => (area_cleared(1 + dice.below(2) as u32), vec![]),
        7 => (Kind::WashAbandoned(v1::WashAbandoned::default()), vec![]),
        8 => {
            let purpose = v1::CountersignPurpose::HandoverAccepted as i32;
            (Kind::Countersigned(v1::Countersigned { purpose, remark: String::new() }), joints.to_vec())
        }
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
    let mut w = World::washing().unfinished();
    w.act("tech", at(8, 10), access(1, true));
    let before = blocked_things(&w.state_at(at(12, 0)));
    w.grant("stranger", Authority::Perform, |_| ());
    w.act("stranger", at(8, 20), access(1, false));
    assert!(!before.is_subset(&blocked_things(&w.state_at(at(12, 0)))));
}

/// Instants that a story is looked at: in the middle of it, when it is over, when windows have ended.
fn looked_at(told: &Told) -> [u64; 5] {
    let now = told.now_ms;
    [at(8, 30), at(9, 0), now, now + 3_600_000, now + 14 * 3_600_000]
}

/// The fact that a version is of: what a correction's replacement is called changes with it.
fn original(w: &World, version: &Hash) -> Hash {
    let fact = w.recorded.iter().find(|r| r.fact.hash() == *version).map(|r| &r.fact);
    match fact.map(|f| (f.kind(), f.header().refers.as_slice())) {
        Some((Some(Kind::Corrected(_)), [of])) => original(w, of),
        _ => *version,
    }
}

/// Open items that block, by the thing that they are about, and unsettled major findings by their originals.
fn in_the_way(w: &World, time_ms: u64) -> BTreeSet<String> {
    let state = w.state_at(time_ms);
    let is_finding = |i: &&crate::rules::Item| i.kind.name() != "finding-open";
    let items = state.items.iter().filter(is_finding).cloned().collect();
    let mut all = blocked_things(&State { items, ..State::default() });
    let major = state.findings.iter().filter(|f| f.severity == Severity::Major && f.settled.is_none());
    all.extend(major.map(|f| {
        let on: Vec<Hash> = f.rests_on.iter().map(|on| original(w, &on.hash)).collect();
        format!("{} {on:?}", f.rule.name())
    }));
    all
}

/// Lines, accesses, fixtures, water: what only work closes.
fn physical(w: &World, time_ms: u64) -> BTreeSet<String> {
    let is_physical = |name: &String| {
        ["line ", "access-open", "fixture-fitted", "drying-due", "run "].iter().any(|kind| name.starts_with(kind))
    };
    blocked_things(&w.state_at(time_ms)).into_iter().filter(is_physical).collect()
}

/// Work that closes what other work opened; an engine change takes away where it shows.
fn closes_metal(kind: &Kind) -> bool {
    matches!(
        kind,
        Kind::LineReconnected(_)
            | Kind::AccessClosed(_)
            | Kind::FixtureRemoved(_)
            | Kind::IsolationRestored(_)
            | Kind::DryCrankRun(_)
            | Kind::RunUpDone(_)
            | Kind::EngineStarted(_)
            | Kind::DriedOtherwise(_)
            | Kind::EngineChanged(_)
    )
}

/// The item that an act opens, as it is listed.
fn opened_metal(kind: &Kind) -> Option<String> {
    let position = engines_named(kind).first()?.position;
    Some(match kind {
        Kind::LineDisconnected(b) => format!("line-disconnected {position} {}", b.line),
        Kind::AccessOpened(b) => format!("access-open {position} {}", b.access),
        Kind::FixtureFitted(b) => format!("fixture-fitted {position} {} (tag {})", b.fixture, b.tag),
        Kind::CycleRun(b) if b.injection_started_ms.is_some() => format!("drying-due {position}"),
        _ => return None,
    })
}

fn question(w: &World, time_ms: u64, planned_start_ms: Option<u64>) -> Question {
    Question { planned_start_ms, ..w.question(time_ms) }
}

fn without(story: &Story, leave_out: impl Fn(&What) -> bool) -> Story {
    // The gaps stay: what is left happens when it happened.
    let mut steps: Vec<Step> = Vec::new();
    let mut gap_s = 0;
    for step in &story.steps {
        gap_s += step.gap_s;
        if !leave_out(&step.what) {
            steps.push(Step { gap_s: std::mem::take(&mut gap_s), what: step.what.clone() });
        }
    }
    Story { steps, ..story.clone() }
}

/// A story takes some milliseconds to judge: few of them, unless more are asked for.
fn few_cases() -> ProptestConfig {
    let asked = std::env::var_os("PROPTEST_CASES").is_some();
    let usual = ProptestConfig::default();
    ProptestConfig { cases: if asked { usual.cases } else { 40 }, ..usual }
}

proptest! {
    #![proptest_config(few_cases())]

    #[test]
    fn runs_that_arrive_in_any_mixture_give_the_same_answers_corrections_and_revocations_included(
        story in stories(5..30), seed in any::<u64>()
    ) {
        // A sign-off covers what stands before it in the log: no order may put it before what its signer had seen.
        let told = without(&story, |what| matches!(what, What::SignOff)).told();
        let mut dice = Dice(seed);
        let mut runs = told.runs();
        let mut mixed = World::new().unfinished();
        while !runs.is_empty() {
            let run = dice.below(runs.len() as u64) as usize;
            if let Some(fact) = runs[run].pop_front() {
                mixed.put(fact, told.now_ms);
            } else {
                runs.swap_remove(run);
            }
        }
        for time_ms in looked_at(&told) {
            prop_assert_eq!(
                without_places(&mixed.state_at(time_ms)),
                without_places(&told.w.state_at(time_ms))
            );
        }
    }

    #[test]
    fn an_answer_changes_at_its_horizon_and_at_no_instant_before_it_and_horizons_end(
        story in stories(3..18), start_min in 0..60u64, planned_h in prop::option::of(9..24u64), part in 0.0..1.0f64
    ) {
        let told = story.told();
        let planned_ms = planned_h.map(|h| at(h, 0));
        let shown = |time_ms: u64| {
            let answer = told.w.history.assess(&question(&told.w, time_ms, planned_ms));
            let items: BTreeSet<String> = answer
                .items
                .iter()
                .filter(|i| i.kind.name() != "device-outstanding")
                .map(|i| format!("{:?} {:?} {:?} {}", i.key(), i.blocks, i.due_ms, i.opened_by.hash))
                .collect();
            let starts: Vec<u64> = answer.latest_starts.iter().map(|s| s.window_end_ms).collect();
            (answer.verdict, items, (answer.conditions.len(), starts), answer.horizon_ms)
        };
        let mut time_ms = at(8, start_min);
        let mut jumps = 0;
        loop {
            let now = shown(time_ms);
            let face = (now.0, &now.1, &now.2);
            let end_ms = now.3.unwrap_or(time_ms + 40 * 3_600_000);
            let between = time_ms + 1000 * ((end_ms - time_ms) as f64 / 1000.0 * part) as u64;
            for before in [between, end_ms - 1000] {
                let then = shown(before.max(time_ms));
                prop_assert_eq!((then.0, &then.1, &then.2), face, "at {}", before);
            }
            let Some(horizon_ms) = now.3 else { break };
            prop_assert!(horizon_ms > time_ms);
            let then = shown(horizon_ms);
            prop_assert!((then.0, &then.1, &then.2) != face, "nothing changes at {}", horizon_ms);
            time_ms = horizon_ms;
            jumps += 1;
            prop_assert!(jumps < 300, "horizons do not end");
        }
    }

    #[test]
    fn what_is_open_stays_as_it_is_until_the_instant_to_look_again_and_such_instants_end(
        story in stories(3..18), start_min in 0..60u64, part in 0.0..1.0f64, reported in any::<bool>()
    ) {
        let mut told = story.told();
        if reported {
            told.w.report("tech", told.now_ms, 0);
        }
        let shown = |time_ms: u64| {
            let state = told.w.state_at(time_ms);
            let items: Vec<_> = state.items.iter().map(answer::item).collect();
            let findings: Vec<_> = state.findings.iter().map(answer::finding).collect();
            let question = question(&told.w, time_ms, None);
            let (answered, again_ms) = told.w.history.assess_until(&question);
            assert_eq!(answered, told.w.history.assess(&question));
            assert_eq!(again_ms, told.w.history.look(&aircraft(), question.size, time_ms).again_ms);
            let assessment = v1::Assessment { as_of: None, ..answer::assessment(&answered) };
            (items, findings, assessment)
        };
        let mut time_ms = at(8, start_min);
        let mut looks = 0;
        loop {
            let look = told.w.history.look(&aircraft(), told.w.history.size(), time_ms);
            let end_ms = look.again_ms.unwrap_or(time_ms + 400 * 24 * 3_600_000);
            prop_assert!(end_ms > time_ms);
            let now = shown(time_ms);
            let between = time_ms + 1000 * ((end_ms - time_ms) as f64 / 1000.0 * part) as u64;
            for before in [between, end_ms - 1000] {
                prop_assert_eq!(&shown(before.max(time_ms)), &now, "at {}", before);
            }
            let Some(again_ms) = look.again_ms else { break };
            time_ms = again_ms;
            looks += 1;
            prop_assert!(looks < 400, "they do not end");
        }
    }

    #[test]
    fn nobody_without_authority_takes_away_what_blocks_by_any_work_correction_agreement_or_settlement(
        story in stories(3..18), strange in stories(4..10), forge in any::<prop::sample::Index>()
    ) {
        let mut told = Story { all_agreed: true, ..story }.told();
        let looked_at = looked_at(&told).map(|time_ms| time_ms + 3_600_000);
        let before = looked_at.map(|time_ms| in_the_way(&told.w, time_ms));
        for step in &strange.steps {
            told.tell(step, Some("stranger"));
            for (time_ms, before) in looked_at.iter().zip(&before) {
                let after = in_the_way(&told.w, *time_ms);
                // An opening counts whoever signed it: a closing that had none is no impossible step any more, and that
                // opening's own finding stands in its place.
                let impossible = |name: &&String| !name.starts_with("impossible-step");
                let gone: Vec<&String> = before.difference(&after).filter(impossible).collect();
                prop_assert!(gone.is_empty(), "{:?} took away {:?} at {}", step.what, gone, time_ms);
            }
        }
        let now = told.now_ms;
        let before = in_the_way(&told.w, now);
        let of = told.w.start as usize + forge.index(told.w.recorded.len() - told.w.start as usize);
        let (kind, subjects) = forged_fork(&told.w.recorded[of].fact.clone());
        let fact = told.w.sign("stranger", now, subjects, vec![], kind, None);
        told.w.put(fact, now);
        prop_assert!(before.is_subset(&in_the_way(&told.w, now)));
    }

    #[test]
    fn no_correction_that_nobody_agreed_to_takes_away_what_blocks(story in stories(5..25)) {
        let told = without(&story, |what| matches!(what, What::Agree { .. } | What::Settle { .. } | What::SignOff)).told();
        let plain = World::of_the_same(&told, |kind| !matches!(kind, Some(Kind::Corrected(_))));
        for time_ms in looked_at(&told) {
            let (before, after) = (in_the_way(&plain, time_ms), in_the_way(&told.w, time_ms));
            let gone: Vec<&String> = before.difference(&after).collect();
            prop_assert!(gone.is_empty(), "{:?} gone at {}", gone, time_ms);
        }
    }

    #[test]
    fn whatever_was_injected_disconnected_fitted_or_opened_shows_while_no_work_closed_it(story in stories(5..25)) {
        let told = story.told();
        let no_work = World::of_the_same(&told, |kind| {
            !kind.is_some_and(|kind| closes_metal(kind) || matches!(kind, Kind::Corrected(_)))
        });
        let shown: BTreeSet<String> = no_work.open(told.now_ms).into_iter().collect();
        for recorded in &no_work.recorded[no_work.start as usize..] {
            let Some(item) = recorded.fact.kind().and_then(opened_metal) else { continue };
            prop_assert!(shown.contains(&item), "{} is not among {:?}", item, shown);
        }
    }

    #[test]
    fn no_settlement_closes_a_physical_item(story in stories(5..25)) {
        let told = story.told();
        let unsettled = World::of_the_same(&told, |kind| !matches!(kind, Some(Kind::FindingSettled(_))));
        for time_ms in looked_at(&told) {
            let (before, after) = (physical(&unsettled, time_ms), physical(&told.w, time_ms));
            let gone: Vec<&String> = before.difference(&after).collect();
            prop_assert!(gone.is_empty(), "{:?} gone at {}", gone, time_ms);
        }
    }
}

impl World {
    /// The story's facts but those left out, at other indices.
    fn of_the_same(told: &Told, keep: impl Fn(Option<&Kind>) -> bool) -> World {
        let mut w = World::new().unfinished();
        for recorded in told.w.recorded[told.w.start as usize..].iter().filter(|r| keep(r.fact.kind())) {
            w.put((*recorded.fact).clone(), recorded.received_ms);
        }
        w
    }
}

#[test]
fn agreed_corrections_do_take_away_what_blocks() {
    // The counterpart that shows the properties above can fail.
    let mut w = World::washing().unfinished();
    let opened = w.act("tech", at(8, 10), access(1, true));
    let before = in_the_way(&w, at(9, 0));
    let struck = w.correct("tech", at(8, 20), opened, None);
    w.agree("inspector", at(8, 30), struck);
    assert!(!before.is_subset(&in_the_way(&w, at(9, 0))));
    assert!(!physical(&w, at(9, 0)).iter().any(|name| name.starts_with("access-open")));
}
