//! The projection: what the facts add up to, kept in memory by one owner, who follows the log and never writes to it.

use std::sync::atomic::Ordering;
use std::sync::mpsc::{Receiver, RecvTimeoutError};
use std::sync::{Arc, RwLock, RwLockReadGuard};
use std::time::{Duration, Instant};

use rinsebook_proto::bytes::Hash;
use rinsebook_proto::fact::BlobNamed;
use rinsebook_proto::journal::Group;
use rinsebook_proto::rules::{History, ReadBack, Recorded};
use tokio::sync::{mpsc, watch};

use crate::blobs::Blobs;
use crate::register::{Loaded, Register};
use crate::registers::Registers;
use crate::sequencer::{Committed, Figures};
use crate::snapshot::{Keeper, Kept};

/// What facts take in memory that answers asked for lately.
const AT_HAND_BYTES: usize = 64 << 20;

/// sled is told about this often how far the log is checked.
const SNAPSHOT_EVERY: Duration = Duration::from_secs(1);

/// The newest state of knowledge: all entries below `size`, closed by this checkpoint.
#[derive(Debug, Clone, Default)]
pub struct Known {
    /// Entries.
    pub size: u64,
    /// The checkpoint's note.
    pub note: String,
}

/// What readers hold: the history behind a lock that only the owner writes to, and the newest size.
#[derive(Clone)]
pub struct View {
    history: Arc<RwLock<History>>,
    known: watch::Receiver<Known>,
    written: Arc<Figures>,
}

const NO_PANIC: &str = "the projection panics only where the log cannot be read back, and then the service ends";

/// The projection is this far behind at the most before a caller is answered from what there is.
const CATCH_UP_WITHIN: Duration = Duration::from_secs(5);

impl View {
    /// Waits until everything is known that was acknowledged before this call: whoever was told "recorded" finds it.
    pub async fn caught_up(&self) {
        let size = self.written.size.load(Ordering::SeqCst);
        // A projection that hangs that long is seen in what it answers: the size stands in every answer.
        let _ = tokio::time::timeout(CATCH_UP_WITHIN, self.reaches(size)).await;
    }

    /// The history, for the length of one answer.
    pub fn history(&self) -> RwLockReadGuard<'_, History> {
        let history = self.history.read().expect(NO_PANIC);
        let bytes = history.at_hand_bytes();
        if bytes <= AT_HAND_BYTES {
            return history;
        }
        drop(history);
        // While others read, more may be at hand; but not without end.
        let gone = if bytes <= 2 * AT_HAND_BYTES {
            self.history.try_write().map(|mut history| history.let_go()).unwrap_or_default()
        } else {
            self.history.write().expect(NO_PANIC).let_go()
        };
        drop(gone);
        self.history.read().expect(NO_PANIC)
    }

    /// The newest state of knowledge.
    pub fn known(&self) -> Known {
        self.known.borrow().clone()
    }

    /// Tells of every new state of knowledge.
    pub fn news(&self) -> watch::Receiver<Known> {
        self.known.clone()
    }

    /// Waits until the projection has at least this size; false when it ends before.
    pub async fn reaches(&self, size: u64) -> bool {
        self.known.clone().wait_for(|known| known.size >= size).await.is_ok()
    }
}

/// The owner, before it follows the log.
pub struct Projection {
    history: Arc<RwLock<History>>,
    known: watch::Sender<Known>,
    blobs: Blobs,
    keeper: Option<Keeper>,
    registers: Registers,
    /// How far the log is checked, until sled has it.
    waiting: Option<Kept>,
}

impl Projection {
    /// Knows nothing yet, will read facts back from there, and puts registers in that folder. Without a snapshot it works all
    /// the same; only the next start takes longer.
    pub fn new(blobs: Blobs, from: Arc<dyn ReadBack>, registers: Registers) -> Projection {
        let (known, _) = watch::channel(Known::default());
        let history = Arc::new(RwLock::new(History::reading(from, AT_HAND_BYTES)));
        Projection { history, known, blobs, keeper: None, registers, waiting: None }
    }

    /// Where readers look.
    pub fn view(&self, written: Arc<Figures>) -> View {
        View { history: self.history.clone(), known: self.known.subscribe(), written }
    }

    /// From now on sled is told what is applied.
    pub fn keep_in(&mut self, keeper: Option<Keeper>) {
        self.keeper = keeper;
    }

    /// Adds a group that is in the log.
    pub fn apply(&mut self, committed: Committed) {
        let Some(last) = committed.entries.last() else { return };
        let kept = Kept { checked: last.recorded.index + 1, last: last.hash };
        let Committed { entries, placed, note } = committed;
        self.in_segment(placed.segment_first);
        self.registers.add(&placed.record_offsets, placed.end_offset, entries.iter().map(|staged| staged.hash), &note);
        for staged in entries {
            self.add(staged.recorded);
        }
        self.announce(kept, note);
    }

    /// What is added next stands in this segment of the log.
    fn in_segment(&mut self, segment_first: u64) {
        if self.registers.is_another(segment_first) {
            let stretch = self.history.write().expect(NO_PANIC).end_stretch();
            self.registers.end(stretch, true);
            self.history.write().expect(NO_PANIC).begin_stretch();
            self.registers.begin(segment_first);
        }
    }

    /// Adds a group that was read from the log; its facts are read back where they are asked for.
    pub fn replay(&mut self, group: &Group, leaves: Vec<Hash>, entries: &mut [Recorded], kept: Kept, note: String) {
        self.in_segment(group.segment_first);
        self.registers.add(&group.record_offsets, group.end_offset, leaves, &note);
        let mut history = self.history.write().expect(NO_PANIC);
        entries.iter_mut().for_each(|recorded| history.pass(recorded, &|digest| attachment(&self.blobs, digest)));
        drop(history);
        self.announce(kept, note);
    }

    /// Makes room for so many more entries.
    pub fn reserve(&mut self, more: usize) {
        self.history.write().expect(NO_PANIC).reserve(more);
    }

    /// Adds the entries of a register.
    pub fn resume(&mut self, Loaded { register, whole }: &Loaded) {
        let mut history = self.history.write().expect(NO_PANIC);
        history.resume(&register.stretch, whole, &|digest| attachment(&self.blobs, digest));
    }

    /// Goes on behind a register whose entries were added.
    pub fn go_on(&mut self, register: Register, kept: Kept) {
        let note = register.note.clone();
        if register.sealed {
            self.registers.begin(register.stretch.first);
        } else {
            let stretch = self.registers.go_on_with(register);
            self.history.write().expect(NO_PANIC).go_on_with(stretch);
        }
        self.announce(kept, note);
    }

    fn announce(&mut self, kept: Kept, note: String) {
        self.waiting = Some(kept);
        self.known.send_replace(Known { size: kept.checked, note });
    }

    /// Adds one entry that is in the log.
    fn add(&self, recorded: Recorded) {
        let mut history = self.history.write().expect(NO_PANIC);
        history.add(recorded, &|digest| attachment(&self.blobs, digest));
        let gone = history.let_go();
        // Others read on while it is given back.
        drop(history);
        drop(gone);
    }

    /// Follows the log until the sequencer ends.
    pub fn follow(mut self, committed: &Receiver<Committed>) {
        let mut last_put = Instant::now();
        loop {
            match committed.recv_timeout(SNAPSHOT_EVERY) {
                Ok(group) => self.apply(group),
                Err(RecvTimeoutError::Timeout) => {}
                Err(RecvTimeoutError::Disconnected) => break,
            }
            if last_put.elapsed() >= SNAPSHOT_EVERY {
                self.put();
                last_put = Instant::now();
            }
        }
        self.end();
    }

    /// As [`follow`](Self::follow), as a task.
    pub async fn follow_here(mut self, mut committed: mpsc::UnboundedReceiver<Committed>) {
        let mut last_put = tokio::time::Instant::now();
        loop {
            match tokio::time::timeout(SNAPSHOT_EVERY, committed.recv()).await {
                Ok(Some(group)) => self.apply(group),
                Ok(None) => break,
                Err(_idle) => {}
            }
            if last_put.elapsed() >= SNAPSHOT_EVERY {
                self.put();
                last_put = tokio::time::Instant::now();
            }
        }
        self.end();
    }

    /// Puts down what the next start goes on from.
    fn end(mut self) {
        if let Some(keeper) = self.keeper.take() {
            keeper.end(self.waiting.take());
        }
        let stretch = self.history.write().expect(NO_PANIC).end_stretch();
        self.registers.end(stretch, false);
        self.registers.wait();
    }

    /// Has sled told how far the log is checked; where it is still busy, with the next one.
    pub fn put(&mut self) {
        if let (Some(keeper), Some(kept)) = (&mut self.keeper, self.waiting)
            && keeper.put(kept)
        {
            self.waiting = None;
        }
    }
}

fn attachment(blobs: &Blobs, digest: &Hash) -> Option<Vec<u8>> {
    blobs.read_as(BlobNamed::Attachment(*digest)).map(|blob| blob.content)
}
