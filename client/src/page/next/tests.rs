use rinsebook_proto::bytes::{Hash, Id};
use rinsebook_proto::fact::Kind;
use rinsebook_proto::v1::{self, CheckResult, EngineAt};

use super::super::progress::{Act, Progress};
use super::*;

const PROCEDURE: &str = include_str!("../../../../deploy/procedures/ossavar-t2.toml");
const MINUTE_MS: u64 = 60_000;
const START_MS: u64 = 1_930_377_600_000;

fn engine(position: u32) -> EngineAt {
    EngineAt { position, serial: format!("OT-000{position}") }
}

/// Somebody's work, in the order told, a minute after another.
struct Work {
    procedure: Procedure,
    acts: Vec<Act>,
    now_ms: u64,
}

impl Work {
    fn begun() -> Work {
        Work { procedure: Procedure::parse(PROCEDURE).unwrap(), acts: Vec::new(), now_ms: START_MS }
    }

    fn did(&mut self, kind: Kind) -> &mut Work {
        self.now_ms += MINUTE_MS;
        let hash = Some(Hash::of(&self.now_ms.to_be_bytes()));
        let person = Some(Id([1; 16]));
        self.acts.push(Act { hash, kind, happened_ms: self.now_ms, person });
        self
    }

    fn next_of(&self, position: u32, at_ms: u64) -> Next {
        let progress = Progress::of(&self.procedure, &[engine(1), engine(2)], &self.acts);
        next(&self.procedure, &progress.wash, &progress.engines[&engine(position).serial], at_ms)
    }

    fn step(&self, position: u32) -> Option<Step> {
        self.next_of(position, self.now_ms).step
    }

    /// Up to warm water, on engine 2.
    fn prepared() -> Work {
        let mut work = Work::begun();
        work.did(Kind::ToolsOut(v1::ToolsOut { tools: vec!["TW-12".into()], none_used: false }));
        work.did(isolated("ignition")).did(isolated("reverser"));
        work.did(Kind::AccessOpened(v1::AccessOpened { engine: Some(engine(2)), access: "fan cowl".into() }));
        work.did(off("PS-1")).did(off("MV-2"));
        work.did(fitted("spray adapter")).did(fitted("supply hose")).did(fitted("effluent collector"));
        work.did(Kind::WaterReady(v1::WaterReady::default()));
        work.did(Kind::OutsideConditions(v1::OutsideConditions::default()));
        let metal = v1::MetalTemperature { engine: Some(engine(2)), metal_tenths_celsius: Some(400) };
        work.did(Kind::MetalTemperature(metal));
        work
    }

    fn cleared(&mut self) -> &mut Work {
        self.did(Kind::AreaCleared(v1::AreaCleared { engine: Some(engine(2)), watch_person: vec![1; 16] }))
    }

    fn injected(&mut self, seconds: u64) -> &mut Work {
        let started = self.now_ms + MINUTE_MS - 150_000;
        self.did(Kind::CycleRun(v1::CycleRun {
            engine: Some(engine(2)),
            motoring_started_ms: Some(started),
            rotation_confirmed_ms: Some(started + 5_000),
            injection_started_ms: Some(started + 12_000),
            injection_ended_ms: Some(started + 12_000 + seconds * 1000),
            motoring_ended_ms: Some(started + 15_000 + seconds * 1000),
            speed_tenths_percent: Some(300),
            ..v1::CycleRun::default()
        }))
    }
}

fn isolated(name: &str) -> Kind {
    Kind::Isolated(v1::Isolated { engine: Some(engine(2)), isolation: name.into(), tag: "L1".into() })
}

fn off(line: &str) -> Kind {
    Kind::LineDisconnected(v1::LineDisconnected { engine: Some(engine(2)), line: line.into(), tag: "B1".into() })
}

fn on(line: &str) -> Kind {
    Kind::LineReconnected(v1::LineReconnected {
        engine: Some(engine(2)),
        line: line.into(),
        ..v1::LineReconnected::default()
    })
}

fn fitted(fixture: &str) -> Kind {
    Kind::FixtureFitted(v1::FixtureFitted { engine: Some(engine(2)), fixture: fixture.into(), tag: String::new() })
}

fn removed(fixture: &str) -> Kind {
    Kind::FixtureRemoved(v1::FixtureRemoved { engine: Some(engine(2)), fixture: fixture.into(), tag: String::new() })
}

fn seen(line: &str, result: CheckResult) -> Kind {
    Kind::Inspected(v1::Inspected { engine: Some(engine(2)), line: line.into(), result: result as i32 })
}

#[test]
fn work_on_one_engine_leads_through_its_order_and_leaves_the_other_engine_where_it_is() {
    let mut work = Work::begun();
    assert_eq!(work.step(2), Some(Step::ToolsOut));
    work.did(Kind::ToolsOut(v1::ToolsOut { tools: vec![], none_used: true }));
    assert_eq!(work.next_of(2, work.now_ms).detail, "ignition, reverser");
    work.did(isolated("ignition"));
    assert_eq!(work.next_of(2, work.now_ms).detail, "reverser");
    let work = Work::prepared();
    assert_eq!(work.step(2), Some(Step::ClearArea));
    assert_eq!(work.step(1), Some(Step::Isolate), "nothing was done on engine 1");
}

#[test]
fn before_motoring_the_area_is_cleared_and_hands_on_the_engine_end_that() {
    let mut work = Work::prepared();
    work.cleared();
    assert_eq!(work.step(2), Some(Step::Cycle));
    assert_eq!(
        work.next_of(2, work.now_ms + 3_600_000).step,
        Some(Step::ClearArea),
        "an hour later it is to be done again"
    );
    work.did(off("PS-9"));
    assert_eq!(work.step(2), Some(Step::ClearArea));
}

#[test]
fn the_next_cycle_waits_for_soak_and_rest_and_a_short_one_does_not_count() {
    let mut work = Work::prepared();
    work.cleared().injected(30);
    let told = work.next_of(2, work.now_ms);
    assert_eq!((told.step, told.detail.as_str()), (Some(Step::Cycle), "cycle 1 of 2"));
    let injection_ended = START_MS + 14 * MINUTE_MS - 150_000 + 42_000;
    // Motoring ended three seconds after the injection; its rest is as long as the soak.
    assert_eq!(told.wait_until_ms, Some(injection_ended + 3_000 + 300_000));
    assert_eq!(work.next_of(2, injection_ended + 303_000).wait_until_ms, None, "at its end instant it is over");
    work.injected(120);
    assert_eq!(work.next_of(2, work.now_ms).detail, "cycle 2 of 2");
}

#[test]
fn after_the_cycles_the_adapter_comes_off_then_the_engine_is_dried_and_closed() {
    let mut work = Work::prepared();
    work.cleared().injected(120).injected(120);
    assert_eq!(work.step(2), Some(Step::RemoveFixtures));
    work.did(removed("spray adapter")).did(removed("supply hose"));
    let told = work.next_of(2, work.now_ms);
    assert_eq!(told.step, Some(Step::DryCrank));
    assert!(told.wait_until_ms.is_some(), "it still soaks");
    let later = work.now_ms + 10 * MINUTE_MS;
    assert_eq!(work.next_of(2, later).step, Some(Step::ClearArea));
    work.now_ms = later;
    let dry = v1::DryCrankRun {
        engine: Some(engine(2)),
        motoring_started_ms: Some(later),
        motoring_ended_ms: Some(later + 120_000),
        speed_tenths_percent: Some(300),
    };
    work.did(Kind::DryCrankRun(dry));
    assert_eq!(work.step(2), Some(Step::RemoveFixtures), "the collector is left");
    work.did(removed("effluent collector"));
    assert_eq!(work.next_of(2, work.now_ms).detail, "PS-1, MV-2");
    work.did(on("PS-1")).did(on("MV-2"));
    assert_eq!(work.step(2), Some(Step::Inspect));
}

#[test]
fn a_joint_that_was_not_good_is_made_again_and_looked_at_again() {
    let mut work = Work::prepared();
    work.cleared().injected(120).injected(120);
    for fixture in ["spray adapter", "supply hose", "effluent collector"] {
        work.did(removed(fixture));
    }
    work.did(Kind::DriedOtherwise(v1::DriedOtherwise { engine: Some(engine(2)), data_reference: "D".into() }));
    work.did(on("PS-1")).did(on("MV-2")).did(seen("PS-1", CheckResult::NotSatisfactory));
    let told = work.next_of(2, work.now_ms);
    assert_eq!((told.step, told.detail.as_str()), (Some(Step::Reconnect), "again, it was not good: PS-1"));
    work.did(on("PS-1")).did(seen("MV-2", CheckResult::Satisfactory));
    assert_eq!(work.next_of(2, work.now_ms).detail, "PS-1, by a second person");
    work.did(seen("PS-1", CheckResult::Satisfactory));
    assert_eq!(work.next_of(2, work.now_ms).detail, "PS-1", "only this line asks for a leak check");
    assert_eq!(work.step(2), Some(Step::LeakCheck));
}

#[test]
fn a_joint_that_is_only_noted_has_to_be_signed_before_a_second_person_can_name_it() {
    let mut work = Work::prepared();
    work.did(Kind::DriedOtherwise(v1::DriedOtherwise { engine: Some(engine(2)), data_reference: "D".into() }));
    work.cleared().injected(120).injected(120);
    work.did(Kind::DriedOtherwise(v1::DriedOtherwise { engine: Some(engine(2)), data_reference: "D".into() }));
    for fixture in ["spray adapter", "supply hose", "effluent collector"] {
        work.did(removed(fixture));
    }
    work.did(on("PS-1")).did(on("MV-2"));
    work.acts.iter_mut().filter(|act| matches!(act.kind, Kind::LineReconnected(_))).for_each(|act| act.hash = None);
    let told = work.next_of(2, work.now_ms);
    assert_eq!((told.step, told.sign_first), (Some(Step::Inspect), true));
}

#[test]
fn when_everything_was_recorded_it_says_so_and_that_this_releases_nothing() {
    let procedure = Procedure::parse(PROCEDURE).unwrap();
    let wash = WashProgress {
        tools_counted: true,
        tools_complete: true,
        final_check: true,
        signed_off: Some(Hash([1; 32])),
        referenced: true,
        ..WashProgress::default()
    };
    let engine = EngineProgress { dropped: true, ..EngineProgress::default() };
    let told = next(&procedure, &wash, &engine, START_MS);
    assert_eq!(told.step, None);
    assert!(told.detail.contains("not a release to service"));
}

#[test]
fn every_step_has_a_word_of_its_own_in_addresses() {
    for step in Step::ALL {
        assert_eq!(Step::by_slug(step.slug()), Some(*step));
    }
    for group in Group::ALL {
        assert_eq!(Group::by_slug(group.slug()), Some(group));
    }
}
