//! The sign-off of a wash: who may, over what, and what reopens it.
//!
//! A sign-off covers the entries below its `seen`, its own device's earlier facts, and what it names. It is judged over
//! what it covers, at the time it happened: it has effect only if nothing of its wash then stood in the way, devices
//! not heard apart. What comes later only makes it due again.
//!
//! What it covers is judged as it was known at the sign-off's own index, or at that of the last fact it names where one
//! came later: a key enrolled, an authority granted, a procedure published, an engine listed afterwards do not make a
//! sign-off good that stood on facts nobody could read or trust. Sign again. Two things are taken as known now. Its own
//! signer is judged as the signer of any act: a key enrolled later than the sign-off came lets it count from then on,
//! over what was covered already; the signer's own earlier facts stay as unread as they were. And a key revoked later
//! is not trusted from where the revocation says, since what it signed never counted: a sign-off that rests on it falls.

use std::collections::BTreeMap;

use super::act::Act;
use super::case::Case;
use super::devices;
use super::facts::Fact;
use super::fleet::{Belongs, Fleet};
use super::folded::Folded;
use super::item::{Blocks, ItemKind, Open};
use super::kinds;
use super::state::Wash;
use super::{instants, sentence};
use crate::bytes::{Hash, Id};
use crate::fact::Kind;
use crate::v1::SignedOff;

/// How far a wash is signed off.
#[derive(Debug, Clone)]
pub(super) struct SignOffState<'c> {
    /// The last sign-off that has effect.
    pub(super) last: Option<Act<'c>>,
    /// What made it due, and why the newest sign-off had no effect.
    due: Option<(Act<'c>, String)>,
}

impl SignOffState<'_> {
    /// A sign-off has effect and still covers all.
    pub(super) fn stands(&self) -> bool {
        self.due.is_none()
    }

    /// Whether something recorded at that index came before the wash was signed, or after it was due again.
    pub(super) fn was_unsigned_at(&self, index: u64) -> bool {
        let before = |last: &Act<'_>| index < last.index() && !covers(last, index, None, None);
        !self.stands() || self.last.as_ref().is_none_or(before)
    }
}

/// The sign-off state of every wash in the fold.
pub(super) fn sign_offs<'c>(case: &Case<'_>, folded: &Folded<'c>) -> BTreeMap<Id, SignOffState<'c>> {
    folded.context.washes.keys().map(|wash| (*wash, sign_off(case, folded, *wash))).collect()
}

fn sign_off<'c>(case: &Case<'_>, folded: &Folded<'c>, wash: Id) -> SignOffState<'c> {
    let of_wash = || folded.acts.iter().filter(move |act| act.is_of(wash));
    let mut why = String::new();
    let mut last = None;
    let signs = |act: &&Act<'c>| matches!(act.kind(), Some(Kind::SignedOff(_)));
    let mut newest_first: Vec<&Act<'c>> = of_wash().rev().filter(signs).collect();
    // One that a settlement lets count stands where it was signed, behind any that was signed meanwhile.
    newest_first.sort_by(|a, b| b.is_after(a).cmp(&a.is_after(b)));
    for act in newest_first {
        let Some(Kind::SignedOff(body)) = act.kind() else { continue };
        match effect(case, folded, act, body, wash) {
            Ok(()) => {
                last = Some(*act);
                break;
            }
            Err(reason) if why.is_empty() => {
                why = format!("the sign-off of {} had no effect: {reason}", instants::clock(act.happened_s(), None));
            }
            Err(_) => {}
        }
    }
    let touches = |act: &&Act<'c>| act.kind().is_none_or(kinds::touches_items);
    let covered = |act: &Act<'_>| {
        let covers = |by: &Act<'_>| {
            act.is_among(&by.header().refers) || covers(by, act.index(), Some(act.header().device), None)
        };
        last.as_ref().is_some_and(covers)
    };
    let due = of_wash().filter(|act| !act.revived).filter(touches).find(|act| !covered(act)).map(|act| (*act, why));
    SignOffState { last, due }
}

fn covers(by: &Act<'_>, index: u64, device: Option<Id>, hash: Option<Hash>) -> bool {
    let header = by.header();
    index < by.fact.seen_point
        || (device == Some(header.device) && index < by.index())
        || hash.is_some_and(|h| header.refers.contains(&h))
}

/// Whether a sign-off has effect; if not, what stood in its way. Judged once a case: the time asked for is not in it.
pub(super) fn effect(
    case: &Case<'_>,
    folded: &Folded<'_>,
    act: &Act<'_>,
    body: &SignedOff,
    wash: Id,
) -> Result<(), String> {
    // Whether all that it names is there does depend on the time asked for.
    if !act.counts() {
        return Err("its signer's certify authority does not count here".to_owned());
    }
    if let Some(known) = case.sign_offs.borrow().get(&(act.hash(), wash)) {
        return known.clone();
    }
    let aircraft = folded.context.washes.get(&wash).and_then(|w| w.aircraft);
    let result = judge(case, act, body, wash, aircraft);
    case.sign_offs.borrow_mut().insert((act.hash(), wash), result.clone());
    result
}

fn judge(case: &Case<'_>, act: &Act<'_>, body: &SignedOff, wash: Id, aircraft: Option<Id>) -> Result<(), String> {
    if let Some(field) = missing_field(body) {
        return Err(format!("it does not state the {field}"));
    }
    let covered = |fact: &Fact<'_>| {
        let index = fact.held.recorded.index;
        index != act.index() && covers(act, index, Some(fact.held.recorded.fact.header().device), Some(fact.key.3))
    };
    let known = case.as_known_at(known_at(case, act));
    let then = known.fold(act.happened_s(), None, &covered);
    let refused = devices::refused(&known, &then, None);
    // An engine change that the signer had not seen took nothing away for them.
    let as_seen = Fleet::new(&known.roster, act.fact.seen_point, act.happened_s());
    let shows_on = |open: &Open<'_>, a: &Id| {
        [&then.context.fleet, &as_seen].iter().any(|fleet| open.belongs.shows_on(fleet, a, act.happened_s()))
    };
    let in_the_way = |open: &&Open<'_>| {
        open.is_of(wash)
            && matches!(open.blocks, Blocks::Yes | Blocks::SignOff)
            && aircraft.is_none_or(|a| shows_on(open, &a))
    };
    match then.opens.iter().chain(&refused).find(in_the_way) {
        Some(open) => Err(format!("{} stood open", sentence::short_of(open, &then.context, aircraft))),
        None => Ok(()),
    }
}

/// The size at which a sign-off and all that it names were there.
fn known_at(case: &Case<'_>, act: &Act<'_>) -> u64 {
    let refused = |hash: &Hash| case.history.refusals(hash).iter().copied().find(|at| *at < case.size);
    let place = |hash: &Hash| case.history.by_hash(hash).filter(|at| *at < case.size).or_else(|| refused(hash));
    act.header().refers.iter().filter_map(place).fold(act.index(), u64::max) + 1
}

/// 14 CFR 43.9(a): description or data, date, performer if another, signature, certificate number and kind. Both of
/// description and data reference are asked here.
fn missing_field(body: &SignedOff) -> Option<&'static str> {
    if body.description.trim().is_empty() {
        return Some("description of the work");
    }
    if body.data_reference.trim().is_empty() {
        return Some("data reference");
    }
    if body.completion_unix_day.is_none() {
        return Some("completion date");
    }
    if body.certificate_number.is_none() {
        return Some("certificate number");
    }
    body.certificate_kind.trim().is_empty().then_some("kind of certificate")
}

pub(super) fn open_items<'c>(folded: &Folded<'c>, signed: &BTreeMap<Id, SignOffState<'c>>) -> Vec<Open<'c>> {
    let due = signed.iter().filter_map(|(wash, state)| state.due.as_ref().map(|due| (wash, due)));
    due.map(|(wash, (by, why))| {
        let facts = &folded.context.washes[wash];
        let mut open = Open::new(ItemKind::SignOffDue, *by, Belongs::to_aircraft(facts.aircraft));
        open.wash = Some(*wash);
        open.subject = facts.opened.map(|o| o.work_order.clone()).unwrap_or_default();
        open.detail = why.clone();
        open.next.push(ItemKind::ReleaseReferenceDue);
        open
    })
    .collect()
}

/// The washes of one aircraft.
pub(super) fn washes_of(folded: &Folded<'_>, signed: &BTreeMap<Id, SignOffState<'_>>, aircraft: &Id) -> Vec<Wash> {
    let of_aircraft = folded.context.washes.iter().filter(|(_, facts)| facts.aircraft == Some(*aircraft));
    of_aircraft
        .filter_map(|(wash, facts)| {
            let opened = facts.opened?;
            Some(Wash {
                wash: *wash,
                aircraft: *aircraft,
                work_order: opened.work_order.clone(),
                procedure: opened.procedure.as_ref().and_then(|p| Hash::from_slice(&p.digest)),
                station: opened.station.clone(),
                engines: opened.engines.iter().filter_map(|e| e.engine.clone()).collect(),
                opened_by: facts.first.reference(),
                signed_off_by: signed.get(wash).and_then(|s| s.last.as_ref()).map(Act::reference),
            })
        })
        .collect()
}
