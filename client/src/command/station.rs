//! `station`: a device's folder. `sync`: sending what it holds.

use std::io::Write;
use std::path::{Path, PathBuf};
use std::process::ExitCode;
use std::sync::Arc;

use clap::Subcommand;
use rinsebook_proto::bytes::Hash;
use rinsebook_proto::clock::SystemClock;
use serde_json::json;

use super::{FAILED, print, say};
use crate::home::{Home, read};
use crate::names::Names;
use crate::station::{Receipt, Station};
use crate::sync::{self, SyncReport};
use crate::{ClientError, page, remote};

#[derive(Subcommand)]
pub(super) enum Stations {
    /// Make a folder for a new device; a custodian then enrols it.
    New {
        /// The folder; what is in it already is never overwritten.
        dir: PathBuf,
        /// What people call the device.
        #[arg(long)]
        label: String,
        /// Where the service listens, such as https://localhost:7420.
        #[arg(long, value_name = "URL")]
        address: String,
        /// The certificate of the service's authority (ca.pem). Compare its fingerprint with the service's.
        #[arg(long, value_name = "FILE")]
        ca: PathBuf,
    },
    /// Serve the technician's page on this device, without a network too, and send in the background.
    Page(page::Args),
    /// Say what a station holds and what became of it; no network is needed.
    Status {
        /// The folder.
        dir: PathBuf,
        /// For programs.
        #[arg(long)]
        json: bool,
    },
}

impl Stations {
    pub(super) async fn run(&self) -> Result<ExitCode, ClientError> {
        match self {
            Stations::New { dir, label, address, ca } => {
                if !address.starts_with("https://") {
                    return Err(ClientError::Usage(format!("{address} does not begin with https://")));
                }
                let home = Home::create(dir, label, address, &read(ca)?)?;
                print(|o| {
                    writeln!(o, "station     {}", dir.display())?;
                    writeln!(o, "device      {}", home.device)?;
                    writeln!(o, "It cannot send before a custodian has enrolled it.")
                })?;
            }
            Stations::Page(args) => serve(args).await?,
            Stations::Status { dir, json } => status(dir, *json)?,
        }
        Ok(ExitCode::SUCCESS)
    }
}

/// Until somebody interrupts. Whoever has the address has the page: it goes to standard output alone.
async fn serve(args: &page::Args) -> Result<(), ClientError> {
    let page = page::Page::open(args, Arc::new(SystemClock)).await?;
    print(|o| writeln!(o, "open this address on this device, whole and on no other: {}", page.url))?;
    tokio::select! {
        served = page.serve() => served,
        interrupted = tokio::signal::ctrl_c() => interrupted.map_err(ClientError::file("cannot wait for an interrupt")),
    }
}

fn status(dir: &Path, as_json: bool) -> Result<(), ClientError> {
    let station = Station::open(Home::open(dir)?, Arc::new(SystemClock))?;
    let (about, seen) = (&station.home.about, station.seen());
    let record = Some(station.record()).filter(|record| *record != Hash::ZERO).map(|record| record.to_string());
    let signed = station.outbox_items().len();
    let unsent = station.unsent().len();
    let refused: Vec<(String, &str)> = station
        .outbox_items()
        .iter()
        .filter_map(|item| match station.receipt(&item.hash()) {
            Some(Receipt::Refused(why)) => Some((item.hash().to_string(), why.as_str())),
            _ => None,
        })
        .collect();
    if as_json {
        let refused: Vec<_> = refused.iter().map(|(hash, why)| json!({ "envelope": hash, "why": why })).collect();
        let status = json!({
            "device": about.device, "label": about.label, "address": about.address, "record": record,
            "signed": signed, "unsent": unsent, "refused": refused,
            "checkpoint": { "epoch": seen.epoch, "size": seen.size, "root": seen.root.to_string() },
        });
        return print(|o| writeln!(o, "{status:#}"));
    }
    print(|o| {
        writeln!(o, "{} (device {})", about.label, about.device)?;
        writeln!(o, "  service     {}", about.address)?;
        writeln!(o, "  record      {}", record.as_deref().unwrap_or("none joined yet"))?;
        writeln!(o, "  signed      {signed} facts, {unsent} of them not answered for yet")?;
        writeln!(o, "  checkpoint  {} entries, epoch {}", seen.size, seen.epoch)?;
        refused.iter().try_for_each(|(hash, why)| writeln!(o, "  refused     {hash}\n              {why}"))
    })
}

/// Sends, says what became of it, and learns the names of what is listed.
pub(super) async fn send(station: &mut Station, tries: u32, as_json: bool) -> Result<ExitCode, ClientError> {
    let report = sync::sync(station, tries).await?;
    print(|o| outcome(&report, as_json, o))?;
    // Names are a convenience: without them ids can be written.
    if let Err(error) = learn(station).await {
        say(&format!("names of aircraft and devices were not fetched: {error}"));
    }
    let all_well = report.refused.is_empty() && report.left == 0;
    Ok(if all_well { ExitCode::SUCCESS } else { ExitCode::from(FAILED) })
}

async fn learn(station: &Station) -> Result<(), ClientError> {
    let channel = remote::connect(&station.home).await?;
    let mut names = Names::load(&station.home)?;
    names.learn(channel).await?;
    names.save(&station.home)
}

fn outcome(report: &SyncReport, as_json: bool, out: &mut dyn Write) -> std::io::Result<()> {
    if as_json {
        let report = json!({
            "admitted": report.admitted, "known": report.known, "refused": report.refused, "notes": report.notes,
            "left": report.left, "erased": report.erased,
        });
        return writeln!(out, "{report:#}");
    }
    let refused = report.refused.len();
    let (admitted, known, left) = (report.admitted, report.known, report.left);
    writeln!(out, "recorded {admitted}, recorded before {known}, refused {refused}, left {left}")?;
    if report.erased > 0 {
        writeln!(out, "  erased here, as a custodian's fact says: {}", report.erased)?;
    }
    report.refused.iter().chain(&report.notes).try_for_each(|line| writeln!(out, "  {line}"))
}
