//! One plain sentence for each fact.

use super::Recorded;
use super::roster::Roster;
use super::sentence::capital;
use crate::bytes::{Hash, Id};
use crate::fact::{Body, Kind, Subject, engines_named};
use crate::v1::{self, CheckResult};

/// What a fact says, in a sentence for people.
pub fn fact_text(recorded: &Recorded, roster: &Roster) -> String {
    match recorded.fact.body() {
        Body::Unread(why) => format!("A fact that cannot be read: {why}."),
        Body::Read(kind) => {
            let said = said(kind, roster);
            let on = aircraft_of(recorded, roster).filter(|_| matches!(kind, Kind::WashOpened(_)));
            capital(&said) + &on.map(|r| format!(" on {r}")).unwrap_or_default() + "."
        }
    }
}

fn aircraft_of(recorded: &Recorded, roster: &Roster) -> Option<String> {
    recorded.fact.header().subjects.iter().find_map(|s| match s {
        Subject::Aircraft(id) => roster.registration(id, u64::MAX).map(str::to_owned),
        _ => None,
    })
}

fn said(kind: &Kind, roster: &Roster) -> String {
    custodian(kind)
        .or_else(|| wash(kind, roster))
        .or_else(|| certifying(kind, roster))
        .unwrap_or_else(|| other(kind, roster))
}

fn custodian(kind: &Kind) -> Option<String> {
    Some(match kind {
        Kind::RecordFounded(b) => format!("record {} founded", b.origin_name),
        Kind::PersonEnrolled(b) => format!("person {} enrolled", short(&b.person)),
        Kind::KeyEnrolled(b) => format!("a key enrolled for person {}", short(&b.person)),
        Kind::KeyRevoked(b) => match b.untrusted_from_index {
            Some(index) => format!("key {} not trusted from entry {index} on: {}", short(&b.key_id), b.reason),
            None => format!("key {} not trusted any more: {}", short(&b.key_id), b.reason),
        },
        Kind::AuthorityGranted(b) => {
            let authority = v1::Authority::try_from(b.authority).map_or("an authority", authority_name);
            let of_type = if b.engine_type.is_empty() { "every engine type" } else { &b.engine_type };
            format!("person {} may {authority} on {of_type}", short(&b.person))
        }
        Kind::AuthorityWithdrawn(b) => format!("an authority withdrawn: {}", b.reason),
        Kind::DeviceEnrolled(b) => format!("device {} enrolled", b.label),
        Kind::DeviceRetired(b) => format!("device {} retired: {}", short(&b.device), b.reason),
        Kind::ProcedurePublished(b) => format!("procedure \"{}\" revision {} published", b.title, b.revision),
        Kind::ProcedureWithdrawn(b) => format!("a procedure's revision {} withdrawn: {}", b.revision, b.reason),
        Kind::RulesAdopted(b) => format!("rules version {} adopted", b.rules_version),
        Kind::FactSetAside(b) => format!("a fact set aside: {}", b.reason),
        Kind::LogKeyChanged(_) => "the log's key changed".to_owned(),
        Kind::CustodyReestablished(b) => format!("custody established anew: {}", b.reason),
        Kind::ClockConfirmed(b) => format!("the service's clock confirmed by {}", b.method),
        Kind::AircraftListed(b) => format!("aircraft {} listed with {} engines", b.registration, b.engines.len()),
        Kind::EngineChanged(b) => {
            let out = b.removed.as_ref().map(|e| format!("{} out", e.serial));
            let into = b.installed.as_ref().and_then(|e| e.engine.as_ref()).map(|e| format!("{} in", e.serial));
            let changes: Vec<String> = [out, into].into_iter().flatten().collect();
            format!("engine changed: {}", changes.join(", "))
        }
        Kind::AnnexErased(b) => format!("{} annexes erased: {}", b.digests.len(), b.reason),
        Kind::EpochOpened(b) => format!("epoch {} opened at entry {}", b.epoch, b.restored_size),
        _ => return None,
    })
}

fn authority_name(authority: v1::Authority) -> &'static str {
    match authority {
        v1::Authority::Unspecified => "an authority",
        v1::Authority::Perform => "perform",
        v1::Authority::Inspect => "inspect",
        v1::Authority::Run => "run engines",
        v1::Authority::Certify => "certify",
        v1::Authority::Waive => "waive",
        v1::Authority::Plan => "plan",
        v1::Authority::Custody => "keep custody",
    }
}

fn wash(kind: &Kind, roster: &Roster) -> Option<String> {
    let of = engines_named(kind).first().map(|e| format!(" of engine {}", e.position)).unwrap_or_default();
    let on = engines_named(kind).first().map(|e| format!(" on engine {}", e.position)).unwrap_or_default();
    Some(match kind {
        Kind::WashOpened(b) => format!("wash opened under work order {}", b.work_order),
        Kind::WashInterrupted(b) => format!("wash interrupted: {}", b.reason),
        Kind::WashResumed(_) => "wash resumed".to_owned(),
        Kind::WashAbandoned(b) => format!("wash abandoned: {}", b.reason),
        Kind::EngineDropped(b) => format!("engine dropped from the wash{on}: {}", b.reason),
        Kind::DeviceJoined(b) => format!("device {} joined the wash", device(&b.device, roster)),
        Kind::DeviceLeft(b) => format!("device {} left the wash", device(&b.device, roster)),
        Kind::HandedOver(b) => format!("handed over with {} open items", b.open_items.len()),
        Kind::Isolated(b) => format!("{}{of} isolated", b.isolation),
        Kind::IsolationRestored(b) => format!("{}{of} restored", b.isolation),
        Kind::FoundDeferred(b) => format!("{}{of} found already deferred, {}", b.isolation, b.reference),
        Kind::AccessOpened(b) => format!("{}{of} opened", b.access),
        Kind::AccessClosed(b) => format!("{}{of} closed", b.access),
        Kind::LineDisconnected(b) => format!("line {}{of} disconnected", b.line),
        Kind::LineReconnected(b) => format!("line {}{of} reconnected", b.line),
        Kind::LineRepaired(b) => format!("line {}{of} repaired to {}", b.line, b.data_reference),
        Kind::PartReplaced(b) => format!("{} of line {}{of} replaced", b.part, b.line),
        Kind::FixtureFitted(b) => format!("{}{} fitted{on}", b.fixture, tag(&b.tag)),
        Kind::FixtureRemoved(b) => format!("{}{} removed{on}", b.fixture, tag(&b.tag)),
        Kind::ElementNotUsed(b) => format!("{}{of} not used: {}", b.element, b.reason),
        Kind::WaterReady(b) => format!("water ready in {}{}", b.rig, celsius(b.water_tenths_celsius)),
        Kind::OutsideConditions(b) => format!("outside air{}", celsius(b.air_tenths_celsius)),
        Kind::MetalTemperature(b) => format!("metal{on}{}", celsius(b.metal_tenths_celsius)),
        Kind::AreaCleared(_) => format!("area cleared for motoring{on}"),
        Kind::AreaReleased(_) => format!("watch on the area ended{on}"),
        Kind::CycleRun(b) => {
            let seconds = b.injection_started_ms.zip(b.injection_ended_ms).map(|(s, e)| e.saturating_sub(s) / 1000);
            seconds.map_or_else(|| format!("motored{on}"), |s| format!("water injected{on} for {s} s"))
        }
        Kind::MotoringAborted(b) => format!("motoring aborted{on}: {}", b.reason),
        Kind::DryCrankRun(_) => format!("dry crank run{on}"),
        Kind::LeakChecked(b) => format!("line {}{of} leak-checked, {}", b.line, result(b.result)),
        Kind::ToolsOut(b) if b.none_used => "no tools used".to_owned(),
        Kind::ToolsOut(b) => format!("tools out: {}", b.tools.join(", ")),
        Kind::ToolsIn(b) => format!("tools in: {}", b.tools.join(", ")),
        Kind::ToolSearched(b) => format!("tool {} searched for: {}", b.tool, b.places),
        Kind::FinalCheckDone(_) => "final check done".to_owned(),
        Kind::DefectRaised(b) if b.line.is_empty() => format!("defect raised{on}"),
        Kind::DefectRaised(b) => format!("damage to line {}{of} raised", b.line),
        Kind::Remark(_) => "remark".to_owned(),
        Kind::Inspected(b) => format!("line {}{of} inspected, {}", b.line, result(b.result)),
        Kind::LatchesSeen(b) if b.all_latched == Some(true) => format!("{}{of} seen latched", b.access),
        Kind::LatchesSeen(b) => format!("{}{of} seen, not all latched", b.access),
        Kind::RunUpDone(b) => format!("run-up done{on}, {}", result(b.result)),
        _ => return None,
    })
}

fn certifying(kind: &Kind, roster: &Roster) -> Option<String> {
    let on = engines_named(kind).first().map(|e| format!(" on engine {}", e.position)).unwrap_or_default();
    Some(match kind {
        Kind::DefectSettled(b) => format!("defect settled, {}", b.reference),
        Kind::FindingSettled(b) => {
            let accepted = b.outcome == v1::FindingOutcome::Accepted as i32;
            format!("finding {} {}: {}", b.rule, if accepted { "accepted" } else { "rejected" }, b.reason)
        }
        Kind::DriedOtherwise(b) => format!("engine dried otherwise{on} to {}", b.data_reference),
        Kind::ReinspectedAlone(b) => format!("inspected again alone{on}, {}: {}", result(b.result), b.reason),
        Kind::RevisionDecided(b) => format!("decided on the newer revision: {}", b.reason),
        Kind::OverdueDecided(b) => format!("decided on the overdue run-up{on}: {}", b.decision),
        Kind::ToolRecalled(b) => format!("tool {} recalled: {}", b.tool, b.reason),
        Kind::JointDispositioned(b) => format!("joint of line {}{on} dispositioned: {}", b.line, b.disposition),
        Kind::ToolSearchAccepted(b) => format!("search for tool {} accepted", b.tool),
        Kind::DeviceSettled(b) => format!("device {} settled: {}", device(&b.device, roster), b.reason),
        Kind::SignedOff(b) => format!("wash signed off: {}", b.description),
        Kind::ReleaseReferenceRecorded(b) => format!("release reference {} recorded", b.reference),
        Kind::RunUpWaived(b) => format!("run-up waived{on}, air from {}", b.air_source),
        _ => return None,
    })
}

fn other(kind: &Kind, roster: &Roster) -> String {
    let engines: Vec<String> = engines_named(kind).iter().map(|e| e.position.to_string()).collect();
    let engines = engines.join(" and ");
    match kind {
        Kind::StartPlanned(b) => {
            let at = b.planned_start_ms.map(|ms| super::instants::clock(ms / 1000, None)).unwrap_or_default();
            format!("start of engine {engines} planned for {at}")
        }
        Kind::StartCancelled(b) => format!("planned start cancelled: {}", b.reason),
        Kind::EngineStarted(_) => format!("engine {engines} started"),
        Kind::QuestionAsked(_) => "asked what is open before a departure".to_owned(),
        Kind::Corrected(b) => format!("a fact corrected: {}", b.reason),
        Kind::Countersigned(_) => "countersigned".to_owned(),
        Kind::FactRefused(b) => format!("a fact from device {} refused", device(&b.device, roster)),
        Kind::PlacesLost(b) => format!("facts lost by device {}", device(&b.device, roster)),
        Kind::ForkSeen(b) => format!("two facts in one place from device {}", device(&b.device, roster)),
        Kind::DeviceReported(_) => "a device reported".to_owned(),
        Kind::QuestionAnswered(_) => "a question answered".to_owned(),
        Kind::PackIssued(b) => format!("a pack issued to {}", b.issued_to),
        Kind::VersionsInForce(b) => format!("rules version {} in force", b.rules_version),
        named => super::kinds::kind_name(named).replace('-', " "),
    }
}

fn result(value: i32) -> &'static str {
    if value == CheckResult::Satisfactory as i32 { "satisfactory" } else { "not satisfactory" }
}

fn tag(tag: &str) -> String {
    if tag.is_empty() { String::new() } else { format!(" (tag {tag})") }
}

fn celsius(tenths: Option<i32>) -> String {
    let said = |t: i32| {
        let (sign, size) = (if t < 0 { "−" } else { "" }, t.unsigned_abs());
        format!(" at {sign}{}.{} °C", size / 10, size % 10)
    };
    tenths.map(said).unwrap_or_default()
}

fn device(id: &[u8], roster: &Roster) -> String {
    let known = Id::from_slice(id).and_then(|id| roster.device(&id, u64::MAX));
    known.map(|d| d.label.clone()).filter(|l| !l.is_empty()).unwrap_or_else(|| short(id))
}

fn short(id: &[u8]) -> String {
    Hash::from_slice(id).map(|h| h.short()).or_else(|| Id::from_slice(id).map(|i| i.short())).unwrap_or_default()
}
