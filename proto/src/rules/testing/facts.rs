//! Facts of the small world, with their usual values.

use super::{TYPE, World, aircraft, engine, id, signing_key};
use crate::bytes::{Hash, Id};
use crate::fact::{Kind, Subject};
use crate::key;
use crate::v1::{self, CheckResult};

/// The publication of a revision of the procedure.
pub(crate) fn publication(revision: u32, text: Hash) -> Kind {
    Kind::ProcedurePublished(v1::ProcedurePublished {
        procedure: procedure_id().to_vec(),
        revision,
        text: Some(v1::AttachmentRef { digest: text.to_vec() }),
        engine_type: TYPE.into(),
        title: "Core wash".into(),
    })
}

pub(crate) fn procedure_id() -> Id {
    Id::from_hex("6f7373617661722d74322d7761736831").unwrap()
}

pub(crate) fn enrolment(person: &str, key_name: &str) -> v1::KeyEnrolled {
    let signer = signing_key(key_name);
    v1::KeyEnrolled {
        person: id(person).to_vec(),
        public_key: signer.verifying_key().to_bytes().to_vec(),
        possession: key::prove_possession(&signer, &id(person).0).to_vec(),
    }
}

pub(crate) fn disconnected(position: u32, line: &str) -> Kind {
    Kind::LineDisconnected(v1::LineDisconnected { engine: engine(position), line: line.into(), tag: String::new() })
}

pub(crate) fn reconnected(position: u32, line: &str) -> Kind {
    Kind::LineReconnected(reconnection(position, line))
}

/// Torqued and locked as the procedure asks for PS-1.
pub(crate) fn reconnection(position: u32, line: &str) -> v1::LineReconnected {
    v1::LineReconnected {
        engine: engine(position),
        line: line.into(),
        torque_millinewton_metres: Some(17_000),
        tool: Some(v1::ToolUsed { tool: "TW-1".into(), calibration_due_unix_day: Some(30_000) }),
        locking: Some(v1::Locking::Wire as i32),
        helpers: vec![],
    }
}

pub(crate) fn inspected(position: u32, line: &str) -> Kind {
    inspection(position, line, CheckResult::Satisfactory)
}

pub(crate) fn inspection(position: u32, line: &str, result: CheckResult) -> Kind {
    Kind::Inspected(v1::Inspected { engine: engine(position), line: line.into(), result: result as i32 })
}

/// A valid cycle that injects for 120 s from then on.
pub(crate) fn cycle(position: u32, injection_ms: u64) -> Kind {
    Kind::CycleRun(v1::CycleRun {
        engine: engine(position),
        motoring_started_ms: Some(injection_ms - 10_000),
        rotation_confirmed_ms: Some(injection_ms - 5_000),
        injection_started_ms: Some(injection_ms),
        injection_ended_ms: Some(injection_ms + 120_000),
        motoring_ended_ms: Some(injection_ms + 121_000),
        speed_tenths_percent: Some(300),
        water_tenths_celsius: Some(700),
        volume_millilitres: Some(300_000),
    })
}

/// Position and start of a motoring, where both are recorded.
pub(crate) fn motoring(kind: &Kind) -> Option<(u32, u64)> {
    let (engine, started_ms) = match kind {
        Kind::CycleRun(b) => (&b.engine, b.motoring_started_ms),
        Kind::MotoringAborted(b) => (&b.engine, b.motoring_started_ms),
        Kind::DryCrankRun(b) => (&b.engine, b.motoring_started_ms),
        _ => return None,
    };
    Some((engine.as_ref()?.position, started_ms?))
}

pub(crate) fn area_cleared(position: u32) -> Kind {
    Kind::AreaCleared(v1::AreaCleared { engine: engine(position), watch_person: id("mate").to_vec() })
}

pub(crate) fn water_ready(tenths_celsius: i32, millilitres: u32) -> Kind {
    Kind::WaterReady(v1::WaterReady {
        rig: "rig 1".into(),
        water_tenths_celsius: Some(tenths_celsius),
        volume_millilitres: Some(millilitres),
        additive_per_mille: Some(0),
    })
}

pub(crate) fn outside(tenths_celsius: i32) -> Kind {
    Kind::OutsideConditions(v1::OutsideConditions { air_tenths_celsius: Some(tenths_celsius) })
}

pub(crate) fn metal_at(position: u32, tenths_celsius: i32) -> Kind {
    Kind::MetalTemperature(v1::MetalTemperature {
        engine: engine(position),
        metal_tenths_celsius: Some(tenths_celsius),
    })
}

/// A dry crank of 120 s.
pub(crate) fn dry_crank(position: u32, started_ms: u64) -> Kind {
    Kind::DryCrankRun(v1::DryCrankRun {
        engine: engine(position),
        motoring_started_ms: Some(started_ms),
        motoring_ended_ms: Some(started_ms + 120_000),
        speed_tenths_percent: Some(300),
    })
}

/// A satisfactory run-up of five minutes at idle.
pub(crate) fn run_up(position: u32, started_ms: u64) -> Kind {
    Kind::RunUpDone(v1::RunUpDone {
        engine: engine(position),
        started_ms: Some(started_ms),
        ended_ms: Some(started_ms + 360_000),
        idle_or_above_seconds: Some(300),
        result: CheckResult::Satisfactory as i32,
    })
}

pub(crate) fn started(position: u32, idle_or_above_s: u32) -> Kind {
    let start = v1::StartOfEngine { engine: engine(position), idle_or_above_seconds: Some(idle_or_above_s) };
    Kind::EngineStarted(v1::EngineStarted { engines: vec![start], air_source: "ground air".into() })
}

pub(crate) fn access(position: u32, open: bool) -> Kind {
    let (engine, access) = (engine(position), "fan cowl".to_owned());
    if open {
        Kind::AccessOpened(v1::AccessOpened { engine, access })
    } else {
        Kind::AccessClosed(v1::AccessClosed { engine, access })
    }
}

pub(crate) fn fixture(position: u32, tag: &str, fitted: bool) -> Kind {
    let (engine, fixture, tag) = (engine(position), "spray adapter".to_owned(), tag.to_owned());
    if fitted {
        Kind::FixtureFitted(v1::FixtureFitted { engine, fixture, tag })
    } else {
        Kind::FixtureRemoved(v1::FixtureRemoved { engine, fixture, tag })
    }
}

pub(crate) fn final_check() -> Kind {
    Kind::FinalCheckDone(v1::FinalCheckDone { clear: Some(true), panels_refitted: Some(true) })
}

pub(crate) fn signed_off() -> v1::SignedOff {
    v1::SignedOff {
        description: "Core wash of both engines".into(),
        data_reference: "invented data 1".into(),
        completion_unix_day: Some(20_833),
        performer: vec![],
        certificate_number: Some(v1::AnnexRef { digest: vec![9; 32] }),
        certificate_kind: "invented".into(),
        cycles_stated: [1, 2].map(|n| v1::CyclesStated { engine: engine(n), cycles: Some(0) }).to_vec(),
    }
}

pub(crate) fn settlement(rule: &str) -> v1::FindingSettled {
    v1::FindingSettled {
        rule: rule.into(),
        outcome: v1::FindingOutcome::Accepted as i32,
        act_counts: None,
        reason: "dealt with".into(),
    }
}

/// Engine OT-1 goes from aircraft one to the second place of aircraft two.
pub(crate) fn change_engine(w: &mut World, when_ms: u64) {
    let out = v1::EngineChanged { aircraft: aircraft().to_vec(), removed: engine(1), installed: None };
    let into = v1::EngineChanged {
        aircraft: id("aircraft two").to_vec(),
        removed: None,
        installed: Some(v1::InstalledEngine {
            engine: Some(v1::EngineAt { position: 2, serial: "OT-1".into() }),
            engine_type: TYPE.into(),
        }),
    };
    let engine = Subject::Engine("OT-1".into());
    w.custody_at(when_ms, vec![], vec![Subject::Aircraft(aircraft()), engine.clone()], Kind::EngineChanged(out));
    w.custody_at(when_ms, vec![], vec![Subject::Aircraft(id("aircraft two")), engine], Kind::EngineChanged(into));
}
