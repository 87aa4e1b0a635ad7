//! Bytes that the log takes beyond the envelopes themselves.

use std::sync::Arc;

use anyhow::Result;
use rinsebook_proto::entry::{Built, EntryChain};
use rinsebook_proto::fact::Subject;
use rinsebook_proto::journal::{self, Journal, Options, RealDisk};
use rinsebook_proto::key;
use rinsebook_proto::note::Checkpoint;
use rinsebook_proto::tree::Edge;

use super::Run;
use super::figure::{Figure, Reach, Round};
use super::stations::presigned;
use crate::fleet::{Fleet, ORIGIN_NAME};

/// Entries in a group: the least that is asked about.
const GROUP: usize = 16;
/// Groups.
const GROUPS: usize = 500;

/// A log of facts with three subjects each (aircraft, wash, one engine), in groups of 16.
pub(super) fn disk(run: &Run) -> Result<Vec<Figure>> {
    let base = Fleet::of(run.small())?;
    let dir = run.folder("disk")?;
    let options = Options::new(journal::Kind::Log);
    let (mut journal, _) = Journal::create_or_open(Arc::new(RealDisk), &dir, options, |_| Ok::<_, String>(()))?;
    let signed = presigned(&base, 1, GROUP * GROUPS * 2)?;
    let three = |subjects: &[Subject]| subjects.len() == 3;
    let facts = signed[0].facts.iter().filter(|fact| three(&fact.header().subjects)).take(GROUP * GROUPS);
    let facts: Vec<_> = facts.collect();
    let (log_key, mut chain, mut edge) = (key::generate(), EntryChain::default(), Edge::default());
    let mut envelopes = 0;
    for group in facts.chunks(GROUP) {
        let (first, previous) = (chain.next_index(), chain.last_hash());
        let mut records = Vec::new();
        for fact in group {
            let Built { data, hash, .. } = chain.build(&fact.header().subjects, fact.bytes(), 1, false)?;
            edge.push(hash);
            records.push(data);
            envelopes += fact.bytes().len();
        }
        let origin = format!("{ORIGIN_NAME}/1");
        let note = Checkpoint { origin, size: edge.size(), root: edge.root() }.sign(&log_key);
        journal.append(first, previous.0, &records, note.as_bytes())?;
    }
    drop(journal);
    let (n, used) = (facts.len() as f64, used_bytes(&dir)?);
    let round = Round::new((used as f64 - envelopes as f64) / n, 320.0).with("envelope", envelopes as f64 / n, "bytes");
    Ok(vec![Figure::of("disk", "three links, groups of 16", "bytes a fact", n as u64, Reach::AtMost(1.0), vec![round])])
}

/// Bytes of the segment files up to their last that is not zero: a file grows in steps, and the rest will be used.
fn used_bytes(dir: &std::path::Path) -> Result<usize> {
    let mut used = 0;
    for file in std::fs::read_dir(dir)? {
        let path = file?.path();
        if path.extension().is_some_and(|e| e == "seg") {
            let bytes = std::fs::read(path)?;
            used += bytes.iter().rposition(|byte| *byte != 0).map_or(0, |at| at + 1);
        }
    }
    anyhow::ensure!(used > 0, "there are no segment files");
    Ok(used)
}
