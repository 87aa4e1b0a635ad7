//! Facts of any content, from enrolled people and from strangers, folded by the rules into answers.
//!
//! A device that may send facts can send any: each is kept, and every later answer about its aircraft reads it. So no fact
//! may keep the rules from answering. An input is a planned start (u64 ms), and then steps:
//!
//! ```text
//! u8 kind (from 0)  u8 who  u8 what it is about, and more  i16 minutes later than the step before
//!     [u64 ms instead]  [u8 how many steps back is the fact that it names]  u16 length  body
//! ```

use std::collections::HashMap;
use std::sync::{Arc, LazyLock};

use prost::Message;
use rinsebook_proto::bytes::{Hash, Id};
use rinsebook_proto::fact::{Kind, MAX_SERVICE_ENVELOPE_BYTES, Signed};
use rinsebook_proto::key::{self, SigningKey};
use rinsebook_proto::rules::{History, Question, Recorded, SignatureState, answer, lists};
use rinsebook_proto::v1::{self, Authority, SubjectKind};

use crate::Input;
use crate::facts::{FIRST_KIND, KINDS, payload, unsigned};

/// What a step is about, and how it came: bits of its third byte.
pub(crate) const AIRCRAFT: u8 = 1;
pub(crate) const WASH: u8 = 2;
pub(crate) const ENGINE_ONE: u8 = 4;
pub(crate) const ENGINE_TWO: u8 = 8;
pub(crate) const ROSTER: u8 = 16;
pub(crate) const UNCHECKED: u8 = 32;
pub(crate) const AT_ANY_TIME: u8 = 64;
pub(crate) const NAMES_ANOTHER: u8 = 128;

/// 2027-01-15 00:00:00 UTC: the day of the stories.
pub(crate) const DAY_MS: u64 = 1_799_971_200_000;
/// Longer stories would only be slower.
const MOST_STEPS: usize = 24;

const PROCEDURE: &str = include_str!("../../../deploy/procedures/ossavar-t2.toml");

const PEOPLE: [(&str, Option<Authority>); 9] = [
    ("custodian", None),
    ("tech", Some(Authority::Perform)),
    ("inspector", Some(Authority::Inspect)),
    ("runner", Some(Authority::Run)),
    ("certifier", Some(Authority::Certify)),
    ("waiver", Some(Authority::Waive)),
    ("planner", Some(Authority::Plan)),
    ("service", None),
    ("stranger", None),
];

/// The id that a name stands for.
pub(crate) fn id(name: &str) -> Id {
    Id::from_slice(&Hash::of(name.as_bytes()).0[..16]).expect("sixteen bytes")
}

fn key_of(name: &str) -> SigningKey {
    SigningKey::from_bytes(&Hash::of(name.as_bytes()).0)
}

/// The digest of the procedure that is published.
pub(crate) fn procedure_digest() -> Hash {
    Hash::of(PROCEDURE.as_bytes())
}

/// One step, as a seed writes it.
#[derive(Debug, Clone, Default)]
pub(crate) struct Step {
    pub(crate) kind: u8,
    pub(crate) who: u8,
    pub(crate) flags: u8,
    pub(crate) minutes: i16,
    pub(crate) at_ms: u64,
    pub(crate) back: u8,
    pub(crate) body: Vec<u8>,
}

impl Step {
    /// The bytes that [`Step::read`] reads.
    pub(crate) fn encode(&self) -> Vec<u8> {
        let mut out = vec![self.kind, self.who, self.flags];
        out.extend_from_slice(&self.minutes.to_be_bytes());
        if self.flags & AT_ANY_TIME != 0 {
            out.extend_from_slice(&self.at_ms.to_be_bytes());
        }
        if self.flags & NAMES_ANOTHER != 0 {
            out.push(self.back);
        }
        out.extend_from_slice(&(self.body.len() as u16).to_be_bytes());
        out.extend_from_slice(&self.body);
        out
    }

    fn read(input: &mut Input<'_>) -> Step {
        let (kind, who, flags) = (input.u8() % KINDS, input.u8() % PEOPLE.len() as u8, input.u8());
        let minutes = i16::from_be_bytes(input.array());
        let at_ms = if flags & AT_ANY_TIME == 0 { 0 } else { input.u64() };
        let back = if flags & NAMES_ANOTHER == 0 { 0 } else { input.u8() };
        let length = input.u16().into();
        Step { kind, who, flags, minutes, at_ms, back, body: input.take(length).to_vec() }
    }
}

/// The rules answer, whatever is recorded; and they answer the same as known at an earlier size and then.
pub fn story(data: &[u8]) -> bool {
    let mut input = Input(data);
    let planned_start_ms = input.u64();
    let mut telling = Telling::enrolled();
    let mut all_read = true;
    while !input.0.is_empty() && telling.told.len() < MOST_STEPS {
        let step = Step::read(&mut input);
        all_read &= telling.step(&step);
    }
    let history = &telling.history;
    for index in 0..history.size() {
        let recorded = history.recorded(index).expect("below the size");
        let _ = lists::recorded_fact(history, recorded, history.size());
        let _ = (history.aircraft_touched(index), history.unread_because(index, history.size()));
    }
    for time_ms in [telling.now_ms, telling.now_ms + 13 * 3_600_000, u64::MAX] {
        ask(history, history.size(), time_ms, Some(planned_start_ms));
    }
    ask(history, history.size() / 2 + 8, telling.now_ms, None);
    let _ = (lists::people(history.roster(), history.size()), lists::devices(history, history.size()));
    let _ = lists::procedures(history.roster(), history.size());
    all_read && !telling.told.is_empty()
}

fn ask(history: &History, size: u64, time_ms: u64, planned_start_ms: Option<u64>) {
    let aircraft = id("aircraft");
    let assume_closed = planned_start_ms.map_or(vec![], |_| vec!["inspection-due".to_owned()]);
    let question = Question { aircraft, planned_start_ms, assume_closed, epoch: 1, size, time_ms };
    let assessment = history.assess(&question);
    assert!(!assessment.first_line.is_empty());
    assert!(assessment.horizon_ms.is_none_or(|ms| ms > time_ms / 1000 * 1000), "a horizon lies ahead");
    assert!(!answer::assessment(&assessment).encode_to_vec().is_empty());
    let _ = lists::washes(history, &aircraft, size, time_ms);
    let _ = lists::aircraft(history, &aircraft, size);
}

struct Telling {
    history: History,
    /// Hashes of the steps' facts.
    told: Vec<Hash>,
    now_ms: u64,
    happened_ms: u64,
    runs: HashMap<usize, (u64, Hash)>,
}

/// The record founded, everybody enrolled, an aircraft listed, a procedure published: the same before every story.
static ENROLLED: LazyLock<Vec<Recorded>> = LazyLock::new(|| {
    let mut telling = Telling::empty();
    let mut recorded = Vec::new();
    for kind in enrolments() {
        let header = telling.header(0, DAY_MS, ROSTER | about(&kind));
        let bytes = unsigned(&v1::Fact { header: Some(header), kind: Some(kind) }.encode_to_vec());
        telling.put(0, &bytes, SignatureState::Good);
        recorded.push(telling.history.recorded(telling.history.size() - 1).expect("just put").clone());
    }
    assert!(recorded.iter().all(|r| r.fact.kind().is_some()), "the enrolments are read");
    recorded
});

fn about(kind: &Kind) -> u8 {
    if matches!(kind, Kind::AircraftListed(_)) { AIRCRAFT | ENGINE_ONE | ENGINE_TWO } else { 0 }
}

fn enrolments() -> Vec<Kind> {
    let person = |name: &str| v1::PersonEnrolled { person: id(name).to_vec(), ..Default::default() };
    let key = |name: &str| v1::KeyEnrolled {
        person: id(name).to_vec(),
        public_key: key_of(name).verifying_key().to_bytes().to_vec(),
        possession: key::prove_possession(&key_of(name), &id(name).0).to_vec(),
    };
    let mut all = vec![Kind::RecordFounded(v1::RecordFounded {
        custodian: Some(person("custodian")),
        custodian_key: Some(key("custodian")),
        custodian_device: Some(v1::DeviceEnrolled {
            device: id("custodian device").to_vec(),
            tls_key_digest: vec![1; 32],
            ..Default::default()
        }),
        service_fact_key: key_of("service").verifying_key().to_bytes().to_vec(),
        service_device: id("service device").to_vec(),
        ..Default::default()
    })];
    for (name, authority) in PEOPLE.iter().filter_map(|(name, authority)| Some((*name, (*authority)?))) {
        all.extend([Kind::PersonEnrolled(person(name)), Kind::KeyEnrolled(key(name))]);
        let authority = authority as i32;
        let granted = v1::AuthorityGranted { person: id(name).to_vec(), authority, ..Default::default() };
        all.push(Kind::AuthorityGranted(granted));
    }
    let engine = |position: u32| v1::InstalledEngine {
        engine: Some(v1::EngineAt { position, serial: format!("OT-{position}") }),
        engine_type: "Ossavar T2".to_owned(),
    };
    all.push(Kind::AircraftListed(v1::AircraftListed {
        aircraft: id("aircraft").to_vec(),
        registration: "ZZ-RBA".to_owned(),
        aircraft_type: "invented".to_owned(),
        engines: vec![engine(1), engine(2)],
    }));
    all.push(Kind::ProcedurePublished(v1::ProcedurePublished {
        procedure: Id::from_hex("6f7373617661722d74322d7761736831").expect("32 digits").to_vec(),
        revision: 1,
        text: Some(v1::AttachmentRef { digest: procedure_digest().to_vec() }),
        engine_type: "Ossavar T2".to_owned(),
        title: "Core wash with warm water, Ossavar T2".to_owned(),
    }));
    all
}

impl Telling {
    fn empty() -> Telling {
        Telling { history: History::new(), told: Vec::new(), now_ms: DAY_MS, happened_ms: DAY_MS, runs: HashMap::new() }
    }

    fn enrolled() -> Telling {
        let mut telling = Telling::empty();
        for recorded in ENROLLED.iter() {
            telling.history.add(recorded.clone(), &attachment);
        }
        let last = ENROLLED.last().expect("there are some");
        telling.runs.insert(0, (ENROLLED.len() as u64, last.fact.hash()));
        telling
    }

    /// Records it; whether it was read.
    fn step(&mut self, step: &Step) -> bool {
        self.happened_ms = match step.flags & AT_ANY_TIME {
            0 => self.happened_ms.saturating_add_signed(i64::from(step.minutes) * 60_000),
            _ => step.at_ms,
        };
        // What is received comes in time, whatever it says of itself.
        if (self.now_ms..self.now_ms + 86_400_000).contains(&self.happened_ms) {
            self.now_ms = self.happened_ms;
        }
        let mut header = self.header(step.who.into(), self.happened_ms, step.flags);
        if step.flags & NAMES_ANOTHER != 0 {
            let named = self.told.iter().rev().nth(step.back.into()).copied();
            header.refers = named.map(|hash| hash.to_vec()).into_iter().collect();
        }
        let bytes = unsigned(&payload(&header, FIRST_KIND + u32::from(step.kind), &step.body));
        let signature = if step.flags & UNCHECKED == 0 { SignatureState::Good } else { SignatureState::Unchecked };
        self.put(step.who.into(), &bytes, signature);
        let last = self.history.recorded(self.history.size() - 1).expect("just put");
        self.told.push(last.fact.hash());
        last.fact.kind().is_some()
    }

    fn header(&self, who: usize, happened_ms: u64, flags: u8) -> v1::Header {
        let name = PEOPLE[who].0;
        let (counter, previous) = self.runs.get(&who).copied().unwrap_or((0, Hash::ZERO));
        let all = [
            (AIRCRAFT, SubjectKind::Aircraft, id("aircraft").to_vec()),
            (ENGINE_ONE, SubjectKind::Engine, b"OT-1".to_vec()),
            (ENGINE_TWO, SubjectKind::Engine, b"OT-2".to_vec()),
            (WASH, SubjectKind::Wash, id("wash").to_vec()),
            (ROSTER, SubjectKind::Roster, vec![]),
        ];
        let told = all.into_iter().filter(|(bit, ..)| flags & bit != 0);
        v1::Header {
            record: self.history.hash_of(0).unwrap_or(Hash::ZERO).to_vec(),
            device: id(&format!("{name} device")).to_vec(),
            run: id(&format!("{name} run")).to_vec(),
            counter,
            previous: previous.to_vec(),
            author_key: key::key_id(&key_of(name).verifying_key()).to_vec(),
            happened_ms,
            recorded_ms: happened_ms,
            clock_offset_ms: Some(0),
            clock_measured_ms: Some(happened_ms),
            seen_epoch: 1,
            seen_size: self.history.size(),
            seen_root: Hash::of(b"").to_vec(),
            subjects: told.map(|(_, kind, id)| v1::Subject { kind: kind as i32, id }).collect(),
            ..Default::default()
        }
    }

    fn put(&mut self, who: usize, bytes: &[u8], signature: SignatureState) {
        let fact =
            Signed::parse(bytes, usize::max(MAX_SERVICE_ENVELOPE_BYTES, bytes.len())).expect("its form is right");
        let (counter, _) = self.runs.get(&who).copied().unwrap_or((0, Hash::ZERO));
        self.runs.insert(who, (counter + 1, fact.hash()));
        let (index, received_ms) = (self.history.size(), self.now_ms);
        let recorded = Recorded { index, received_ms, clock_unsure: false, fact: Arc::new(fact), signature };
        self.history.add(recorded, &attachment);
    }
}

fn attachment(digest: &Hash) -> Option<Vec<u8>> {
    (*digest == procedure_digest()).then(|| PROCEDURE.as_bytes().to_vec())
}
