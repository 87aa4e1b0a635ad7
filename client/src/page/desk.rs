//! What the page's parts share: the station under one lock, the view that pages are made from, what is noted, the open
//! key; and the loop that sends and copies in the background.
//!
//! Pages read the view and never wait. Signing waits for the station, which a sync may hold; a sync that somebody waits
//! for is broken off after a moment, as it may be anywhere: it is done again.

use std::sync::atomic::{AtomicUsize, Ordering};
use std::sync::{Arc, Mutex, MutexGuard, PoisonError, RwLock};
use std::time::Duration;

use rinsebook_proto::bytes::{Hash, Id};
use rinsebook_proto::clock::Clock;
use rinsebook_proto::fact::Kind;
use rinsebook_proto::key::SigningKey;
use tokio::sync::{Notify, watch};

use super::drafts::{Draft, Drafts};
use super::people::{OPEN_FOR_MS, OpenKey, owner};
use super::view::{Link, View, WashView};
use crate::brought::Brought;
use crate::card::Card;
use crate::home::Home;
use crate::mirror::Mirror;
use crate::names::Names;
use crate::station::Station;
use crate::sync::{follow, sync};
use crate::{ClientError, remote};

/// How often the service is asked for what is new.
const LOOK_EVERY: Duration = Duration::from_secs(5);
/// The longest pause while it does not answer.
const LOOK_AT_LEAST_EVERY: Duration = Duration::from_secs(30);
/// How often the device reports itself with nothing to send: well under the age at which it counts as silent.
const REPORT_EVERY_MS: u64 = 4 * 60_000;
/// How long somebody waits for a sync before it is broken off.
const PATIENCE: Duration = Duration::from_millis(1500);
const POLL: Duration = Duration::from_millis(100);

/// The station and what goes with it.
struct Core {
    station: Station,
    mirror: Mirror,
    brought: Brought,
    names: Names,
    learned_at: Option<u64>,
    reported_boot_ms: Option<u64>,
}

/// See the module.
pub(crate) struct Desk {
    /// The station's folder.
    pub(crate) home: Home,
    /// The time.
    pub(crate) clock: Arc<dyn Clock>,
    /// Held while one deliberate act is carried out: the second of two quick taps finds it done.
    pub(crate) signing: tokio::sync::Mutex<()>,
    core: tokio::sync::Mutex<Core>,
    waiting: AtomicUsize,
    view: RwLock<Arc<View>>,
    drafts: Mutex<Drafts>,
    key: Mutex<Option<OpenKey>>,
    changes: watch::Sender<u64>,
    nudge: Notify,
}

impl Desk {
    /// Opens the station.
    pub(crate) fn open(home: Home, clock: Arc<dyn Clock>) -> Result<Desk, ClientError> {
        let names = Names::load(&home)?;
        let station = Station::open(home.clone(), clock.clone())?;
        let mirror = Mirror::open(&home)?;
        let mut drafts = Drafts::open(&home)?;
        drafts.forget_signed(&station, &names)?;
        let brought = Brought::open(&home, mirror.history())?;
        let view = View::of(&station, &mirror, &brought, &names, Link::Untried);
        let core = Core { station, mirror, brought, names, learned_at: None, reported_boot_ms: None };
        Ok(Desk {
            home,
            clock,
            signing: tokio::sync::Mutex::new(()),
            core: tokio::sync::Mutex::new(core),
            waiting: AtomicUsize::new(0),
            view: RwLock::new(Arc::new(view)),
            drafts: Mutex::new(drafts),
            key: Mutex::new(None),
            changes: watch::Sender::new(0),
            nudge: Notify::new(),
        })
    }

    /// Now, Unix milliseconds.
    pub(crate) fn now_ms(&self) -> u64 {
        self.clock.wall_ms()
    }

    /// What pages are made from.
    pub(crate) fn view(&self) -> Arc<View> {
        self.view.read().unwrap_or_else(PoisonError::into_inner).clone()
    }

    /// What is noted.
    pub(crate) fn drafts(&self) -> MutexGuard<'_, Drafts> {
        self.drafts.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// A number that grows with every change, to be watched.
    pub(crate) fn changes(&self) -> watch::Receiver<u64> {
        self.changes.subscribe()
    }

    /// The draft of a wash.
    pub(crate) fn draft(&self, wash: &Id) -> Option<Draft> {
        self.drafts().get(&wash.to_string()).cloned()
    }

    /// A wash as it stands now, with what is noted.
    pub(crate) fn wash(&self, id: Id) -> Result<WashView, ClientError> {
        self.view().wash(id, self.draft(&id).as_ref(), self.now_ms())
    }

    /// Changes what is noted of a wash, on disk before this returns.
    pub(crate) fn note<T>(
        &self,
        wash: &Id,
        aircraft: &str,
        change: impl FnOnce(&mut Draft) -> Result<T, ClientError>,
    ) -> Result<T, ClientError> {
        let told = self.drafts().change(&wash.to_string(), aircraft, change)?;
        self.changed();
        Ok(told)
    }

    fn changed(&self) {
        self.changes.send_modify(|n| *n += 1);
    }

    /// The open key's file name, whose it is, and how many milliseconds it stays open.
    pub(crate) fn open_key(&self) -> Option<(String, Option<Id>, u64)> {
        let mut key = self.key.lock().unwrap_or_else(PoisonError::into_inner);
        let now = self.clock.boot_ms();
        if key.as_ref().is_some_and(|open| open.until_boot_ms <= now) {
            *key = None;
        }
        key.as_ref().map(|open| (open.name.clone(), open.person, open.until_boot_ms - now))
    }

    /// Forgets the open key.
    pub(crate) fn lock_key(&self) {
        *self.key.lock().unwrap_or_else(PoisonError::into_inner) = None;
        self.changed();
    }

    /// The open key of that name, its time begun anew.
    pub(crate) fn use_key(&self, name: &str) -> Option<(SigningKey, Option<Id>)> {
        self.open_key()?;
        let mut key = self.key.lock().unwrap_or_else(PoisonError::into_inner);
        let open = key.as_mut().filter(|open| open.name == name)?;
        open.until_boot_ms = self.clock.boot_ms() + OPEN_FOR_MS;
        Some((open.key.clone(), open.person))
    }

    /// Keeps a key open for a while.
    pub(crate) fn keep_key(&self, name: String, key: SigningKey) -> Option<Id> {
        let person = owner(&self.view().history, &key);
        let until_boot_ms = self.clock.boot_ms() + OPEN_FOR_MS;
        let open = OpenKey { name, key, person, until_boot_ms };
        *self.key.lock().unwrap_or_else(PoisonError::into_inner) = Some(open);
        person
    }

    /// Signs a card as `rinsebook fact` does; when this returns it is synced here.
    pub(crate) async fn sign(&self, card: &Card, signer: &SigningKey) -> Result<Vec<Hash>, ClientError> {
        self.waiting.fetch_add(1, Ordering::SeqCst);
        let mut core = self.core.lock().await;
        self.waiting.fetch_sub(1, Ordering::SeqCst);
        let Core { station, names, .. } = &mut *core;
        // The texts first: a fact that names one is worth nothing without it.
        for blob in &card.blobs {
            station.keep(blob)?;
        }
        let hashes = station.sign_linked(signer, card.linked())?;
        card.remember(&hashes, names);
        names.save(&station.home)?;
        self.publish(&core, self.view().link.clone());
        self.changed();
        self.nudge.notify_one();
        Ok(hashes)
    }

    /// Takes what a code of another tablet carries; gives the facts' hashes.
    pub(crate) async fn take(&self, code: &str) -> Result<Vec<Hash>, ClientError> {
        self.waiting.fetch_add(1, Ordering::SeqCst);
        let mut core = self.core.lock().await;
        self.waiting.fetch_sub(1, Ordering::SeqCst);
        let Core { brought, mirror, .. } = &mut *core;
        let taken = brought.take(code, mirror.history().roster())?;
        self.publish(&core, self.view().link.clone());
        self.changed();
        Ok(taken.iter().map(|fact| fact.hash()).collect())
    }

    fn publish(&self, core: &Core, link: Link) {
        let view = Arc::new(View::of(&core.station, &core.mirror, &core.brought, &core.names, link));
        *self.view.write().unwrap_or_else(PoisonError::into_inner) = view;
    }

    /// Sends and copies for as long as the program runs; what does not work is tried again, at longer intervals.
    pub(crate) async fn keep_up(&self) {
        let mut pause = LOOK_EVERY;
        loop {
            pause = match self.round().await {
                Ok(()) => LOOK_EVERY,
                Err(_) => (pause * 2).min(LOOK_AT_LEAST_EVERY),
            };
            tokio::select! {
                () = tokio::time::sleep(pause) => {}
                () = self.nudge.notified() => {}
            }
        }
    }

    /// One time of sending and copying.
    async fn round(&self) -> Result<(), ClientError> {
        let mut core = self.core.lock().await;
        let before = self.view();
        let outcome = tokio::select! {
            biased;
            outcome = core.exchange(self.clock.boot_ms()) => outcome,
            () = self.somebody_waits() => return Ok(()),
        };
        let now = self.now_ms();
        let last = match before.link {
            Link::Up(at) => Some(at),
            Link::Down(_, last) => last,
            _ => None,
        };
        let link = match &outcome {
            Ok(()) => Link::Up(now),
            Err(error @ ClientError::Unreachable(_)) => Link::Down(error.to_string(), last),
            Err(error @ (ClientError::Diverged(_) | ClientError::Outbox(_))) => Link::Stop(error.to_string()),
            Err(error) => Link::Down(error.to_string(), last),
        };
        self.publish(&core, link);
        if self.looks_different(&before) {
            self.changed();
        }
        outcome
    }

    async fn somebody_waits(&self) {
        let waits = || self.waiting.load(Ordering::SeqCst) > 0;
        loop {
            tokio::time::sleep(POLL).await;
            if waits() {
                tokio::time::sleep(PATIENCE).await;
                if waits() {
                    return;
                }
            }
        }
    }

    /// Whether a person would see a difference: devices that only report themselves make none.
    fn looks_different(&self, before: &View) -> bool {
        let now = self.view();
        let mut new = (before.history.size()..now.history.size()).filter_map(|at| now.history.recorded(at));
        let told =
            |view: &View| (view.unsent, view.refused.len(), view.unread.len(), std::mem::discriminant(&view.link));
        told(&now) != told(before) || new.any(|r| !matches!(r.fact.kind(), Some(Kind::DeviceReported(_))))
    }
}

impl Core {
    /// Sends what is unsent, or once in a while that there is nothing; else only looks what others did.
    async fn exchange(&mut self, boot_ms: u64) -> Result<(), ClientError> {
        let due = self.reported_boot_ms.is_none_or(|then| boot_ms >= then + REPORT_EVERY_MS);
        if due || !self.station.unsent().is_empty() {
            sync(&mut self.station, 1).await?;
            self.reported_boot_ms = Some(boot_ms);
        }
        let channel = remote::connect(&self.station.home).await?;
        follow(&mut self.station, channel.clone()).await?;
        self.mirror.advance(&self.station, channel.clone()).await?;
        if self.learned_at != Some(self.mirror.size()) {
            let before = self.names.clone();
            self.names.learn(channel).await?;
            if self.names != before {
                self.names.save(&self.station.home)?;
            }
            self.learned_at = Some(self.mirror.size());
        }
        Ok(())
    }
}
