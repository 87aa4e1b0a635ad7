//! What the page shows: the history as this station holds it, its own unsent facts behind it. A view never changes; when
//! something does, another takes its place, so that no page waits for the network.

use std::collections::HashMap;
use std::sync::Arc;

use prost::Message;
use rinsebook_proto::bytes::{Hash, Id};
use rinsebook_proto::fact::{Kind, Subject};
use rinsebook_proto::rules::procedure::Procedure;
use rinsebook_proto::rules::{History, Item, ItemKind, kind_name};
use rinsebook_proto::v1::{self, CorrectionOutcome, EngineAt, RevisionOutcome};

use super::drafts::Draft;
use super::progress::{Act, Progress};
use crate::card::{Card, Context};
use crate::names::{Names, Wash};
use crate::outbox::Outbox;
use crate::station::{Receipt, Station};
use crate::{ClientError, about};

/// How the station stands with the service.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) enum Link {
    /// It has not been tried yet.
    Untried,
    /// It answered, at that time.
    Up(u64),
    /// It did not, for that reason; it last did at that time.
    Down(String, Option<u64>),
    /// Something is wrong that waiting does not mend.
    Stop(String),
}

/// Something of this station that needs a person: refused, or not read.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) struct Trouble {
    /// What it was.
    pub(crate) what: String,
    /// Why, and what to do.
    pub(crate) why: String,
    /// Its envelope.
    pub(crate) envelope: Hash,
}

/// See the module.
pub(crate) struct View {
    /// Everything known here.
    pub(crate) history: History,
    /// Names.
    pub(crate) names: Names,
    /// This device.
    pub(crate) device: Id,
    /// What people call it.
    pub(crate) label: String,
    /// Facts saved here and not sent.
    pub(crate) unsent: usize,
    /// Facts refused.
    pub(crate) refused: Vec<Trouble>,
    /// Own facts that are not read yet.
    pub(crate) unread: Vec<Trouble>,
    /// Device clock minus service clock in milliseconds, and when that was measured.
    pub(crate) clock_offset: Option<(i64, u64)>,
    /// The service.
    pub(crate) link: Link,
    /// Entries of the log that are here.
    pub(crate) copied: u64,
    /// Why the copy of the log was made again.
    pub(crate) put_away: Option<String>,
}

impl View {
    /// What is known now.
    pub(crate) fn of(
        station: &Station,
        mirror: &crate::mirror::Mirror,
        brought: &crate::brought::Brought,
        names: &Names,
        link: Link,
    ) -> View {
        let history = mirror.with_own(station, brought);
        let mut view = View {
            names: names.clone(),
            device: station.home.device,
            label: station.home.about.label.clone(),
            unsent: station.unsent().len(),
            refused: Vec::new(),
            unread: Vec::new(),
            clock_offset: station.clock_offset(),
            link,
            copied: mirror.size(),
            put_away: mirror.put_away().map(str::to_owned),
            history,
        };
        for item in station.outbox_items() {
            view.own(&item.hash(), Outbox::fact(item).as_ref().and_then(|f| f.kind()), station.receipt(&item.hash()));
        }
        view
    }

    fn own(&mut self, hash: &Hash, kind: Option<&Kind>, receipt: Option<&Receipt>) {
        let what = kind.map_or("a fact", kind_name).replace('-', " ");
        if let Some(Receipt::Refused(why)) = receipt {
            let why = format!("{why} Record it anew; the wash stays open until then.");
            self.refused.push(Trouble { what, why, envelope: *hash });
            return;
        }
        let unread = self.history.by_hash(hash).and_then(|at| self.history.unread_because(at, self.history.size()));
        if let Some(why) = unread {
            let why = format!("{why}. It counts once the custodian has enrolled what is missing; nothing is lost.");
            self.unread.push(Trouble { what, why, envelope: *hash });
        }
    }

    /// An aircraft's registration, or its id.
    pub(crate) fn registration(&self, aircraft: &Id) -> String {
        let known = self.history.roster().registration(aircraft, u64::MAX);
        known.map_or_else(|| aircraft.to_string(), str::to_owned)
    }

    /// Names, with the wash and its facts known to cards.
    pub(crate) fn names_for(&self, wash: &WashView) -> Names {
        let mut names = self.names.clone();
        if wash.signed_opening {
            let engines = wash.engines.iter().map(|e| e.serial.clone()).collect();
            let known = Wash { id: wash.id.to_string(), aircraft: wash.registration.clone(), engines };
            names.washes.insert(wash.id.to_string(), known);
        }
        for index in self.history.facts_of(&Subject::Wash(wash.id)) {
            if let Some(recorded) = self.history.recorded(*index) {
                let subjects = recorded.fact.header().subjects.iter().map(about::text).collect();
                names.about.insert(recorded.fact.hash().to_string(), subjects);
            }
        }
        names
    }

    /// One wash, as signed and as noted.
    pub(crate) fn wash(&self, id: Id, draft: Option<&Draft>, now_ms: u64) -> Result<WashView, ClientError> {
        let unknown = || ClientError::Usage("no such wash is known at this station".to_owned());
        let facts = self.history.facts_of(&Subject::Wash(id));
        let opened =
            facts.iter().filter_map(|at| self.history.recorded(*at)).find_map(|recorded| match recorded.fact.kind() {
                Some(Kind::WashOpened(opened)) => Some((opened.clone(), recorded.fact.header().subjects.clone())),
                _ => None,
            });
        let mut wash = match &opened {
            Some((opened, subjects)) => {
                let aircraft =
                    subjects.iter().find_map(|s| if let Subject::Aircraft(id) = s { Some(*id) } else { None });
                let registration = aircraft.map(|id| self.registration(&id)).unwrap_or_default();
                WashView::new(id, aircraft, registration, opened, true)
            }
            None => self.noted_opening(id, draft.ok_or_else(unknown)?)?,
        };
        let mut acts = self.signed_acts(facts);
        wash.take_revision(&acts);
        let size = self.history.size();
        wash.title = wash.digest.and_then(|digest| self.history.roster().procedure(&digest, size)).map(|published| {
            wash.procedure = published.text.clone().ok();
            format!("{} r{}", published.title, published.revision)
        });
        acts.extend(self.noted_acts(&wash, draft)?);
        wash.acts = acts;
        if let (Some(aircraft), true) = (wash.aircraft, wash.signed_opening) {
            let state = self.history.state(&aircraft, size, now_ms);
            wash.items = state.items.into_iter().filter(|item| self.is_told(item)).collect();
            let of_wash = |finding: &rinsebook_proto::rules::Finding| finding.settled.is_none();
            wash.findings = state.findings.into_iter().filter(of_wash).map(|f| f.text).collect();
            wash.signed_off = state.washes.iter().any(|w| w.wash == id && w.signed_off_by.is_some());
        }
        Ok(wash)
    }

    /// That the service has not heard this very device is told on every page already.
    pub(crate) fn is_told(&self, item: &Item) -> bool {
        item.kind != ItemKind::DeviceOutstanding || item.subject != self.device.to_string()
    }

    fn noted_opening(&self, id: Id, draft: &Draft) -> Result<WashView, ClientError> {
        let card = Card::from_table(&draft.card(), &Context { names: &self.names, now_ms: 0, folder: None })?;
        let opened = card.facts.iter().find_map(|fact| match &fact.draft.kind {
            Kind::WashOpened(opened) => Some(opened),
            _ => None,
        });
        let opened = opened.ok_or_else(|| ClientError::Usage("this wash was not opened".to_owned()))?;
        let known = self.names.aircraft.get(&draft.aircraft).and_then(|a| Id::from_hex(&a.id));
        Ok(WashView::new(id, known, draft.aircraft.clone(), opened, false))
    }

    /// The facts that were signed, corrections in their places.
    fn signed_acts(&self, facts: &[u64]) -> Vec<Act> {
        let mut acts: Vec<Option<Act>> = Vec::new();
        let mut places: HashMap<Hash, usize> = HashMap::new();
        for recorded in facts.iter().filter_map(|at| self.history.recorded(*at)) {
            let (Some(kind), header, hash) = (recorded.fact.kind(), recorded.fact.header(), recorded.fact.hash())
            else {
                continue;
            };
            let person = self.history.roster().key(&header.author_key, u64::MAX).map(|key| key.person);
            let act = Act { hash: Some(hash), kind: kind.clone(), happened_ms: header.happened_ms, person };
            let Kind::Corrected(correction) = kind else {
                places.insert(hash, acts.len());
                acts.push(Some(act));
                continue;
            };
            let Some(&place) = header.refers.first().and_then(|target| places.get(target)) else { continue };
            places.insert(hash, place);
            acts[place] = corrected(acts[place].take(), correction, hash);
        }
        let mut acts: Vec<Act> = acts.into_iter().flatten().collect();
        acts.sort_by_key(|act| act.happened_ms);
        acts
    }

    fn noted_acts(&self, wash: &WashView, draft: Option<&Draft>) -> Result<Vec<Act>, ClientError> {
        let Some(draft) = draft.filter(|draft| !draft.fact.is_empty()) else { return Ok(Vec::new()) };
        let names = self.names_for(wash);
        let card = Card::from_table(&draft.card(), &Context { names: &names, now_ms: 0, folder: None })?;
        let act = |fact: crate::card::CardFact| Act {
            hash: None,
            kind: fact.draft.kind,
            happened_ms: fact.draft.happened_ms,
            person: None,
        };
        Ok(card.facts.into_iter().map(act).collect())
    }
}

fn corrected(act: Option<Act>, correction: &v1::Corrected, hash: Hash) -> Option<Act> {
    if correction.outcome == CorrectionOutcome::StrikeOut as i32 {
        return None;
    }
    let kind = v1::Fact::decode(correction.kind_field.as_slice()).ok().and_then(|fact| fact.kind);
    act.map(|act| Act {
        hash: Some(hash),
        kind: kind.unwrap_or(act.kind),
        happened_ms: correction.happened_ms.unwrap_or(act.happened_ms),
        ..act
    })
}

/// A person's name here, or the beginning of their id.
pub(crate) fn person_name(names: &Names, person: &Id) -> String {
    let hex = person.to_string();
    let known = names.people.iter().find(|(_, id)| **id == hex).map(|(name, _)| name.clone());
    known.unwrap_or_else(|| format!("person {}", person.short()))
}

/// A wash as the page shows it.
#[derive(Debug, Clone)]
#[allow(missing_docs)]
pub(crate) struct WashView {
    pub(crate) id: Id,
    pub(crate) aircraft: Option<Id>,
    pub(crate) registration: String,
    pub(crate) work_order: String,
    pub(crate) digest: Option<Hash>,
    /// The procedure's title and revision, where it is known here.
    pub(crate) title: Option<String>,
    pub(crate) procedure: Option<Arc<Procedure>>,
    pub(crate) engines: Vec<EngineAt>,
    /// Its opening is signed, not only noted.
    pub(crate) signed_opening: bool,
    pub(crate) signed_off: bool,
    /// Signed, then noted.
    pub(crate) acts: Vec<Act>,
    pub(crate) items: Vec<Item>,
    /// Findings that nobody settled, in sentences.
    pub(crate) findings: Vec<String>,
}

impl WashView {
    fn new(id: Id, aircraft: Option<Id>, registration: String, opened: &v1::WashOpened, signed: bool) -> WashView {
        WashView {
            id,
            aircraft,
            registration,
            work_order: opened.work_order.clone(),
            digest: opened.procedure.as_ref().and_then(|p| Hash::from_slice(&p.digest)),
            title: None,
            procedure: None,
            engines: opened.engines.iter().filter_map(|e| e.engine.clone()).collect(),
            signed_opening: signed,
            signed_off: false,
            acts: Vec::new(),
            items: Vec::new(),
            findings: Vec::new(),
        }
    }

    /// A wash may have moved to a newer revision.
    fn take_revision(&mut self, acts: &[Act]) {
        for act in acts {
            if let Kind::RevisionDecided(decided) = &act.kind
                && decided.outcome == RevisionOutcome::Move as i32
            {
                self.digest = decided.procedure.as_ref().and_then(|p| Hash::from_slice(&p.digest)).or(self.digest);
            }
        }
    }

    /// How far it is; none where its procedure cannot be read here.
    pub(crate) fn progress(&self) -> Option<Progress> {
        self.procedure.as_ref().map(|procedure| Progress::of(procedure, &self.engines, &self.acts))
    }

    /// The engine at a position.
    pub(crate) fn engine(&self, position: u32) -> Option<&EngineAt> {
        self.engines.iter().find(|engine| engine.position == position)
    }

    /// Items of this wash, or of no wash.
    pub(crate) fn own_items(&self) -> impl Iterator<Item = &Item> {
        self.items.iter().filter(|item| item.wash.is_none_or(|wash| wash == self.id))
    }
}
