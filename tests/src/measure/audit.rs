//! The audit of a whole log by `rinsebook verify`'s own library, in a process of its own: its time against that of the
//! signatures alone on all cores, and its memory at two lengths of one fleet's log.

use std::io::Write;
use std::path::Path;
use std::process::Command;
use std::time::Instant;

use anyhow::{Context, Result};
use rinsebook_client::verify::log_dir;
use rinsebook_proto::entry::Entry;
use rinsebook_proto::fact::{MAX_SERVICE_ENVELOPE_BYTES, Signed};
use rinsebook_proto::journal::{self, RealDisk};

use super::figure::{Figure, Reach, Round};
use super::stations::key_of;
use super::{Run, clocks};
use crate::fleet::{Fleet, STATIONS};

/// What the child is told that audits.
pub(super) const AUDIT: &str = "--audit-for-measure";

/// What one audit took.
pub(super) struct Audited {
    pub(super) entries: f64,
    pub(super) seconds: f64,
    cpu: f64,
    peak_mib: f64,
    /// Of facts, of the notes of groups, of devices' reports inside facts.
    signatures: f64,
}

/// Audits in a process of its own.
pub(super) fn once(fleet: &Fleet) -> Result<Audited> {
    let output = Command::new(std::env::current_exe()?).arg(AUDIT).arg(fleet.log()).output()?;
    let text = String::from_utf8(output.stdout)?;
    let numbers: Vec<f64> = text.split_whitespace().filter_map(|n| n.parse().ok()).collect();
    let [entries, seconds, cpu, peak_mib, signatures] = numbers[..] else {
        anyhow::bail!("the audit failed: {}", String::from_utf8_lossy(&output.stderr))
    };
    Ok(Audited { entries, seconds, cpu, peak_mib, signatures })
}

/// Audits, and says entries, seconds, CPU seconds, peak memory in MiB, signatures checked.
pub(super) fn child(log: &Path) -> Result<()> {
    let begun = Instant::now();
    let good = log_dir(log, None)?;
    let seconds = begun.elapsed().as_secs_f64();
    anyhow::ensure!(good.unread == 0 && good.signatures == good.entries, "not everything was checked: {good:?}");
    let me = std::process::id();
    let (cpu, peak) = (clocks::process_cpu(me)?.as_secs_f64(), clocks::memory_mib(me, "VmHWM")?);
    let signatures = good.signatures + good.groups + good.reports;
    writeln!(std::io::stdout(), "{} {seconds} {cpu} {peak} {signatures}", good.entries)?;
    Ok(())
}

/// Seconds of one check, over facts of this log.
fn verify_seconds(fleet: &Fleet) -> Result<f64> {
    let devices = (0..STATIONS).map(|n| Ok(fleet.station(n)?.device)).collect::<Result<Vec<_>>>()?;
    let mut facts: Vec<Signed> = Vec::new();
    // The end of the first thousand is enough: the visitor's word stops the reading.
    let _ = journal::scan(&RealDisk, &fleet.log(), journal::Kind::Log, |group| {
        for data in &group.records {
            let entry = Entry::decode(data).map_err(|e| e.to_string())?;
            let fact = Signed::parse(&entry.envelope, MAX_SERVICE_ENVELOPE_BYTES).map_err(|e| e.to_string())?;
            if devices.contains(&fact.header().device) {
                facts.push(fact);
            }
        }
        if facts.len() >= 1000 { Err("enough".to_owned()) } else { Ok(last_hash(group)) }
    });
    anyhow::ensure!(!facts.is_empty(), "the log has no facts of stations");
    Ok(clocks::verify_seconds_on_all(&facts.iter().collect::<Vec<_>>(), key_of))
}

fn last_hash(group: &journal::Group) -> [u8; 32] {
    rinsebook_proto::tree::leaf_hash(group.records.last().expect("a group has entries")).0
}

/// Time and memory.
pub(super) fn audit(run: &Run) -> Result<Vec<Figure>> {
    let (small, large) = (Fleet::of(run.small())?, Fleet::of(run.large)?);
    let (mut times, mut memory) = (Vec::new(), Vec::new());
    let mut entries = 0;
    for _ in 0..run.rounds {
        let before = verify_seconds(&large)?;
        let audited = once(&large)?;
        let verify = (before + verify_seconds(&large)?) / 2.0;
        entries = audited.entries as u64;
        let limit = audited.entries * verify / clocks::cores();
        let round = Round::new(audited.seconds, limit)
            .with("verify_strict", verify * 1e6, "µs")
            .with("CPU ÷ n × verify_strict", audited.cpu / (audited.entries * verify), "")
            .with("signatures a fact", audited.signatures / audited.entries, "")
            .with("entries/s", audited.entries / audited.seconds, "1/s");
        times.push(round);
        let less = once(&small)?;
        memory.push(Round::new(audited.peak_mib, less.peak_mib));
    }
    let of = format!("peak memory at {} ÷ at {} facts", run.large, run.small());
    // Flat is what stays within a tenth.
    Ok(vec![
        Figure::of("audit", "wall ÷ (n × verify_strict ÷ cores)", "s", entries, Reach::AtMost(1.15), times),
        Figure::of("audit", of, "MiB", entries, Reach::AtMost(1.1), memory),
    ])
}

/// How fast a log of this size is audited.
pub(super) fn entries_a_second(size: u64) -> Result<f64> {
    let audited = once(&Fleet::of(size)?).context("the log is audited")?;
    Ok(audited.entries / audited.seconds)
}
