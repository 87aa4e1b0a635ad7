//! How explanations are shown: the answer to "what is it" first, the record's facts after it, cautions and what must be
//! read with it last.

use std::collections::BTreeSet;
use std::io::{self, Write};

use rinsebook_proto::fact::{MAX_SERVICE_ENVELOPE_BYTES, Signed};
use rinsebook_proto::rules::{NOTHING_OPEN_NOTICE, NOTICE, Severity};
use rinsebook_proto::v1;

use super::handle::{self, Named};
use super::{Care, Meant, PRECEDENCE, Rest, items, rules};
use crate::about;
use crate::query::text::{from_then, instant, paragraph, plain};
use crate::query::{OpenOn, authorities, record};
use crate::render;

const NO_METAL: &str =
    "Settling is paper: it closes no line, access, fixture or tool. Only work and a fresh inspection do.";
const NOT_OWN: &str = "Nobody settles a finding on their own act: it takes a person who may certify and who signed none of \
                       the facts it rests on.";

/// A kind of item, or a rule.
pub(super) fn kind(meant: Meant, out: &mut dyn Write) -> io::Result<()> {
    match meant {
        Meant::Item(kind) => {
            let words = items::of(kind);
            writeln!(out, "{}  (open item)", kind.name())?;
            paragraph("  ", words.what, out)?;
            said("why it opens", words.why, out)?;
            said("closed by", kind.closes(), out)?;
            said("who may", &who_may(&authorities(&kind.who_may())), out)?;
            said("blocks", words.blocks, out)?;
            words.due.map_or(Ok(()), |due| said("its due time", due, out))?;
            cautions(words.care, out)
        }
        Meant::Rule(rule) => {
            let words = rules::of(rule);
            writeln!(out, "{}  (rule)", rule.name())?;
            paragraph("  ", words.asks, out)?;
            said("raised when", words.why, out)?;
            said("first", words.first, out)?;
            for grave in words.grave {
                let (name, means) = severity(*grave);
                said("severity", &format!("{name}: {means}"), out)?;
            }
            said("closed by", &settled_by(words.grave[0]), out)?;
            cautions(words.care, out)
        }
    }
}

/// One item or finding, and the facts it rests on.
pub(super) fn one(named: &Named<'_>, facts: &[Rest], open: &OpenOn, out: &mut dyn Write) -> io::Result<()> {
    writeln!(out, "{}  {}", render::named(&open.list.registration), plain(&named.handle()))?;
    match named {
        Named::Item(item) => one_item(item, named.meant(), facts, open.as_of.time_ms, out),
        Named::Finding(finding) => one_finding(finding, named.meant(), facts, open, out),
    }
}

fn one_item(
    item: &v1::OpenItem,
    meant: Option<Meant>,
    facts: &[Rest],
    then_ms: u64,
    out: &mut dyn Write,
) -> io::Result<()> {
    paragraph("  ", &item.text, out)?;
    let words = match meant {
        Some(Meant::Item(kind)) => Some(items::of(kind)),
        // Of a later version: what the service says of it still stands below.
        _ => None,
    };
    if let Some(words) = &words {
        paragraph("  ", words.what, out)?;
        said("why it opens", words.why, out)?;
    }
    said("closed by", &item.closes, out)?;
    said("who may", &who_may(&render::names_of(&item.who_may)), out)?;
    if let Some(due) = item.due_ms {
        let then = words.and_then(|w| w.due).unwrap_or_default();
        said("due", &format!("{}, {}. {then}", instant(due), from_then(then_ms, due)), out)?;
    }
    let blocks = match v1::Blocks::try_from(item.blocks).unwrap_or_default() {
        v1::Blocks::Yes => "Yes, now.",
        v1::Blocks::SignOff => "The sign-off, not the aircraft.",
        v1::Blocks::Condition => "No: it is a condition to be kept.",
        v1::Blocks::No => "No.",
        v1::Blocks::Unspecified => "Not known to this version: ask with a newer one.",
    };
    said("blocks", &format!("{blocks} {}", words.map_or("", |w| w.blocks)), out)?;
    rests_on(facts, out)?;
    cautions(words.map_or(&[], |w| w.care), out)
}

fn one_finding(
    finding: &v1::Finding,
    meant: Option<Meant>,
    facts: &[Rest],
    open: &OpenOn,
    out: &mut dyn Write,
) -> io::Result<()> {
    paragraph("  ", &finding.text, out)?;
    let words = match meant {
        Some(Meant::Rule(rule)) => Some(rules::of(rule)),
        _ => None,
    };
    if let Some(words) = &words {
        said("the rule", words.asks, out)?;
        said("raised here", words.why, out)?;
        said("first", words.first, out)?;
    }
    let grave = match v1::Severity::try_from(finding.severity).unwrap_or_default() {
        v1::Severity::Note => Severity::Note,
        v1::Severity::Minor => Severity::Minor,
        // What a later version calls otherwise is taken for the gravest.
        v1::Severity::Major | v1::Severity::Unspecified => Severity::Major,
    };
    let (name, means) = severity(grave);
    match &finding.settled_by {
        Some(by) => {
            let outcome = match finding.outcome.and_then(|o| v1::FindingOutcome::try_from(o).ok()) {
                Some(v1::FindingOutcome::Accepted) => "accepted: the breach was real and is dealt with",
                Some(v1::FindingOutcome::Rejected) => "rejected: there was no breach",
                _ => "with an outcome that this version cannot read",
            };
            said("severity", &format!("{name}, and settled: it blocks nothing any more."), out)?;
            said("settled", &format!("{} by entry {}, {outcome}. {NO_METAL}", instant(by.happened_ms), by.index), out)?;
        }
        None => {
            said("severity", &format!("{name}: {means}"), out)?;
            said("closed by", &settled_by(grave), out)?;
        }
    }
    rests_on(facts, out)?;
    if finding.settled_by.is_none() && grave != Severity::Note {
        settling_card(finding, facts, open, out)?;
    }
    cautions(words.map_or(&[], |w| w.care), out)
}

/// How grave, in a word, and what that means.
pub(super) fn severity(severity: Severity) -> (&'static str, &'static str) {
    match severity {
        Severity::Major => ("major", "it blocks the aircraft and the sign-off until it is settled."),
        Severity::Minor => ("minor", "it blocks nothing, and is to be settled."),
        Severity::Note => ("note", "it is only shown; nobody has to settle it."),
    }
}

/// What closes a finding.
pub(super) fn settled_by(grave: Severity) -> String {
    match grave {
        Severity::Note => "Nothing has to close it. A correction that removes its cause takes it away.".to_owned(),
        Severity::Minor | Severity::Major => {
            format!(
                "A person who may certify settles it by a signed fact, \"finding-settled\": accepted (the breach was real \
                 and is dealt with) or rejected (there was none), with the reason. {NOT_OWN} {NO_METAL} A correction that \
                 removes its cause takes it away too."
            )
        }
    }
}

/// A card that settles it. Outcome and reason are left to who signs: until they are filled in the text is no card, so that
/// nobody settles with our words.
fn settling_card(finding: &v1::Finding, facts: &[Rest], open: &OpenOn, out: &mut dyn Write) -> io::Result<()> {
    let how = "for `rinsebook fact CARD --station DIR --key FILE`, once outcome and reason are filled in:";
    said("a card", how, out)?;
    if !finding.wash.is_empty() {
        writeln!(out, "    wash = \"{}\"", hex::encode(&finding.wash))?;
    }
    writeln!(out, "    aircraft = \"{}\"", hex::encode(&open.list.aircraft))?;
    writeln!(out, "\n    [[fact]]\n    kind = \"finding-settled\"\n    rule = \"{}\"", plain(&finding.rule))?;
    writeln!(out, "    outcome =            # \"accepted\" or \"rejected\"")?;
    if ["in-doubt", "re-inspected-alone"].contains(&finding.rule.as_str()) {
        writeln!(out, "    act_counts =         # true: from then on the act counts; or false")?;
    }
    writeln!(out, "    reason =             # in quotes: what was looked at, what was done")?;
    let hashes = finding.rests_on.iter().map(|fact| hex::encode(&fact.envelope_hash));
    texts("acts_on", hashes, out)?;
    texts("about", about(finding, facts), out)?;
    writeln!(out)
}

/// What the facts are about: a fact acts only on those whose subjects it has too.
fn about(finding: &v1::Finding, facts: &[Rest]) -> BTreeSet<String> {
    let named = facts.iter().filter(|rest| rest.fact.fact.as_ref().is_some_and(|at| finding.rests_on.contains(at)));
    let signed = named.filter_map(|rest| Signed::parse(&rest.fact.envelope, MAX_SERVICE_ENVELOPE_BYTES).ok());
    signed.flat_map(|signed| signed.header().subjects.iter().map(about::text).collect::<Vec<_>>()).collect()
}

/// A list of texts in TOML, one a line.
fn texts(key: &str, all: impl IntoIterator<Item = String>, out: &mut dyn Write) -> io::Result<()> {
    writeln!(out, "    {key} = [")?;
    for text in all {
        writeln!(out, "      {},", toml::Value::String(text))?;
    }
    writeln!(out, "    ]")
}

fn rests_on(facts: &[Rest], out: &mut dyn Write) -> io::Result<()> {
    writeln!(out, "  it rests on")?;
    facts.iter().try_for_each(|rest| record::in_brief("    ", &rest.fact, &rest.signer, out))
}

fn who_may(names: &[&str]) -> String {
    if names.is_empty() {
        return "Nobody has to: time does.".to_owned();
    }
    format!("Whoever holds the authority to {} on this engine type.", names.join(" or "))
}

fn said(head: &str, text: &str, out: &mut dyn Write) -> io::Result<()> {
    paragraph(&format!("  {head:<13} "), text, out)
}

fn cautions(care: &[Care], out: &mut dyn Write) -> io::Result<()> {
    care.iter().try_for_each(|care| said("CAUTION", care.text(), out))?;
    paragraph("  ", PRECEDENCE, out)
}

/// All that can be asked for on an aircraft.
pub(super) fn handles(open: &OpenOn, out: &mut dyn Write) -> io::Result<()> {
    let all = handle::all(&open.list);
    writeln!(out, "{}", render::named(&open.list.registration))?;
    all.iter().try_for_each(|handle| writeln!(out, "  {}", plain(handle)))?;
    if all.is_empty() {
        return writeln!(out, "{NOTHING_OPEN_NOTICE}").and_then(|()| render::as_of(&open.as_of, out));
    }
    under(open, out)
}

/// Stands under every answer from the record.
pub(super) fn under(open: &OpenOn, out: &mut dyn Write) -> io::Result<()> {
    writeln!(out, "{NOTICE}")?;
    render::as_of(&open.as_of, out)
}
