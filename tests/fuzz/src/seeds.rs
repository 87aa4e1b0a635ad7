//! Inputs to begin from: for each target some that its reader takes. They are made from real keys and facts of an invented
//! wash, always the same, and kept in `corpus` beside what the fuzzers found.

use std::convert::Infallible;
use std::path::Path;
use std::sync::Arc;

use prost::Message;
use rinsebook_proto::bytes::{Hash, Id};
use rinsebook_proto::cosignature::AddCheckpoint;
use rinsebook_proto::entry::{Built, Entry, EntryChain};
use rinsebook_proto::fact::{Envelope, FACT_TYPE, Kind, REPORT_TYPE, Subject};
use rinsebook_proto::journal::{self, Journal, Options};
use rinsebook_proto::note::{Checkpoint, VerifierKey};
use rinsebook_proto::pack::{Pack, PackedBlob, Proved, View};
use rinsebook_proto::proof::Proof;
use rinsebook_proto::tiles::{self, Sort, Tile};
use rinsebook_proto::tree::{Tree, leaf_hash};
use rinsebook_proto::v1::{self, CheckResult};

use crate::disk::MemoryDisk;
use crate::facts::{FIRST_KIND, header};
use crate::journal::{AS_IT_IS, OUTBOX, TWO_SEGMENTS};
use crate::log::{ORIGIN, log_key};
use crate::story::{AIRCRAFT, AT_ANY_TIME, DAY_MS, ENGINE_ONE, NAMES_ANOTHER, Step, WASH, id, procedure_digest};

/// An input for a target, and the name of its file.
#[derive(Debug, Clone)]
pub struct Seed {
    /// The target that it is for.
    pub target: &'static str,
    /// The file's name in the target's folder.
    pub name: String,
    /// The input.
    pub bytes: Vec<u8>,
}

/// All of them.
pub fn seeds() -> Vec<Seed> {
    let mut all = Vec::new();
    for (target, made) in [
        ("bundle", bundles()),
        ("entry", entries()),
        ("envelope", envelopes()),
        ("fact", facts()),
        ("journal", journals()),
        ("note", notes()),
        ("pack", packs()),
        ("procedure", procedures()),
        ("proof", proofs()),
        ("receipt", receipts()),
        ("request", requests()),
        ("story", stories()),
        ("tile", paths()),
    ] {
        all.extend(made.into_iter().map(|(name, bytes)| Seed { target, name: format!("seed-{name}"), bytes }));
    }
    all
}

type Named = (String, Vec<u8>);

fn named(name: &str, bytes: Vec<u8>) -> Named {
    (name.to_owned(), bytes)
}

fn engine() -> Option<v1::EngineAt> {
    Some(v1::EngineAt { position: 1, serial: "OT-1".to_owned() })
}

fn at(hour: u64, minute: u64) -> u64 {
    DAY_MS + (hour * 60 + minute) * 60_000
}

/// A wash of one engine from its opening to its sign-off: who, how many minutes later, what.
fn wash() -> Vec<(u8, i16, Kind)> {
    let (tech, inspector, runner, certifier, planner) = (1, 2, 3, 4, 6);
    vec![
        (tech, 480, opened()),
        (tech, 1, Kind::ToolsOut(v1::ToolsOut { tools: vec![], none_used: true })),
        (tech, 1, Kind::LineDisconnected(v1::LineDisconnected { engine: engine(), line: "PS-1".into(), ..none() })),
        (tech, 1, Kind::AccessOpened(v1::AccessOpened { engine: engine(), access: "fan cowl".into() })),
        (tech, 1, water_ready()),
        (tech, 1, Kind::OutsideConditions(v1::OutsideConditions { air_tenths_celsius: Some(150) })),
        (tech, 1, Kind::AreaCleared(v1::AreaCleared { engine: engine(), watch_person: id("inspector").to_vec() })),
        (tech, 60, cycle()),
        (tech, 20, dry_crank()),
        (tech, 5, reconnected()),
        (inspector, 5, Kind::Inspected(v1::Inspected { engine: engine(), line: "PS-1".into(), result: good() })),
        (tech, 2, Kind::AccessClosed(v1::AccessClosed { engine: engine(), access: "fan cowl".into() })),
        (planner, 1, planned()),
        (runner, 30, run_up()),
        (certifier, 10, signed_off()),
    ]
}

fn none<T: Default>() -> T {
    T::default()
}

fn good() -> i32 {
    CheckResult::Satisfactory as i32
}

fn opened() -> Kind {
    let scope = v1::EngineInScope { engine: engine(), last_shutdown_ms: Some(at(6, 0)), ..none() };
    Kind::WashOpened(v1::WashOpened {
        work_order: "WO-1".into(),
        procedure: Some(v1::ProcedureRef { digest: procedure_digest().to_vec() }),
        engines: vec![scope],
        devices: vec![],
        station: "north".into(),
    })
}

fn water_ready() -> Kind {
    Kind::WaterReady(v1::WaterReady {
        rig: "rig 1".into(),
        water_tenths_celsius: Some(700),
        volume_millilitres: Some(300_000),
        additive_per_mille: Some(0),
    })
}

fn cycle() -> Kind {
    Kind::CycleRun(v1::CycleRun {
        engine: engine(),
        motoring_started_ms: Some(at(8, 50)),
        rotation_confirmed_ms: Some(at(8, 50) + 5_000),
        injection_started_ms: Some(at(8, 50) + 10_000),
        injection_ended_ms: Some(at(8, 52) + 10_000),
        motoring_ended_ms: Some(at(8, 52) + 11_000),
        speed_tenths_percent: Some(300),
        water_tenths_celsius: Some(700),
        volume_millilitres: Some(300_000),
    })
}

fn dry_crank() -> Kind {
    Kind::DryCrankRun(v1::DryCrankRun {
        engine: engine(),
        motoring_started_ms: Some(at(9, 10)),
        motoring_ended_ms: Some(at(9, 12)),
        speed_tenths_percent: Some(300),
    })
}

fn reconnected() -> Kind {
    Kind::LineReconnected(v1::LineReconnected {
        engine: engine(),
        line: "PS-1".into(),
        torque_millinewton_metres: Some(17_000),
        tool: Some(v1::ToolUsed { tool: "TW-1".into(), calibration_due_unix_day: Some(30_000) }),
        locking: Some(v1::Locking::Wire as i32),
        helpers: vec![id("inspector").to_vec()],
    })
}

fn planned() -> Kind {
    Kind::StartPlanned(v1::StartPlanned {
        engines: engine().into_iter().collect(),
        planned_start_ms: Some(at(11, 0)),
        air_source: "ground air".into(),
    })
}

fn run_up() -> Kind {
    Kind::RunUpDone(v1::RunUpDone {
        engine: engine(),
        started_ms: Some(at(10, 0)),
        ended_ms: Some(at(10, 6)),
        idle_or_above_seconds: Some(300),
        result: good(),
    })
}

fn signed_off() -> Kind {
    Kind::SignedOff(v1::SignedOff {
        description: "Core wash".into(),
        data_reference: "invented data 1".into(),
        completion_unix_day: Some(20_833),
        performer: vec![],
        certificate_number: Some(v1::AnnexRef { digest: vec![9; 32] }),
        certificate_kind: "invented".into(),
        cycles_stated: vec![v1::CyclesStated { engine: engine(), cycles: Some(1) }],
    })
}

/// A correction of the kind before it.
fn corrected(kind: &Kind) -> Kind {
    Kind::Corrected(v1::Corrected {
        outcome: v1::CorrectionOutcome::Replace as i32,
        kind_field: v1::Fact { header: None, kind: Some(kind.clone()) }.encode_to_vec(),
        happened_ms: Some(at(8, 30)),
        reason: "written down wrong".into(),
    })
}

/// The kind's number from 0, and its body's bytes.
fn body(kind: &Kind) -> (u8, Vec<u8>) {
    let mut rest = v1::Fact { header: None, kind: Some(kind.clone()) }.encode_to_vec();
    let mut field = rest.as_slice();
    let (number, _) = prost::encoding::decode_key(&mut field).expect("a field");
    prost::encoding::decode_varint(&mut field).expect("its length");
    let head = rest.len() - field.len();
    rest.drain(..head);
    ((number - FIRST_KIND) as u8, rest)
}

fn facts() -> Vec<Named> {
    let mut all: Vec<Named> = wash()
        .iter()
        .map(|(_, _, kind)| {
            let (number, body) = body(kind);
            named(&format!("kind-{}", FIRST_KIND + u32::from(number)), [vec![number + 1], body].concat())
        })
        .collect();
    let whole = v1::Fact { header: Some(header()), kind: Some(cycle()) }.encode_to_vec();
    all.push(named("whole", [vec![0], whole].concat()));
    all
}

fn envelopes() -> Vec<Named> {
    let payload = |kind| v1::Fact { header: Some(header()), kind: Some(kind) }.encode_to_vec();
    let report = v1::Report { device: vec![2; 16], made_ms: at(8, 0), unsent: 3, head: vec![1; 32], ..none() };
    vec![
        named("cycle", Envelope::sign(payload(cycle()), FACT_TYPE, &log_key()).bytes().to_vec()),
        named("opened", Envelope::sign(payload(opened()), FACT_TYPE, &log_key()).bytes().to_vec()),
        named("report", Envelope::sign(report.encode_to_vec(), REPORT_TYPE, &log_key()).bytes().to_vec()),
    ]
}

fn entries() -> Vec<Named> {
    let mut chain = EntryChain::default();
    let engine = Subject::Engine("OT-1".to_owned());
    let subjects = [Subject::Aircraft(Id([5; 16])), engine, Subject::Wash(Id([6; 16])), Subject::Roster];
    let first = chain.build(&subjects, b"an envelope", at(8, 0), false).unwrap().data;
    let second = chain.build(&subjects[1..3], b"another one", at(8, 1), true).unwrap().data;
    let bare = chain.build(&[], b"", at(8, 2), false).unwrap().data;
    vec![named("first", first), named("second", second), named("bare", bare)]
}

fn notes() -> Vec<Named> {
    let checkpoint = Checkpoint { origin: ORIGIN.to_owned(), size: 42, root: Hash::of(b"root") };
    let key = VerifierKey::new(ORIGIN, log_key().verifying_key());
    let note = checkpoint.sign(&log_key());
    let extended = format!("{}an extension line\n", checkpoint.text());
    vec![
        named("note", note.into_bytes()),
        named("text", checkpoint.text().into_bytes()),
        named("extended", extended.into_bytes()),
        named("verifier-key", key.to_string().into_bytes()),
    ]
}

fn proofs() -> Vec<Named> {
    let mut tree = Tree::default();
    (0u64..37).for_each(|i| tree.push(leaf_hash(&i.to_be_bytes())));
    let input = |first: u64, second: u64, one: Hash, two: Hash, proof: Vec<Hash>| {
        let mut out = [&first.to_be_bytes()[..], &second.to_be_bytes(), &one.0, &two.0, &[4, 9]].concat();
        proof.iter().for_each(|hash| out.extend_from_slice(&hash.0));
        out
    };
    let root = tree.root(37);
    let inclusion = tree.inclusion(21, 37).expect("below the size");
    let consistency = tree.consistency(12, 37).expect("not above the size");
    vec![
        named("inclusion", input(21, 37, tree.leaf(21).expect("there"), root, inclusion)),
        named("consistency", input(12, 37, tree.root(12), root, consistency)),
    ]
}

fn bundles() -> Vec<Named> {
    let made: Vec<Vec<u8>> = entries().into_iter().map(|(_, bytes)| bytes).collect();
    let with_width = |entries: &[Vec<u8>]| [&[entries.len() as u8 - 1][..], &tiles::bundle(entries).unwrap()].concat();
    let mut torn = with_width(&made);
    torn.pop();
    vec![named("three", with_width(&made)), named("one", with_width(&made[..1])), named("torn", torn)]
}

fn paths() -> Vec<Named> {
    let path = |sort, number, width| Tile { sort, number, width }.path().into_bytes();
    vec![
        named("leaves", path(Sort::Hashes(0), 1_234_067, 256)),
        named("edge", path(Sort::Hashes(2), 0, 7)),
        named("entries", path(Sort::Entries, 12, 255)),
        named("torn", b"tile/0/12".to_vec()),
    ]
}

fn packs() -> Vec<Named> {
    let mut chain = EntryChain::default();
    let mut tree = Tree::default();
    let mut made = Vec::new();
    for n in 0..3u64 {
        let Built { data, hash, .. } = chain.build(&[Subject::Roster], b"an envelope", at(8, n), false).unwrap();
        let entry = Entry::decode(&data).unwrap();
        tree.push(hash);
        made.push((entry, data));
    }
    let proved = |(entry, data): (Entry, Vec<u8>)| Proved {
        proof: tree.inclusion(entry.index, 3).expect("below the size"),
        entry,
        data,
    };
    let view = View { size: 2, root: tree.root(2), proof: tree.consistency(2, 3).expect("not above the size") };
    let note = Checkpoint { origin: ORIGIN.to_owned(), size: 3, root: tree.root(3) }.sign(&log_key());
    let blob = |salt: &[u8], content: &[u8]| PackedBlob { salt: salt.to_vec(), content: content.to_vec() };
    let mut blobs = vec![blob(&[], b"a procedure"), blob(&[7; 16], b"a name")];
    blobs.sort_by_key(PackedBlob::digest);
    let entries: Vec<Proved> = made.into_iter().rev().map(proved).collect();
    let bare = Pack { entries: entries[..1].to_vec(), note: note.clone(), ..Pack::default() };
    let whole = Pack { entries, views: vec![view], blobs, note };
    let mut torn = whole.encode().unwrap();
    torn.truncate(torn.len() - 40);
    vec![named("whole", whole.encode().unwrap()), named("bare", bare.encode().unwrap()), named("torn", torn)]
}

fn receipts() -> Vec<Named> {
    let mut tree = Tree::default();
    (0u64..37).for_each(|i| tree.push(leaf_hash(&i.to_be_bytes())));
    let note = Checkpoint { origin: ORIGIN.to_owned(), size: 37, root: tree.root(37) }.sign(&log_key());
    let hashes = tree.inclusion(21, 37).expect("below the size");
    let proof = Proof { entry: Some(21u64.to_be_bytes().to_vec()), index: 21, hashes, note };
    let bare = Proof { entry: None, ..proof.clone() };
    vec![
        named("whole", proof.to_string().into_bytes()),
        named("bare", bare.to_string().into_bytes()),
        named("torn", b"c2sp.org/tlog-proof@v1\nindex 021\n\nnote\n".to_vec()),
    ]
}

fn requests() -> Vec<Named> {
    let mut tree = Tree::default();
    (0u64..37).for_each(|i| tree.push(leaf_hash(&i.to_be_bytes())));
    let note = Checkpoint { origin: ORIGIN.to_owned(), size: 37, root: tree.root(37) }.sign(&log_key());
    let proof = tree.consistency(12, 37).expect("not above the size");
    let grown = AddCheckpoint { old_size: 12, proof, note: note.clone() };
    let first = AddCheckpoint { old_size: 0, proof: vec![], note };
    vec![
        named("grown", grown.to_string().into_bytes()),
        named("first", first.to_string().into_bytes()),
        named("torn", b"old 012\n\n".to_vec()),
    ]
}

fn procedures() -> Vec<Named> {
    let two_lines = include_str!("../../scenarios/procedures/two-lines.toml");
    let bare = include_str!("../../scenarios/procedures/bare.toml");
    let rows = include_str!("../../scenarios/procedures/two-rows.toml");
    [("two-lines", two_lines), ("bare", bare), ("two-rows", rows)].map(|(n, text)| named(n, text.into())).to_vec()
}

fn journals() -> Vec<Named> {
    let outbox = segments(journal::Kind::Outbox, 1 << 20);
    let log = segments(journal::Kind::Log, 1 << 20);
    let rolled = segments(journal::Kind::Log, 100);
    let with = |flags: u8, bytes: &[u8]| [&[flags], bytes].concat();
    let two = [&[TWO_SEGMENTS][..], &(rolled[0].len() as u16).to_be_bytes(), &rolled[0], &rolled[1]].concat();
    vec![
        named("outbox", with(OUTBOX, &outbox[0])),
        named("outbox-as-it-is", with(OUTBOX | AS_IT_IS, &outbox[0])),
        named("log", with(0, &log[0])),
        named("torn", with(0, &log[0][..180])),
        named("two-segments", two),
    ]
}

/// Two groups and a mark. The previous hash of a second segment is zeros, as the target answers for every group.
fn segments(kind: journal::Kind, segment_bytes: u64) -> Vec<Vec<u8>> {
    let disk = MemoryDisk::default();
    let options = Options { kind, grow_bytes: 16, segment_bytes };
    let end: &[u8] = if kind == journal::Kind::Log { b"note" } else { b"" };
    let opened =
        Journal::create_or_open(Arc::new(disk.clone()), Path::new("journal"), options, |_| Ok::<_, Infallible>(()));
    let (mut journal, _) = opened.expect("a new journal");
    journal.append(0, [0; 32], &[&b"one"[..], b"two"], end).expect("there is space");
    journal.append(2, [0; 32], &[b"three"], end).expect("there is space");
    journal.mark().expect("there is space");
    disk.files().into_values().collect()
}

fn stories() -> Vec<Named> {
    let steps: Vec<Step> = wash().iter().map(|(who, minutes, kind)| step(*who, *minutes, kind)).collect();
    let plain =
        |steps: &[Step]| [at(11, 0).to_be_bytes().to_vec(), steps.iter().flat_map(Step::encode).collect()].concat();
    let mut mended = steps[..8].to_vec();
    let correction = step(1, 10, &corrected(&cycle()));
    mended.push(Step { flags: correction.flags | NAMES_ANOTHER, back: 0, ..correction });
    let mut early = steps[..10].to_vec();
    early[7] = Step { flags: early[7].flags | AT_ANY_TIME, at_ms: 0, ..early[7].clone() };
    vec![
        named("wash", plain(&steps)),
        named("half", plain(&steps[..9])),
        named("corrected", plain(&mended)),
        named("at-any-time", plain(&early)),
    ]
}

fn step(who: u8, minutes: i16, kind: &Kind) -> Step {
    let (kind, body) = body(kind);
    Step { kind, who, flags: AIRCRAFT | WASH | ENGINE_ONE, minutes, body, ..Step::default() }
}
