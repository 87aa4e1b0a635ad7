//! The demonstration: one turn-round of an invented aircraft, played on a scripted clock through the real station, real
//! TLS on loopback and a real log. Every answer that it prints came over gRPC.

pub mod shop;

use std::io::Write;
use std::path::{Path, PathBuf};

use anyhow::{Context, Result, bail};
use rinsebook_proto::fact::Kind;
use rinsebook_proto::note::VerifierKey;
use rinsebook_proto::v1::{self, EngineAt};

use crate::render;
use crate::station::{Draft, Station};
use crate::sync::sync;
use crate::verify::{self, Fault};
use shop::{MORNING_MS, Shop, Wash, all_well, disconnected, inspected, reconnected};

const MINUTE_MS: u64 = 60_000;

/// How it is played.
#[derive(Debug, Clone, Default, clap::Args)]
pub struct Args {
    /// Leave the log, its key and all else in this new folder.
    #[arg(long, value_name = "DIR")]
    pub keep: Option<PathBuf>,
}

/// Plays it as asked.
pub async fn run(args: Args, out: &mut (dyn Write + Send)) -> Result<()> {
    play(args.keep, out).await
}

/// Plays it, telling the story to `out`; with `keep`, everything stays in that folder: the log in `log`, its verifier
/// key in `log.vkey`.
pub async fn play(keep: Option<PathBuf>, out: &mut (dyn Write + Send)) -> Result<()> {
    if let Some(dir) = keep.as_deref().filter(|dir| dir.exists()) {
        bail!("{} exists already; name a new folder", dir.display());
    }
    let shop = match &keep {
        Some(dir) => {
            std::fs::create_dir_all(dir)?;
            Shop::open_in(dir.join("shop"), None).await?
        }
        None => Shop::open().await?,
    };
    writeln!(
        out,
        "Everything here is invented: aircraft ZZ-RBA, engines of type Ossavar T2, its people and stations."
    )?;
    let mut stage = Stage { shop, out };
    stage.turn_round().await?;
    stage.proof(keep.as_deref()).await
}

struct Stage<'a> {
    shop: Shop,
    out: &'a mut (dyn Write + Send),
}

impl Stage<'_> {
    async fn turn_round(&mut self) -> Result<()> {
        let mut ramp = self.shop.station("ramp-1").await?;
        let wash = Wash::of(self.shop.aircraft);

        self.at(5);
        let opened = wash.opened(&self.shop, minute(1));
        let line = wash.on(2, disconnected("PS-1"), minute(4));
        ramp.sign_card(&self.shop.technician.key, vec![opened, line])?;
        all_well(&sync(&mut ramp, 3).await?)?;
        self.moment("The wash is open and a sense line of engine 2 is off").await?;

        self.at(20);
        ramp.sign_card(&self.shop.technician.key, vec![wash.on(2, cycle(8), minute(11))])?;
        all_well(&sync(&mut ramp, 3).await?)?;
        self.moment("Water has been in engine 2: it must dry, and run before its window ends").await?;

        // The link is down: the station signs on, and keeps what it signs.
        self.at(50);
        let work = vec![wash.on(2, dry_crank(18), minute(20)), wash.on(2, reconnected("PS-1"), minute(30))];
        let work = ramp.sign_card(&self.shop.technician.key, work)?;
        self.moment("The station has been out of reach for half an hour: nobody knows what it holds").await?;

        let home = ramp.home.clone();
        drop(ramp);
        let mut ramp = Station::open(home, self.shop.clock.clone())?;
        all_well(&sync(&mut ramp, 3).await?)?;
        self.moment("It was started anew and is back: the line is on, and waits for a second person").await?;

        self.at(60);
        let mut look = wash.on(2, inspected("PS-1"), minute(58));
        look.refers = vec![work[1]];
        ramp.sign_card(&self.shop.inspector.key, vec![look])?;
        ramp.sign_card(&self.shop.certifier.key, vec![wash.on(2, run_up(52), minute(59))])?;
        all_well(&sync(&mut ramp, 3).await?)?;
        self.moment("Inspected, and run up: the sign-off is left").await?;

        self.at(65);
        let sign_off = self.sign_off(&ramp, &wash)?;
        ramp.sign_card(&self.shop.certifier.key, vec![sign_off])?;
        all_well(&sync(&mut ramp, 3).await?)?;
        self.moment("Signed off by the certifying person").await
    }

    fn at(&self, minutes: u64) {
        self.shop.clock.set(minute(minutes));
    }

    async fn moment(&mut self, title: &str) -> Result<()> {
        let answer = self.shop.assess().await?;
        let time = answer.as_of.map_or(0, |as_of| as_of.time_ms);
        writeln!(self.out, "\n== {}  {title}", render::instant(time))?;
        render::assessment(&answer, self.out)?;
        Ok(())
    }

    fn sign_off(&self, ramp: &Station, wash: &Wash) -> Result<Draft> {
        let certificate = ramp.keep_blob(b"INV-0042", true)?;
        let kind = Kind::SignedOff(v1::SignedOff {
            description: "Core wash of engine 2, warm water".to_owned(),
            data_reference: "Ossavar T2 core wash, revision 1".to_owned(),
            completion_unix_day: i32::try_from(MORNING_MS / 86_400_000).ok(),
            performer: self.shop.technician.id.to_vec(),
            certificate_number: Some(v1::AnnexRef { digest: certificate.to_vec() }),
            certificate_kind: "invented licence".to_owned(),
            cycles_stated: vec![],
        });
        Ok(wash.of_all(kind, minute(64)))
    }

    async fn proof(&mut self, keep: Option<&Path>) -> Result<()> {
        let running = self.shop.service.take().context("the service runs")?;
        let key = VerifierKey::parse(&running.verifier_key)?;
        let stopped = running.stop().await?;
        let log = self.shop.data().join("log");
        writeln!(self.out, "\n== The log ({} entries in {} groups)", stopped.entries, stopped.groups)?;
        writeln!(self.out, "{}", verify::log_dir(&log, Some(&key))?)?;

        let copy = self.shop.dir.join("altered-copy");
        copy_dir(&log, &copy)?;
        let (file, offset) = alter_one_byte(&copy)?;
        writeln!(self.out, "\n== A copy of it, one bit of byte {offset} in {file} altered")?;
        match verify::log_dir(&copy, Some(&key)) {
            Err(fault @ Fault::Bad { .. }) => writeln!(self.out, "{fault}")?,
            other => bail!("the altered copy was not found bad: {other:?}"),
        }
        if let Some(dir) = keep {
            copy_dir(&log, &dir.join("log"))?;
            std::fs::write(dir.join("log.vkey"), format!("{key}\n"))?;
            writeln!(self.out, "\nkept in {}: log, log.vkey", dir.display())?;
        }
        Ok(())
    }
}

fn minute(minutes: u64) -> u64 {
    MORNING_MS + minutes * MINUTE_MS
}

/// A cycle whose motoring starts at that minute: 10 s wait, 120 s injection.
fn cycle(at: u64) -> impl FnOnce(EngineAt) -> Kind {
    let start = minute(at);
    move |engine| {
        Kind::CycleRun(v1::CycleRun {
            engine: Some(engine),
            motoring_started_ms: Some(start),
            rotation_confirmed_ms: Some(start + 5_000),
            injection_started_ms: Some(start + 12_000),
            injection_ended_ms: Some(start + 132_000),
            motoring_ended_ms: Some(start + 135_000),
            speed_tenths_percent: Some(300),
            water_tenths_celsius: Some(700),
            volume_millilitres: Some(60_000),
        })
    }
}

fn dry_crank(at: u64) -> impl FnOnce(EngineAt) -> Kind {
    let start = minute(at);
    move |engine| {
        Kind::DryCrankRun(v1::DryCrankRun {
            engine: Some(engine),
            motoring_started_ms: Some(start),
            motoring_ended_ms: Some(start + 120_000),
            speed_tenths_percent: Some(300),
        })
    }
}

fn run_up(at: u64) -> impl FnOnce(EngineAt) -> Kind {
    let start = minute(at);
    move |engine| {
        Kind::RunUpDone(v1::RunUpDone {
            engine: Some(engine),
            started_ms: Some(start),
            ended_ms: Some(start + 7 * MINUTE_MS),
            idle_or_above_seconds: Some(360),
            result: v1::CheckResult::Satisfactory as i32,
        })
    }
}

fn copy_dir(from: &Path, to: &Path) -> Result<()> {
    std::fs::create_dir_all(to)?;
    for entry in std::fs::read_dir(from)? {
        let entry = entry?;
        std::fs::copy(entry.path(), to.join(entry.file_name()))?;
    }
    Ok(())
}

/// One bit in the middle of what is written: the folder's first file.
fn alter_one_byte(log: &Path) -> Result<(String, usize)> {
    let entry = std::fs::read_dir(log)?.next().context("the log has a file")??;
    let mut bytes = std::fs::read(entry.path())?;
    let used = bytes.iter().rposition(|byte| *byte != 0).context("the log is not empty")?;
    let at = used / 2;
    bytes[at] ^= 1;
    std::fs::write(entry.path(), bytes)?;
    Ok((entry.file_name().to_string_lossy().into_owned(), at))
}
