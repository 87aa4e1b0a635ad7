//! What counts at a time, in its order: the first thing that any rule needs.

use std::collections::BTreeSet;

use rinsebook_proto::bytes::{Hash, Id};
use rinsebook_proto::fact::Kind;
use rinsebook_proto::rules::procedure::Procedure;
use rinsebook_proto::v1::{CountersignPurpose, RevisionOutcome};

use super::corrections;
use super::facts::{Book, Fact};
use super::roster::{self, Standing};

const DAY_MS: u64 = 86_400_000;

/// No bound: as it is now.
pub const NOW: usize = usize::MAX;

/// A fact at its place in the order.
#[derive(Debug, Clone)]
pub struct Act {
    /// The fact, as corrected.
    pub fact: Fact,
    /// Place in the order, from 0.
    pub place: usize,
    /// What its signature is worth.
    pub standing: Standing,
    /// Who signed it, where the key is known.
    pub person: Option<Id>,
    /// A fact that it names is absent.
    pub waits: bool,
    /// The place from which it closes what it closes: its own; that of its settlement where it was in doubt; none.
    pub closes_from: Option<usize>,
    /// Serial numbers of the engines that it names.
    pub serials: Vec<String>,
    /// The washes that it is about.
    pub washes: Vec<Id>,
    procedure: Option<usize>,
}

impl Act {
    /// Whether it closes anything, as the acts before `upto` tell.
    pub fn counts(&self, upto: usize) -> bool {
        self.closes_from.is_some_and(|place| place < upto)
    }

    /// Whether it closes what the other opened: it counts, and stands after it by itself, surely.
    pub fn closes(&self, opening: &Act, upto: usize) -> bool {
        self.counts(upto) && opening.place < self.place && !self.unsure_against(opening)
    }

    /// Nobody can say which of the two came first: they are from two devices, neither names the other, and they are nearer
    /// to each other than what their clocks may be off together.
    pub fn unsure_against(&self, other: &Act) -> bool {
        self.fact.header().device != other.fact.header().device
            && !self.fact.names(&other.fact)
            && !other.fact.names(&self.fact)
            && self.gap_s(other) * 1000 < self.doubt_ms() + other.doubt_ms()
    }

    /// From the last instant of the earlier to the first of the later.
    fn gap_s(&self, other: &Act) -> u64 {
        let (earlier, later) =
            if self.fact.happened_s <= other.fact.happened_s { (self, other) } else { (other, self) };
        later.fact.begun_s().saturating_sub(earlier.fact.happened_s)
    }

    /// Its order is sure against each of the openings that stands before it, and it stands after every closing that is not:
    /// a closing that may have come before what it would close leaves the item open until it is closed again, after both.
    pub fn is_sure_against<'v>(&self, openings: &[&Act], closings: impl Iterator<Item = &'v Act> + Clone) -> bool {
        let unsure = |o: &Act| closings.clone().any(|c| c.is_unsure_closing_of(o) && c.place >= self.place);
        !openings.iter().any(|o| o.place < self.place && (self.unsure_against(o) || unsure(o)))
    }

    fn is_unsure_closing_of(&self, opening: &Act) -> bool {
        self.closes_from.is_some() && self.unsure_against(opening)
    }

    /// By how much its time may be off: 5 s and the device's last offset; two minutes where that was not measured within a
    /// day.
    fn doubt_ms(&self) -> u64 {
        let header = self.fact.header();
        match (header.clock_offset_ms, header.clock_measured_ms) {
            (Some(off_ms), Some(measured_ms)) if header.recorded_ms.abs_diff(measured_ms) <= DAY_MS => {
                5_000 + off_ms.unsigned_abs() / 1000 * 1000
            }
            _ => 120_000,
        }
    }

    /// Whether it names that engine.
    pub fn is_of(&self, serial: &str) -> bool {
        self.serials.iter().any(|s| s == serial)
    }

    /// Whether known and different persons signed the two.
    pub fn by_another_than(&self, other: &Act) -> bool {
        self.person.is_some() && other.person.is_some() && self.person != other.person
    }
}

/// What is known at a size and counts at a time.
#[derive(Debug, Clone)]
pub struct View {
    /// The facts, in their order.
    pub acts: Vec<Act>,
    /// All that is known at the size, as it stands in the log.
    pub book: Book,
    /// The time it is judged at.
    pub time_s: u64,
    /// The start that the question supposes.
    pub planned_start_s: Option<u64>,
    /// Corrections of one version that exclude each other.
    pub conflicts: Vec<BTreeSet<Hash>>,
}

impl View {
    /// What counts at a time, of what the book holds.
    pub fn new(book: &Book, time_s: u64, planned_start_s: Option<u64>) -> View {
        Self::of_facts(book.facts.clone(), book, time_s, planned_start_s)
    }

    /// The same for some of the facts, each judged by the roster that the whole book shows.
    pub fn of_facts(facts: Vec<Fact>, whole: &Book, time_s: u64, planned_start_s: Option<u64>) -> View {
        let counting: Vec<Fact> = facts.into_iter().filter(|f| f.counts_from_s() <= time_s).collect();
        let present: BTreeSet<Hash> = counting.iter().map(|f| f.hash).collect();
        let (corrected, conflicts) = corrections::resolve(whole, counting);
        let mut acts = Vec::new();
        let aside = set_aside(whole, &corrected);
        let kept: Vec<Fact> = corrected.into_iter().filter(|f| !aside.contains(&f.hash)).collect();
        for (place, fact) in in_order(kept).into_iter().enumerate() {
            let waits = fact.header().refers.iter().any(|named| !present.contains(named));
            let (standing, person) = whole.judged(&fact);
            let good = standing == Standing::Good && fact.kind.is_some() && !waits;
            let serials = fact.engines().iter().map(|e| e.serial.clone()).collect();
            let (closes_from, washes) = (good.then_some(place), fact.washes());
            acts.push(Act { closes_from, fact, place, standing, person, waits, serials, washes, procedure: None });
        }
        let mut view = View { acts, book: whole.clone(), time_s, planned_start_s, conflicts };
        view.let_settled_acts_count();
        let procedures: Vec<_> = view.acts.iter().map(|a| view.procedure_of(a)).collect();
        for (act, procedure) in view.acts.iter_mut().zip(procedures) {
            act.procedure = procedure;
        }
        view
    }

    /// An act in doubt closes from the place of the settlement that says it counts.
    fn let_settled_acts_count(&mut self) {
        loop {
            let mut found = None;
            for act in self.acts.iter().filter(|a| a.standing == Standing::InDoubt && !a.waits) {
                let settlement = self.acts.iter().filter(|s| settles_doubt(s, act)).filter_map(|s| s.closes_from).min();
                if act.closes_from.is_none() && settlement.is_some() && act.fact.kind.is_some() {
                    found = Some((act.place, settlement));
                }
            }
            let Some((place, from)) = found else { return };
            self.acts[place].closes_from = from;
        }
    }

    /// The act of that envelope.
    pub fn act(&self, hash: &Hash) -> Option<&Act> {
        self.acts.iter().find(|a| a.fact.hash == *hash)
    }

    /// Acts before `upto` whose kind is about an engine.
    pub fn of_engine<'v>(&'v self, serial: &'v str, upto: usize) -> impl Iterator<Item = &'v Act> + Clone {
        self.acts.iter().filter(move |a| a.place < upto && a.is_of(serial))
    }

    /// Acts of a wash.
    pub fn of_wash(&self, wash: Id) -> impl Iterator<Item = &Act> + Clone {
        self.acts.iter().filter(move |a| a.washes.contains(&wash))
    }

    /// Every engine that some act names.
    pub fn serials(&self) -> BTreeSet<String> {
        self.acts.iter().flat_map(|a| a.serials.iter().cloned()).collect()
    }

    /// Every wash that some act names.
    pub fn washes(&self) -> BTreeSet<Id> {
        self.acts.iter().flat_map(|a| a.washes.iter().copied()).collect()
    }

    /// The opening of a wash.
    pub fn opening(&self, wash: Id) -> Option<&Act> {
        self.of_wash(wash).find(|a| matches!(a.fact.kind, Some(Kind::WashOpened(_))))
    }

    /// The digest of the procedure that holds for a wash at a place: that of its opening, or the one it was moved to.
    pub fn procedure_digest(&self, wash: Id, upto: usize) -> Option<Hash> {
        let Some(Kind::WashOpened(opened)) = self.opening(wash).and_then(|a| a.fact.kind.as_ref()) else { return None };
        let mut digest = Hash::from_slice(&opened.procedure.as_ref()?.digest);
        for act in self.of_wash(wash).filter(|a| a.counts(upto)) {
            if let Some(Kind::RevisionDecided(b)) = &act.fact.kind
                && b.outcome == RevisionOutcome::Move as i32
            {
                digest = b.procedure.as_ref().and_then(|p| Hash::from_slice(&p.digest)).or(digest);
            }
        }
        digest
    }

    /// The procedure that an act is judged by.
    pub fn procedure(&self, act: &Act) -> Option<&Procedure> {
        act.procedure.map(|at| &self.book.procedures[at].1)
    }

    fn procedure_of(&self, act: &Act) -> Option<usize> {
        // Of several washes, the first whose opening is known says it.
        let digest = act.washes.iter().find_map(|wash| self.procedure_digest(*wash, act.place))?;
        published(&self.book, &digest)
    }
}

/// The place of a procedure's text in the book, where somebody with custody published it.
pub fn published(book: &Book, digest: &Hash) -> Option<usize> {
    let known = book.roster.published.contains(digest);
    book.procedures.iter().position(|(d, _)| d == digest).filter(|_| known)
}

fn all_hashes(fact: &Fact) -> Vec<Hash> {
    fact.versions.iter().map(|v| v.hash).chain([fact.hash]).collect()
}

/// Takes repeatedly, of the facts whose named facts are taken, the least by time, run, counter and hash.
fn in_order(mut facts: Vec<Fact>) -> Vec<Fact> {
    let mut taken: BTreeSet<Hash> = BTreeSet::new();
    let own: BTreeSet<Hash> = facts.iter().flat_map(all_hashes).collect();
    let mut order = Vec::new();
    while !facts.is_empty() {
        let ready = |f: &Fact| f.header().refers.iter().all(|named| !own.contains(named) || taken.contains(named));
        let least = (0..facts.len())
            .filter(|at| ready(&facts[*at]))
            .min_by_key(|at| {
                let header = facts[*at].header();
                (facts[*at].happened_s, header.run, header.counter, facts[*at].hash)
            })
            .expect("no fact can name one that names it");
        let fact = facts.remove(least);
        taken.extend(all_hashes(&fact));
        order.push(fact);
    }
    order
}

/// Facts set aside: by somebody with custody, and another person with certify who countersigned that.
fn set_aside(book: &Book, counting: &[Fact]) -> BTreeSet<Hash> {
    let mut aside = BTreeSet::new();
    for act in counting.iter().filter(|f| matches!(f.kind, Some(Kind::FactSetAside(_)))) {
        let agreed = counting.iter().any(|second| {
            matches!(&second.kind, Some(Kind::Countersigned(b)) if b.purpose == CountersignPurpose::SetAsideAgreed as i32)
                && second.header().refers.contains(&act.hash)
                && roster::standing(book, second) == Standing::Good
                && roster::person(book, second) != roster::person(book, act)
        });
        if agreed && roster::standing(book, act) == Standing::Good {
            aside.extend(act.header().refers.iter().copied());
        }
    }
    aside
}

/// Whether one act is the settlement by which another, in doubt, counts.
fn settles_doubt(settlement: &Act, act: &Act) -> bool {
    let Some(Kind::FindingSettled(b)) = &settlement.fact.kind else { return false };
    b.rule == "in-doubt"
        && b.act_counts == Some(true)
        && settlement.fact.header().refers == [act.fact.newest_hash()]
        && settlement.by_another_than(act)
}
