//! The questions of planners and auditors, over gRPC: what is open, what stands in the way of an aircraft, what was
//! recorded. Answers are written for people, or as JSON for programs (see [`json`]).

pub mod annexes;
mod ask;
pub mod hand_in;
pub mod json;
pub mod pack;
pub mod record;
pub mod render;
#[cfg(test)]
mod tests;
pub mod text;
pub mod through;
pub mod watch;

use std::io::Write;
use std::process::ExitCode;

use chrono::{DateTime, Utc};
use rinsebook_proto::bytes::{Hash, Id};
use rinsebook_proto::rules::{ItemKind, NOTHING_OPEN_NOTICE, NOTICE};
use rinsebook_proto::v1::{self, Blocks, Verdict, get_fact_request::By};
use serde_json::{Value, json};

use crate::ClientError;
use crate::remote::Channel;
pub(crate) use annexes::person_name;
pub(crate) use ask::{
    every_aircraft, every_device, every_erasure, every_person, every_procedure, fact, text as text_of,
};
use json::Writer;
use through::Through;

/// Items block.
const BLOCKED: u8 = 4;

/// The moment that a question is about.
#[derive(Debug, Clone, Default, clap::Args)]
pub struct Moment {
    /// As known when the log had this many entries; without it, all that is known.
    #[arg(long, value_name = "N")]
    pub at_size: Option<u64>,
    /// Judged at this time, such as 2031-03-04T05:10:00Z; without it, now.
    #[arg(long, value_name = "TIME", value_parser = unix_ms)]
    pub at_time: Option<u64>,
}

/// What is open?
#[derive(Debug, Clone, clap::Args)]
pub struct ItemsArgs {
    /// As whom to ask.
    #[command(flatten)]
    pub through: Through,
    /// A registration or id; without it, every aircraft.
    pub aircraft: Option<String>,
    /// As known, and judged, when.
    #[command(flatten)]
    pub moment: Moment,
    /// Answer as one JSON object.
    #[arg(long)]
    pub json: bool,
}

/// What stands in the way of one aircraft?
#[derive(Debug, Clone, clap::Args)]
pub struct AssessArgs {
    /// As whom to ask.
    #[command(flatten)]
    pub through: Through,
    /// A registration or id.
    pub aircraft: String,
    /// The planned start, such as 2031-03-04T05:10:00Z.
    #[arg(long, value_name = "TIME", value_parser = unix_ms)]
    pub start: Option<u64>,
    /// An item assumed closed, such as inspection-due or inspection-due:PS-1; may be given several times.
    #[arg(long, value_name = "NAME", value_parser = item_name)]
    pub assume_closed: Vec<String>,
    /// Keep question and answer in the log.
    #[arg(long)]
    pub record: bool,
    /// As known, and judged, when.
    #[command(flatten)]
    pub moment: Moment,
    /// Answer as one JSON object.
    #[arg(long)]
    pub json: bool,
}

/// What was recorded?
#[derive(Debug, Clone, clap::Args)]
pub struct ShowArgs {
    /// As whom to ask.
    #[command(flatten)]
    pub through: Through,
    /// A fact by its entry's index or its hash, a wash by its id, an aircraft by its registration or id.
    #[arg(value_name = "WHAT")]
    pub what: String,
    /// Answer as one JSON object.
    #[arg(long)]
    pub json: bool,
}

/// Unix milliseconds of an RFC 3339 time.
fn unix_ms(text: &str) -> Result<u64, String> {
    let time: DateTime<Utc> = text.parse().map_err(|e| format!("{e}; write it as 2031-03-04T05:10:00Z"))?;
    u64::try_from(time.timestamp_millis()).map_err(|_| "a time before 1970 is none of ours".to_owned())
}

/// A name that no item has would assume nothing, and the answer would look as if it did.
fn item_name(text: &str) -> Result<String, String> {
    let kind = text.split_once(':').map_or(text, |(kind, _)| kind);
    if ItemKind::ALL.iter().any(|known| known.name() == kind) {
        return Ok(text.to_owned());
    }
    let names: Vec<&str> = ItemKind::ALL.iter().map(|known| known.name()).collect();
    Err(format!("no item is called that; there are {}", names.join(", ")))
}

/// Tells what is open; exit code 4 where an item blocks.
pub async fn run_items(channel: Channel, args: &ItemsArgs, out: &mut dyn Write) -> Result<ExitCode, ClientError> {
    let aircraft = match &args.aircraft {
        Some(name) => ask::aircraft(channel.clone(), name).await?,
        None => Vec::new(),
    };
    let request = v1::ListItemsRequest {
        aircraft: aircraft.clone(),
        at_size: args.moment.at_size,
        at_time_ms: args.moment.at_time,
        ..v1::ListItemsRequest::default()
    };
    let mut all = ask::items(channel, request).await?;
    if let (Some(name), true) = (&args.aircraft, all.aircraft.is_empty()) {
        // Asked by name, told by name: an empty answer could be taken for none at all.
        let registration = if Id::from_hex(name).is_some() { String::new() } else { name.clone() };
        all.aircraft.push(v1::AircraftItems { aircraft, registration, ..v1::AircraftItems::default() });
    }
    let mut open = all.aircraft.iter().flat_map(|list| &list.items);
    let any = open.clone().next().is_some();
    let blocked = open.any(|item| item.blocks == Blocks::Yes as i32);
    if args.json {
        let writer = Writer::new()?;
        let answer = json!({
            "aircraft": writer.list("AircraftItems", &all.aircraft)?,
            "as_of": writer.message("AsOf", &all.as_of)?,
            "notice": if any { NOTICE } else { NOTHING_OPEN_NOTICE },
        });
        print(&answer, out)?;
    } else {
        told(list(&all, out))?;
    }
    Ok(code(blocked))
}

/// What is open on one aircraft, and the moment that it was answered for.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct OpenOn {
    pub(crate) list: v1::AircraftItems,
    pub(crate) as_of: v1::AsOf,
}

/// Asks what is open on the aircraft of that registration or id.
pub(crate) async fn open_on(channel: Channel, name: &str, moment: &Moment) -> Result<OpenOn, ClientError> {
    let aircraft = ask::aircraft(channel.clone(), name).await?;
    let request = v1::ListItemsRequest {
        aircraft: aircraft.clone(),
        at_size: moment.at_size,
        at_time_ms: moment.at_time,
        ..v1::ListItemsRequest::default()
    };
    let mut all = ask::items(channel, request).await?;
    let as_of = all.as_of;
    let list = all.aircraft.pop().unwrap_or_else(|| {
        let registration = if Id::from_hex(name).is_some() { String::new() } else { name.to_owned() };
        v1::AircraftItems { aircraft, registration, ..v1::AircraftItems::default() }
    });
    Ok(OpenOn { list, as_of })
}

/// Authorities as people read them.
pub(crate) fn authorities(authorities: &[v1::Authority]) -> Vec<&'static str> {
    let numbers: Vec<i32> = authorities.iter().map(|a| *a as i32).collect();
    render::names_of(&numbers)
}

fn list(all: &ask::AllItems, out: &mut dyn Write) -> std::io::Result<()> {
    if all.aircraft.is_empty() {
        writeln!(out, "{NOTHING_OPEN_NOTICE}")?;
    }
    for list in &all.aircraft {
        render::items(list, all.as_of.time_ms, out)?;
        writeln!(out)?;
    }
    render::as_of(&all.as_of, out)
}

/// Tells what stands in the way of one aircraft; exit code 4 where something does.
pub async fn run_assess(channel: Channel, args: &AssessArgs, out: &mut dyn Write) -> Result<ExitCode, ClientError> {
    let request = v1::AssessRequest {
        aircraft: ask::aircraft(channel.clone(), &args.aircraft).await?,
        planned_start_ms: args.start,
        assume_closed: args.assume_closed.clone(),
        at_size: args.moment.at_size,
        at_time_ms: args.moment.at_time,
        record: args.record,
        ..v1::AssessRequest::default()
    };
    let answer = ask::assess(channel, request).await?;
    let assessment = answer.assessment.clone().unwrap_or_default();
    if args.json {
        print(&Writer::new()?.message("AssessResponse", &answer)?, out)?;
    } else {
        told(render::assessment(&assessment, out))?;
        if let Some(fact) = &answer.recorded_as {
            told(writeln!(out, "kept in the log as entry {}", fact.index))?;
        }
    }
    Ok(code(assessment.verdict == Verdict::Blocked as i32))
}

/// Tells what was recorded.
pub async fn run_show(channel: Channel, args: &ShowArgs, out: &mut dyn Write) -> Result<ExitCode, ClientError> {
    let what = args.what.as_str();
    let writer = if args.json { Some(Writer::new()?) } else { None };
    if let Some(hash) = Hash::from_hex(what) {
        show_fact(channel, By::EnvelopeHash(hash.to_vec()), writer, out).await?;
    } else if let Some(id) = Id::from_hex(what) {
        show_by_id(channel, id, writer, out).await?;
    } else if let Ok(index) = what.parse::<u64>() {
        show_fact(channel, By::Index(index), writer, out).await?;
    } else {
        let aircraft = ask::by_registration(ask::every_aircraft(channel.clone()).await?, what)?;
        show_aircraft(channel, &aircraft, writer, out).await?;
    }
    Ok(ExitCode::SUCCESS)
}

async fn show_fact(channel: Channel, by: By, json: Option<Writer>, out: &mut dyn Write) -> Result<(), ClientError> {
    let answer = ask::fact(channel.clone(), by).await?;
    let fact = answer.fact.clone().unwrap_or_default();
    let named = annexes::of_fact(channel.clone(), &fact).await?;
    if let Some(writer) = json {
        let mut whole = writer.message("GetFactResponse", &answer)?;
        whole["annexes"] = named.iter().map(annexes::to_json).collect();
        return print(&whole, out);
    }
    let signer = person_name(channel, &fact.person).await;
    told(record::fact(&fact, &signer, out))?;
    told(named.iter().try_for_each(|annex| text::paragraph("  annex      ", &annexes::line(annex), out)))
}

/// A wash or an aircraft: ids are random, so that one is never both.
async fn show_by_id(channel: Channel, id: Id, json: Option<Writer>, out: &mut dyn Write) -> Result<(), ClientError> {
    let known = ask::every_aircraft(channel.clone()).await?;
    if let Some(aircraft) = known.iter().find(|a| a.aircraft == id.0) {
        return show_aircraft(channel, aircraft, json, out).await;
    }
    let washes = ask::washes(channel.clone(), Vec::new()).await?;
    let Some(wash) = washes.into_iter().find(|w| w.wash == id.0) else {
        return Err(ClientError::Usage(format!("no wash and no aircraft {id} is in this record")));
    };
    let facts = ask::facts(channel, wash.wash.clone()).await?;
    if let Some(writer) = json {
        let (wash, facts) = (writer.message("Wash", &wash)?, writer.list("RecordedFact", &facts)?);
        return print(&json!({ "wash": wash, "facts": facts }), out);
    }
    let of = known.iter().find(|a| a.aircraft == wash.aircraft);
    told(record::wash(&wash, of.map_or("", |a| a.registration.as_str()), &facts, out))
}

async fn show_aircraft(
    channel: Channel,
    aircraft: &v1::Aircraft,
    json: Option<Writer>,
    out: &mut dyn Write,
) -> Result<(), ClientError> {
    let washes = ask::washes(channel, aircraft.aircraft.clone()).await?;
    match json {
        Some(writer) => {
            let (aircraft, washes) = (writer.message("Aircraft", aircraft)?, writer.list("Wash", &washes)?);
            print(&json!({ "aircraft": aircraft, "washes": washes }), out)
        }
        None => told(record::aircraft(aircraft, &washes, out)),
    }
}

fn code(blocked: bool) -> ExitCode {
    if blocked { ExitCode::from(BLOCKED) } else { ExitCode::SUCCESS }
}

fn print(answer: &Value, out: &mut dyn Write) -> Result<(), ClientError> {
    told(writeln!(out, "{answer:#}"))
}

fn told(written: std::io::Result<()>) -> Result<(), ClientError> {
    written.map_err(ClientError::file("cannot write to standard output"))
}
