//! How far an audit has come, kept in a file, so that the next one goes on from there: what was found about entries below is
//! not found again, but that they are still the same is. Beside it, under the same name and `.roots`, stand the checkpoints
//! that signers may have seen.

mod erasures;

use std::collections::HashMap;
use std::fs::OpenOptions;
use std::io::{Error, Write};
use std::path::{Path, PathBuf};
use std::sync::Arc;

use rinsebook_proto::bytes::{Hash, Id};
use rinsebook_proto::entry::{EntryChain, Head, SubjectHeads};
use rinsebook_proto::fact::{Kind, MAX_SERVICE_ENVELOPE_BYTES, Signed, Subject};
use rinsebook_proto::rules::{Recorded, SignatureState};
use rinsebook_proto::succession::{Before, LogKeys};
use rinsebook_proto::tree::Edge;
use serde::{Deserialize, Serialize};

use self::erasures::KeptErasures;
use super::checker::Checker;
use super::otherwise::SeenOtherwise;
use super::places::{End, Places};
use super::seen::Checkpoints;
use super::{Asked, Fault};

/// 1 did not hold what erasures are judged by, 2 not what devices say to have seen otherwise.
const FORMAT: u32 = 3;

/// What stands in the file; hashes, ids and envelopes in hex.
#[derive(Debug, Serialize, Deserialize)]
struct Kept {
    format: u32,
    size: u64,
    root: String,
    last_entry_hash: String,
    last_received_ms: u64,
    peaks: Vec<String>,
    checkpoints: u64,
    groups: u64,
    signatures: u64,
    reports: u64,
    refused_places: u64,
    lost_places: u64,
    roster: Vec<KeptFact>,
    subjects: Vec<(i32, String, u64, u64, String)>,
    runs: Vec<(String, String, u64, Option<String>)>,
    early: Vec<(String, u64)>,
    late: Vec<(String, u64)>,
    erasures: KeptErasures,
    /// Device, facts, index and hash of the first, and what does not fit.
    seen_otherwise: Vec<(String, u64, u64, String, String)>,
}

#[derive(Debug, Serialize, Deserialize)]
struct KeptFact {
    index: u64,
    received_ms: u64,
    envelope: String,
}

fn roots(file: &Path) -> PathBuf {
    let mut name = file.as_os_str().to_owned();
    name.push(".roots");
    PathBuf::from(name)
}

/// Keeps where an audit stands.
pub(super) fn keep(checker: &mut Checker, file: &Path) -> std::io::Result<()> {
    let checkpoints = checker.checkpoints.flush()?;
    let (_, refused_places, lost_places) = checker.places.counts();
    let kept = Kept {
        format: FORMAT,
        size: checker.edge.size(),
        root: checker.edge.root().to_string(),
        last_entry_hash: checker.chain.last_hash().to_string(),
        last_received_ms: checker.chain.last_received_ms(),
        peaks: checker.edge.peaks().iter().map(Hash::to_string).collect(),
        checkpoints,
        groups: checker.good.groups,
        signatures: checker.good.signatures,
        reports: checker.good.reports,
        refused_places,
        lost_places,
        roster: checker.keys.noted().iter().map(kept_fact).collect(),
        subjects: checker.chain.heads().iter().map(kept_head).collect(),
        runs: checker.places.runs().map(kept_run).collect(),
        early: checker.early.iter().map(|(key, count)| (key.to_string(), *count)).collect(),
        late: checker.late.iter().map(|(key, index)| (key.to_string(), *index)).collect(),
        erasures: KeptErasures::of(&checker.keys.erasures().known()),
        seen_otherwise: checker.otherwise.iter().map(kept_otherwise).collect(),
    };
    let text = serde_json::to_vec(&kept)?;
    let part = file.with_extension("part");
    let mut out = std::fs::File::create(&part)?;
    out.write_all(&text)?;
    out.sync_all()?;
    std::fs::rename(&part, file)
}

fn kept_fact(recorded: &Recorded) -> KeptFact {
    let envelope = hex::encode(recorded.fact.bytes());
    KeptFact { index: recorded.index, received_ms: recorded.received_ms, envelope }
}

fn kept_head((subject, head): (&Subject, &Head)) -> (i32, String, u64, u64, String) {
    (subject.kind() as i32, hex::encode(subject.id()), head.count, head.index, head.hash.to_string())
}

fn kept_otherwise(found: &SeenOtherwise) -> (String, u64, u64, String, String) {
    (found.device.to_string(), found.facts, found.index, found.fact.to_string(), found.why.clone())
}

fn kept_run(((device, run), end): (&(Id, Id), &End)) -> (String, String, u64, Option<String>) {
    (device.to_string(), run.to_string(), end.next_counter, end.expected_previous.map(|hash| hash.to_string()))
}

/// A checker that stands where the kept one stood; a new one, which will keep its checkpoints beside the file, where there
/// is none yet.
pub(super) fn resume(asked: &Asked<'_>, file: &Path) -> Result<Checker, Fault> {
    let could_not =
        |why: String| Fault::CouldNot(format!("{}: {why}; move it away to audit from the beginning", file.display()));
    let beside = OpenOptions::new().read(true).write(true).create(true).truncate(false).open(roots(file));
    let beside = beside.map_err(|e| could_not(e.to_string()))?;
    let mut checker = Checker::new(asked);
    let text = match std::fs::read(file) {
        Ok(text) => text,
        Err(error) if error.kind() == std::io::ErrorKind::NotFound => {
            checker.checkpoints = Checkpoints::resume(beside, 0).map_err(|e| could_not(e.to_string()))?;
            return Ok(checker);
        }
        Err(error) => return Err(could_not(error.to_string())),
    };
    let kept: Kept = serde_json::from_slice(&text).map_err(|e| could_not(e.to_string()))?;
    checker.checkpoints = Checkpoints::resume(beside, kept.checkpoints).map_err(|e| could_not(e.to_string()))?;
    fill(&mut checker, &kept).ok_or_else(|| could_not("it is not what an audit keeps".to_owned()))?;
    Ok(checker)
}

fn fill(checker: &mut Checker, kept: &Kept) -> Option<()> {
    if kept.format != FORMAT {
        return None;
    }
    let hash = |text: &String| Hash::from_hex(text);
    let peaks = kept.peaks.iter().map(hash).collect::<Option<Vec<Hash>>>()?;
    checker.edge = Edge::resume(kept.size, peaks).filter(|edge| Some(edge.root()) == hash(&kept.root))?;
    let mut heads = SubjectHeads::default();
    for (kind, id, count, index, entry_hash) in &kept.subjects {
        let subject = Subject::from_parts(*kind, &hex::decode(id).ok()?)?;
        heads.restore(subject, Head { count: *count, index: *index, hash: hash(entry_hash)? });
    }
    let last = hash(&kept.last_entry_hash)?;
    checker.chain = EntryChain::resume(kept.size, last, kept.last_received_ms, heads);
    let run = |(device, run, next_counter, previous): &(String, String, u64, Option<String>)| {
        let expected_previous = match previous {
            Some(text) => Some(Hash::from_hex(text)?),
            None => None,
        };
        Some(((Id::from_hex(device)?, Id::from_hex(run)?), End { next_counter: *next_counter, expected_previous }))
    };
    let runs = kept.runs.iter().map(run).collect::<Option<Vec<_>>>()?;
    checker.places = Places::resume(runs.into_iter(), kept.refused_places, kept.lost_places);
    roster(checker, &kept.roster)?;
    checker.keys.resume_erasures(kept.erasures.known()?);
    let counts = |list: &[(String, u64)]| -> Option<HashMap<Hash, u64>> {
        list.iter().map(|(key, count)| Some((Hash::from_hex(key)?, *count))).collect()
    };
    checker.early = counts(&kept.early)?;
    checker.late = counts(&kept.late)?;
    for (device, facts, index, fact, why) in &kept.seen_otherwise {
        let (device, fact, why) = (Id::from_hex(device)?, hash(fact)?, why.clone());
        checker.otherwise.add(SeenOtherwise { device, facts: *facts, index: *index, fact, why });
    }
    checker.good.entries = kept.size;
    checker.good.resumed = kept.size;
    checker.good.groups = kept.groups;
    checker.good.signatures = kept.signatures;
    checker.good.reports = kept.reports;
    Some(())
}

/// Enrols everybody again, and follows the log's keys.
fn roster(checker: &mut Checker, facts: &[KeptFact]) -> Option<()> {
    for kept in facts {
        let fact = Signed::parse(&hex::decode(&kept.envelope).ok()?, MAX_SERVICE_ENVELOPE_BYTES).ok()?;
        let recorded = Recorded {
            index: kept.index,
            received_ms: kept.received_ms,
            clock_unsure: false,
            fact: Arc::new(fact),
            // The roster looks for itself, as it did when it was met.
            signature: SignatureState::Unchecked,
        };
        if let (0, Some(Kind::RecordFounded(founded))) = (kept.index, recorded.fact.kind()) {
            checker.record = recorded.fact.hash();
            checker.keys.found(&recorded, founded);
            checker.log_keys = Some(LogKeys::founded(founded).ok()?);
            continue;
        }
        let known = checker.keys.successions().len();
        checker.keys.note(&recorded);
        for succession in checker.keys.successions_since(known) {
            let before = Before { size: kept.index, root: None };
            let _ = checker.log_keys.as_mut()?.follow(succession, before);
        }
    }
    Some(())
}

/// Says why an audit's state could not be kept.
pub(super) fn not_kept(file: &Path) -> impl Fn(Error) -> Fault {
    move |e| Fault::CouldNot(format!("the log is good, but {} could not be written: {e}", file.display()))
}
