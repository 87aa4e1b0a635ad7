//! `watch`: what is open, and then every change as it comes, by a fact or by time passing.
//!
//! When the connection is lost it says so, tries again, and goes on from where it was: nothing is told twice or left out.

use std::collections::BTreeMap;
use std::io::{self, Write};
use std::process::ExitCode;
use std::time::Duration;

use rinsebook_proto::rules::NOTHING_OPEN_NOTICE;
use rinsebook_proto::v1;

use super::json::Writer;
use super::text::{paragraph, say, second};
use super::through::Through;
use super::{ask, render};
use crate::ClientError;
use crate::remote::Channel;
use crate::rpc::open_items_client::OpenItemsClient;

const WAIT_FIRST: Duration = Duration::from_secs(1);
const WAIT_AT_MOST: Duration = Duration::from_secs(30);

/// What is open, and what changes?
#[derive(Debug, Clone, clap::Args)]
pub struct WatchArgs {
    /// As whom to ask.
    #[command(flatten)]
    pub through: Through,
    /// A registration or id; without it, every aircraft.
    pub aircraft: Option<String>,
    /// Go on from where an earlier watch stopped: the word that it printed as it ended.
    #[arg(long, value_name = "WORD", default_value = "")]
    pub resume: String,
    /// One JSON object a line for each answer.
    #[arg(long)]
    pub json: bool,
}

/// Watches until it is interrupted; exit code 0 then. `connect` is called again when the connection was lost.
pub async fn run_watch(
    connect: impl AsyncFn() -> Result<Channel, ClientError>,
    args: &WatchArgs,
    out: &mut dyn Write,
) -> Result<ExitCode, ClientError> {
    let mut watcher = Watcher { token: args.resume.clone(), known: BTreeMap::new(), json: args.json };
    tokio::select! {
        ended = watcher.run(connect, args, out) => ended?,
        _ = tokio::signal::ctrl_c() => {}
    }
    if !watcher.token.is_empty() {
        say(&format!("to go on from here: --resume {}", watcher.token));
    }
    Ok(ExitCode::SUCCESS)
}

/// What this watch was told.
struct Watcher {
    token: String,
    known: BTreeMap<Vec<u8>, v1::AircraftItems>,
    json: bool,
}

impl Watcher {
    /// For ever, over lost connections; only what trying again cannot mend ends it.
    async fn run(
        &mut self,
        connect: impl AsyncFn() -> Result<Channel, ClientError>,
        args: &WatchArgs,
        out: &mut dyn Write,
    ) -> Result<(), ClientError> {
        let mut wait = WAIT_FIRST;
        let mut connected = false;
        loop {
            let lost = match self.follow(&connect, args, out, &mut connected).await {
                Err(ClientError::Unreachable(why)) => why,
                Err(ClientError::Busy { why, wait: asked }) => {
                    wait = asked.clamp(wait, WAIT_AT_MOST);
                    why
                }
                Err(other) => return Err(other),
                Ok(()) => "the service ended the watch".to_owned(),
            };
            if std::mem::take(&mut connected) {
                wait = WAIT_FIRST;
                say(&format!("connection lost: {lost}; what stands above may be out of date"));
            } else {
                say(&format!("not connected: {lost}; trying again in {} s", wait.as_secs()));
            }
            tokio::time::sleep(wait).await;
            wait = WAIT_AT_MOST.min(wait * 2);
        }
    }

    async fn follow(
        &mut self,
        connect: &impl AsyncFn() -> Result<Channel, ClientError>,
        args: &WatchArgs,
        out: &mut dyn Write,
        connected: &mut bool,
    ) -> Result<(), ClientError> {
        let channel = connect().await?;
        let aircraft = match &args.aircraft {
            Some(name) => ask::aircraft(channel.clone(), name).await?,
            None => Vec::new(),
        };
        let request = v1::WatchItemsRequest { aircraft, resume_token: self.token.clone() };
        let mut answers = OpenItemsClient::new(channel).watch_items(request).await?.into_inner();
        while let Some(answer) = answers.message().await? {
            *connected = true;
            self.tell(answer, out)?;
        }
        Ok(())
    }

    fn tell(&mut self, answer: v1::WatchItemsResponse, out: &mut dyn Write) -> Result<(), ClientError> {
        let unwritten = || ClientError::file("cannot write to standard output");
        if self.json {
            let line = Writer::new()?.message("WatchItemsResponse", &answer)?;
            writeln!(out, "{line}").map_err(unwritten())?;
        } else {
            self.told(&answer, out).map_err(unwritten())?;
        }
        out.flush().map_err(unwritten())?;
        self.token = answer.resume_token;
        if let Some(aircraft) = answer.aircraft {
            self.known.insert(aircraft.aircraft.clone(), aircraft);
        }
        Ok(())
    }

    fn told(&self, answer: &v1::WatchItemsResponse, out: &mut dyn Write) -> io::Result<()> {
        let time_ms = answer.as_of.as_ref().map_or(0, |as_of| as_of.time_ms);
        if let Some(aircraft) = &answer.aircraft {
            match self.known.get(&aircraft.aircraft) {
                Some(before) => changes(before, aircraft, time_ms, out)?,
                None => render::items(aircraft, time_ms, out)?,
            }
            writeln!(out)?;
        }
        if answer.snapshot_complete {
            let all = if answer.aircraft.is_none() { "nothing else to tell; " } else { "" };
            writeln!(out, "{all}this was known at {}; watching from here", second(time_ms))?;
        }
        Ok(())
    }
}

/// What an item is, whatever may change about it.
fn item_key(item: &v1::OpenItem) -> (i32, &[u8], &str, &str) {
    (item.kind, &item.wash, item.engine.as_ref().map_or("", |e| &e.serial), &item.subject)
}

fn finding_key(finding: &v1::Finding) -> (&str, Vec<&[u8]>) {
    (&finding.rule, finding.rests_on.iter().map(|on| on.envelope_hash.as_slice()).collect())
}

/// What changed on one aircraft: closed first, then opened, then what is told otherwise now.
fn changes(before: &v1::AircraftItems, now: &v1::AircraftItems, time_ms: u64, out: &mut dyn Write) -> io::Result<()> {
    writeln!(out, "{}  {}", second(time_ms), render::named(&now.registration))?;
    let known: BTreeMap<_, _> = before.items.iter().map(|item| (item_key(item), item)).collect();
    let open: BTreeMap<_, _> = now.items.iter().map(|item| (item_key(item), item)).collect();
    for (_, item) in known.iter().filter(|(key, _)| !open.contains_key(*key)) {
        paragraph("  no longer  ", &item.text, out)?;
    }
    for (key, item) in &open {
        match known.get(key) {
            None => paragraph("  new        ", &item.text, out)?,
            Some(old) if old.text != item.text || old.blocks != item.blocks || old.due_ms != item.due_ms => {
                paragraph("  now        ", &item.text, out)?;
            }
            Some(_) => {}
        }
    }
    let found: BTreeMap<_, _> = before.findings.iter().map(|f| (finding_key(f), f)).collect();
    for finding in &now.findings {
        let settled = finding.settled_by.is_some();
        match found.get(&finding_key(finding)) {
            None => paragraph("  found      ", &finding.text, out)?,
            Some(old) if settled && old.settled_by.is_none() => paragraph("  settled    ", &finding.text, out)?,
            Some(_) => {}
        }
    }
    if now.items.is_empty() {
        writeln!(out, "  {NOTHING_OPEN_NOTICE}")?;
    }
    Ok(())
}
