//! Who signed a fact, and what the signature is worth: judged by the enrolments below two places in the log, the one the
//! signer had seen and the one the fact got.

use rinsebook_proto::bytes::{Hash, Id};
use rinsebook_proto::fact::Kind;
use rinsebook_proto::v1::{Authority, AuthorityGranted, CountersignPurpose};

use super::facts::{Book, Fact};

/// What a signature is worth.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Standing {
    /// Good at both places.
    Good,
    /// Good at one of the two.
    InDoubt,
    /// The authority was missing at both.
    BeyondAuthority,
    /// The key was revoked from that index or an earlier one.
    KeyNotTrusted,
    /// Nobody knows the key.
    Unread,
}

/// A key's id: SHA-256 over the byte 01 and the public key.
fn id_of_key(public_key: &[u8]) -> Option<Hash> {
    (public_key.len() == 32).then(|| Hash::of_parts(&[&[1], public_key]))
}

/// A key that somebody with custody enrolled.
#[derive(Debug, Clone)]
struct Enrolment {
    key: Hash,
    person: Id,
    index: u64,
    card: Option<Id>,
}

/// An authority that somebody with custody granted.
#[derive(Debug, Clone)]
struct Grant {
    index: u64,
    hash: Hash,
    terms: AuthorityGranted,
}

/// The roster's facts that have effect, each in a list of its own, in the order of the log.
#[derive(Debug, Clone, Default)]
pub struct Roster {
    founder: Option<Id>,
    service_key: Option<Hash>,
    enrolments: Vec<Enrolment>,
    grants: Vec<Grant>,
    /// The index of the withdrawal, and the grants it names.
    withdrawals: Vec<(u64, Vec<Hash>)>,
    /// Key and first index that is not trusted.
    revocations: Vec<(Hash, u64)>,
    /// Digests of the published procedures.
    pub published: Vec<Hash>,
    /// Roster facts that somebody with custody signed.
    pub in_effect: Vec<Hash>,
}

impl Roster {
    /// Goes through the log once: each fact is judged by those before it.
    pub fn of(facts: &[Fact]) -> Roster {
        let mut roster = Roster::default();
        for fact in facts {
            let custody = fact.index == 0 || roster.custody_signed(fact);
            if custody && fact.kind.as_ref().is_some_and(is_custody) {
                roster.take(fact);
            }
        }
        roster
    }

    fn custody_signed(&self, fact: &Fact) -> bool {
        self.enrolment(&fact.header().author_key)
            .is_some_and(|e| self.holds(fact, e.person, Authority::Custody, None, fact.index))
    }

    fn take(&mut self, fact: &Fact) {
        self.in_effect.push(fact.hash);
        let card = fact.header().card;
        match fact.kind.as_ref() {
            Some(Kind::RecordFounded(b)) => {
                self.service_key = id_of_key(&b.service_fact_key);
                self.founder = b.custodian.as_ref().and_then(|p| Id::from_slice(&p.person));
                let key = b.custodian_key.as_ref().and_then(|k| id_of_key(&k.public_key));
                if let (Some(key), Some(person)) = (key, self.founder) {
                    self.enrolments.push(Enrolment { key, person, index: fact.index, card });
                }
            }
            Some(Kind::KeyEnrolled(b)) => {
                if let (Some(key), Some(person)) = (id_of_key(&b.public_key), Id::from_slice(&b.person)) {
                    self.enrolments.push(Enrolment { key, person, index: fact.index, card });
                }
            }
            Some(Kind::KeyRevoked(b)) => {
                let from = b.untrusted_from_index.unwrap_or(fact.index);
                self.revocations.extend(Hash::from_slice(&b.key_id).map(|key| (key, from)));
            }
            Some(Kind::AuthorityGranted(b)) => {
                self.grants.push(Grant { index: fact.index, hash: fact.hash, terms: b.clone() });
            }
            Some(Kind::AuthorityWithdrawn(_)) => self.withdrawals.push((fact.index, fact.header().refers.clone())),
            Some(Kind::ProcedurePublished(b)) => {
                self.published.extend(b.text.as_ref().and_then(|t| Hash::from_slice(&t.digest)));
            }
            _ => {}
        }
    }

    fn enrolment(&self, key: &Hash) -> Option<&Enrolment> {
        self.enrolments.iter().find(|e| e.key == *key)
    }

    /// The index from which the key is not trusted: the least that a revocation names.
    fn untrusted_from(&self, key: &Hash) -> Option<u64> {
        self.revocations.iter().filter(|(k, _)| k == key).map(|(_, from)| *from).min()
    }

    /// Whether the person has the authority for an engine type (none: for any) by the grants below an index, at the time
    /// the fact happened.
    fn holds(&self, fact: &Fact, person: Id, asked: Authority, engine_type: Option<&str>, below: u64) -> bool {
        if asked == Authority::Custody && self.founder == Some(person) {
            return true;
        }
        let happened_ms = fact.happened_s * 1000;
        self.grants.iter().filter(|g| g.index < below).any(|grant| {
            let b = &grant.terms;
            let withdrawn = self.withdrawals.iter().any(|(index, named)| *index < below && named.contains(&grant.hash));
            b.person == person.to_vec()
                && b.authority == asked as i32
                && (b.engine_type.is_empty() || engine_type.is_none_or(|t| t == b.engine_type))
                && b.valid_from_ms.is_none_or(|from| from / 1000 * 1000 <= happened_ms)
                && b.valid_until_ms.is_none_or(|until| happened_ms <= until)
                && !withdrawn
        })
    }
}

/// The service's own key, by the founding fact.
pub fn is_service(book: &Book, fact: &Fact) -> bool {
    book.roster.service_key == Some(fact.header().author_key)
}

/// Whether a roster fact has effect: somebody with custody signed it.
pub fn custody_signed(book: &Book, fact: &Fact) -> bool {
    book.roster.in_effect.contains(&fact.hash)
}

/// The person whose key signed it, where the key is known.
pub fn person(book: &Book, fact: &Fact) -> Option<Id> {
    book.roster.enrolment(&fact.header().author_key).map(|e| e.person)
}

/// The key was enrolled only after the fact came in.
pub fn enrolled_late(book: &Book, fact: &Fact) -> bool {
    book.roster.enrolment(&fact.header().author_key).is_some_and(|e| e.index > fact.index)
}

/// Types of the engines that were ever listed on an aircraft.
fn types_of_aircraft(book: &Book, aircraft: &Id) -> Vec<String> {
    let mut types = Vec::new();
    for fact in &book.facts {
        match &fact.kind {
            Some(Kind::AircraftListed(b)) if b.aircraft == aircraft.to_vec() => {
                types.extend(b.engines.iter().map(|e| e.engine_type.clone()));
            }
            Some(Kind::EngineChanged(b)) if b.aircraft == aircraft.to_vec() => {
                types.extend(b.installed.iter().map(|e| e.engine_type.clone()));
            }
            _ => {}
        }
    }
    types
}

fn type_of_engine(book: &Book, serial: &str) -> Option<String> {
    let mut found = None;
    for fact in &book.facts {
        let installed: Vec<_> = match &fact.kind {
            Some(Kind::AircraftListed(b)) => b.engines.iter().collect(),
            Some(Kind::EngineChanged(b)) => b.installed.iter().collect(),
            _ => Vec::new(),
        };
        for e in installed {
            if e.engine.as_ref().is_some_and(|at| at.serial == serial) {
                found = Some(e.engine_type.clone());
            }
        }
    }
    found
}

/// Whether the person may do what the fact says, by the roster below an index: one of the authorities asked, for every
/// engine that it names, or for one type among the aircraft's engines where it names none.
fn may(book: &Book, fact: &Fact, person: Id, asked: &[Authority], below: u64) -> bool {
    asked.iter().any(|authority| {
        let serials: Vec<String> = fact.engines().iter().map(|e| e.serial.clone()).collect();
        if !serials.is_empty() {
            return serials.iter().all(|serial| {
                // The type of an engine that nobody listed is not known: only the authority for every type will do.
                let engine_type = type_of_engine(book, serial).unwrap_or_default();
                book.roster.holds(fact, person, *authority, Some(&engine_type), below)
            });
        }
        let types = fact.aircraft().map(|a| types_of_aircraft(book, &a)).unwrap_or_default();
        if types.is_empty() {
            return book.roster.holds(fact, person, *authority, None, below);
        }
        types.iter().any(|t| book.roster.holds(fact, person, *authority, Some(t), below))
    })
}

/// The worth of a fact's signature, by all that the book holds.
pub fn standing(book: &Book, fact: &Fact) -> Standing {
    if is_service(book, fact) || fact.index == 0 {
        return Standing::Good;
    }
    let key = fact.header().author_key;
    let Some(Enrolment { person, index: enrolled, card, .. }) = book.roster.enrolment(&key).cloned() else {
        return Standing::Unread;
    };
    if book.roster.untrusted_from(&key).is_some_and(|from| from <= fact.index) {
        return Standing::KeyNotTrusted;
    }
    let asked = authorities_asked(book, fact, person);
    if asked.is_empty() {
        return Standing::Good;
    }
    if enrolled > fact.index {
        let of_card = book.facts.iter().filter(|f| card.is_some() && f.header().card == card).map(|f| f.index);
        let after = of_card.max().unwrap_or(enrolled).max(enrolled) + 1;
        return if may(book, fact, person, &asked, after) { Standing::Good } else { Standing::BeyondAuthority };
    }
    let seen = fact.header().seen.size.min(fact.index);
    let at_seen = enrolled < seen && may(book, fact, person, &asked, seen);
    let at_index = may(book, fact, person, &asked, fact.index);
    match (at_seen, at_index) {
        (true, true) => Standing::Good,
        (false, false) => Standing::BeyondAuthority,
        _ => Standing::InDoubt,
    }
}

/// The authorities of which one is asked for a fact's kind; none asked: empty.
fn authorities_asked(book: &Book, fact: &Fact, signer: Id) -> Vec<Authority> {
    use Authority::{Certify, Custody, Inspect, Perform, Plan, Run, Waive};
    let named_author = || {
        let named = book.facts.iter().find(|f| fact.header().refers.contains(&f.hash));
        named.and_then(|f| person(book, f)) == Some(signer)
    };
    match &fact.kind {
        None => vec![],
        // Whoever may do anything here may remark something or say that a tablet is taken away.
        Some(Kind::DeviceLeft(_) | Kind::Remark(_)) => vec![Perform, Inspect, Run, Certify, Waive, Plan],
        Some(Kind::Inspected(_) | Kind::LatchesSeen(_)) => vec![Inspect],
        Some(Kind::RunUpDone(_)) => vec![Run],
        Some(Kind::RunUpWaived(_)) => vec![Waive],
        Some(Kind::StartPlanned(_) | Kind::StartCancelled(_) | Kind::EngineStarted(_) | Kind::QuestionAsked(_)) => {
            vec![Plan]
        }
        Some(
            Kind::DefectSettled(_)
            | Kind::FindingSettled(_)
            | Kind::DriedOtherwise(_)
            | Kind::ReinspectedAlone(_)
            | Kind::RevisionDecided(_)
            | Kind::OverdueDecided(_)
            | Kind::ToolRecalled(_)
            | Kind::JointDispositioned(_)
            | Kind::ToolSearchAccepted(_)
            | Kind::DeviceSettled(_)
            | Kind::SignedOff(_)
            | Kind::ReleaseReferenceRecorded(_),
        ) => vec![Certify],
        // Its author may correct a fact; anybody else needs certify.
        Some(Kind::Corrected(_)) if named_author() => vec![],
        Some(Kind::Corrected(_)) => vec![Certify],
        Some(Kind::Countersigned(b)) => match CountersignPurpose::try_from(b.purpose) {
            Ok(CountersignPurpose::HandoverAccepted) => vec![Perform],
            Ok(CountersignPurpose::CorrectionAgreed) => vec![Inspect, Certify],
            Ok(CountersignPurpose::SetAsideAgreed) => vec![Certify],
            _ => vec![],
        },
        Some(kind) if is_custody(kind) => vec![Custody],
        Some(_) => vec![Perform],
    }
}

/// Facts that only the custodian signs.
fn is_custody(kind: &Kind) -> bool {
    matches!(
        kind,
        Kind::RecordFounded(_)
            | Kind::PersonEnrolled(_)
            | Kind::KeyEnrolled(_)
            | Kind::KeyRevoked(_)
            | Kind::AuthorityGranted(_)
            | Kind::AuthorityWithdrawn(_)
            | Kind::DeviceEnrolled(_)
            | Kind::DeviceRetired(_)
            | Kind::ProcedurePublished(_)
            | Kind::ProcedureWithdrawn(_)
            | Kind::RulesAdopted(_)
            | Kind::FactSetAside(_)
            | Kind::LogKeyChanged(_)
            | Kind::CustodyReestablished(_)
            | Kind::ClockConfirmed(_)
            | Kind::AircraftListed(_)
            | Kind::EngineChanged(_)
            | Kind::AnnexErased(_)
            | Kind::EpochOpened(_)
    )
}
