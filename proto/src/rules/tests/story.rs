//! Random washes for the properties: work, inspections, corrections and agreements, settlements, sign-offs, a revoked
//! key. A story is plain data, so that proptest shortens one that fails and writes its seed beside the sources.

use proptest::prelude::*;
use proptest::sample::Index;

use crate::bytes::Hash;
use crate::fact::{Kind, Subject};
use crate::rules::testing::*;
use crate::v1::{self, CheckResult};

/// What happens next, that many seconds after what happened before.
#[derive(Debug, Clone)]
pub(super) struct Step {
    pub(super) gap_s: u64,
    pub(super) what: What,
}

#[derive(Debug, Clone)]
pub(super) enum What {
    Work { which: u8, position: u32, line: u8, who: u8 },
    Inspect { joint: Index, good: bool },
    Correct { fact: Index, change: Change, by: u8 },
    Agree { correction: Index, who: u8 },
    Settle { finding: Index },
    SignOff,
}

#[derive(Debug, Clone)]
pub(super) enum Change {
    Strike,
    Earlier(u64),
    Body(u8),
}

/// A story and what its devices know of their clocks.
#[derive(Debug, Clone)]
pub(super) struct Story {
    pub(super) steps: Vec<Step>,
    pub(super) clock_measured: bool,
    /// The mate's key is revoked, from before the wash.
    pub(super) revoked: bool,
    /// Every correction is agreed to at once.
    pub(super) all_agreed: bool,
}

pub(super) fn stories(length: std::ops::Range<usize>) -> impl Strategy<Value = Story> {
    (prop::collection::vec(steps(), length), any::<bool>(), any::<bool>())
        .prop_map(|(steps, clock_measured, revoked)| Story { steps, clock_measured, revoked, all_agreed: false })
}

fn steps() -> impl Strategy<Value = Step> {
    let work = (0..12u8, 1..3u32, 0..3u8, 0..3u8).prop_map(|(which, position, line, who)| What::Work {
        which,
        position,
        line,
        who,
    });
    let inspect = (any::<Index>(), prop::bool::weighted(0.8)).prop_map(|(joint, good)| What::Inspect { joint, good });
    let change =
        prop_oneof![Just(Change::Strike), (1..2000u64).prop_map(Change::Earlier), (0..8u8).prop_map(Change::Body),];
    let correct = (any::<Index>(), change, 0..3u8).prop_map(|(fact, change, by)| What::Correct { fact, change, by });
    let agree = (any::<Index>(), 0..3u8).prop_map(|(correction, who)| What::Agree { correction, who });
    let settle = any::<Index>().prop_map(|finding| What::Settle { finding });
    let what = prop_oneof![10 => work, 3 => inspect, 4 => correct, 2 => agree, 1 => settle, 1 => Just(What::SignOff)];
    (5..400u64, what).prop_map(|(gap_s, what)| Step { gap_s, what })
}

/// A world in the middle of a story.
pub(super) struct Told {
    pub(super) w: World,
    pub(super) now_ms: u64,
    /// Every fact of the wash with its original's body; corrections too.
    facts: Vec<(Hash, Kind, &'static str)>,
    corrections: Vec<Hash>,
    all_agreed: bool,
}

impl Story {
    /// The wash up to the end of the story.
    pub(super) fn told(&self) -> Told {
        let mut told = Told::new(self.clock_measured);
        if self.revoked {
            let untrusted_from_index = Some(told.w.start);
            let key_id = key_id_of("mate").to_vec();
            let revoked = v1::KeyRevoked { key_id, untrusted_from_index, reason: "lost".into() };
            told.w.custody(Kind::KeyRevoked(revoked));
        }
        told.all_agreed = self.all_agreed;
        for step in &self.steps {
            told.tell(step, None);
        }
        told.all_agreed = false;
        told
    }
}

impl Told {
    fn new(clock_measured: bool) -> Told {
        // What it adds by itself before a sign-off is no part of these stories.
        let mut w = World::new().unfinished();
        w.seen_size = Some(w.start);
        w.clock_ms = clock_measured.then(|| (0, at(8, 0)));
        w.open_wash("tech", at(8, 0));
        Told { w, now_ms: at(8, 10), facts: vec![], corrections: vec![], all_agreed: false }
    }

    /// One step further; by that person where one is given, else by whoever the step names.
    pub(super) fn tell(&mut self, step: &Step, instead: Option<&'static str>) {
        self.now_ms += step.gap_s * 1000;
        match &step.what {
            What::Work { which, position, line, who } => {
                let kind = work(*which, *position, *line, self.now_ms);
                let who = instead.unwrap_or(signer(&kind, *who));
                self.put(who, &[], kind);
            }
            What::Inspect { joint, good } => {
                let joints: Vec<(Hash, Kind, &str)> =
                    self.facts.iter().filter(|f| matches!(f.1, Kind::LineReconnected(_))).cloned().collect();
                if joints.is_empty() {
                    return;
                }
                let (hash, kind, _) = &joints[joint.index(joints.len())];
                let Kind::LineReconnected(b) = kind else { return };
                let result = if *good { CheckResult::Satisfactory } else { CheckResult::NotSatisfactory };
                let position = b.engine.as_ref().map_or(1, |e| e.position);
                self.put(instead.unwrap_or("inspector"), &[*hash], inspection(position, &b.line, result));
            }
            What::Correct { fact, change, by } => self.correct(fact, change, *by, instead),
            What::Agree { correction, who } if !self.corrections.is_empty() => {
                let named = self.corrections[correction.index(self.corrections.len())];
                let who = instead.unwrap_or(["inspector", "certifier", "stranger"][usize::from(*who)]);
                self.w.agree(who, self.now_ms, named);
            }
            What::Agree { .. } => {}
            What::Settle { finding } => self.settle(finding, instead),
            What::SignOff => {
                self.w.act(instead.unwrap_or("certifier"), self.now_ms, Kind::SignedOff(signed_off()));
            }
        }
    }

    fn put(&mut self, who: &'static str, refers: &[Hash], kind: Kind) {
        let hash = self.w.naming(who, self.now_ms, refers, kind.clone());
        self.facts.push((hash, kind, who));
    }

    fn correct(&mut self, fact: &Index, change: &Change, by: u8, instead: Option<&'static str>) {
        if self.facts.is_empty() {
            return;
        }
        let (version, body, author) = self.facts[fact.index(self.facts.len())].clone();
        let who = instead.unwrap_or([author, "certifier", "mate"][usize::from(by)]);
        let original_ms = self.happened_ms(&version);
        let (new, happened_ms) = match change {
            Change::Strike => (None, None),
            Change::Earlier(by_s) => (Some(body.clone()), Some(original_ms - by_s * 1000)),
            Change::Body(which) => (Some(changed(&body, *which)), None),
        };
        let hash = self.w.correct_to(who, self.now_ms, version, new, happened_ms);
        if self.all_agreed {
            // One of the two is another than who corrected.
            self.w.agree("inspector", self.now_ms, hash);
            self.w.agree("certifier", self.now_ms, hash);
        }
        self.corrections.push(hash);
        self.facts.push((hash, body, who));
    }

    /// When the original of a version happened.
    fn happened_ms(&self, version: &Hash) -> u64 {
        let fact = &self.w.recorded.iter().find(|r| r.fact.hash() == *version).expect("it was put").fact;
        match fact.kind() {
            Some(Kind::Corrected(_)) => self.happened_ms(&fact.header().refers[0]),
            _ => fact.header().happened_ms,
        }
    }

    fn settle(&mut self, finding: &Index, instead: Option<&'static str>) {
        let findings = self.w.state_at(self.now_ms).findings;
        if findings.is_empty() {
            return;
        }
        let found = &findings[finding.index(findings.len())];
        let refers: Vec<Hash> = found.rests_on.iter().map(|on| on.hash).collect();
        let settled = Kind::FindingSettled(settlement(found.rule.name()));
        self.w.naming(instead.unwrap_or("certifier"), self.now_ms, &refers, settled);
    }

    /// Facts after the roster, each run's in its order.
    pub(super) fn runs(&self) -> Vec<std::collections::VecDeque<crate::fact::Signed>> {
        let mut runs: std::collections::BTreeMap<_, std::collections::VecDeque<_>> = Default::default();
        for recorded in &self.w.recorded[self.w.start as usize..] {
            runs.entry(recorded.fact.header().run).or_default().push_back((*recorded.fact).clone());
        }
        runs.into_values().collect()
    }
}

fn signer(kind: &Kind, who: u8) -> &'static str {
    match kind {
        Kind::RunUpDone(_) => "runner",
        Kind::EngineStarted(_) => "planner",
        _ => ["tech", "mate", "stranger"][usize::from(who)],
    }
}

fn work(which: u8, position: u32, line: u8, now_ms: u64) -> Kind {
    let line = ["PS-1", "MV-2", "XX-9"][usize::from(line)];
    match which {
        0 | 1 => disconnected(position, line),
        2..=4 => reconnected(position, line),
        5 => access(position, true),
        6 => access(position, false),
        7 => fixture(position, "7", true),
        8 => fixture(position, "7", false),
        9 => cycle(position, now_ms - 130_000),
        10 => dry_crank(position, now_ms - 130_000),
        _ => run_up(position, now_ms - 400_000),
    }
}

/// The same kind about the same thing, with another value.
fn changed(body: &Kind, which: u8) -> Kind {
    match body {
        Kind::LineReconnected(b) => Kind::LineReconnected(v1::LineReconnected {
            torque_millinewton_metres: [None, Some(17_000), Some(17_500), Some(71_000)][usize::from(which % 4)],
            helpers: if which < 4 { vec![] } else { vec![id("inspector").to_vec()] },
            ..b.clone()
        }),
        Kind::CycleRun(b) => {
            let moved = |ms: Option<u64>| ms.map(|ms| ms - u64::from(which / 2) * 60_000);
            let [from, to] = [b.injection_started_ms, b.injection_ended_ms].map(moved);
            let [from, to] = if which.is_multiple_of(2) { [None, None] } else { [from, to] };
            Kind::CycleRun(v1::CycleRun { injection_started_ms: from, injection_ended_ms: to, ..b.clone() })
        }
        Kind::DryCrankRun(b) => {
            Kind::DryCrankRun(v1::DryCrankRun { speed_tenths_percent: Some(150 + 50 * u32::from(which)), ..b.clone() })
        }
        Kind::RunUpDone(b) => Kind::RunUpDone(v1::RunUpDone {
            result: [CheckResult::Satisfactory, CheckResult::NotSatisfactory][usize::from(which % 2)] as i32,
            ..b.clone()
        }),
        Kind::Inspected(b) => Kind::Inspected(v1::Inspected {
            result: [CheckResult::Satisfactory, CheckResult::NotSatisfactory][usize::from(which % 2)] as i32,
            ..b.clone()
        }),
        // Nothing else of these can change: another name makes a correction without effect.
        Kind::AccessOpened(b) if which == 0 => {
            Kind::AccessOpened(v1::AccessOpened { access: "other cowl".into(), ..b.clone() })
        }
        same => same.clone(),
    }
}

/// A fact for nobody in particular, about a device only: it says that somebody saw a fork.
pub(super) fn forged_fork(of: &crate::fact::Signed) -> (Kind, Vec<Subject>) {
    let header = of.header();
    let seen = v1::ForkSeen {
        device: header.device.to_vec(),
        run: header.run.to_vec(),
        counter: header.counter,
        envelope: of.bytes().to_vec(),
    };
    (Kind::ForkSeen(seen), vec![Subject::Device(header.device)])
}
