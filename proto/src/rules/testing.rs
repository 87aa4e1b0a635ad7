//! A small world for tests: real keys sign real facts about an invented aircraft, and a history takes them in.
//!
//! The roster is enrolled at indices below [`World::start`]; the day is 2027-01-15 and times are hours and minutes of it.

mod facts;

use std::collections::HashMap;
use std::sync::Arc;

use super::*;
use crate::bytes::{Hash, Id};
use crate::fact::{Envelope, Header, Kind, REPORT_TYPE, Seen, Signed, Subject, engines_named};
use crate::key::{self, SigningKey};
use crate::v1::{self, Authority, EngineAt};
pub(crate) use facts::*;
use prost::Message;

/// A procedure with everything: lines, an access, fixtures, isolations.
pub(crate) const WHOLE: &str = include_str!("../../../deploy/procedures/ossavar-t2.toml");
pub(crate) const TYPE: &str = "Ossavar T2";
/// 2027-01-15 00:00:00 UTC.
pub(crate) const DAY_MS: u64 = 1_799_971_200_000;

pub(crate) fn at(hour: u64, minute: u64) -> u64 {
    DAY_MS + (hour * 60 + minute) * 60_000
}

pub(crate) fn id(name: &str) -> Id {
    Id::from_slice(&Hash::of(name.as_bytes()).0[..16]).unwrap()
}

pub(crate) fn signing_key(name: &str) -> SigningKey {
    SigningKey::from_bytes(&Hash::of(name.as_bytes()).0)
}

pub(crate) fn key_id_of(name: &str) -> Hash {
    key::key_id(&signing_key(name).verifying_key())
}

pub(crate) fn engine(position: u32) -> Option<EngineAt> {
    Some(EngineAt { position, serial: format!("OT-{position}") })
}

pub(crate) fn aircraft() -> Id {
    id("aircraft one")
}

pub(crate) fn wash() -> Id {
    id("wash one")
}

/// The same procedure with nothing but its two lines, which are inspected and no more.
pub(crate) fn lines_only() -> String {
    let until = WHOLE.find("[[access]]").unwrap();
    let asked = ["leak_check = true", "open_before_injection = true"];
    asked.iter().fold(WHOLE[..until].to_owned(), |text, key| text.replace(key, &key.replace("true", "false")))
}

/// A later revision: it soaks for 600 s and asks for one cycle.
pub(crate) fn revised(revision: u32) -> String {
    let text = lines_only().replacen("revision = 1", &format!("revision = {revision}"), 1);
    text.replacen("soak_s = 300", "soak_s = 600", 1).replacen("count = 2", "count = 1", 1)
}

/// The second revision of another procedure.
pub(crate) fn another_procedure() -> (Id, String) {
    let other = id("another procedure");
    (other, revised(2).replacen(&procedure_id().to_string(), &other.to_string(), 1))
}

pub(crate) fn text_digest() -> Hash {
    Hash::of(lines_only().as_bytes())
}

/// Where a person's device stands in its run.
#[derive(Default, Clone)]
struct Run {
    counter: u64,
    previous: Option<Hash>,
}

#[derive(Default)]
pub(crate) struct World {
    pub(crate) history: History,
    pub(crate) recorded: Vec<Recorded>,
    /// Procedures' texts by their digests, and the one that washes follow.
    pub(crate) texts: HashMap<Hash, Vec<u8>>,
    follows: Hash,
    runs: HashMap<String, Run>,
    record: Option<Hash>,
    /// The size after the roster was enrolled.
    pub(crate) start: u64,
    card: Option<Id>,
    /// What stations are taken to have seen; none: all there is.
    pub(crate) seen_size: Option<u64>,
    /// The service marks what it receives: its clock is in doubt.
    pub(crate) clock_unsure: bool,
    /// What devices say of their clocks: how far off, and when that was measured.
    pub(crate) clock_ms: Option<(i64, u64)>,
    /// When facts are written down, where not as they happen.
    pub(crate) recorded_ms: Option<u64>,
    /// Nobody clears the area before an engine turns.
    pub(crate) area_left: bool,
    /// Nobody accounts for elements, tools and the final check before a sign-off.
    pub(crate) unfinished: bool,
}

/// Offline keys, two of which establish custody anew.
pub(crate) const RECOVERY: [&str; 3] = ["recovery one", "recovery two", "recovery three"];

/// Everybody and what they may do.
pub(crate) const PEOPLE: [(&str, Option<Authority>); 8] = [
    ("tech", Some(Authority::Perform)),
    ("mate", Some(Authority::Perform)),
    ("inspector", Some(Authority::Inspect)),
    ("runner", Some(Authority::Run)),
    ("certifier", Some(Authority::Certify)),
    ("waiver", Some(Authority::Waive)),
    ("planner", Some(Authority::Plan)),
    ("stranger", None),
];

impl Drop for World {
    fn drop(&mut self) {
        if !std::thread::panicking() {
            super::tests::stretches::assert_taken_up_alike(self);
        }
    }
}

impl World {
    /// The record founded, everybody enrolled, one aircraft with two engines, one procedure.
    pub(crate) fn new() -> World {
        World::with(&lines_only())
    }

    /// The same under that procedure.
    pub(crate) fn with(text: &str) -> World {
        let mut world = World::default();
        world.clock_ms = Some((0, at(0, 0)));
        world.found();
        for (name, authority) in PEOPLE {
            world.enrol(name);
            if let Some(authority) = authority {
                world.grant(name, authority, |_| ());
            }
        }
        world.grant("inspector", Authority::Perform, |_| ());
        world.list_aircraft("aircraft one", &["OT-1", "OT-2"]);
        for text in [revised(2), revised(3), another_procedure().1] {
            world.texts.insert(Hash::of(text.as_bytes()), text.into_bytes());
        }
        world.follows = world.publish(text, 1);
        world.start = world.history.size();
        world
    }

    /// Publishes a procedure; its digest.
    pub(crate) fn publish(&mut self, text: &str, revision: u32) -> Hash {
        let digest = Hash::of(text.as_bytes());
        self.texts.insert(digest, text.as_bytes().to_vec());
        self.custody(publication(revision, digest));
        digest
    }

    /// The same, where nobody does by themselves what a sign-off asks.
    pub(crate) fn unfinished(mut self) -> World {
        self.unfinished = true;
        self
    }

    /// A wash under that procedure, opened at 08:00 on both engines by the technician.
    pub(crate) fn washing_by(text: &str) -> World {
        let mut world = World::with(text);
        world.open_wash("tech", at(8, 0));
        world
    }

    /// As [`World::new`], with wash one opened at 08:00 on both engines by the technician, and the readings taken that
    /// an injection asks.
    pub(crate) fn washing() -> World {
        let mut world = World::new();
        world.open_wash("tech", at(8, 0));
        world.act("tech", at(8, 1), water_ready(700, 300_000));
        world.act("tech", at(8, 1), outside(150));
        world
    }

    fn found(&mut self) {
        let person = id("custodian");
        let kind = Kind::RecordFounded(v1::RecordFounded {
            custodian: Some(v1::PersonEnrolled { person: person.to_vec(), ..Default::default() }),
            custodian_key: Some(enrolment("custodian", "custodian")),
            custodian_device: Some(v1::DeviceEnrolled {
                device: id("custodian device").to_vec(),
                tls_key_digest: vec![1; 32],
                ..Default::default()
            }),
            service_fact_key: signing_key("service").verifying_key().to_bytes().to_vec(),
            service_device: id("service device").to_vec(),
            recovery_keys: RECOVERY.map(|name| signing_key(name).verifying_key().to_bytes().to_vec()).to_vec(),
            recovery_threshold: 2,
            ..Default::default()
        });
        let fact = self.sign("custodian", at(0, 0), vec![Subject::Roster], vec![], kind, None);
        self.record = Some(fact.hash());
        self.put(fact, at(0, 0));
    }

    pub(crate) fn custody(&mut self, kind: Kind) -> Hash {
        let mut subjects = vec![];
        match &kind {
            Kind::AircraftListed(b) => subjects.push(Subject::Aircraft(Id::from_slice(&b.aircraft).unwrap())),
            Kind::EngineChanged(b) => subjects.push(Subject::Aircraft(Id::from_slice(&b.aircraft).unwrap())),
            _ => {}
        }
        subjects.extend(engines_named(&kind).iter().map(|e| Subject::Engine(e.serial.clone())));
        subjects.push(Subject::Roster);
        let fact = self.sign("custodian", at(1, 0), subjects, vec![], kind, None);
        self.put(fact, at(1, 0))
    }

    /// A custodian's fact at a time, about more than the roster, naming others.
    pub(crate) fn custody_at(&mut self, when_ms: u64, refers: Vec<Hash>, more: Vec<Subject>, kind: Kind) -> Hash {
        let subjects = more.into_iter().chain([Subject::Roster]).collect();
        let fact = self.sign("custodian", when_ms, subjects, refers, kind, None);
        self.put(fact, when_ms)
    }

    pub(crate) fn enrol(&mut self, name: &str) {
        self.custody(Kind::PersonEnrolled(v1::PersonEnrolled { person: id(name).to_vec(), ..Default::default() }));
        self.custody(Kind::KeyEnrolled(enrolment(name, name)));
    }

    /// Enrols a person, a key and an authority with one card.
    pub(crate) fn enrol_on_card(&mut self, name: &str, authority: Authority) {
        let granted =
            v1::AuthorityGranted { person: id(name).to_vec(), authority: authority as i32, ..Default::default() };
        self.card = Some(id("card"));
        self.enrol(name);
        self.custody(Kind::AuthorityGranted(granted));
        self.card = None;
    }

    pub(crate) fn grant(&mut self, name: &str, authority: Authority, set: impl Fn(&mut v1::AuthorityGranted)) -> Hash {
        let mut granted = v1::AuthorityGranted {
            person: id(name).to_vec(),
            authority: authority as i32,
            engine_type: TYPE.into(),
            ..Default::default()
        };
        set(&mut granted);
        self.custody(Kind::AuthorityGranted(granted))
    }

    pub(crate) fn list_aircraft(&mut self, name: &str, serials: &[&str]) {
        let engines = serials.iter().zip(1..).map(|(serial, position)| v1::InstalledEngine {
            engine: Some(EngineAt { position, serial: (*serial).into() }),
            engine_type: TYPE.into(),
        });
        self.custody(Kind::AircraftListed(v1::AircraftListed {
            aircraft: id(name).to_vec(),
            registration: name.to_uppercase(),
            aircraft_type: "invented".into(),
            engines: engines.collect(),
        }));
    }

    /// Signs with the person's key on the person's own device.
    pub(crate) fn sign(
        &mut self,
        who: &str,
        happened_ms: u64,
        mut subjects: Vec<Subject>,
        refers: Vec<Hash>,
        kind: Kind,
        seen_size: Option<u64>,
    ) -> Signed {
        subjects.sort();
        subjects.dedup();
        let run = self.runs.entry(who.to_owned()).or_default();
        let seen_size = seen_size.or(self.seen_size).unwrap_or(self.history.size());
        let header = Header {
            record: self.record.unwrap_or(Hash::ZERO),
            device: id(&format!("{who} device")),
            run: id(&format!("{who} run")),
            counter: run.counter,
            previous: run.previous.unwrap_or(Hash::ZERO),
            author_key: key_id_of(who),
            happened_ms,
            recorded_ms: self.recorded_ms.unwrap_or(happened_ms),
            clock_offset_ms: self.clock_ms.map(|(offset, _)| offset),
            clock_measured_ms: self.clock_ms.map(|(_, measured)| measured),
            seen: Seen { size: seen_size, ..Seen::nothing() },
            card: self.card,
            subjects,
            refers,
        };
        let fact = Signed::sign(header, kind, &signing_key(who));
        *run = Run { counter: run.counter + 1, previous: Some(fact.hash()) };
        fact
    }

    pub(crate) fn put(&mut self, fact: Signed, received_ms: u64) -> Hash {
        let known = self.history.roster().key(&fact.header().author_key, u64::MAX).is_some();
        let service = self.history.roster().service_key() == Some(fact.header().author_key);
        let founding = self.history.size() == 0;
        let signature = if known || service || founding { SignatureState::Good } else { SignatureState::Unchecked };
        self.put_as(fact, received_ms, signature)
    }

    /// Recorded with that much known of its signature.
    pub(crate) fn put_as(&mut self, fact: Signed, received_ms: u64, signature: SignatureState) -> Hash {
        let hash = fact.hash();
        let index = self.history.size();
        let recorded =
            Recorded { index, received_ms, clock_unsure: self.clock_unsure, fact: Arc::new(fact), signature };
        self.recorded.push(recorded.clone());
        let texts = &self.texts;
        self.history.add(recorded, &|digest| texts.get(digest).cloned());
        hash
    }

    /// The subjects of a fact in wash one.
    pub(crate) fn subjects(kind: &Kind) -> Vec<Subject> {
        let engines = engines_named(kind).into_iter().map(|e| Subject::Engine(e.serial.clone()));
        engines.chain([Subject::Aircraft(aircraft()), Subject::Wash(wash())]).collect()
    }

    /// A fact in wash one, received at once. Before an engine turns the technician clears the area, unless the test
    /// says otherwise.
    pub(crate) fn act(&mut self, who: &str, happened_ms: u64, kind: Kind) -> Hash {
        self.naming(who, happened_ms, &[], kind)
    }

    /// The same, naming other facts.
    pub(crate) fn naming(&mut self, who: &str, happened_ms: u64, refers: &[Hash], kind: Kind) -> Hash {
        if let Some((position, start_ms)) = motoring(&kind).filter(|(_, ms)| !self.area_left && *ms <= happened_ms) {
            self.act("tech", start_ms, area_cleared(position));
        }
        if matches!(kind, Kind::SignedOff(_)) && !self.unfinished {
            self.finish(happened_ms - 1000);
        }
        let mut subjects = Self::subjects(&kind);
        for named in refers {
            let known = self.recorded.iter().find(|r| r.fact.hash() == *named);
            subjects.extend(known.map(|r| r.fact.header().subjects.clone()).unwrap_or_default());
        }
        let fact = self.sign(who, happened_ms, subjects, refers.to_vec(), kind, None);
        self.put(fact, happened_ms)
    }

    /// A service fact.
    pub(crate) fn service(&mut self, when_ms: u64, kind: Kind) -> Hash {
        let fact = self.sign("service", when_ms, vec![], vec![], kind, None);
        self.put(fact, when_ms)
    }

    /// The person's device reports with nothing more to send, up to its newest fact.
    pub(crate) fn report(&mut self, who: &str, when_ms: u64, unsent: u64) {
        let head = self.runs.get(who).and_then(|r| r.previous).map(Hash::to_vec).unwrap_or_default();
        let report = v1::Report {
            device: id(&format!("{who} device")).to_vec(),
            made_ms: when_ms,
            unsent,
            head,
            ..Default::default()
        };
        let envelope = Envelope::sign(report.encode_to_vec(), REPORT_TYPE, &signing_key("report key"));
        self.service(when_ms, Kind::DeviceReported(v1::DeviceReported { report: envelope.bytes().to_vec() }));
    }

    /// Another fact for the place of the person's newest one: the service keeps it in a fact of its own.
    pub(crate) fn fork(&mut self, who: &str, when_ms: u64, kind: Kind) -> (Hash, Hash) {
        let subjects = Self::subjects(&kind);
        self.fork_about(who, when_ms, subjects, kind)
    }

    /// The same, about something else; with the hashes of the service's fact and of the second one.
    pub(crate) fn fork_about(&mut self, who: &str, when_ms: u64, of: Vec<Subject>, kind: Kind) -> (Hash, Hash) {
        let run = self.runs[who].clone();
        self.runs.insert(who.to_owned(), Run { counter: run.counter - 1, previous: None });
        let second = self.sign(who, when_ms, of, vec![], kind, None);
        self.runs.insert(who.to_owned(), run);
        let header = second.header();
        let seen = Kind::ForkSeen(v1::ForkSeen {
            device: header.device.to_vec(),
            run: header.run.to_vec(),
            counter: header.counter,
            envelope: second.bytes().to_vec(),
        });
        let fact = self.sign("service", when_ms, vec![Subject::Device(header.device)], vec![], seen, None);
        (self.put(fact, when_ms), second.hash())
    }

    /// A new run of the person's device that names what no log has.
    pub(crate) fn forget(&mut self, who: &str) {
        self.runs.insert(who.to_owned(), Run { counter: 0, previous: Some(Hash::of(b"lost")) });
    }

    pub(crate) fn open_wash(&mut self, who: &str, when_ms: u64) -> Hash {
        self.open_wash_by(who, when_ms, self.follows)
    }

    pub(crate) fn open_wash_by(&mut self, who: &str, when_ms: u64, procedure: Hash) -> Hash {
        let scope = |position| v1::EngineInScope {
            engine: engine(position),
            last_shutdown_ms: Some(at(6, 0)),
            ..Default::default()
        };
        self.act(
            who,
            when_ms,
            Kind::WashOpened(v1::WashOpened {
                work_order: "WO-1".into(),
                procedure: Some(v1::ProcedureRef { digest: procedure.to_vec() }),
                engines: vec![scope(1), scope(2)],
                devices: vec![],
                station: "north".into(),
            }),
        )
    }

    /// Lines, access, fixtures done and inspected, washed from 09:00 and dried: all but the run-up and the sign-off.
    pub(crate) fn washed_and_dried(&mut self, position: u32) {
        self.act("tech", at(8, 10), disconnected(position, "PS-1"));
        self.act("tech", at(9, 10), cycle(position, at(9, 0)));
        self.act("tech", at(9, 20), dry_crank(position, at(9, 10)));
        let joint = self.act("tech", at(9, 30), reconnected(position, "PS-1"));
        self.naming("inspector", at(9, 40), &[joint], inspected(position, "PS-1"));
    }

    /// A correction of a version: another body and time in its place, or none.
    pub(crate) fn correct(&mut self, who: &str, when_ms: u64, version: Hash, new: Option<Kind>) -> Hash {
        self.correct_to(who, when_ms, version, new, None)
    }

    pub(crate) fn correct_to(
        &mut self,
        who: &str,
        when_ms: u64,
        version: Hash,
        new: Option<Kind>,
        happened_ms: Option<u64>,
    ) -> Hash {
        let outcome = if new.is_some() { v1::CorrectionOutcome::Replace } else { v1::CorrectionOutcome::StrikeOut };
        let kind_field = new.map(|kind| v1::Fact { header: None, kind: Some(kind) }.encode_to_vec());
        let corrected = v1::Corrected {
            outcome: outcome as i32,
            kind_field: kind_field.unwrap_or_default(),
            happened_ms,
            reason: "written down wrong".into(),
        };
        self.naming(who, when_ms, &[version], Kind::Corrected(corrected))
    }

    /// A second signature on a correction.
    pub(crate) fn agree(&mut self, who: &str, when_ms: u64, correction: Hash) -> Hash {
        let purpose = v1::CountersignPurpose::CorrectionAgreed as i32;
        let agreed = v1::Countersigned { purpose, remark: String::new() };
        self.naming(who, when_ms, &[correction], Kind::Countersigned(agreed))
    }

    pub(crate) fn waive(&mut self, position: u32, when_ms: u64, start_ms: u64) -> Hash {
        let waived = v1::RunUpWaived {
            engine: engine(position),
            planned_start_ms: Some(start_ms),
            air_source: "ground air".into(),
            reason: String::new(),
        };
        self.act("waiver", when_ms, Kind::RunUpWaived(waived))
    }

    pub(crate) fn plan(&mut self, position: u32, when_ms: u64, start_ms: u64) -> Hash {
        let plan = v1::StartPlanned {
            engines: engine(position).into_iter().collect(),
            planned_start_ms: Some(start_ms),
            air_source: String::new(),
        };
        self.act("planner", when_ms, Kind::StartPlanned(plan))
    }

    pub(crate) fn state_at(&self, time_ms: u64) -> State {
        self.history.state(&aircraft(), self.history.size(), time_ms)
    }

    /// Names of open items at a time, devices apart, each with engine and subject: "inspection-due 1 PS-1".
    pub(crate) fn open(&self, time_ms: u64) -> Vec<String> {
        names(&self.state_at(time_ms))
    }

    /// The same without what stands in every wash until its end: its sign-off, its cycles, tools, checks, elements; and
    /// the starter's rest.
    pub(crate) fn metal(&self, time_ms: u64) -> Vec<String> {
        let everywhere =
            ["sign-off-due", "cycles-short", "motoring-rest", "tool-check-due", "final-check-due", "unaccounted"];
        let shown = |name: &String| !everywhere.iter().any(|kind| name.starts_with(kind));
        self.open(time_ms).into_iter().filter(shown).collect()
    }

    /// Open items of one kind.
    pub(crate) fn of_kind(&self, kind: ItemKind, time_ms: u64) -> Vec<Item> {
        self.state_at(time_ms).items.into_iter().filter(|item| item.kind == kind).collect()
    }

    /// Findings of one rule.
    pub(crate) fn broken(&self, rule: Rule, time_ms: u64) -> Vec<Finding> {
        self.state_at(time_ms).findings.into_iter().filter(|finding| finding.rule == rule).collect()
    }

    /// Says of what the procedure lists that it is not used, of the tools that none are, and checks at last, where that
    /// is still to be said.
    pub(crate) fn finish(&mut self, when_ms: u64) {
        let open = self.state_at(when_ms).items;
        for item in open.iter().filter(|i| i.kind == ItemKind::Unaccounted) {
            let (kind, element) = item.subject.split_once(' ').unwrap();
            let kind = v1::ElementKind::from_str_name(&format!("ELEMENT_KIND_{}", kind.to_uppercase())).unwrap();
            let (engine, reason) = (item.engine.clone(), "not on this engine".into());
            let (element_kind, element) = (kind as i32, element.into());
            let body = v1::ElementNotUsed { engine, element_kind, element, reason };
            self.act("tech", when_ms, Kind::ElementNotUsed(body));
        }
        if open.iter().any(|i| i.kind == ItemKind::ToolCheckDue) {
            self.act("tech", when_ms, Kind::ToolsOut(v1::ToolsOut { tools: vec![], none_used: true }));
        }
        if open.iter().any(|i| i.kind == ItemKind::FinalCheckDue) {
            self.act("tech", when_ms, final_check());
        }
    }

    pub(crate) fn question(&self, time_ms: u64) -> Question {
        Question {
            aircraft: aircraft(),
            planned_start_ms: None,
            assume_closed: vec![],
            epoch: 1,
            size: self.history.size(),
            time_ms,
        }
    }

    pub(crate) fn rules_broken(&self, time_ms: u64) -> Vec<&'static str> {
        self.state_at(time_ms).findings.iter().map(|f| f.rule.name()).collect()
    }
}

pub(crate) fn names(state: &State) -> Vec<String> {
    let items = state.items.iter().filter(|i| i.kind != ItemKind::DeviceOutstanding);
    items
        .map(|i| {
            let engine = i.engine.as_ref().map(|e| format!(" {}", e.position)).unwrap_or_default();
            let subject = if i.subject.is_empty() { String::new() } else { format!(" {}", i.subject) };
            format!("{}{engine}{subject}", i.kind.name())
        })
        .collect()
}

/// The same fact with a signature that does not hold.
pub(crate) fn spoilt(fact: &Signed) -> Signed {
    let mut bytes = fact.bytes().to_vec();
    *bytes.last_mut().unwrap() ^= 1;
    Signed::parse(&bytes, crate::fact::MAX_ENVELOPE_BYTES).unwrap()
}
