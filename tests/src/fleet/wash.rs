//! A wash of both engines by the procedure of the invented Ossavar T2, from the opening to the release reference. Values
//! are within its limits, so that nothing but what is left undone stays open.

use rinsebook_proto::bytes::{Hash, Id};
use rinsebook_proto::fact::{Kind, Subject};
use rinsebook_proto::v1::{self, EngineAt};

/// Facts of a wash that is done to its end.
pub const FACTS_A_WASH: u64 = 62;

/// Who signs.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Hand {
    /// Does the work.
    Technician,
    /// Looks at it.
    Inspector,
    /// Runs the engines and signs off.
    Certifier,
}

/// Which wash.
#[derive(Debug, Clone)]
pub struct Plan {
    /// The aircraft.
    pub aircraft: Id,
    /// The wash.
    pub wash: Id,
    /// The engines' serial numbers.
    pub serials: [String; 2],
    /// The text that it is done by.
    pub procedure: Hash,
    /// When it is opened, Unix milliseconds.
    pub opened_ms: u64,
    /// It is left after the second cycle.
    pub left: bool,
}

/// Takes a fact at its time and gives its envelope's hash.
pub(super) type Put<'p> = &'p mut dyn FnMut(Hand, Kind, Vec<Subject>, Vec<Hash>, u64) -> Hash;

const LINES: [&str; 2] = ["PS-1", "MV-2"];
const FIXTURES: [&str; 3] = ["spray adapter", "supply hose", "effluent collector"];
const ISOLATIONS: [&str; 2] = ["ignition", "reverser"];
const MINUTE: u64 = 60_000;
const SECOND: u64 = 1000;

struct Steps<'p> {
    plan: &'p Plan,
    put: Put<'p>,
    at_ms: u64,
}

/// Signs every fact of the wash.
pub(super) fn wash(plan: &Plan, put: Put<'_>) {
    let mut steps = Steps { plan, put, at_ms: plan.opened_ms };
    steps.open();
    (0..2).for_each(|engine| steps.wet(engine));
    if plan.left {
        return;
    }
    let closed: Vec<Closed> = (0..2).map(|engine| steps.close(engine)).collect();
    for (engine, closed) in closed.iter().enumerate() {
        steps.look_at(engine, closed);
    }
    steps.finish();
}

/// Envelopes that the second person names.
struct Closed {
    lines: Vec<Hash>,
    access: Hash,
}

impl Steps<'_> {
    fn engine(&self, engine: usize) -> Option<EngineAt> {
        Some(EngineAt { position: engine as u32 + 1, serial: self.plan.serials[engine].clone() })
    }

    /// Half a minute later, about one engine.
    fn on(&mut self, engine: usize, hand: Hand, kind: Kind) -> Hash {
        self.naming(engine, hand, kind, vec![])
    }

    fn naming(&mut self, engine: usize, hand: Hand, kind: Kind, refers: Vec<Hash>) -> Hash {
        self.at_ms += 30 * SECOND;
        let subjects = self.subjects(&[engine]);
        (self.put)(hand, kind, subjects, refers, self.at_ms)
    }

    /// Half a minute later, about the whole wash.
    fn of_all(&mut self, hand: Hand, kind: Kind, refers: Vec<Hash>) -> Hash {
        self.at_ms += 30 * SECOND;
        let subjects = self.subjects(&[0, 1]);
        (self.put)(hand, kind, subjects, refers, self.at_ms)
    }

    fn subjects(&self, engines: &[usize]) -> Vec<Subject> {
        let engines = engines.iter().map(|engine| Subject::Engine(self.plan.serials[*engine].clone()));
        [Subject::Aircraft(self.plan.aircraft), Subject::Wash(self.plan.wash)].into_iter().chain(engines).collect()
    }

    fn open(&mut self) {
        let shutdown = Some(self.plan.opened_ms - 120 * MINUTE);
        let engines = (0..2).map(|engine| v1::EngineInScope {
            engine: self.engine(engine),
            last_shutdown_ms: shutdown,
            as_found: "no defect seen".to_owned(),
        });
        let opened = v1::WashOpened {
            work_order: "WO-4711".to_owned(),
            procedure: Some(v1::ProcedureRef { digest: self.plan.procedure.to_vec() }),
            engines: engines.collect(),
            devices: vec![],
            station: "North ramp".to_owned(),
        };
        self.of_all(Hand::Technician, Kind::WashOpened(opened), vec![]);
        let tools = v1::ToolsOut { tools: vec!["TW-12".to_owned(), "LK-3".to_owned()], none_used: false };
        self.of_all(Hand::Technician, Kind::ToolsOut(tools), vec![]);
        let outside = v1::OutsideConditions { air_tenths_celsius: Some(180) };
        self.of_all(Hand::Technician, Kind::OutsideConditions(outside), vec![]);
        let water = v1::WaterReady {
            rig: "rig 2".to_owned(),
            water_tenths_celsius: Some(700),
            volume_millilitres: Some(320_000),
            additive_per_mille: Some(0),
        };
        self.of_all(Hand::Technician, Kind::WaterReady(water), vec![]);
    }

    fn wet(&mut self, number: usize) {
        let engine = self.engine(number);
        for isolation in ISOLATIONS {
            let isolated =
                v1::Isolated { engine: engine.clone(), isolation: isolation.to_owned(), tag: "T-1".to_owned() };
            self.on(number, Hand::Technician, Kind::Isolated(isolated));
        }
        let opened = v1::AccessOpened { engine: engine.clone(), access: "fan cowl".to_owned() };
        self.on(number, Hand::Technician, Kind::AccessOpened(opened));
        for line in LINES {
            let open = v1::LineDisconnected { engine: engine.clone(), line: line.to_owned(), tag: String::new() };
            self.on(number, Hand::Technician, Kind::LineDisconnected(open));
        }
        for fixture in FIXTURES {
            let fitted = v1::FixtureFitted { engine: engine.clone(), fixture: fixture.to_owned(), tag: String::new() };
            self.on(number, Hand::Technician, Kind::FixtureFitted(fitted));
        }
        self.clear_area(number);
        self.cycle(number);
        self.at_ms += 6 * MINUTE;
        self.cycle(number);
        self.at_ms += 6 * MINUTE;
    }

    fn clear_area(&mut self, number: usize) {
        let cleared = v1::AreaCleared { engine: self.engine(number), watch_person: Hand::Inspector.person().to_vec() };
        self.on(number, Hand::Technician, Kind::AreaCleared(cleared));
    }

    /// 140 s of motoring, 121 s of water.
    fn cycle(&mut self, number: usize) {
        let start = self.at_ms + 30 * SECOND;
        self.at_ms = start + 110 * SECOND;
        let cycle = v1::CycleRun {
            engine: self.engine(number),
            motoring_started_ms: Some(start),
            rotation_confirmed_ms: Some(start + 5 * SECOND),
            injection_started_ms: Some(start + 12 * SECOND),
            injection_ended_ms: Some(start + 133 * SECOND),
            motoring_ended_ms: Some(start + 140 * SECOND),
            speed_tenths_percent: Some(300),
            water_tenths_celsius: Some(700),
            volume_millilitres: Some(300_000),
        };
        self.on(number, Hand::Technician, Kind::CycleRun(cycle));
    }

    fn close(&mut self, number: usize) -> Closed {
        let engine = self.engine(number);
        for fixture in FIXTURES {
            let removed =
                v1::FixtureRemoved { engine: engine.clone(), fixture: fixture.to_owned(), tag: String::new() };
            self.on(number, Hand::Technician, Kind::FixtureRemoved(removed));
        }
        self.clear_area(number);
        let start = self.at_ms + 30 * SECOND;
        self.at_ms = start + 95 * SECOND;
        let crank = v1::DryCrankRun {
            engine: engine.clone(),
            motoring_started_ms: Some(start),
            motoring_ended_ms: Some(start + 125 * SECOND),
            speed_tenths_percent: Some(300),
        };
        self.on(number, Hand::Technician, Kind::DryCrankRun(crank));
        let released = v1::AreaReleased { engine: engine.clone() };
        self.on(number, Hand::Technician, Kind::AreaReleased(released));
        let lines = LINES.iter().map(|line| self.reconnect(number, line)).collect();
        for isolation in ISOLATIONS {
            let restored = v1::IsolationRestored {
                engine: engine.clone(),
                isolation: isolation.to_owned(),
                tag: "T-1".to_owned(),
                tested: Some(true),
            };
            self.on(number, Hand::Technician, Kind::IsolationRestored(restored));
        }
        let closed = v1::AccessClosed { engine, access: "fan cowl".to_owned() };
        Closed { lines, access: self.on(number, Hand::Technician, Kind::AccessClosed(closed)) }
    }

    fn reconnect(&mut self, number: usize, line: &str) -> Hash {
        let (torque, locking) = match line {
            "PS-1" => (17_000, v1::Locking::Wire),
            _ => (28_000, v1::Locking::SelfLocking),
        };
        let tool = v1::ToolUsed { tool: "TW-12".to_owned(), calibration_due_unix_day: Some(30_000) };
        let reconnected = v1::LineReconnected {
            engine: self.engine(number),
            line: line.to_owned(),
            torque_millinewton_metres: Some(torque),
            tool: Some(tool),
            locking: Some(locking as i32),
            helpers: vec![],
        };
        self.on(number, Hand::Technician, Kind::LineReconnected(reconnected))
    }

    fn look_at(&mut self, number: usize, closed: &Closed) {
        let engine = self.engine(number);
        let result = v1::CheckResult::Satisfactory as i32;
        for (line, reconnection) in LINES.iter().zip(&closed.lines) {
            let inspected = v1::Inspected { engine: engine.clone(), line: (*line).to_owned(), result };
            self.naming(number, Hand::Inspector, Kind::Inspected(inspected), vec![*reconnection]);
        }
        let seen = v1::LatchesSeen { engine: engine.clone(), access: "fan cowl".to_owned(), all_latched: Some(true) };
        self.naming(number, Hand::Inspector, Kind::LatchesSeen(seen), vec![closed.access]);
        let checked =
            v1::LeakChecked { engine, line: "PS-1".to_owned(), method: v1::LeakCheckMethod::Leak as i32, result };
        self.on(number, Hand::Technician, Kind::LeakChecked(checked));
    }

    fn finish(&mut self) {
        let tools = v1::ToolsIn { tools: vec!["TW-12".to_owned(), "LK-3".to_owned()], complete: true };
        self.of_all(Hand::Technician, Kind::ToolsIn(tools), vec![]);
        let check = v1::FinalCheckDone { clear: Some(true), panels_refitted: Some(true) };
        self.of_all(Hand::Technician, Kind::FinalCheckDone(check), vec![]);
        for number in 0..2 {
            let start = self.at_ms + MINUTE;
            self.at_ms = start + 6 * MINUTE;
            let run = v1::RunUpDone {
                engine: self.engine(number),
                started_ms: Some(start),
                ended_ms: Some(self.at_ms + 30 * SECOND),
                idle_or_above_seconds: Some(360),
                result: v1::CheckResult::Satisfactory as i32,
            };
            self.on(number, Hand::Certifier, Kind::RunUpDone(run));
        }
        let signed = v1::SignedOff {
            description: "Core wash of both engines, done as the procedure says".to_owned(),
            data_reference: "invented procedure, revision 1".to_owned(),
            completion_unix_day: Some((self.at_ms / 86_400_000) as i32),
            performer: Hand::Technician.person().to_vec(),
            certificate_number: Some(v1::AnnexRef { digest: super::writer::certificate_annex().digest().to_vec() }),
            certificate_kind: "invented".to_owned(),
            cycles_stated: vec![],
        };
        let signed = self.of_all(Hand::Certifier, Kind::SignedOff(signed), vec![]);
        let release = v1::ReleaseReferenceRecorded { reference: "LP-0815".to_owned() };
        self.of_all(Hand::Certifier, Kind::ReleaseReferenceRecorded(release), vec![signed]);
    }
}
