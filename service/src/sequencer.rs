//! One thread, or one task where the runtime has but one thread, that decides and writes: it takes what waits, judges it in order at its [`Desk`], writes the group with its
//! checkpoint, syncs once, and only then answers everybody in it. While it syncs, the next group gathers behind it, and
//! while all cores check facts it gathers for a few milliseconds more; the queue in front of it is bounded, and a full queue is the back-pressure.

use std::sync::Arc;
use std::sync::atomic::{AtomicU64, Ordering};
use std::time::Duration;

use rinsebook_proto::bytes::Hash;
use rinsebook_proto::fact::{Kind, Subject};
use rinsebook_proto::journal::{AppendError, Placed};
use rinsebook_proto::v1;
use tokio::sync::{mpsc, oneshot};

use crate::admission::{Candidate, Checks};
use crate::desk::{Desk, Peer, Staged};
use crate::error::{CallError, ServiceError};
use crate::log::Log;
use crate::work;

/// Commands that may wait.
const QUEUE: usize = 256;
/// A group takes no further command once it has so many facts.
const GROUP_FACTS: usize = 1024;
/// While all cores check facts, a group that is not full waits so long for more: one write, sync and signature serve more
/// facts, and what those cost is left to the checks that everybody waits for.
const GATHERING: Duration = Duration::from_millis(5);
/// An idle log writes its durable mark within this.
const IDLE_MARK: Duration = Duration::from_millis(50);
/// What an entry needs beyond the envelope received, at the most: its head, 32 links, frames, a refusal's own fact.
const ENTRY_OVERHEAD_BYTES: u64 = 4096;

/// The way back to whoever gave a command, and what they hold until they are answered.
pub struct Reply<T> {
    to: oneshot::Sender<Result<T, CallError>>,
    held: Option<Box<dyn Send>>,
}

impl<T> Reply<T> {
    /// A way back, and where the answer comes out.
    pub fn new() -> (Reply<T>, oneshot::Receiver<Result<T, CallError>>) {
        let (to, answer) = oneshot::channel();
        (Reply { to, held: None }, answer)
    }

    /// The same; `held` is let go when the command is answered, even if nobody takes the answer.
    pub fn holding(self, held: impl Send + 'static) -> Reply<T> {
        Reply { held: Some(Box::new(held)), ..self }
    }

    /// Answers. The caller may have gone; what is written stays written.
    fn send(self, answer: Result<T, CallError>) {
        let Reply { to, held } = self;
        drop(held);
        let _ = to.send(answer);
    }
}

/// Something to decide on.
pub enum Command {
    /// Facts of one message.
    Facts {
        /// From whom.
        peer: Peer,
        /// Checked as far as they can be by themselves.
        candidates: Vec<Candidate>,
        /// Outcomes in the same order.
        reply: Reply<v1::Outcomes>,
    },
    /// A device's signed report.
    Report {
        /// From whom.
        peer: Peer,
        /// As received.
        envelope: Vec<u8>,
        /// Parsed, its signature checked.
        report: Box<v1::Report>,
        /// Where the service stands with the device.
        reply: Reply<v1::Standing>,
    },
    /// Nothing is to be recorded any more.
    StandStill {
        /// Why.
        why: String,
    },
    /// The service's own facts.
    Own {
        /// Kind and subjects of each.
        facts: Vec<(Kind, Vec<Subject>)>,
        /// Index and envelope hash of each.
        reply: Reply<Vec<(u64, Hash)>>,
    },
}

/// A group that is on disk.
#[derive(Debug)]
pub struct Committed {
    /// Its entries.
    pub entries: Vec<Staged>,
    /// Where they stand.
    pub placed: Placed,
    /// The note of the checkpoint that closes it.
    pub note: String,
}

/// The way to the projection.
pub enum Following {
    /// To its own thread; a full queue holds the sequencer up.
    Beside(std::sync::mpsc::SyncSender<Committed>),
    /// To a task on the same thread, which cannot be waited for in the middle of a group.
    Here(mpsc::UnboundedSender<Committed>),
}

impl Following {
    /// The projection lives as long as the sequencer; should it be gone, the process is ending.
    fn tell(&self, committed: Committed) {
        let _ = match self {
            Following::Beside(queue) => queue.send(committed).map_err(drop),
            Following::Here(queue) => queue.send(committed).map_err(drop),
        };
    }
}

/// What the sequencer has done, for those who ask beside it.
#[derive(Debug, Default)]
pub struct Figures {
    /// Entries on disk: an answer given after an acknowledgement covers at least these.
    pub size: AtomicU64,
    /// Entries written.
    pub entries: AtomicU64,
    /// Groups written.
    pub groups: AtomicU64,
    /// File syncs.
    pub syncs: AtomicU64,
}

/// The way to the sequencer.
#[derive(Clone)]
pub struct Sequencer {
    queue: mpsc::Sender<Command>,
}

impl Sequencer {
    /// Records facts of the service's own; index and envelope hash of each, once they are synced.
    pub async fn record(&self, facts: Vec<(Kind, Vec<Subject>)>) -> Result<Vec<(u64, Hash)>, CallError> {
        let (reply, recorded) = Reply::new();
        self.send(Command::Own { facts, reply }).await?;
        recorded.await.map_err(|_| CallError::Stopping)?
    }

    /// Starts the thread, or the task. It ends when every [`Sequencer`] is dropped, or when a write fails; `done` then learns which.
    pub fn start(
        desk: Desk,
        log: Log,
        following: Following,
        checks: Checks,
        figures: Arc<Figures>,
        done: oneshot::Sender<Result<(), ServiceError>>,
    ) -> Sequencer {
        let (queue, commands) = mpsc::channel(QUEUE);
        let mut worker = Worker { desk, log, following, checks, figures, read_only: None };
        // Nobody waits for the end only when the process is ending anyway.
        let all = async move { drop(done.send(worker.run(commands).await)) };
        if work::alone() {
            tokio::spawn(all);
        } else {
            let runtime = tokio::runtime::Handle::current();
            std::thread::Builder::new()
                .name("sequencer".to_owned())
                .spawn(move || runtime.block_on(all))
                .expect("the operating system starts a thread");
        }
        Sequencer { queue }
    }

    /// Hands a command in; waits while the queue is full.
    pub async fn send(&self, command: Command) -> Result<(), CallError> {
        self.queue.send(command).await.map_err(|_| CallError::Stopping)
    }
}

struct Worker {
    desk: Desk,
    log: Log,
    following: Following,
    /// Tells whether more facts will come at once.
    checks: Checks,
    figures: Arc<Figures>,
    /// Why nothing can be written any more, where the file system refuses. The process stays: what was recorded is read on,
    /// and a new start would find nothing that it could open.
    read_only: Option<String>,
}

/// An answer that waits for the group's sync.
enum Waiting {
    Facts(Vec<v1::Outcome>, Reply<v1::Outcomes>),
    Standing(Box<v1::Standing>, Reply<v1::Standing>),
    Own(Vec<(u64, Hash)>, Reply<Vec<(u64, Hash)>>),
    Refused(CallError, Reply<Vec<(u64, Hash)>>),
    Nobody,
}

impl Worker {
    async fn run(&mut self, mut commands: mpsc::Receiver<Command>) -> Result<(), ServiceError> {
        loop {
            match tokio::time::timeout(IDLE_MARK, commands.recv()).await {
                Err(_idle) => self.mark()?,
                Ok(None) => return self.mark(),
                Ok(Some(first)) => {
                    let mut batch = vec![first];
                    if !fill(&mut batch, &mut commands) && self.checks.take_all_cores() {
                        tokio::time::sleep(GATHERING).await;
                        fill(&mut batch, &mut commands);
                    }
                    self.take(batch)?;
                }
            }
        }
    }

    fn mark(&mut self) -> Result<(), ServiceError> {
        if self.read_only.is_some() {
            return Ok(());
        }
        match self.log.mark() {
            // The mark is a help for recovery, not a promise: with a full disk it waits for space.
            Err(AppendError::Full { .. }) | Ok(()) => {
                self.figures.syncs.store(self.log.syncs(), Ordering::Relaxed);
                Ok(())
            }
            Err(error) => self.stop_writing(error.into()),
        }
    }

    /// Nothing is written after this; the error itself ends the process, unless the file system is to blame and reading goes
    /// on.
    fn stop_writing(&mut self, error: ServiceError) -> Result<(), ServiceError> {
        match error {
            ServiceError::Append(AppendError::ReadOnly { what }) => {
                tracing::error!(
                    what,
                    "the file system is read-only: nothing is recorded until a new start; reading goes on"
                );
                self.read_only = Some(what);
                Ok(())
            }
            other => Err(other),
        }
    }

    fn take(&mut self, batch: Vec<Command>) -> Result<(), ServiceError> {
        if let Some(why) = &self.read_only {
            let refuses = CallError::DiskRefuses { why: why.clone() };
            batch.into_iter().for_each(|command| refuse(command, &refuses));
            return Ok(());
        }
        let previous = self.desk.last_hash();
        match self.log.make_room(previous, batch.iter().map(most_bytes).sum()) {
            Ok(()) => {}
            Err(AppendError::Full { file, source }) => {
                tracing::error!(file, %source, "no space: nothing is recorded until there is");
                batch.into_iter().for_each(|command| refuse(command, &CallError::DiskFull));
                return Ok(());
            }
            Err(error) => {
                let told = match &error {
                    AppendError::ReadOnly { what } => CallError::DiskRefuses { why: what.clone() },
                    _ => CallError::Stopping,
                };
                batch.into_iter().for_each(|command| refuse(command, &told));
                return self.stop_writing(error.into());
            }
        }
        let waiting: Vec<Waiting> = batch.into_iter().map(|command| self.decide(command)).collect();
        let written = if self.desk.has_group() { self.write(previous).map(Some) } else { Ok(None) };
        match written {
            Ok(committed) => {
                waiting.into_iter().for_each(|w| answer(w, self.desk.note()));
                // Those who wait for their acknowledgement come first; whoever asks waits until the projection has it.
                committed.into_iter().for_each(|committed| self.following.tell(committed));
                Ok(())
            }
            Err(error) => {
                waiting.into_iter().for_each(unknown);
                self.stop_writing(error)
            }
        }
    }

    fn write(&mut self, previous: Hash) -> Result<Committed, ServiceError> {
        let (entries, note) = self.desk.close_group()?;
        let placed = self.log.append(&entries, previous, &note)?;
        self.desk.written();
        // Before anybody is answered: whoever is told that an erasure is recorded can rely on the bytes being gone.
        self.desk.erase();
        self.figures.size.fetch_add(entries.len() as u64, Ordering::SeqCst);
        self.figures.entries.fetch_add(entries.len() as u64, Ordering::Relaxed);
        self.figures.groups.fetch_add(1, Ordering::Relaxed);
        self.figures.syncs.store(self.log.syncs(), Ordering::Relaxed);
        Ok(Committed { entries, placed, note })
    }

    fn decide(&mut self, command: Command) -> Waiting {
        match command {
            Command::Facts { peer, candidates, reply } => {
                let outcomes = candidates.into_iter().map(|c| self.desk.judge(&peer, c)).collect();
                Waiting::Facts(outcomes, reply)
            }
            Command::Report { peer, envelope, report, reply } => {
                if let Some(device) = peer.device {
                    self.desk.record_report(device, &envelope, &report);
                }
                Waiting::Standing(Box::new(self.desk.standing(&peer, &report)), reply)
            }
            Command::StandStill { why } => {
                self.desk.stand_still(&why);
                Waiting::Nobody
            }
            Command::Own { reply, .. } if self.desk.not_recording().is_some() => {
                let why = self.desk.not_recording().unwrap_or_default().to_owned();
                Waiting::Refused(CallError::NotRecording(why), reply)
            }
            Command::Own { facts, reply } => match self.desk.record_service_facts(facts) {
                Ok(recorded) => Waiting::Own(recorded, reply),
                Err(error) => Waiting::Refused(error, reply),
            },
        }
    }
}

/// Adds what waits; whether the group is full.
fn fill(batch: &mut Vec<Command>, commands: &mut mpsc::Receiver<Command>) -> bool {
    let mut facts: usize = batch.iter().map(count).sum();
    while facts < GROUP_FACTS
        && let Ok(next) = commands.try_recv()
    {
        facts += count(&next);
        batch.push(next);
    }
    facts >= GROUP_FACTS
}

fn count(command: &Command) -> usize {
    match command {
        Command::Facts { candidates, .. } => candidates.len(),
        Command::Report { report, .. } => 1 + report.lost.len(),
        Command::StandStill { .. } => 0,
        Command::Own { facts, .. } => facts.len(),
    }
}

/// The most that the log may grow by for this command.
fn most_bytes(command: &Command) -> u64 {
    match command {
        Command::Facts { candidates, .. } => {
            candidates.iter().map(|c| c.received_bytes.min(16_384) + ENTRY_OVERHEAD_BYTES).sum()
        }
        Command::Report { envelope, report, .. } => {
            (report.lost.len() as u64 + 1) * (envelope.len() as u64 + ENTRY_OVERHEAD_BYTES)
        }
        Command::StandStill { .. } => 0,
        Command::Own { facts, .. } => {
            facts.iter().map(|(kind, _)| kind.encoded_len() as u64 + 2 * ENTRY_OVERHEAD_BYTES).sum()
        }
    }
}

fn answer(waiting: Waiting, note: &str) {
    match waiting {
        Waiting::Facts(outcomes, reply) => {
            reply.send(Ok(v1::Outcomes { outcomes, checkpoint_note: note.to_owned() }));
        }
        Waiting::Standing(mut standing, reply) => {
            note.clone_into(&mut standing.checkpoint_note);
            reply.send(Ok(*standing));
        }
        Waiting::Own(recorded, reply) => {
            reply.send(Ok(recorded));
        }
        Waiting::Refused(error, reply) => {
            reply.send(Err(error));
        }
        Waiting::Nobody => {}
    }
}

/// A write failed: what of the group is on disk is not known, so nobody in it is told more than that.
fn unknown(waiting: Waiting) {
    let message = "The service could not finish writing: whether this fact is in the log is not known. Send it again.";
    match waiting {
        Waiting::Facts(mut outcomes, reply) => {
            for outcome in &mut outcomes {
                let unknown = v1::Unknown { message: message.to_owned() };
                outcome.result = Some(v1::outcome::Result::Unknown(unknown));
            }
            reply.send(Ok(v1::Outcomes { outcomes, checkpoint_note: String::new() }));
        }
        Waiting::Standing(_, reply) => {
            reply.send(Err(CallError::Stopping));
        }
        Waiting::Own(_, reply) | Waiting::Refused(_, reply) => {
            reply.send(Err(CallError::Stopping));
        }
        Waiting::Nobody => {}
    }
}

fn refuse(command: Command, error: &CallError) {
    match command {
        Command::Facts { reply, .. } => {
            reply.send(Err(error.clone()));
        }
        Command::Report { reply, .. } => {
            reply.send(Err(error.clone()));
        }
        Command::Own { reply, .. } => {
            reply.send(Err(error.clone()));
        }
        // It is told again by whoever found out.
        Command::StandStill { .. } => {}
    }
}
