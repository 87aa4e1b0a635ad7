//! Random stories: what a few people do to a few engines, in numbers that shrink well.

use proptest::collection::vec;
use proptest::prelude::*;

use super::shop::{ENGINES, PEOPLE, TABLETS};

/// One thing that happens in a story.
#[derive(Debug, Clone)]
pub struct Step {
    /// Time that passes before it.
    pub pause: Pause,
    /// Who does it: none: somebody who may.
    pub who: Option<usize>,
    /// The tablet that they sign on.
    pub tablet: usize,
    /// What happens.
    pub what: What,
}

/// Time that passes; each is a length at which something ends, or near one.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Pause {
    /// In milliseconds.
    pub ms: u64,
}

/// How well something is done.
pub type Quality = u8;

/// What happens.
#[derive(Debug, Clone)]
#[allow(missing_docs)] // Each is the fact of that name; engines by their place in the shop's list.
pub enum What {
    OpenWash { aircraft: usize, engines: u8 },
    Disconnect { engine: usize, line: usize },
    Reconnect { engine: usize, line: usize, quality: Quality, helper: Option<usize>, naming: bool },
    Inspect { nth: usize, good: bool },
    LeakCheck { engine: usize, line: usize, good: bool },
    Fit { engine: usize, fixture: usize, tag: usize },
    Remove { engine: usize, fixture: usize, tag: usize },
    Open { engine: usize, access: usize },
    Shut { engine: usize, access: usize },
    Latches { nth: usize, good: bool },
    Isolate { engine: usize },
    Restore { engine: usize, tested: bool },
    Cycle { engine: usize, quality: Quality },
    Abort { engine: usize, wet: bool },
    DryCrank { engine: usize, quality: Quality },
    RunUp { engine: usize, quality: Quality },
    Start { engine: usize, long: bool },
    DryOtherwise { engine: usize },
    DecideOverdue { engine: usize },
    Waive { engine: usize, start_in_min: u64 },
    Plan { engine: usize, start_in_min: u64 },
    CancelPlan { nth: usize },
    Outside { tenths: i32 },
    Metal { engine: usize, tenths: i32 },
    Damage { engine: usize, line: usize },
    Repair { engine: usize, line: usize, replaced: bool },
    Settle { nth: usize, counts: bool },
    Correct { nth: usize, change: u8 },
    Report { tablet: usize, unsent: bool },
    Leave { tablet: usize },
    SettleTablet { tablet: usize },
    SignOff { complete: bool },
    Remark,
    Offline { tablet: usize },
    Sync { tablet: usize },
    Revoke { who: usize, back: u64 },
    Withdraw { nth: usize },
    Grant { who: usize, authority: u8 },
    EnrolNewcomer,
    ChangeEngine { out: usize, into: usize },
    WholeWash { engine: usize, inspected: bool },
}

/// The lines that are worked on: two that the procedure lists and one that it does not.
pub const LINES: [&str; 3] = ["PS-1", "MV-2", "XX-7"];

fn pause() -> impl Strategy<Value = Pause> {
    let ms = prop_oneof![
        4 => Just(0),
        2 => 1..1_500u64,
        4 => 1_000..120_000u64,
        4 => prop_oneof![Just(299_000), Just(300_000), Just(301_000), 200_000..900_000u64],
        2 => 900_000..4_000_000u64,
        1 => prop_oneof![Just(10 * 3_600_000), Just(11 * 3_600_000), 3_600_000..13 * 3_600_000u64],
    ];
    ms.prop_map(|ms| Pause { ms })
}

fn engine() -> impl Strategy<Value = usize> {
    prop_oneof![8 => Just(0usize), 3 => Just(1usize), 2 => Just(2usize), 1 => 3..ENGINES.len()]
}

fn line() -> impl Strategy<Value = usize> {
    prop_oneof![4 => Just(0usize), 2 => Just(1usize), 1 => Just(2usize)]
}

fn quality() -> impl Strategy<Value = Quality> {
    prop_oneof![6 => Just(0u8), 4 => 1..6u8]
}

fn start_in_min() -> impl Strategy<Value = u64> {
    prop_oneof![2 => 30..300u64, 3 => 300..660u64, 2 => 600..760u64]
}

fn metal() -> impl Strategy<Value = What> {
    prop_oneof![
        4 => (engine(), line()).prop_map(|(engine, line)| What::Disconnect { engine, line }),
        5 => (engine(), line(), quality(), proptest::option::weighted(0.2, 0..PEOPLE.len()), any::<bool>()).prop_map(
            |(engine, line, quality, helper, naming)| What::Reconnect { engine, line, quality, helper, naming }
        ),
        5 => (0..3usize, prop::bool::weighted(0.8)).prop_map(|(nth, good)| What::Inspect { nth, good }),
        2 => (engine(), line(), prop::bool::weighted(0.8)).prop_map(|(engine, line, good)| What::LeakCheck {
            engine,
            line,
            good
        }),
        2 => (engine(), 0..2usize, 0..2usize).prop_map(|(engine, fixture, tag)| What::Fit { engine, fixture, tag }),
        2 => (engine(), 0..2usize, 0..2usize).prop_map(|(engine, fixture, tag)| What::Remove { engine, fixture, tag }),
        2 => (engine(), 0..2usize).prop_map(|(engine, access)| What::Open { engine, access }),
        2 => (engine(), 0..2usize).prop_map(|(engine, access)| What::Shut { engine, access }),
        3 => (0..2usize, prop::bool::weighted(0.8)).prop_map(|(nth, good)| What::Latches { nth, good }),
        1 => engine().prop_map(|engine| What::Isolate { engine }),
        1 => (engine(), any::<bool>()).prop_map(|(engine, tested)| What::Restore { engine, tested }),
        1 => (engine(), line()).prop_map(|(engine, line)| What::Damage { engine, line }),
        1 => (engine(), line(), any::<bool>()).prop_map(|(engine, line, replaced)| What::Repair {
            engine,
            line,
            replaced
        }),
    ]
}

fn water() -> impl Strategy<Value = What> {
    prop_oneof![
        5 => (engine(), quality()).prop_map(|(engine, quality)| What::Cycle { engine, quality }),
        1 => (engine(), any::<bool>()).prop_map(|(engine, wet)| What::Abort { engine, wet }),
        5 => (engine(), quality()).prop_map(|(engine, quality)| What::DryCrank { engine, quality }),
        4 => (engine(), quality()).prop_map(|(engine, quality)| What::RunUp { engine, quality }),
        2 => (engine(), prop::bool::weighted(0.7)).prop_map(|(engine, long)| What::Start { engine, long }),
        1 => engine().prop_map(|engine| What::DryOtherwise { engine }),
        4 => (engine(), start_in_min()).prop_map(|(engine, start_in_min)| What::Waive { engine, start_in_min }),
        2 => (engine(), start_in_min()).prop_map(|(engine, start_in_min)| What::Plan { engine, start_in_min }),
        1 => engine().prop_map(|engine| What::DecideOverdue { engine }),
        1 => (0..2usize).prop_map(|nth| What::CancelPlan { nth }),
        1 => (30..150i32).prop_map(|tenths| What::Outside { tenths }),
        1 => (engine(), 30..150i32).prop_map(|(engine, tenths)| What::Metal { engine, tenths }),
        3 => (engine(), prop::bool::weighted(0.7)).prop_map(|(engine, inspected)| What::WholeWash { engine, inspected }),
    ]
}

fn office() -> impl Strategy<Value = What> {
    prop_oneof![
        3 => (0..2usize, 1..4u8).prop_map(|(aircraft, engines)| What::OpenWash { aircraft, engines }),
        5 => (0..4usize, any::<bool>()).prop_map(|(nth, counts)| What::Settle { nth, counts }),
        4 => (0..4usize, 0..4u8).prop_map(|(nth, change)| What::Correct { nth, change }),
        2 => (0..TABLETS.len(), prop::bool::weighted(0.2)).prop_map(|(tablet, unsent)| What::Report { tablet, unsent }),
        1 => (0..TABLETS.len()).prop_map(|tablet| What::Leave { tablet }),
        1 => (0..TABLETS.len()).prop_map(|tablet| What::SettleTablet { tablet }),
        3 => prop::bool::weighted(0.9).prop_map(|complete| What::SignOff { complete }),
        1 => Just(What::Remark),
        2 => (0..TABLETS.len()).prop_map(|tablet| What::Offline { tablet }),
        4 => (0..TABLETS.len()).prop_map(|tablet| What::Sync { tablet }),
        1 => (0..PEOPLE.len(), 0..20u64).prop_map(|(who, back)| What::Revoke { who, back }),
        1 => (0..16usize).prop_map(|nth| What::Withdraw { nth }),
        1 => (0..PEOPLE.len(), 1..7u8).prop_map(|(who, authority)| What::Grant { who, authority }),
        1 => Just(What::EnrolNewcomer),
        1 => (0..5usize, 0..5usize).prop_map(|(out, into)| What::ChangeEngine { out, into }),
    ]
}

/// One step.
pub fn step() -> impl Strategy<Value = Step> {
    let who = proptest::option::weighted(0.2, 0..=PEOPLE.len());
    let what = prop_oneof![5 => metal(), 5 => water(), 3 => office()];
    (pause(), who, 0..TABLETS.len(), what).prop_map(|(pause, who, tablet, what)| Step { pause, who, tablet, what })
}

/// A question to both: how much of the log is known, and when it is judged.
#[derive(Debug, Clone)]
pub struct Ask {
    /// The size, in thousandths of what the story's log holds; 1000: all of it.
    pub size_per_mille: u64,
    /// A fact, counted from the newest; the time is measured from when it happened.
    pub fact: usize,
    /// From there to the time it is judged at.
    pub offset_s: i64,
    /// A start that the question supposes, from the time it is judged at.
    pub planned_in_s: Option<u64>,
}

fn ask() -> impl Strategy<Value = Ask> {
    let size = prop_oneof![3 => Just(1000u64), 1 => 300..1000u64];
    let ends = prop_oneof![Just(0i64), Just(120), Just(300), Just(11 * 3600), Just(12 * 3600), 0..50_000i64];
    let near = prop_oneof![3 => Just(0i64), 1 => Just(-1), 1 => Just(1), 1 => Just(-121), 1 => Just(-120)];
    let planned = proptest::option::weighted(0.3, 0..50_000u64);
    (size, 0..30usize, ends, near, planned).prop_map(|(size_per_mille, fact, end, near, planned_in_s)| Ask {
        size_per_mille,
        fact,
        offset_s: end + near,
        planned_in_s,
    })
}

/// What happens, and what is asked of it: short stories mostly, up to two hundred facts.
pub fn story() -> impl Strategy<Value = (Vec<Step>, Vec<Ask>)> {
    let steps = prop_oneof![6 => vec(step(), 1..25), 3 => vec(step(), 25..60), 1 => vec(step(), 60..160)];
    (steps, vec(ask(), 6))
}
