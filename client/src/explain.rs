//! `explain`: an item or a finding in plain words, with the facts it rests on. Written for a planner or technician at
//! night: what it is, why it stands, what closes it, who may, until when, and where the work can hurt.
//!
//! Words of the kinds stand in [`items`] and [`rules`]; what closes an item and who may is the rules' own word. An item is
//! called as `rinsebook items` shows it; see [`handle`].

pub mod handle;
pub mod items;
pub mod rules;
mod shown;
#[cfg(test)]
mod tests;

use std::io::Write;
use std::path::PathBuf;

use rinsebook_proto::rules::{ItemKind, NOTICE, Rule};
use rinsebook_proto::v1::{self, get_fact_request::By};
use serde_json::{Value, json};

use crate::ClientError;
use crate::query::{self, Moment, json::Writer};
use crate::remote::Channel;
use handle::Named;

/// What is this, and why does it stand?
#[derive(Debug, Clone, clap::Args)]
pub struct Args {
    /// A kind of item or a rule, such as run-up-overdue or same-hands; or an aircraft, by registration or id.
    #[arg(value_name = "KIND|AIRCRAFT")]
    pub what: String,
    /// What of that aircraft: as `items` names it, such as inspection-due 2 PS-1, inspection-due:PS-1, or the number of
    /// the entry it rests on; without it, all that can be asked for.
    #[arg(value_name = "WHICH")]
    pub which: Vec<String>,
    /// The station's folder; needed for an aircraft.
    #[arg(long, value_name = "DIR")]
    pub station: Option<PathBuf>,
    /// As known, and judged, when.
    #[command(flatten)]
    pub moment: Moment,
    /// Answer as one JSON object.
    #[arg(long)]
    pub json: bool,
}

impl Args {
    /// All words as one, as kinds and rules are written: "run up overdue" is "run-up-overdue".
    pub fn word(&self) -> String {
        let words = [std::slice::from_ref(&self.what), &self.which].concat();
        words.join(" ").split_whitespace().collect::<Vec<_>>().join("-").to_lowercase()
    }
}

/// Where the work can hurt. In our own words; approved data and the organisation's procedures say what to do.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[allow(missing_docs)]
pub enum Care {
    Turning,
    Power,
    HotWater,
    Starter,
    Freezing,
    Cowl,
    Restoring,
}

impl Care {
    /// The caution, in a sentence.
    pub fn text(self) -> &'static str {
        match self {
            Care::Turning => {
                "An engine that turns, by its starter too, draws people in and blows them over: keep clear of intake and \
                 exhaust, with one person in charge of the area."
            }
            Care::Power => {
                "Before hands go into the engine, make sure that nobody can motor or start it, and that it has cooled down."
            }
            Care::HotWater => "The wash water and what drains from the engine scald.",
            Care::Starter => "A starter has limits of running and rest; past them it overheats and may come apart.",
            Care::Freezing => {
                "Wet parts freeze: do not turn an engine that may hold ice, and mind the ice under your feet."
            }
            Care::Cowl => {
                "A cowl without its stay or latches falls or is thrown by the wind: keep hands and heads away."
            }
            Care::Restoring => {
                "What is restored may move or come alive: look that nobody has hands in it before it is switched."
            }
        }
    }
}

/// Stands under every explanation.
pub const PRECEDENCE: &str =
    "Approved maintenance data and the organisation's procedures take precedence over these words.";

/// What a word of ours means.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Meant {
    /// A kind of item.
    Item(ItemKind),
    /// A rule.
    Rule(Rule),
}

impl Meant {
    /// The kind of item or rule of that name.
    pub fn by_name(name: &str) -> Option<Meant> {
        let item = ItemKind::ALL.iter().find(|kind| kind.name() == name).map(|kind| Meant::Item(*kind));
        item.or_else(|| Rule::ALL.iter().find(|rule| rule.name() == name).map(|rule| Meant::Rule(*rule)))
    }
}

/// Explains a kind by its name alone; none where nothing is called so.
pub fn kind(name: &str, json: bool, out: &mut dyn Write) -> Option<Result<(), ClientError>> {
    let meant = Meant::by_name(name)?;
    Some(match json {
        true => told(writeln!(out, "{:#}", json!({ "words": words_json(meant), "precedence": PRECEDENCE }))),
        false => told(shown::kind(meant, out)),
    })
}

/// Why nothing is called so, and what comes near.
pub fn unknown(word: &str) -> ClientError {
    let near = handle::near(word);
    let near = if near.is_empty() {
        let all = ItemKind::ALL.iter().map(|k| k.name()).chain(Rule::ALL.iter().map(|r| r.name()));
        format!("there are {}", all.collect::<Vec<_>>().join(", "))
    } else {
        format!("did you mean {}?", near.join(" or "))
    };
    ClientError::Usage(format!(
        "no kind of item and no rule is called {word:?}: {near} For what is open on an aircraft, give --station DIR as well"
    ))
}

/// Explains what is open on an aircraft, from the service.
pub async fn run(channel: Channel, args: &Args, out: &mut dyn Write) -> Result<(), ClientError> {
    let open = query::open_on(channel.clone(), &args.what, &args.moment).await?;
    let which = args.which.join(" ");
    if which.is_empty() {
        return match args.json {
            true => told(writeln!(out, "{:#}", json!({ "handles": handle::all(&open.list), "notice": NOTICE }))),
            false => told(shown::handles(&open, out)),
        };
    }
    let named = handle::find(&open.list, &which);
    if named.is_empty() {
        return Err(nothing_such(&open.list, &args.what, &which));
    }
    let mut answers = Vec::new();
    for one in &named {
        let facts = facts(&channel, one).await?;
        if args.json {
            answers.push(one_json(one, &facts)?);
        } else {
            told(shown::one(one, &facts, &open, out))?;
        }
    }
    if args.json {
        let as_of = Writer::new()?.message("AsOf", &open.as_of)?;
        let answer = json!({ "explained": answers, "as_of": as_of, "precedence": PRECEDENCE, "notice": NOTICE });
        return told(writeln!(out, "{answer:#}"));
    }
    told(shown::under(&open, out))
}

fn nothing_such(list: &v1::AircraftItems, aircraft: &str, which: &str) -> ClientError {
    let all = handle::all(list);
    let open = if all.is_empty() {
        "nothing is open there in this record as asked".to_owned()
    } else {
        format!("there are: {}", all.join("; "))
    };
    ClientError::Usage(format!("nothing on {aircraft} is called {which:?}: {open}"))
}

/// A fact, and who signed it.
#[derive(Debug, Clone, PartialEq)]
pub struct Rest {
    fact: v1::RecordedFact,
    signer: String,
}

/// The facts that it rests on, in the order it names them, and last the one that settled it.
async fn facts(channel: &Channel, named: &Named<'_>) -> Result<Vec<Rest>, ClientError> {
    let mut facts = Vec::new();
    for at in named.rests_on() {
        let fact = query::fact(channel.clone(), By::EnvelopeHash(at.envelope_hash.clone())).await?;
        let fact = fact.fact.unwrap_or_default();
        let signer = query::person_name(channel.clone(), &fact.person).await;
        facts.push(Rest { fact, signer });
    }
    Ok(facts)
}

fn one_json(named: &Named<'_>, facts: &[Rest]) -> Result<Value, ClientError> {
    let writer = Writer::new()?;
    let recorded: Vec<v1::RecordedFact> = facts.iter().map(|rest| rest.fact.clone()).collect();
    let (of, message) = match named {
        Named::Item(item) => ("item", writer.message("OpenItem", *item)?),
        Named::Finding(finding) => ("finding", writer.message("Finding", *finding)?),
    };
    Ok(json!({
        "handle": named.handle(),
        of: message,
        "words": named.meant().map(words_json),
        "facts": writer.list("RecordedFact", &recorded)?,
    }))
}

fn words_json(meant: Meant) -> Value {
    let care = |care: &[Care]| care.iter().map(|c| c.text()).collect::<Vec<_>>();
    match meant {
        Meant::Item(kind) => {
            let words = items::of(kind);
            json!({
                "kind": kind.name(), "what": words.what, "why": words.why, "closes": kind.closes(),
                "who_may": query::authorities(&kind.who_may()), "blocks": words.blocks, "due": words.due,
                "caution": care(words.care),
            })
        }
        Meant::Rule(rule) => {
            let words = rules::of(rule);
            let grave: Vec<&str> = words.grave.iter().map(|g| shown::severity(*g).0).collect();
            json!({
                "rule": rule.name(), "asks": words.asks, "why": words.why, "first": words.first, "severity": grave,
                "closes": shown::settled_by(words.grave[0]), "caution": care(words.care),
            })
        }
    }
}

fn told(written: std::io::Result<()>) -> Result<(), ClientError> {
    written.map_err(ClientError::file("cannot write to standard output"))
}
