//! Witnesses: others who check that this log only ever grows, and cosign its checkpoints (C2SP tlog-witness v1.0.0).
//!
//! ```text
//! View: newest checkpoint ─► a round, at most one a second ─► ask every witness that is due ─► Kept ─► GetCheckpoint
//!                             one checkpoint for all            http: proof, 409, cosignature    the newest that enough
//!                                                                                               of them cosigned
//! ```
//!
//! A round asks all witnesses about one checkpoint, so that their cosignatures meet on it however fast the log grows.
//! Nothing here is waited for, but at the start, for a moment: a witness that saw more of this log, or another, stops the
//! recording before anything is signed anew. Without any witness recording goes on, and says so once a minute as an error. What a
//! witness cosigned is not kept on disk: after a start they are asked again, and each tells the size it stands at.

mod ask;
mod kept;
mod post;

use std::sync::{Arc, Mutex, MutexGuard, RwLock};
use std::time::Duration;

use rinsebook_proto::clock::Clock;
use rinsebook_proto::note::{Checkpoint, CosignerKey};
use rinsebook_proto::tree::Tree;
use tokio::sync::watch;
use tokio::task::{AbortHandle, JoinSet};
use tokio::time::{Instant, MissedTickBehavior, interval};

use crate::config::{Config, WitnessPolicy};
use crate::error::ServiceError;
use crate::projection::View;
use ask::{Question, Refusal};
pub use kept::Cosigned;
use kept::Kept;
use post::Post;

/// Rounds begin no closer together.
const ROUND_EVERY: Duration = Duration::from_secs(1);
/// A witness that does not answer is asked again after a second, two, four…, and after this at the latest.
const LONGEST_PAUSE: Duration = Duration::from_secs(60);
/// An unmet policy is said so often.
const SAY_EVERY: Duration = Duration::from_secs(60);

/// What witnesses are asked about: the log, as far as they need it.
#[derive(Clone)]
pub struct Witnessed {
    /// Knows the newest checkpoint that is on disk.
    pub view: View,
    /// Leaf hashes; it runs ahead of the view.
    pub tree: Arc<RwLock<Tree>>,
    /// Judges how old a cosignature is.
    pub clock: Arc<dyn Clock>,
}

/// What the witnesses have cosigned, kept up to date by a task of its own until [`Witnesses::stop`].
#[derive(Clone)]
pub struct Witnesses {
    kept: Arc<Mutex<Kept>>,
    task: Option<AbortHandle>,
    /// What a witness holds against this log, once one does.
    against: watch::Receiver<Option<String>>,
}

impl Witnesses {
    /// Begins to ask the configured witnesses; without any, it does nothing.
    ///
    /// # Errors
    /// A witness's certificates that cannot be read.
    pub fn start(config: &Config, log: Witnessed) -> Result<Witnesses, ServiceError> {
        let kept = Arc::new(Mutex::new(Kept::new(config.witness_policy)));
        let all = config.witnesses.iter().map(|address| {
            let (post, key) = (Arc::new(Post::to(address)?), address.key.clone());
            Ok(Witness { post, key, told_size: 0, answered: None, failures: 0, not_before: Instant::now() })
        });
        let all = all.collect::<Result<Vec<Witness>, ServiceError>>()?;
        let (says_against, against) = watch::channel(None);
        if all.is_empty() {
            return Ok(Witnesses { kept, task: None, against });
        }
        let policy = config.witness_policy;
        let rounds = Rounds { log, all, policy, kept: kept.clone(), said: None, says_against };
        Ok(Witnesses { kept, task: Some(tokio::spawn(rounds.run()).abort_handle()), against })
    }

    /// Waits until a witness holds something against this log, and tells what: it saw another, or more of it. Never, where
    /// none is asked.
    pub async fn against(&self) -> String {
        let mut against = self.against.clone();
        let told = against.wait_for(Option::is_some).await.map(|why| why.clone());
        match told {
            Ok(why) => why.unwrap_or_default(),
            Err(_) => std::future::pending().await,
        }
    }

    /// The newest checkpoint that enough witnesses cosigned, or that the most did; none before the first cosignature.
    /// Their age is judged at `now_ms`, Unix milliseconds.
    pub fn cosigned(&self, now_ms: u64) -> Option<Cosigned> {
        lock(&self.kept).cosigned(now_ms / 1000)
    }

    /// Whether there are any.
    pub fn are_asked(&self) -> bool {
        self.task.is_some()
    }

    /// Asks nobody any more.
    pub fn stop(&self) {
        if let Some(task) = &self.task {
            task.abort();
        }
    }
}

fn lock(kept: &Mutex<Kept>) -> MutexGuard<'_, Kept> {
    kept.lock().expect("nobody panics while holding it")
}

/// One witness, and how it stands.
struct Witness {
    post: Arc<Post>,
    key: CosignerKey,
    /// The size that it cosigned last, as far as it has told.
    told_size: u64,
    /// When it last cosigned, by the boot clock in milliseconds, and at which size.
    answered: Option<(u64, u64)>,
    /// Since it last cosigned.
    failures: u32,
    not_before: Instant,
}

impl Witness {
    fn is_due(&self, size: u64, boot_ms: u64, renew_after_ms: u64) -> bool {
        let stale = |(at_ms, answered_size)| answered_size != size || boot_ms.saturating_sub(at_ms) >= renew_after_ms;
        Instant::now() >= self.not_before && self.answered.is_none_or(stale)
    }

    fn failed(&mut self, refusal: &Refusal) {
        let pause = LONGEST_PAUSE.min(ROUND_EVERY * (1 << self.failures.min(6)));
        self.failures += 1;
        self.not_before = Instant::now() + pause;
        let name = self.key.name();
        if refusal.is_about_the_log() {
            tracing::error!(witness = name, "a witness does not cosign: {refusal}");
        } else {
            tracing::warn!(
                witness = name,
                again_after_seconds = pause.as_secs(),
                "a witness does not cosign: {refusal}"
            );
        }
    }
}

struct Rounds {
    log: Witnessed,
    all: Vec<Witness>,
    policy: WitnessPolicy,
    kept: Arc<Mutex<Kept>>,
    /// When it was last said that the policy is not met.
    said: Option<Instant>,
    says_against: watch::Sender<Option<String>>,
}

impl Rounds {
    async fn run(mut self) {
        let news = self.log.view.news();
        let mut seconds = interval(ROUND_EVERY);
        seconds.set_missed_tick_behavior(MissedTickBehavior::Delay);
        // The projection goes when the service does.
        while news.has_changed().is_ok() {
            seconds.tick().await;
            let known = self.log.view.known();
            // A log without entries has no checkpoint.
            if let Ok(checkpoint) = Checkpoint::read_unverified(&known.note) {
                self.round(&checkpoint, &known.note).await;
                self.say_unmet();
            }
        }
    }

    async fn round(&mut self, checkpoint: &Checkpoint, note: &str) {
        let renew_after_ms = self.policy.max_age_seconds * 1000 / 2;
        let boot_ms = self.log.clock.boot_ms();
        let mut answers = JoinSet::new();
        for (number, witness) in self.all.iter().enumerate() {
            if witness.is_due(checkpoint.size, boot_ms, renew_after_ms) {
                let (post, tree, told_size) = (witness.post.clone(), self.log.tree.clone(), witness.told_size);
                let (key, note, size) = (witness.key.clone(), note.to_owned(), checkpoint.size);
                let question = Question { post, key, tree, note, size };
                answers.spawn(async move { (number, question.ask(told_size).await) });
            }
        }
        while let Some(answer) = answers.join_next().await {
            let (number, (told_size, outcome)) = answer.expect("asking does not panic");
            let witness = &mut self.all[number];
            witness.told_size = told_size;
            match outcome {
                Ok(cosignature) => {
                    (witness.failures, witness.answered) = (0, Some((boot_ms, checkpoint.size)));
                    let now_s = self.log.clock.wall_ms() / 1000;
                    lock(&self.kept).add(checkpoint.size, note, number, cosignature, now_s);
                }
                Err(refusal) => {
                    if refusal.is_about_the_log() {
                        let why = format!("the witness {} does not cosign this log: {refusal}", witness.key.name());
                        self.says_against.send_replace(Some(why));
                    }
                    witness.failed(&refusal);
                }
            }
        }
    }

    fn say_unmet(&mut self) {
        let fresh = lock(&self.kept).most_fresh(self.log.clock.wall_ms() / 1000);
        let WitnessPolicy { quorum, max_age_seconds } = self.policy;
        if fresh >= quorum {
            self.said = None;
        } else if self.said.is_none_or(|at| at.elapsed() >= SAY_EVERY) {
            self.said = Some(Instant::now());
            tracing::error!(
                cosigned_by = fresh,
                quorum,
                max_age_seconds,
                "too few witnesses have cosigned one checkpoint of this log recently. Recording goes on, but nobody else \
                 vouches for what is recorded now: see that the witnesses run and can be reached, and that they know this \
                 log's key; the warnings before this line say what each of them answered"
            );
        }
    }
}
