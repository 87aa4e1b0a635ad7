//! A story told: its steps become signed facts in a log.

use prost::Message;
use rinsebook_proto::bytes::{Hash, Id};
use rinsebook_proto::fact::{Kind, Subject};
use rinsebook_proto::v1::{self, CheckResult, EngineAt};

use super::shop::{ENGINES, NEWCOMER, PEOPLE, PROCEDURE, Shop, TABLETS, TYPE, engine, id};
use super::story::{LINES, Quality, Step, What};

const ACCESS: [&str; 2] = ["fan cowl", "core door"];
const FIXTURES: [&str; 2] = ["spray adapter", "blank"];
const TAGS: [&str; 2] = ["", "T1"];

/// A story as it goes on.
pub struct Telling {
    /// Where it happens.
    pub shop: Shop,
    /// The newest wash of each aircraft.
    washes: [Option<Id>; 2],
    opened: usize,
    /// The aircraft of each engine as people know it.
    on: [Option<usize>; ENGINES.len()],
    joints: Vec<(Hash, usize, usize)>,
    closings: Vec<(Hash, usize, usize)>,
    plans: Vec<Hash>,
    last_aircraft: usize,
    grants: Vec<Hash>,
    /// What may be corrected, the newest last.
    told: Vec<Told>,
    /// Somebody's key or authority goes in this story: whether an agreement counts would hang on that.
    trust_goes: bool,
}

/// A fact that may be corrected once.
struct Told {
    hash: Hash,
    who: &'static str,
    tablet: &'static str,
    aircraft: usize,
    wash: Id,
    happened_ms: u64,
    kind: Kind,
}

/// Tells a story from its first step to its last.
pub fn tell(steps: &[Step]) -> Shop {
    let shop = Shop::founded();
    let granted = |r: &&rinsebook_proto::rules::Recorded| matches!(r.fact.kind(), Some(Kind::AuthorityGranted(_)));
    let grants = shop.recorded.iter().filter(granted).map(|r| r.fact.hash()).collect();
    let on = ENGINES.map(|(_, _, aircraft)| aircraft.map(|a| usize::from(a == "aircraft two")));
    let mut telling = Telling {
        shop,
        washes: [None; 2],
        opened: 0,
        on,
        joints: vec![],
        closings: vec![],
        plans: vec![],
        last_aircraft: 0,
        grants,
        told: vec![],
        trust_goes: steps.iter().any(|s| matches!(s.what, What::Revoke { .. } | What::Withdraw { .. })),
    };
    for step in steps {
        telling.shop.now_ms += step.pause.ms;
        telling.step(step);
    }
    telling.shop
}

fn aircraft_name(at: usize) -> &'static str {
    ["aircraft one", "aircraft two"][at]
}

impl Telling {
    /// Who does it, where the story says nobody in particular.
    fn who(step: &Step, right: &'static str) -> &'static str {
        match step.who {
            Some(at) if at < PEOPLE.len() => PEOPLE[at].0,
            Some(_) => NEWCOMER,
            None => right,
        }
    }

    fn wash_on(&mut self, aircraft: usize, step: &Step) -> Id {
        if self.washes[aircraft].is_none() {
            self.open_wash(aircraft, 3, step);
        }
        self.washes[aircraft].expect("just opened")
    }

    fn open_wash(&mut self, aircraft: usize, mask: u8, step: &Step) {
        let wash = id(&format!("wash {}", self.opened));
        self.opened += 1;
        self.washes[aircraft] = Some(wash);
        let here: Vec<usize> = (0..ENGINES.len()).filter(|e| self.on[*e] == Some(aircraft)).collect();
        let scope = here.into_iter().enumerate().filter(|(nth, _)| mask & (1 << nth) != 0);
        let engines = scope.map(|(_, e)| v1::EngineInScope { engine: Some(engine(e)), ..Default::default() }).collect();
        let opened = Kind::WashOpened(v1::WashOpened {
            work_order: "WO-1".into(),
            procedure: Some(v1::ProcedureRef { digest: Hash::of(PROCEDURE.as_bytes()).to_vec() }),
            engines,
            devices: vec![],
            station: "north".into(),
        });
        let subjects = vec![Subject::Aircraft(id(aircraft_name(aircraft))), Subject::Wash(wash)];
        let (who, tablet) = (Self::who(step, "tech"), TABLETS[step.tablet]);
        self.last_aircraft = aircraft;
        self.shop.act(who, tablet, self.shop.now_ms, subjects, &[], opened);
    }

    /// A fact about an engine, in the newest wash of its aircraft.
    fn of_engine(&mut self, at: usize, right: &'static str, step: &Step, refers: &[Hash], kind: Kind) -> Hash {
        let aircraft = self.on[at].unwrap_or(0);
        let wash = self.wash_on(aircraft, step);
        self.last_aircraft = aircraft;
        let subjects = vec![Subject::Aircraft(id(aircraft_name(aircraft))), Subject::Wash(wash)];
        let now_ms = self.shop.now_ms;
        let (who, tablet) = (Self::who(step, right), TABLETS[step.tablet]);
        let hash = self.shop.act(who, tablet, now_ms, subjects, refers, kind.clone());
        // Who agrees has to have the authority for the engine's type, which only a listing tells.
        if is_correctable(&kind) && who != NEWCOMER && self.on[at].is_some() {
            self.told.push(Told { hash, who, tablet, aircraft, wash, happened_ms: now_ms, kind });
        }
        hash
    }

    /// A fact about a wash and none of its engines.
    fn of_wash(&mut self, right: &'static str, step: &Step, refers: &[Hash], kind: Kind) -> Hash {
        let aircraft = self.last_aircraft;
        let wash = self.wash_on(aircraft, step);
        let subjects = vec![Subject::Aircraft(id(aircraft_name(aircraft))), Subject::Wash(wash)];
        let now_ms = self.shop.now_ms;
        self.shop.act(Self::who(step, right), TABLETS[step.tablet], now_ms, subjects, refers, kind)
    }

    fn step(&mut self, step: &Step) {
        match &step.what {
            What::OpenWash { aircraft, engines } => self.open_wash(*aircraft, *engines, step),
            What::WholeWash { engine, inspected } => self.whole_wash(step, *engine, *inspected),
            What::Disconnect { .. }
            | What::Reconnect { .. }
            | What::Inspect { .. }
            | What::LeakCheck { .. }
            | What::Damage { .. }
            | What::Repair { .. } => self.line_step(step),
            What::Fit { .. }
            | What::Remove { .. }
            | What::Open { .. }
            | What::Shut { .. }
            | What::Latches { .. }
            | What::Isolate { .. }
            | What::Restore { .. } => self.check_step(step),
            What::Cycle { .. }
            | What::Abort { .. }
            | What::DryCrank { .. }
            | What::RunUp { .. }
            | What::Start { .. }
            | What::DryOtherwise { .. }
            | What::DecideOverdue { .. }
            | What::Metal { .. }
            | What::Outside { .. } => self.water_step(step),
            What::Waive { .. } | What::Plan { .. } | What::CancelPlan { .. } => self.plan_step(step),
            _ => self.office_step(step),
        }
    }

    fn line_step(&mut self, step: &Step) {
        let named = |line: usize| LINES[line].to_owned();
        match step.what {
            What::Disconnect { engine: e, line } => {
                let kind = v1::LineDisconnected { engine: Some(engine(e)), line: named(line), tag: String::new() };
                self.of_engine(e, "tech", step, &[], Kind::LineDisconnected(kind));
            }
            What::Reconnect { engine: e, line, quality, helper, naming } => {
                let mut b = reconnection(e, line, quality, self.shop.now_ms);
                b.helpers = helper.map(|h| id(PEOPLE[h].0).to_vec()).into_iter().collect();
                let older = self.joints.iter().filter(|(_, at, l)| naming && (*at, *l) == (e, line)).map(|j| j.0);
                let older: Vec<Hash> = older.rev().take(1).collect();
                let hash = self.of_engine(e, "tech", step, &older, Kind::LineReconnected(b));
                self.joints.push((hash, e, line));
            }
            What::Inspect { nth, good } => {
                let Some((joint, e, line)) = self.joints.iter().rev().nth(nth).copied() else { return };
                let b = v1::Inspected { engine: Some(engine(e)), line: named(line), result: result(good) };
                self.of_engine(e, "inspector", step, &[joint], Kind::Inspected(b));
            }
            What::LeakCheck { engine: e, line, good } => {
                let method = v1::LeakCheckMethod::Leak as i32;
                let b = v1::LeakChecked { engine: Some(engine(e)), line: named(line), method, result: result(good) };
                self.of_engine(e, "tech", step, &[], Kind::LeakChecked(b));
            }
            What::Damage { engine: e, line } => {
                let b = v1::DefectRaised { engine: Some(engine(e)), line: named(line), text: None };
                self.of_engine(e, "tech", step, &[], Kind::DefectRaised(b));
            }
            What::Repair { engine: e, line, replaced } => {
                let (engine, line_name, data_reference) = (Some(engine(e)), named(line), "data 1".to_owned());
                let kind = if replaced {
                    Kind::PartReplaced(v1::PartReplaced {
                        engine,
                        line: line_name,
                        data_reference,
                        ..Default::default()
                    })
                } else {
                    Kind::LineRepaired(v1::LineRepaired { engine, line: line_name, data_reference })
                };
                let hash = self.of_engine(e, "tech", step, &[], kind);
                self.joints.push((hash, e, line));
            }
            _ => {}
        }
    }

    fn check_step(&mut self, step: &Step) {
        let at = |e: usize| -> Option<EngineAt> { Some(engine(e)) };
        match step.what {
            What::Fit { engine: e, fixture, tag } => {
                let (fixture, tag) = (FIXTURES[fixture].to_owned(), TAGS[tag].to_owned());
                let b = v1::FixtureFitted { engine: at(e), fixture, tag };
                self.of_engine(e, "tech", step, &[], Kind::FixtureFitted(b));
            }
            What::Remove { engine: e, fixture, tag } => {
                let (fixture, tag) = (FIXTURES[fixture].to_owned(), TAGS[tag].to_owned());
                let b = v1::FixtureRemoved { engine: at(e), fixture, tag };
                self.of_engine(e, "tech", step, &[], Kind::FixtureRemoved(b));
            }
            What::Open { engine: e, access } => {
                let b = v1::AccessOpened { engine: at(e), access: ACCESS[access].to_owned() };
                self.of_engine(e, "tech", step, &[], Kind::AccessOpened(b));
            }
            What::Shut { engine: e, access } => {
                let b = v1::AccessClosed { engine: at(e), access: ACCESS[access].to_owned() };
                let hash = self.of_engine(e, "tech", step, &[], Kind::AccessClosed(b));
                self.closings.push((hash, e, access));
            }
            What::Latches { nth, good } => {
                let Some((closing, e, access)) = self.closings.iter().rev().nth(nth).copied() else { return };
                let access = ACCESS[access].to_owned();
                let b = v1::LatchesSeen { engine: at(e), access, all_latched: Some(good) };
                self.of_engine(e, "inspector", step, &[closing], Kind::LatchesSeen(b));
            }
            What::Isolate { engine: e } => {
                let b = v1::Isolated { engine: at(e), isolation: "ignition".into(), tag: String::new() };
                self.of_engine(e, "tech", step, &[], Kind::Isolated(b));
            }
            What::Restore { engine: e, tested } => {
                let (isolation, tag, tested) = ("ignition".to_owned(), String::new(), Some(tested));
                let b = v1::IsolationRestored { engine: at(e), isolation, tag, tested };
                self.of_engine(e, "tech", step, &[], Kind::IsolationRestored(b));
            }
            _ => {}
        }
    }

    fn water_step(&mut self, step: &Step) {
        let began_ms = self.shop.now_ms;
        match step.what {
            What::Cycle { engine: e, quality } => {
                let b = cycle(e, quality, began_ms);
                self.shop.now_ms = b.motoring_ended_ms.unwrap_or(began_ms);
                self.of_engine(e, "tech", step, &[], Kind::CycleRun(b));
            }
            What::Abort { engine: e, wet } => {
                let b = v1::MotoringAborted {
                    engine: Some(engine(e)),
                    motoring_started_ms: Some(began_ms),
                    motoring_ended_ms: Some(began_ms + 40_000),
                    injection_started_ms: wet.then_some(began_ms + 10_000),
                    injection_ended_ms: wet.then_some(began_ms + 30_000),
                    reason: "noise".into(),
                };
                self.shop.now_ms += 40_000;
                self.of_engine(e, "tech", step, &[], Kind::MotoringAborted(b));
            }
            What::DryCrank { engine: e, quality } => {
                let length_ms = [120_000, 119_999, 119_000, 130_000, 121_000, 120_500][usize::from(quality) % 6];
                let b = v1::DryCrankRun {
                    engine: Some(engine(e)),
                    motoring_started_ms: Some(began_ms),
                    motoring_ended_ms: Some(began_ms + length_ms),
                    speed_tenths_percent: [Some(300), Some(300), Some(300), Some(200), Some(199), None]
                        [usize::from(quality) % 6],
                };
                self.shop.now_ms += length_ms;
                self.of_engine(e, "tech", step, &[], Kind::DryCrankRun(b));
            }
            What::RunUp { engine: e, quality } => {
                let b = v1::RunUpDone {
                    engine: Some(engine(e)),
                    started_ms: Some(began_ms),
                    ended_ms: Some(began_ms + 360_000),
                    idle_or_above_seconds: [Some(300), Some(299), None, Some(301), Some(300), Some(300)]
                        [usize::from(quality) % 6],
                    result: result(quality != 4),
                };
                self.shop.now_ms += 360_000;
                self.of_engine(e, "runner", step, &[], Kind::RunUpDone(b));
            }
            What::Start { engine: e, long } => {
                let seconds = Some(if long { 300 } else { 299 });
                let start = v1::StartOfEngine { engine: Some(engine(e)), idle_or_above_seconds: seconds };
                let b = v1::EngineStarted { engines: vec![start], air_source: "ground air".into() };
                self.of_engine(e, "planner", step, &[], Kind::EngineStarted(b));
            }
            What::DryOtherwise { engine: e } => {
                let b = v1::DriedOtherwise { engine: Some(engine(e)), data_reference: "data 2".into() };
                self.of_engine(e, "certifier", step, &[], Kind::DriedOtherwise(b));
            }
            What::DecideOverdue { engine: e } => {
                let (decision, data_reference) = ("inspect again in a week".to_owned(), "data 3".to_owned());
                let b = v1::OverdueDecided { engine: Some(engine(e)), decision, data_reference };
                self.of_engine(e, "certifier", step, &[], Kind::OverdueDecided(b));
            }
            What::Metal { engine: e, tenths } => {
                let b = v1::MetalTemperature { engine: Some(engine(e)), metal_tenths_celsius: Some(tenths) };
                self.of_engine(e, "tech", step, &[], Kind::MetalTemperature(b));
            }
            What::Outside { tenths } => {
                let b = v1::OutsideConditions { air_tenths_celsius: Some(tenths) };
                self.of_wash("tech", step, &[], Kind::OutsideConditions(b));
            }
            _ => {}
        }
    }

    fn plan_step(&mut self, step: &Step) {
        let air_source = "ground air".to_owned();
        match step.what {
            What::Waive { engine: e, start_in_min } => {
                let planned_start_ms = Some(self.shop.now_ms + start_in_min * 60_000);
                let reason = "noise limits".to_owned();
                let b = v1::RunUpWaived { engine: Some(engine(e)), planned_start_ms, air_source, reason };
                self.of_engine(e, "waiver", step, &[], Kind::RunUpWaived(b));
            }
            What::Plan { engine: e, start_in_min } => {
                let planned_start_ms = Some(self.shop.now_ms + start_in_min * 60_000);
                let b = v1::StartPlanned { engines: vec![engine(e)], planned_start_ms, air_source };
                let hash = self.of_engine(e, "planner", step, &[], Kind::StartPlanned(b));
                self.plans.push(hash);
            }
            What::CancelPlan { nth } => {
                let Some(plan) = self.plans.iter().rev().nth(nth).copied() else { return };
                let b = v1::StartCancelled { reason: "weather".into() };
                self.of_wash("planner", step, &[plan], Kind::StartCancelled(b));
            }
            _ => {}
        }
    }

    fn office_step(&mut self, step: &Step) {
        match step.what {
            What::Settle { nth, counts } => self.settle(step, nth, counts),
            What::Correct { nth, change } => self.correct(nth, change),
            What::Report { tablet, unsent } => self.shop.report(TABLETS[tablet], u64::from(unsent)),
            What::Leave { tablet } => {
                let b = v1::DeviceLeft { device: id(TABLETS[tablet]).to_vec() };
                self.of_wash("tech", step, &[], Kind::DeviceLeft(b));
            }
            What::SettleTablet { tablet } => {
                let b = v1::DeviceSettled { device: id(TABLETS[tablet]).to_vec(), reason: "lost".into() };
                self.of_wash("certifier", step, &[], Kind::DeviceSettled(b));
            }
            What::SignOff { complete } => {
                let b = signed_off(complete);
                self.of_wash("certifier", step, &[], Kind::SignedOff(b));
            }
            What::Remark => {
                self.of_wash("tech", step, &[], Kind::Remark(v1::Remark { text: None }));
            }
            What::Offline { tablet } => self.shop.go_offline(TABLETS[tablet]),
            What::Sync { tablet } => self.shop.sync(TABLETS[tablet]),
            What::Revoke { who, back } => {
                let from = self.shop.history.size().saturating_sub(back);
                self.shop.custody(Kind::KeyRevoked(v1::KeyRevoked {
                    key_id: Shop::key_of(PEOPLE[who].0).to_vec(),
                    untrusted_from_index: Some(from),
                    reason: "lost".into(),
                }));
            }
            What::Withdraw { nth } => {
                let Some(grant) = self.grants.get(nth).copied() else { return };
                let reason = "left".to_owned();
                self.shop.custody_naming(vec![grant], Kind::AuthorityWithdrawn(v1::AuthorityWithdrawn { reason }));
            }
            What::Grant { who, authority } => {
                let authority = v1::Authority::try_from(i32::from(authority)).unwrap_or(v1::Authority::Perform);
                let grant = self.shop.grant(PEOPLE[who].0, authority, TYPE);
                self.grants.push(grant);
            }
            What::EnrolNewcomer => self.enrol_newcomer(),
            What::ChangeEngine { out, into } => self.change_engine(out, into),
            _ => {}
        }
    }

    fn enrol_newcomer(&mut self) {
        if self.shop.history.roster().key(&Shop::key_of(NEWCOMER), u64::MAX).is_none() {
            self.shop.enrol_on_card(NEWCOMER, v1::Authority::Perform);
        }
    }

    /// A settlement of the nth breach that the rules show on either aircraft.
    fn settle(&mut self, step: &Step, nth: usize, counts: bool) {
        let (size, now_ms) = (self.shop.history.size(), self.shop.now_ms);
        let state = self.shop.history.state(&id(aircraft_name(self.last_aircraft)), size, now_ms);
        let Some(finding) = state.findings.iter().filter(|f| f.settled.is_none()).nth(nth) else { return };
        let refers: Vec<Hash> = finding.rests_on.iter().map(|f| f.hash).collect();
        let b = v1::FindingSettled {
            rule: finding.rule.name().to_owned(),
            outcome: v1::FindingOutcome::Accepted as i32,
            act_counts: Some(counts),
            reason: "seen".into(),
        };
        self.of_wash("certifier", step, &refers, Kind::FindingSettled(b));
    }

    /// The author strikes out the nth newest fact or replaces it, and another person agrees at once.
    fn correct(&mut self, nth: usize, change: u8) {
        let Some(at) = self.told.len().checked_sub(nth + 1).filter(|_| !self.trust_goes) else { return };
        let told = self.told.remove(at);
        let now_ms = self.shop.now_ms;
        let corrected = match changed(&told.kind, change) {
            None => v1::Corrected { outcome: v1::CorrectionOutcome::StrikeOut as i32, ..Default::default() },
            Some((kind, earlier_ms)) => v1::Corrected {
                outcome: v1::CorrectionOutcome::Replace as i32,
                kind_field: v1::Fact { header: None, kind: Some(kind) }.encode_to_vec(),
                happened_ms: (earlier_ms > 0).then(|| told.happened_ms - earlier_ms),
                reason: String::new(),
            },
        };
        let subjects = || vec![Subject::Aircraft(id(aircraft_name(told.aircraft))), Subject::Wash(told.wash)];
        let corrected = Kind::Corrected(v1::Corrected { reason: "a slip".into(), ..corrected });
        let hash = self.shop.act(told.who, told.tablet, now_ms, subjects(), &[told.hash], corrected);
        let purpose = v1::CountersignPurpose::CorrectionAgreed as i32;
        let agreed = Kind::Countersigned(v1::Countersigned { purpose, remark: String::new() });
        let second = if told.who == "inspector" { "certifier" } else { "inspector" };
        self.shop.act(second, told.tablet, now_ms, subjects(), &[hash], agreed);
    }

    /// One engine comes off its aircraft and another goes there, off its own aircraft first.
    fn change_engine(&mut self, out: usize, into: usize) {
        let Some(aircraft) = self.on[out] else { return };
        if out == into || ENGINES[out].1 != ENGINES[into].1 {
            return;
        }
        if let Some(other) = self.on[into] {
            self.engine_changed(other, Some(into), None);
        }
        self.engine_changed(aircraft, Some(out), Some(into));
    }

    fn engine_changed(&mut self, aircraft: usize, out: Option<usize>, into: Option<usize>) {
        if let Some(e) = out {
            self.on[e] = None;
        }
        if let Some(e) = into {
            self.on[e] = Some(aircraft);
        }
        let installed = into.map(|e| v1::InstalledEngine { engine: Some(engine(e)), engine_type: TYPE.into() });
        self.shop.now_ms += 1_000;
        self.shop.custody(Kind::EngineChanged(v1::EngineChanged {
            aircraft: id(aircraft_name(aircraft)).to_vec(),
            removed: out.map(engine),
            installed,
        }));
    }

    /// A line opened, the engine washed and dried, the line closed and, if so, inspected: all as it should be.
    fn whole_wash(&mut self, step: &Step, engine: usize, inspected: bool) {
        let by_the_book = Step { who: None, ..step.clone() };
        let mut go = |pause_ms: u64, what: What| {
            self.shop.now_ms += pause_ms;
            self.step(&Step { what, ..by_the_book.clone() });
        };
        go(0, What::Disconnect { engine, line: 0 });
        go(600_000, What::Cycle { engine, quality: 0 });
        go(301_000, What::Cycle { engine, quality: 0 });
        go(301_000, What::DryCrank { engine, quality: 0 });
        go(60_000, What::Reconnect { engine, line: 0, quality: 0, helper: None, naming: false });
        if inspected {
            go(60_000, What::Inspect { nth: 0, good: true });
        }
    }
}

fn result(good: bool) -> i32 {
    if good { CheckResult::Satisfactory as i32 } else { CheckResult::NotSatisfactory as i32 }
}

/// Torqued and locked as the procedure asks, or with one thing not as it should be.
fn reconnection(e: usize, line: usize, quality: Quality, now_ms: u64) -> v1::LineReconnected {
    let today = (now_ms / 86_400_000) as i32;
    let good_torque = [17_000, 28_000, 5_000][line];
    let good_locking = [v1::Locking::Wire, v1::Locking::SelfLocking, v1::Locking::Other][line];
    v1::LineReconnected {
        engine: Some(engine(e)),
        line: LINES[line].into(),
        torque_millinewton_metres: [
            Some(good_torque),
            None,
            Some(14_999),
            Some(good_torque),
            Some(15_000),
            Some(good_torque),
        ][usize::from(quality) % 6],
        tool: Some(v1::ToolUsed {
            tool: "TW-1".into(),
            calibration_due_unix_day: Some(if quality == 5 { today - 1 } else { today }),
        }),
        locking: Some(if quality == 3 { v1::Locking::None } else { good_locking } as i32),
        helpers: vec![],
    }
}

fn is_correctable(kind: &Kind) -> bool {
    matches!(
        kind,
        Kind::LineDisconnected(_)
            | Kind::LineReconnected(_)
            | Kind::AccessOpened(_)
            | Kind::AccessClosed(_)
            | Kind::FixtureFitted(_)
            | Kind::CycleRun(_)
            | Kind::MetalTemperature(_)
    )
}

/// What the fact should have said, and by how much earlier it happened; none: it never happened.
fn changed(kind: &Kind, change: u8) -> Option<(Kind, u64)> {
    match (kind, change) {
        (_, 0) => None,
        (Kind::LineReconnected(b), 1) => {
            let torque = if b.torque_millinewton_metres.is_none() { Some(17_000) } else { None };
            Some((Kind::LineReconnected(v1::LineReconnected { torque_millinewton_metres: torque, ..b.clone() }), 0))
        }
        (Kind::CycleRun(b), _) => {
            let speed = if b.speed_tenths_percent == Some(300) { Some(199) } else { Some(300) };
            Some((Kind::CycleRun(v1::CycleRun { speed_tenths_percent: speed, ..b.clone() }), 0))
        }
        (Kind::MetalTemperature(b), 1) => {
            let tenths = b.metal_tenths_celsius.map(|tenths| 180 - tenths);
            Some((Kind::MetalTemperature(v1::MetalTemperature { metal_tenths_celsius: tenths, ..b.clone() }), 0))
        }
        (kind, _) => Some((kind.clone(), 90_000)),
    }
}

fn cycle(e: usize, quality: Quality, began_ms: u64) -> v1::CycleRun {
    let length_ms = [120_000, 119_000, 120_000, 119_999, 121_000, 90_000][usize::from(quality) % 6];
    let injection_ms = began_ms + [10_000, 9_999, 10_000, 10_000, 12_000, 9_000][usize::from(quality) % 6];
    let rotation_ms = [
        Some(began_ms + 5_000),
        Some(injection_ms),
        None,
        Some(began_ms + 5_000),
        Some(injection_ms + 1_000),
        Some(injection_ms),
    ][usize::from(quality) % 6];
    v1::CycleRun {
        engine: Some(engine(e)),
        motoring_started_ms: Some(began_ms),
        rotation_confirmed_ms: rotation_ms,
        injection_started_ms: Some(injection_ms),
        injection_ended_ms: Some(injection_ms + length_ms),
        motoring_ended_ms: Some(injection_ms + length_ms + 1_000),
        speed_tenths_percent: [Some(300), Some(300), Some(199), Some(200), None, Some(300)][usize::from(quality) % 6],
        water_tenths_celsius: Some(700),
        volume_millilitres: Some(300_000),
    }
}

fn signed_off(complete: bool) -> v1::SignedOff {
    v1::SignedOff {
        description: if complete { "Core wash".into() } else { String::new() },
        data_reference: "invented data 1".into(),
        completion_unix_day: Some(20_833),
        performer: vec![],
        certificate_number: Some(v1::AnnexRef { digest: vec![9; 32] }),
        certificate_kind: "invented".into(),
        cycles_stated: vec![],
    }
}
