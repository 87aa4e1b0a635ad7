//! Breaches of a rule, named by the rule and the facts that they rest on; who settles them, and that of those not settled
//! each is an item of its own.

use std::collections::BTreeSet;

use rinsebook_proto::bytes::{Hash, Id};
use rinsebook_proto::fact::Kind;

use super::facts::Fact;
use super::items::{self, OpenItem, Stops};
use super::order::{Act, NOW, View};
use super::roster::Standing;

/// How grave.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Severity {
    /// Shown only.
    Note,
    /// To be settled.
    Minor,
    /// To be settled, and blocking until then.
    Major,
}

/// One breach.
#[derive(Debug, Clone)]
pub struct Breach {
    /// The rule's name in the table.
    pub rule: &'static str,
    /// How grave.
    pub severity: Severity,
    /// The facts that it rests on, by the hash of their newest version.
    pub facts: BTreeSet<Hash>,
    rests_on: Vec<Fact>,
    /// Who signed them; none where a key is not known: then nobody can show to be another person.
    pub signers: Option<BTreeSet<Id>>,
    /// The last of them in the order.
    pub newest: Act,
    /// The aircraft that it shows on.
    pub shows_on: BTreeSet<Id>,
}

impl Breach {
    /// A breach that goes with the last fact it rests on: with that fact's engine, where it names one; else with its
    /// aircraft.
    pub fn new(view: &View, rule: &'static str, severity: Severity, on: &[&Act]) -> Breach {
        let last = *on.last().expect("a breach rests on a fact");
        let shows_on = match last.fact.engines().as_slice() {
            [one] => items::aircraft_of_engine(view, last, &one.serial),
            _ => items::aircraft_named(view, last),
        };
        Breach {
            rule,
            severity,
            facts: on.iter().map(|a| a.fact.newest_hash()).collect(),
            rests_on: on.iter().map(|a| a.fact.clone()).collect(),
            signers: on.iter().map(|a| a.person).collect(),
            newest: last.clone(),
            shows_on,
        }
    }

    /// The settlement of it: by a person with certify who signed none of the facts.
    pub fn settled<'v>(&self, view: &'v View) -> Option<&'v Act> {
        view.acts.iter().find(|s| {
            let Some(Kind::FindingSettled(b)) = &s.fact.kind else { return false };
            // What names an older version names the newer one too, unless a joint was changed by that.
            b.rule == self.rule
                && self.rests_on.iter().all(|on| s.fact.names(on))
                && s.counts(NOW)
                && s.person.is_some_and(|p| self.signers.as_ref().is_some_and(|signers| !signers.contains(&p)))
        })
    }
}

/// Every breach that the record shows.
pub fn all(view: &View) -> Vec<Breach> {
    let mut out = Vec::new();
    signatures(view, &mut out);
    super::lines::self_inspected(view, &mut out);
    super::lines::torque_and_tool(view, &mut out);
    super::lines::outside_procedure(view, &mut out);
    super::checks::self_seen(view, &mut out);
    super::times::all(view, &mut out);
    super::turning::all(view, &mut out);
    out
}

/// finding-open: each breach until another person settles it; a note is only shown. It blocks if it is major.
pub fn items(view: &View, breaches: &[Breach], out: &mut Vec<OpenItem>) {
    for breach in breaches.iter().filter(|b| b.severity > Severity::Note && b.settled(view).is_none()) {
        let stops = if breach.severity == Severity::Major { Stops::Going } else { Stops::Nothing };
        let mut item = OpenItem::of_aircraft(view, "finding-open", &breach.newest).stops(stops).about(breach.rule);
        item.shows_on = breach.shows_on.clone();
        if let [one] = breach.newest.fact.engines().as_slice() {
            item.serial = Some(one.serial.clone());
        }
        out.push(item);
    }
}

/// beyond-authority, key-not-trusted and in-doubt: a signature that is not worth what the act asks. Major.
fn signatures(view: &View, out: &mut Vec<Breach>) {
    for act in view.acts.iter().filter(|a| a.fact.aircraft().is_some() || !a.washes.is_empty()) {
        let rule = match act.standing {
            Standing::BeyondAuthority => "beyond-authority",
            Standing::KeyNotTrusted => "key-not-trusted",
            Standing::InDoubt => "in-doubt",
            Standing::Good | Standing::Unread => continue,
        };
        out.push(Breach::new(view, rule, Severity::Major, &[act]));
    }
}
