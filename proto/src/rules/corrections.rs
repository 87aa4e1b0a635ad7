//! Corrections: a fact that replaces or strikes out one version of another; the original stays in the log for all to
//! see. They are resolved first: the fold then meets the version in force, at its place.
//!
//! ```text
//! original ◄─ replaced ◄─ replaced ◄─ struck out     a struck-out correction is as if it had never been made:
//!    V0          V1          V2          of V2       here V1 is in force
//! ```
//!
//! - *Who may*: the signer of the version named, or certifying staff, with a trusted key.
//! - *From when*: at once, unless it asks a second person: then from that one's agreement on. It asks one where it
//!   strikes out an opening, says "not injected" where it said "injected", or takes anything away; what that is, and
//!   that it is judged at the time asked for, stands in `versions`. So at no time is anything missing that would be
//!   open under the original facts and the agreed corrections alone, with the versions that these were agreed to replace.
//!   What a correction opens counts at once, as any opening does, even while what it takes away waits.
//! - *Conflict*: of two corrections of one version that both take effect none prevails. The openings of all versions
//!   count, after every other fact so that nothing closes them; their closings do not. Striking all but one out ends
//!   it; that is measured against what was open under the one struck out alone.
//! - *Naming*: who named an older version names the newer too, unless a joint's torque, tool or locking changed. Who
//!   named a newer one that was struck out names nothing that stands.
//! - A second signature and a custodian's fact are not corrected: what they were about is.

use std::collections::{BTreeSet, HashMap, HashSet};

use super::act::{Act, Context};
use super::facts::Fact;
use super::finding::{Raised, Rule, Severity};
use super::folded::Folded;
use super::judge::types_asked;
use super::judge::{self, Standing};
use super::kinds::Asked;
use super::order;
use super::roster::Roster;
use super::versions::{asks_second, can_be_corrected, frees, may_replace, takes_away};
use crate::bytes::Hash;
use crate::fact::Kind;
use crate::v1::{self, CorrectionOutcome, CountersignPurpose};

/// A fact whose signature has to be good for it to work here; an act in doubt is once a settlement lets it count.
#[derive(Debug)]
struct Signature {
    at: usize,
    let_count_by: Vec<usize>,
}

/// One correction, as far as the size alone tells. Numbers are places among the case's facts.
#[derive(Debug)]
pub(super) struct Correction<'h> {
    by: Signature,
    by_hash: Hash,
    /// The original fact.
    root: usize,
    /// The hash of the version that it corrects.
    target: Hash,
    /// What it puts in its place; none: it strikes it out.
    version: Option<Fact<'h>>,
    /// Why it can have no effect.
    fault: Option<Rule>,
    /// Neither certifying staff signed it nor somebody who had the authority for the fact itself.
    weak: bool,
    asks_second: bool,
    agreed_by: Vec<Signature>,
}

/// All corrections of a case, none before the one that it corrects.
#[derive(Debug, Default)]
pub(super) struct Corrections<'h> {
    all: Vec<Correction<'h>>,
}

/// Two or more corrections of one version.
#[derive(Debug)]
pub(super) struct Conflict {
    root: Hash,
    by: Vec<Hash>,
}

/// The facts as the corrections leave them.
#[derive(Debug, Default)]
pub(super) struct InForce<'c> {
    pub(super) facts: Vec<&'c Fact<'c>>,
    pub(super) contested: Vec<&'c Fact<'c>>,
    pub(super) struck: Vec<&'c Fact<'c>>,
    pub(super) conflicts: Vec<Conflict>,
}

impl<'h> Corrections<'h> {
    /// Reads the corrections among a case's facts. `version` makes a fact from an original, a correction's body and
    /// the hashes that name it too.
    pub(super) fn new(
        facts: &[Fact<'h>],
        roster: &Roster,
        size: u64,
        version: impl Fn(&Fact<'h>, &Fact<'h>, &v1::Corrected, Vec<Hash>) -> Option<Fact<'h>>,
    ) -> Self {
        let mut corrections = Corrections::default();
        let is_one = |fact: &Fact<'_>| matches!(fact.kind(), Some(Kind::Corrected(_)));
        if !facts.iter().any(is_one) {
            return corrections;
        }
        let places: HashMap<Hash, usize> = facts.iter().enumerate().map(|(at, f)| (f.key.3, at)).collect();
        let reader = Reader { facts, roster, size, places };
        for at in order::ordered(facts, |f| f.key, |f| f.header().refers.as_slice()) {
            corrections.all.extend(reader.read(at, &corrections.all, &version));
        }
        corrections
    }

    pub(super) fn is_empty(&self) -> bool {
        self.all.is_empty()
    }

    /// The versions that corrections make.
    pub(super) fn versions(&self) -> impl Iterator<Item = &Fact<'h>> {
        self.all.iter().filter_map(|c| c.version.as_ref())
    }

    /// Which of them take effect, of the facts counted at a time; and what is open where one more did that takes
    /// something away. `fold` gives what is open where those chosen do.
    pub(super) fn taking_effect<'c>(
        &'c self,
        facts: &[Fact<'_>],
        counted: &[bool],
        fold: impl Fn(&BTreeSet<usize>) -> Folded<'c>,
    ) -> (BTreeSet<usize>, Vec<Folded<'c>>) {
        let good = |s: &Signature| {
            let lets = || s.let_count_by.iter().any(|by| counted[*by]);
            counted[s.at] && facts[s.at].unread.is_none() && (facts[s.at].standing == Standing::Counts || lets())
        };
        let able = |c: &(usize, &Correction<'_>)| c.1.fault.is_none() && good(&c.1.by) && counted[c.1.root];
        let able: Vec<(usize, &Correction<'_>)> = self.all.iter().enumerate().filter(able).collect();
        let (agreed, alone): (Vec<_>, Vec<_>) = able.into_iter().partition(|(_, c)| c.agreed_by.iter().any(good));
        let agreed: BTreeSet<usize> = agreed.into_iter().map(|(at, _)| at).collect();
        let mut chosen = agreed.clone();
        // Who agreed to the newer version agreed to it in the place of the older ones.
        for (at, c) in alone.iter().rev() {
            if chosen.iter().any(|newer| self.all[*newer].target == c.by_hash) {
                chosen.insert(*at);
            }
        }
        let alone = alone.into_iter().filter(|(at, c)| !c.asks_second && !chosen.contains(at));
        let mut alone: Vec<usize> = alone.filter(|(at, _)| !self.lays_bare(*at, &agreed)).map(|(at, _)| at).collect();
        // Nobody without authority changes what those with it may do: the sort is stable.
        alone.sort_by_key(|at| self.all[*at].weak);
        let mut waiting = Vec::new();
        if alone.is_empty() {
            return (chosen, waiting);
        }
        let agreed_only = fold(&chosen);
        for at in alone {
            let siblings = self.siblings_of_struck(at, &chosen);
            let before = fold(&chosen.difference(&siblings).copied().collect());
            let after = fold(&chosen.iter().copied().chain([at]).collect());
            if takes_away(&agreed_only, &after) || takes_away(&before, &after) {
                waiting.push(after);
            } else {
                chosen.insert(at);
            }
        }
        (chosen, waiting)
    }

    /// Whether one strikes out an agreed correction under which lies one that nobody agreed to.
    fn lays_bare(&self, at: usize, agreed: &BTreeSet<usize>) -> bool {
        let by_hash = |hash: &Hash| self.all.iter().position(|c| c.by_hash == *hash);
        let struck = by_hash(&self.all[at].target).filter(|s| self.all[at].version.is_none() && agreed.contains(s));
        struck.and_then(|s| by_hash(&self.all[s].target)).is_some_and(|under| !agreed.contains(&under))
    }

    /// Where one strikes out a correction in conflict: the others of that conflict.
    fn siblings_of_struck(&self, at: usize, chosen: &BTreeSet<usize>) -> BTreeSet<usize> {
        let struck =
            chosen.iter().find(|c| self.all[at].version.is_none() && self.all[**c].by_hash == self.all[at].target);
        let Some(struck) = struck else { return BTreeSet::new() };
        let same = |c: &&usize| *c != struck && self.all[**c].target == self.all[*struck].target;
        chosen.iter().filter(same).copied().collect()
    }

    /// The facts counted, with the chosen corrections in place.
    pub(super) fn in_force<'c>(
        &'c self,
        facts: &'c [Fact<'c>],
        counted: &[bool],
        time_s: u64,
        chosen: &BTreeSet<usize>,
    ) -> InForce<'c> {
        let mut out = InForce::default();
        let roots: HashSet<usize> = chosen.iter().map(|c| self.all[*c].root).collect();
        for (at, fact) in facts.iter().enumerate().filter(|(at, _)| counted[*at]) {
            if !roots.contains(&at) {
                out.facts.push(fact);
                continue;
            }
            match self.walk(fact.key.3, Some(fact), chosen) {
                Ok(None) => out.struck.push(fact),
                Ok(Some(version)) if version.counts_from_s <= time_s => out.facts.push(version),
                Ok(Some(_)) => {}
                Err(by) => {
                    let all = chosen.iter().filter(|c| self.all[**c].root == at && self.is_live(**c, chosen));
                    let versions = all.filter_map(|c| self.all[*c].version.as_ref());
                    out.contested.extend(versions.chain([fact]).filter(|v| v.counts_from_s <= time_s));
                    let by = by.into_iter().map(|c| self.all[c].by_hash).collect();
                    out.conflicts.push(Conflict { root: fact.key.3, by });
                }
            }
        }
        out.contested.sort_by_key(|f| (f.key, f.held.hash));
        out
    }

    /// The version in force from one on; none: struck out. In conflict: the corrections that are.
    fn walk<'c>(
        &'c self,
        node: Hash,
        body: Option<&'c Fact<'c>>,
        chosen: &BTreeSet<usize>,
    ) -> Result<Option<&'c Fact<'c>>, Vec<usize>> {
        let by = self.live_of(&node, chosen);
        match by.as_slice() {
            [] => Ok(body),
            [one] => self.walk(self.all[*one].by_hash, self.all[*one].version.as_ref().map(|v| v as &Fact<'c>), chosen),
            _ => Err(by),
        }
    }

    /// The chosen corrections of a version, less those that are struck out themselves.
    fn live_of(&self, target: &Hash, chosen: &BTreeSet<usize>) -> Vec<usize> {
        let of = chosen.iter().filter(|c| self.all[**c].target == *target);
        of.copied().filter(|c| self.is_live(*c, chosen)).collect()
    }

    fn is_live(&self, at: usize, chosen: &BTreeSet<usize>) -> bool {
        let by = self.live_of(&self.all[at].by_hash, chosen);
        !matches!(by.as_slice(), [one] if self.all[*one].version.is_none())
    }

    /// Corrections that cannot be: by somebody who may not, or of what cannot stand in that place.
    pub(super) fn faults<'c>(&self, context: &Context<'c>, acts: &[Act<'c>]) -> Vec<Raised<'c>> {
        let faulty: HashMap<Hash, Rule> = self.all.iter().filter_map(|c| Some((c.by_hash, c.fault?))).collect();
        let trusted =
            |act: &&Act<'_>| !act.revived && matches!(act.fact.standing, Standing::Counts | Standing::InDoubt);
        let rule = |act: &Act<'c>| faulty.get(&act.hash()).map(|rule| (*rule, *act));
        let raise = |(rule, act)| Raised::new(rule, Severity::Major, context, vec![act]);
        acts.iter().filter(trusted).filter_map(rule).map(raise).collect()
    }
}

impl Conflict {
    /// The finding, on what the original is about.
    pub(super) fn finding<'c>(&self, context: &Context<'c>, acts: &[Act<'c>]) -> Option<Raised<'c>> {
        let rests_on: Vec<Act<'c>> =
            acts.iter().filter(|act| !act.revived && self.by.contains(&act.hash())).copied().collect();
        let original = acts.iter().rfind(|act| act.original() == self.root)?;
        let on = Raised::new(Rule::CorrectionConflict, Severity::Major, context, vec![*original]);
        (!rests_on.is_empty()).then_some(Raised { rests_on, ..on })
    }
}

/// What reading one correction needs.
struct Reader<'f, 'h> {
    facts: &'f [Fact<'h>],
    roster: &'f Roster,
    size: u64,
    places: HashMap<Hash, usize>,
}

impl<'h> Reader<'_, 'h> {
    fn read(
        &self,
        at: usize,
        known: &[Correction<'h>],
        version: impl Fn(&Fact<'h>, &Fact<'h>, &v1::Corrected, Vec<Hash>) -> Option<Fact<'h>>,
    ) -> Option<Correction<'h>> {
        let by = &self.facts[at];
        let Some(Kind::Corrected(body)) = by.kind() else { return None };
        let (target, of) = match by.header().refers.as_slice() {
            [one] => (*one, known.iter().find(|c| c.by_hash == *one)),
            _ => return Some(self.without_effect(at, Rule::ImpossibleStep)),
        };
        // Not there yet: it waits. Named, but itself without effect: so is this.
        let named = *self.places.get(&target)?;
        let root = of.map_or(named, |c| c.root);
        let original = &self.facts[root];
        let before = self.body_before(&target, known).unwrap_or(original);
        let strikes = body.outcome == CorrectionOutcome::StrikeOut as i32;
        let mut correction = Correction { root, target, ..self.without_effect(at, Rule::ImpossibleStep) };
        let subjects = &by.header().subjects;
        let same_subjects = self.facts[named].header().subjects.iter().all(|s| subjects.contains(s));
        let Some(old) = before.kind().filter(|k| can_be_corrected(k) && same_subjects) else { return Some(correction) };
        if !strikes {
            let mut elders = before.elders.clone();
            elders.extend([before.held.hash, target]);
            elders.dedup();
            let new = version(original, by, body, elders).filter(|v| v.kind().is_some_and(|k| may_replace(old, k)));
            let Some(mut new) = new else { return Some(correction) };
            if new.kind().is_some_and(|k| frees(old, k)) {
                new.elders.clear();
            }
            correction.version = Some(new);
        }
        // Striking out a correction puts back what stood before it.
        let under = of.and_then(|c| self.body_before(&c.target, known));
        correction.asks_second = asks_second(old, correction.version.as_ref().or(under).and_then(Fact::kind));
        // Whoever signed the version named, or certifying staff for the original's engines.
        let own = by.person.is_some() && by.person == self.facts[named].person;
        let certifies = self.holds(by, Asked::Certify, original);
        correction.fault = (!own && !certifies).then_some(Rule::BeyondAuthority);
        correction.weak = !certifies && original.standing != Standing::Counts;
        correction.agreed_by = self.agreements(at, root);
        Some(correction)
    }

    fn without_effect(&self, at: usize, fault: Rule) -> Correction<'h> {
        Correction {
            by: self.signature(at),
            by_hash: self.facts[at].key.3,
            root: at,
            target: self.facts[at].key.3,
            version: None,
            fault: Some(fault),
            weak: true,
            asks_second: true,
            agreed_by: Vec::new(),
        }
    }

    /// The newest body at or under a version: a strike-out has none of its own.
    fn body_before<'k>(&'k self, target: &Hash, known: &'k [Correction<'h>]) -> Option<&'k Fact<'h>> {
        match known.iter().find(|c| c.by_hash == *target) {
            Some(c) if c.version.is_some() => c.version.as_ref(),
            Some(c) if c.target != *target => self.body_before(&c.target, known),
            Some(_) => None,
            None => self.places.get(target).map(|at| &self.facts[*at]),
        }
    }

    fn holds(&self, by: &Fact<'_>, asked: Asked, original: &Fact<'_>) -> bool {
        let types = types_asked(&original.held.recorded, self.roster, self.size);
        judge::standing(self.roster, self.size, &by.held.recorded, asked, &types).0 == Standing::Counts
    }

    /// Second signatures on a correction by another person who may inspect or certify.
    fn agreements(&self, at: usize, root: usize) -> Vec<Signature> {
        let correction = &self.facts[at];
        let agrees = |fact: &Fact<'_>| {
            let purpose = CountersignPurpose::CorrectionAgreed as i32;
            matches!(fact.kind(), Some(Kind::Countersigned(b)) if b.purpose == purpose)
                && self.acts_on(fact, correction)
                && (self.holds(fact, Asked::Inspect, &self.facts[root])
                    || self.holds(fact, Asked::Certify, &self.facts[root]))
        };
        let by = self.facts.iter().enumerate().filter(|(_, fact)| agrees(fact));
        by.map(|(by, _)| self.signature(by)).collect()
    }

    fn signature(&self, at: usize) -> Signature {
        let fact = &self.facts[at];
        let lets = |by: &Fact<'_>| {
            matches!(by.kind(), Some(Kind::FindingSettled(b))
                if b.rule == Rule::InDoubt.name() && b.act_counts == Some(true))
                && by.standing == Standing::Counts
                && self.acts_on(by, fact)
        };
        let in_doubt = fact.standing == Standing::InDoubt;
        let by = self.facts.iter().enumerate().filter(|(_, by)| in_doubt && lets(by));
        Signature { at, let_count_by: by.map(|(by, _)| by).collect() }
    }

    /// Whether a fact by another person, that can be read, names the other and is about all that it is about.
    fn acts_on(&self, by: &Fact<'_>, other: &Fact<'_>) -> bool {
        let (header, of) = (by.header(), other.header());
        by.unread.is_none()
            && header.refers.contains(&other.key.3)
            && of.subjects.iter().all(|s| header.subjects.contains(s))
            && by.person.is_some()
            && by.person != other.person
    }
}
