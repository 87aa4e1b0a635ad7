//! Packs: a part of the log with everything that an outsider needs to check it. That one was given out is a fact, and the
//! pack begins with it.

use std::collections::{BTreeMap, BTreeSet};
use std::sync::{Arc, RwLock};
use std::time::Duration;

use rinsebook_proto::CONTRACT;
use rinsebook_proto::bytes::{Hash, Id};
use rinsebook_proto::entry::Entry;
use rinsebook_proto::fact::{BlobNamed, Kind, MAX_SUBJECTS, Subject, blobs_named};
use rinsebook_proto::note::Checkpoint;
use rinsebook_proto::pack::{Pack, PackedBlob, Proved, View};
use rinsebook_proto::rules::{History, Question, Recorded, answer};
use rinsebook_proto::tree::Tree;
use rinsebook_proto::v1::{self, issue_pack_request::About};

use crate::blobs::{Blob, Blobs};
use crate::error::CallError;
use crate::log::LogReader;
use crate::projection::Known;
use crate::query::{Moment, Queries, id};
use crate::witnesses::Witnesses;

/// What belongs to a pack may grow between the look and the record; it seldom does twice.
const LOOKS: usize = 3;
/// Witnesses are asked once a second; a pack waits for them, though not for ever.
const COSIGNED_TRIES: usize = 50;
const COSIGNED_EVERY: Duration = Duration::from_millis(100);

/// Gives packs out.
#[derive(Clone)]
pub struct Packs {
    /// Knows the history, and records.
    pub queries: Queries,
    /// Reads entries.
    pub reader: LogReader,
    /// Leaf hashes.
    pub tree: Arc<RwLock<Tree>>,
    /// Cosign checkpoints, a little after they were signed.
    pub witnesses: Witnesses,
}

/// What a pack is about.
struct Scope {
    aircraft: BTreeSet<Id>,
    subjects: BTreeSet<Subject>,
    beside: BTreeSet<u64>,
}

impl Packs {
    /// Records that a pack is given out, and makes it.
    pub async fn issue(&self, request: v1::IssuePackRequest) -> Result<Vec<u8>, CallError> {
        if request.issued_to.trim().is_empty() {
            return Err(CallError::Field { field: "issued_to", why: "say who gets it; the log keeps it".to_owned() });
        }
        let about = request.about.clone().ok_or_else(|| CallError::Field {
            field: "about",
            why: "name an aircraft, a wash or a time span".to_owned(),
        })?;
        let contract = Blob { salt: Vec::new(), content: CONTRACT.as_bytes().to_vec() };
        let contract = self.queries.blobs().keep(&contract)?;
        let mut looks = 0;
        loop {
            looks += 1;
            let asked = self.scope(&about).await?;
            let facts = heads(&request, &about, &contract, &asked.subjects);
            let recorded = self.queries.sequencer().record(facts).await?;
            let last = recorded.last().ok_or(CallError::Stopping)?.0;
            self.queries.settle(Moment { at_least_size: last + 1, ..Moment::default() }).await?;
            let now = self.scope(&about).await?;
            // Somebody may have joined meanwhile: then the newest facts name too little.
            if now.subjects.is_subset(&asked.subjects) || looks == LOOKS {
                let scope = Scope { subjects: asked.subjects, ..now };
                let (parts, known) = (self.clone(), self.checkpoint(last).await);
                let made = tokio::task::spawn_blocking(move || {
                    let pack = parts.make(&scope, last, &known)?;
                    Ok(pack
                        .encode()
                        .expect("entries that decode, proofs in such a tree and kept blobs have room in it"))
                });
                return made.await.map_err(|_| CallError::Stopping)?;
            }
        }
    }

    /// A checkpoint beyond that entry: one that witnesses cosigned, where they do so in time.
    async fn checkpoint(&self, last: u64) -> Known {
        let cosigned = || {
            let note = self.witnesses.cosigned(self.queries.now_ms())?.note;
            let size = Checkpoint::read_unverified(&note).ok()?.size;
            (size > last).then_some(Known { size, note })
        };
        if self.witnesses.are_asked() {
            for _ in 0..COSIGNED_TRIES {
                if let Some(known) = cosigned() {
                    return known;
                }
                tokio::time::sleep(COSIGNED_EVERY).await;
            }
            tracing::warn!(last, "no witness cosigned a checkpoint in time; the pack goes out under the log's own");
        }
        self.queries.view().known()
    }

    async fn scope(&self, about: &About) -> Result<Scope, CallError> {
        let size = self.queries.settle(Moment::default()).await?.size;
        let aircraft = aircraft_of(&self.queries.view().history(), about)?;
        let mut scope = Scope { aircraft, subjects: BTreeSet::new(), beside: BTreeSet::new() };
        for aircraft in &scope.aircraft {
            // The history is let go between two aircraft: recording waits for no pack of many.
            let rests = self.queries.view().history().rests_on(aircraft, size);
            scope.subjects.extend(rests.subjects);
            scope.beside.extend(rests.beside);
        }
        Ok(scope)
    }

    /// The pack up to its last head.
    fn make(&self, scope: &Scope, last: u64, known: &Known) -> Result<Pack, CallError> {
        let history = self.queries.view().history();
        let chained = scope.subjects.iter().flat_map(|s| history.facts_of(s)).copied();
        let mut indices: BTreeSet<u64> = chained.chain(scope.beside.iter().copied()).collect();
        indices.retain(|index| *index <= last);
        if !answers_alike(&history, &indices, scope, last + 1, self.queries.blobs(), self.queries.now_ms()) {
            // The answers rest on more than was foreseen. All of the log answers as the log does.
            tracing::error!(last, "a part of the log answers otherwise than all of it; the pack takes every entry");
            indices = (0..=last).collect();
        }
        self.pack(&history, &indices, known)
    }

    fn pack(&self, history: &History, indices: &BTreeSet<u64>, known: &Known) -> Result<Pack, CallError> {
        let unreadable = |index: u64| CallError::NotFound { what: "readable entry", name: index.to_string() };
        let tree = self.tree.read().expect("the tree's writer does not panic");
        let mut entries = Vec::with_capacity(indices.len());
        for index in indices.iter().rev().copied() {
            let data = self.reader.read(index).ok().flatten().ok_or_else(|| unreadable(index))?;
            let entry = Entry::decode(&data).map_err(|_| unreadable(index))?;
            let proof = tree.inclusion(index, known.size).map_err(|_| unreadable(index))?;
            entries.push(Proved { entry, data, proof });
        }
        let facts = || indices.iter().filter_map(|index| history.glance(*index));
        // What the log was, whatever root a signer names: whoever checks the pack sees who says otherwise.
        let seen: BTreeSet<u64> = facts().map(|r| r.fact.header().seen.size).collect();
        let views = seen.into_iter().filter(|size| (1..=known.size).contains(size)).map(|size| {
            let proof = tree.consistency(size, known.size).expect("the sizes are in order");
            View { size, root: tree.root(size), proof }
        });
        let views = views.collect();
        let mut blobs: BTreeMap<(Hash, bool), PackedBlob> = BTreeMap::new();
        for named in facts().flat_map(|r| r.fact.kind().map(blobs_named).unwrap_or_default()) {
            // An empty one may lie there from before they were refused; no pack holds it.
            let blob = self.queries.blobs().read_as(named).filter(|blob| !blob.content.is_empty());
            if let Some(Blob { salt, content }) = blob {
                let blob = PackedBlob { salt, content };
                blobs.insert(blob.name(), blob);
            }
        }
        Checkpoint::read_unverified(&known.note).map_err(|_| CallError::NotFounded)?;
        Ok(Pack { entries, views, blobs: blobs.into_values().collect(), note: known.note.clone() })
    }
}

fn aircraft_of(history: &History, about: &About) -> Result<BTreeSet<Id>, CallError> {
    let not_found = |what, name: String| CallError::NotFound { what, name };
    let of_facts = |index: &u64| {
        let subjects = history.glance(*index).map(|r| r.fact.header().subjects.clone()).unwrap_or_default();
        subjects.into_iter().filter_map(|s| if let Subject::Aircraft(id) = s { Some(id) } else { None })
    };
    match about {
        About::Aircraft(bytes) => {
            let aircraft = id(bytes, "aircraft")?;
            let known = history.knows_aircraft(&aircraft);
            known.then(|| BTreeSet::from([aircraft])).ok_or_else(|| not_found("aircraft", aircraft.to_string()))
        }
        About::Wash(bytes) => {
            let wash = id(bytes, "wash")?;
            let aircraft: BTreeSet<Id> = history.facts_of(&Subject::Wash(wash)).iter().flat_map(of_facts).collect();
            if aircraft.is_empty() { Err(not_found("wash", wash.to_string())) } else { Ok(aircraft) }
        }
        About::Received(span) => {
            let within = |index: &u64| {
                history.received_ms(*index).is_some_and(|ms| (span.from_ms..=span.until_ms).contains(&ms))
            };
            let indices: Vec<u64> = (0..history.size()).filter(within).collect();
            let aircraft: BTreeSet<Id> = indices.iter().flat_map(of_facts).collect();
            let empty = || not_found("aircraft with a fact received", "in that time".to_owned());
            if aircraft.is_empty() { Err(empty()) } else { Ok(aircraft) }
        }
    }
}

/// One fact, or as many as its subjects need.
fn heads(
    request: &v1::IssuePackRequest,
    about: &About,
    contract: &Hash,
    subjects: &BTreeSet<Subject>,
) -> Vec<(Kind, Vec<Subject>)> {
    let subjects: Vec<Subject> = subjects.iter().cloned().collect();
    let parts = subjects.chunks(MAX_SUBJECTS);
    let issued = v1::PackIssued {
        issued_to: request.issued_to.clone(),
        purpose: request.purpose.clone(),
        contract: Some(v1::AttachmentRef { digest: contract.to_vec() }),
        part: 0,
        parts: parts.len() as u32,
        wash: if let About::Wash(wash) = about { wash.clone() } else { Vec::new() },
        from_ms: if let About::Received(span) = about { Some(span.from_ms) } else { None },
        until_ms: if let About::Received(span) = about { Some(span.until_ms) } else { None },
    };
    let head = |(part, subjects): (u32, &[Subject])| {
        (Kind::PackIssued(v1::PackIssued { part, ..issued.clone() }), subjects.to_vec())
    };
    (1..).zip(parts).map(head).collect()
}

/// Whether the part answers as the whole does: what is open now, and every question whose answer was recorded.
fn answers_alike(
    whole: &History,
    indices: &BTreeSet<u64>,
    scope: &Scope,
    size: u64,
    blobs: &Blobs,
    now_ms: u64,
) -> bool {
    let attachment = |digest: &Hash| blobs.read_as(BlobNamed::Attachment(*digest)).map(|blob| blob.content);
    let mut part = History::new();
    let recorded: Vec<Recorded> = indices.iter().filter_map(|index| whole.glance(*index)).collect();
    recorded.iter().for_each(|fact| part.add(fact.clone(), &attachment));
    let ask = |history: &History, question: &Question| answer::assessment(&history.assess(question));
    let asked = |recorded: &Recorded| {
        let Some(Kind::QuestionAnswered(answered)) = recorded.fact.kind() else { return None };
        let digest = Hash::from_slice(&answered.assessment.as_ref()?.digest)?;
        let given: v1::Assessment = prost::Message::decode(attachment(&digest)?.as_slice()).ok()?;
        answer::question(&given)
    };
    let now = |aircraft: &Id| Question {
        aircraft: *aircraft,
        planned_start_ms: None,
        assume_closed: Vec::new(),
        epoch: 0,
        size,
        time_ms: now_ms,
    };
    let questions: Vec<Question> = recorded.iter().filter_map(asked).chain(scope.aircraft.iter().map(now)).collect();
    questions.iter().filter(|q| scope.aircraft.contains(&q.aircraft)).all(|q| ask(whole, q) == ask(&part, q))
}
