//! Time and memory as the system counts them: of this thread, of another process, of one thread of it by its name.

use std::path::Path;
use std::time::{Duration, Instant};

use anyhow::{Context, Result};
use rinsebook_proto::fact::{FACT_TYPE, Signed, pae};
use rinsebook_proto::key::{self, VerifyingKey};
use rustix::time::{ClockId, clock_gettime};

/// The value below which this share of the samples lies; samples are sorted here.
pub(super) fn percentile(samples: &mut [f64], share: f64) -> f64 {
    samples.sort_by(f64::total_cmp);
    let at = (samples.len() as f64 * share).ceil() as usize;
    samples.get(at.clamp(1, samples.len().max(1)) - 1).copied().unwrap_or(f64::NAN)
}

/// CPU time of the calling thread.
pub(super) fn thread_cpu() -> Duration {
    let at = clock_gettime(ClockId::ThreadCPUTime);
    Duration::new(at.tv_sec as u64, at.tv_nsec as u32)
}

/// CPU time of a whole process, of all threads that it has or had. Linux counts in hundredths of a second here.
pub(super) fn process_cpu(pid: u32) -> Result<Duration> {
    let text = std::fs::read_to_string(format!("/proc/{pid}/stat")).context("the process has gone")?;
    // Its name may hold anything, in brackets: fields are counted behind it (proc(5): utime is the 14th, stime the 15th).
    let rest = text.rsplit_once(')').context("a strange stat file")?.1;
    let ticks: u64 = rest.split_whitespace().skip(11).take(2).filter_map(|t| t.parse::<u64>().ok()).sum();
    Ok(Duration::from_millis(ticks * 10))
}

/// CPU time of the threads of a process whose names begin so.
pub(super) fn threads_cpu(pid: u32, name: &str) -> Result<Duration> {
    let mut sum = Duration::ZERO;
    for task in std::fs::read_dir(format!("/proc/{pid}/task"))? {
        let task = task?.path();
        // A thread may end between two reads.
        let read = |file: &str| std::fs::read_to_string(task.join(file)).unwrap_or_default();
        if read("comm").starts_with(name) {
            let nanos = read("schedstat").split_whitespace().next().and_then(|t| t.parse().ok()).unwrap_or(0);
            sum += Duration::from_nanos(nanos);
        }
    }
    Ok(sum)
}

/// A line of `/proc/<pid>/status` in MiB: `VmRSS` now, `VmHWM` the most ever.
pub(super) fn memory_mib(pid: u32, what: &str) -> Result<f64> {
    let status = std::fs::read_to_string(format!("/proc/{pid}/status")).context("the process has gone")?;
    let line = status.lines().find_map(|line| line.strip_prefix(what)?.strip_prefix(':'));
    let kib = line.and_then(|line| line.split_whitespace().next()?.parse::<f64>().ok());
    Ok(kib.context("no such line")? / 1024.0)
}

/// A key, what it signed, and the signature.
type Prepared = (VerifyingKey, Vec<u8>, [u8; 64]);

/// The median CPU time of one `verify_strict` over these facts' own bytes, in seconds, while one core is at it and the
/// others rest; nothing else is in it.
pub(super) fn verify_seconds(facts: &[&Signed], key_of: impl Fn(&Signed) -> VerifyingKey) -> f64 {
    check_seconds(&prepared(facts, key_of))
}

/// As [`verify_seconds`], while all cores are at it, as they are under load: their mean. What cores share, one alone has
/// for itself.
pub(super) fn verify_seconds_on_all(facts: &[&Signed], key_of: impl Fn(&Signed) -> VerifyingKey) -> f64 {
    let prepared = prepared(facts, key_of);
    let seconds: f64 = std::thread::scope(|scope| {
        let all: Vec<_> = (0..cores() as usize).map(|_| scope.spawn(|| check_seconds(&prepared))).collect();
        all.into_iter().map(|core| core.join().expect("every signature holds")).sum()
    });
    seconds / cores()
}

fn prepared(facts: &[&Signed], key_of: impl Fn(&Signed) -> VerifyingKey) -> Vec<Prepared> {
    facts
        .iter()
        .map(|fact| {
            let envelope = fact.bytes();
            let payload = payload_of(envelope);
            let signature = envelope[envelope.len() - 64..].try_into().expect("64 bytes");
            (key_of(fact), pae(FACT_TYPE, payload), signature)
        })
        .collect()
}

fn check_seconds(prepared: &[Prepared]) -> f64 {
    let mut rounds: Vec<f64> = (0..5)
        .map(|_| {
            let begun = thread_cpu();
            let good =
                prepared.iter().filter(|(key, message, signature)| key::verifies(key, message, signature)).count();
            assert_eq!(good, prepared.len(), "every signature holds");
            (thread_cpu() - begun).as_secs_f64() / prepared.len() as f64
        })
        .collect();
    percentile(&mut rounds, 0.5)
}

/// The payload of an envelope in its one form: `0A len payload 12 ..`.
fn payload_of(envelope: &[u8]) -> &[u8] {
    let (mut length, mut shift, mut at) = (0_usize, 0, 1);
    loop {
        let byte = envelope[at];
        length |= usize::from(byte & 0x7f) << shift;
        (shift, at) = (shift + 7, at + 1);
        if byte & 0x80 == 0 {
            return &envelope[at..at + length];
        }
    }
}

/// The median time of one CPU's signature by a key, in seconds.
pub(super) fn sign_seconds() -> f64 {
    let signer = key::generate();
    let message = [7; 300];
    let mut rounds: Vec<f64> = (0..5)
        .map(|_| {
            let begun = thread_cpu();
            for _ in 0..200 {
                std::hint::black_box(key::sign(&signer, std::hint::black_box(&message)));
            }
            (thread_cpu() - begun).as_secs_f64() / 200.0
        })
        .collect();
    percentile(&mut rounds, 0.5)
}

/// Bytes of one write to the disk that is looked at.
const PROBE_BYTES: usize = 1024;

/// A file whose space was written before, for writes that are synced one by one.
pub(super) struct SyncProbe {
    file: std::fs::File,
    at: u64,
}

impl SyncProbe {
    /// In this folder, for so many writes. It has no name any more.
    pub(super) fn new(dir: &Path, count: usize) -> Result<SyncProbe> {
        use std::os::unix::fs::FileExt;
        let file = tempfile::tempfile_in(dir)?;
        file.write_all_at(&vec![0; PROBE_BYTES * count], 0)?;
        file.sync_all()?;
        Ok(SyncProbe { file, at: 0 })
    }

    /// Seconds of one write and fdatasync.
    pub(super) fn once(&mut self) -> Result<f64> {
        use std::os::unix::fs::FileExt;
        let begun = Instant::now();
        self.file.write_all_at(&[1; PROBE_BYTES], self.at)?;
        self.file.sync_data()?;
        self.at += PROBE_BYTES as u64;
        Ok(begun.elapsed().as_secs_f64())
    }
}

/// Cores of this machine.
pub(super) fn cores() -> f64 {
    std::thread::available_parallelism().map_or(1.0, |n| n.get() as f64)
}
