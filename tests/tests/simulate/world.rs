//! One world: the service, two stations, a planner and a witness, and what can happen to them.

use std::collections::BTreeSet;
use std::path::{Path, PathBuf};
use std::sync::Arc;

use rinsebook_client::home::Home;
use rinsebook_client::station::Station;
use rinsebook_client::sync::sync;
use rinsebook_proto::bytes::Hash;
use rinsebook_proto::clock::{Clock, ScriptedClock};
use rinsebook_proto::journal::{self, Disk, Kind};
use rinsebook_proto::tree::leaf_hash;
use rinsebook_service::{Config, Running};
use rinsebook_tests::shop::{MORNING_MS, Shop, Wash, disconnected, reconnected};
use rinsebook_tests::world::Dice;
use rinsebook_tests::world::disk::{Call, Fate, Ignore, SimDisk};

use crate::check;

const STATIONS: u64 = 2;

/// What happened in all stories together.
#[derive(Debug, Default)]
pub(crate) struct Tally {
    pub(crate) acknowledged: u64,
    pub(crate) power_cuts: u64,
    pub(crate) kills: u64,
    pub(crate) faults_met: u64,
    pub(crate) full_disks: u64,
    pub(crate) clock_jumps: u64,
    pub(crate) station_restarts: u64,
    pub(crate) answers: u64,
}

/// A founded shop whose folders every story begins from.
pub(crate) struct Template {
    shop: Shop,
    wash: Wash,
}

impl Template {
    pub(crate) async fn make() -> Template {
        let mut shop = Shop::open().await.unwrap();
        let wash = Wash::of(shop.aircraft);
        for n in 0..STATIONS {
            let mut station = shop.station(&format!("ramp-{n}")).await.unwrap();
            if n == 0 {
                station.sign_card(&shop.technician.key, vec![wash.opened(&shop, MORNING_MS)]).unwrap();
                sync(&mut station, 1).await.unwrap();
            }
        }
        shop.service.take().unwrap().stop().await.unwrap();
        Template { shop, wash }
    }
}

fn copy(from: &Path, to: &Path) {
    std::fs::create_dir_all(to).unwrap();
    for entry in std::fs::read_dir(from).unwrap().map(Result::unwrap) {
        let (from, to) = (entry.path(), to.join(entry.file_name()));
        if from.is_dir() {
            copy(&from, &to);
        } else {
            std::fs::copy(&from, &to).unwrap();
        }
    }
}

/// Puts a log on the simulated disk, synced.
fn put_on(disk: &SimDisk, log: &Path) {
    disk.create_dir(log).unwrap();
    disk.sync_dir(log.parent().unwrap()).unwrap();
    for entry in std::fs::read_dir(log).unwrap().map(Result::unwrap) {
        if entry.path().extension().is_some_and(|extension| extension == "seg") {
            let file = disk.create(&entry.path()).unwrap();
            file.write_at(&std::fs::read(entry.path()).unwrap(), 0).unwrap();
            file.fdatasync().unwrap();
        }
    }
    disk.sync_dir(log).unwrap();
}

/// One station with what it has signed.
struct Ramp {
    station: Station,
    home: PathBuf,
    /// Lines of its own, each with whether it was closed again.
    lines: Vec<(String, bool)>,
}

pub(crate) struct World<'t> {
    template: &'t mut Template,
    dir: tempfile::TempDir,
    dice: Dice,
    disk: SimDisk,
    clock: Arc<ScriptedClock>,
    service: Option<Running>,
    ramps: Vec<Ramp>,
    /// When the last fact happened, as people say.
    told_ms: u64,
    /// What a witness kept.
    checkpoints: Vec<(u64, Hash)>,
}

impl<'t> World<'t> {
    pub(crate) async fn begin(template: &'t mut Template, seed: u64, ignore: Ignore) -> Result<World<'t>, String> {
        let dir = tempfile::tempdir().unwrap();
        let mut dice = Dice::new(seed);
        let disk = SimDisk::new(dice.number());
        copy(&template.shop.data(), &dir.path().join("service"));
        put_on(&disk, &dir.path().join("service").join("log"));
        disk.ignore(ignore);
        let clock = Arc::new(ScriptedClock::at(MORNING_MS + 60_000));
        let ramps = (0..STATIONS).map(|n| {
            let home = dir.path().join(format!("ramp-{n}"));
            copy(&template.shop.dir.join(format!("ramp-{n}")), &home);
            let station = Station::open(Home::open(&home).unwrap(), clock.clone()).unwrap();
            Ramp { station, home, lines: Vec::new() }
        });
        let ramps = ramps.collect();
        let mut world = World {
            template,
            dir,
            dice,
            disk,
            clock,
            service: None,
            ramps,
            told_ms: MORNING_MS,
            checkpoints: Vec::new(),
        };
        world.start().await?;
        Ok(world)
    }

    fn config(&self) -> Config {
        Config { segment_bytes: 16 << 10, grow_bytes: 4 << 10, ..Config::local(&self.dir.path().join("service")) }
    }

    async fn start(&mut self) -> Result<(), String> {
        let started = rinsebook_service::run::start_on(self.config(), self.clock.clone(), Arc::new(self.disk.clone()));
        let running = started.await.map_err(|error| format!("the service does not start: {error}"))?;
        let address = format!("https://localhost:{}", running.address.port());
        self.template.shop.desk.home.set_address(&address).unwrap();
        for ramp in &mut self.ramps {
            ramp.station.home.set_address(&address).unwrap();
        }
        self.service = Some(running);
        Ok(())
    }

    /// The service dies with its machine, or alone; then it starts anew, over whatever is left.
    async fn crash(&mut self, tally: &mut Tally) -> Result<(), String> {
        let power = !self.dice.once_in(4);
        if power {
            self.disk.power_cut()
        } else {
            self.disk.kill()
        }
        tally.power_cuts += u64::from(power);
        tally.kills += u64::from(!power);
        if let Some(running) = self.service.take() {
            // Every handle that it holds is dead: it can write nothing more, and ends with an error.
            let _ = running.stop().await;
        }
        if self.dice.once_in(4) {
            self.disk.fail(None, self.dice.below(6), Fate::Lost);
            if self.start().await.is_ok() && self.disk.failure_is_pending() {
                self.disk.forgive();
                return Ok(());
            }
            tally.faults_met += 1;
            if let Some(running) = self.service.take() {
                let _ = running.stop().await;
            }
            self.disk.kill();
        }
        self.start().await
    }

    /// One thing happens.
    pub(crate) async fn event(&mut self, tally: &mut Tally) -> Result<(), String> {
        match self.dice.below(10) {
            0..=2 => {
                self.sign();
                self.send(tally).await
            }
            3 => {
                self.sign();
                Ok(())
            }
            4 => self.crash(tally).await,
            5 => self.fault(tally).await,
            6 => self.full(tally).await,
            7 => {
                self.jump();
                tally.clock_jumps += 1;
                Ok(())
            }
            8 => {
                tally.station_restarts += 1;
                self.restart_station()
            }
            _ => {
                self.sign();
                self.disk.stop_after(self.dice.below(4));
                let _ = self.send_all().await;
                self.crash(tally).await
            }
        }
    }

    fn sign(&mut self) {
        let ramp = &mut self.ramps[self.dice.below(STATIONS) as usize];
        // People say when it happened, and their own order is right: what the clocks make of it is another matter.
        self.told_ms += 1_000;
        let now_ms = self.told_ms;
        let mut drafts = Vec::new();
        for _ in 0..=self.dice.below(3) {
            let open = ramp.lines.iter_mut().find(|(_, closed)| !closed).filter(|_| self.dice.once_in(2));
            if let Some((line, closed)) = open {
                *closed = true;
                drafts.push(self.template.wash.on(1, reconnected(line), now_ms));
            } else {
                let line = format!("{}-{}", ramp.station.home.about.label, ramp.lines.len());
                drafts.push(self.template.wash.on(1, disconnected(&line), now_ms));
                ramp.lines.push((line, false));
            }
        }
        ramp.station.sign_card(&self.template.shop.technician.key, drafts).unwrap();
    }

    /// Sends what every station has; the witness keeps the checkpoint.
    async fn send_all(&mut self) -> Result<(), String> {
        for ramp in &mut self.ramps {
            let report = sync(&mut ramp.station, 1).await.map_err(|error| format!("{error}"))?;
            if !report.refused.is_empty() || report.left > 0 {
                return Err(format!("not everything was taken: {report:?}"));
            }
            let seen = ramp.station.seen();
            self.checkpoints.push((seen.size, seen.root));
        }
        Ok(())
    }

    /// Sending while nothing is wrong has to go well, and the planner is told what is open.
    async fn send(&mut self, tally: &mut Tally) -> Result<(), String> {
        self.send_all().await?;
        self.planner_is_told().await?;
        tally.answers += 1;
        Ok(())
    }

    /// A call of the disk fails while stations send: nobody is told that all went well, and the service has to go.
    async fn fault(&mut self, tally: &mut Tally) -> Result<(), String> {
        self.sign();
        let call = [Call::Write, Call::Sync][self.dice.below(2) as usize];
        let fate = [Fate::Lost, Fate::Saved][self.dice.below(2) as usize];
        self.disk.fail(Some(call), self.dice.below(2), fate);
        let _ = self.send_all().await;
        tally.faults_met += u64::from(!self.disk.failure_is_pending());
        self.crash(tally).await
    }

    /// The disk is full: sending fails, reading goes on; with space all goes on by itself.
    async fn full(&mut self, tally: &mut Tally) -> Result<(), String> {
        self.disk.set_free_bytes(Some(self.dice.below(600)));
        for _ in 0..4 {
            self.sign();
            if self.send_all().await.is_err() {
                tally.full_disks += 1;
                self.template.shop.assess().await.map_err(|error| format!("no answer with a full disk: {error}"))?;
                break;
            }
        }
        self.disk.set_free_bytes(None);
        self.send(tally).await
    }

    /// By up to three hours; the wall clock alone or both. Back only as far as no fact is in the future of the planner's
    /// question: what is open is asked as of now.
    fn jump(&mut self) {
        let now_ms = self.clock.wall_ms();
        let by_ms = self.dice.below(3 * 3_600_000);
        let then_ms = if self.dice.once_in(2) { now_ms + by_ms } else { (now_ms - by_ms).max(self.told_ms + 60_000) };
        if self.dice.once_in(2) { self.clock.set(then_ms) } else { self.clock.set_wall_alone(then_ms) }
    }

    /// The program of a station is started anew: a new run over the same outbox.
    fn restart_station(&mut self) -> Result<(), String> {
        let ramp = self.ramps.swap_remove(self.dice.below(STATIONS) as usize);
        let Ramp { station, home, lines } = ramp;
        drop(station);
        let station = Station::open(Home::open(&home).unwrap(), self.clock.clone()).map_err(|e| e.to_string())?;
        self.ramps.push(Ramp { station, home, lines });
        Ok(())
    }

    /// What was sent predicts what is open of these stations' lines.
    async fn planner_is_told(&self) -> Result<(), String> {
        let expected: BTreeSet<String> = self.ramps.iter().flat_map(|ramp| &ramp.lines).map(expected_item).collect();
        let open = self.template.shop.open_items().await.map_err(|error| error.to_string())?;
        let of_lines =
            |name: &String| ["line-disconnected ", "inspection-due "].iter().any(|kind| name.starts_with(kind));
        let told: BTreeSet<String> = open.into_iter().filter(of_lines).collect();
        if told == expected { Ok(()) } else { Err(format!("open items: expected {expected:?}, told {told:?}")) }
    }

    /// Everything is sent; then the log is read back from the platter and held against what was acknowledged.
    pub(crate) async fn end(mut self, tally: &mut Tally) -> Result<(), String> {
        self.send(tally).await?;
        self.disk.power_cut();
        let _ = self.service.take().unwrap().stop().await;
        self.start().await?;
        self.send(tally).await?;
        let _ = self.service.take().unwrap().stop().await;
        let mut log = Vec::new();
        journal::scan(&self.disk, &self.config().log_dir(), Kind::Log, |group| {
            log.extend(group.records.iter().cloned());
            Ok::<_, std::convert::Infallible>(leaf_hash(group.records.last().unwrap()).0)
        })
        .map_err(|error| format!("the log does not hold: {error}"))?;
        for ramp in &self.ramps {
            tally.acknowledged += check::acknowledged_is_there(&log, &ramp.station)?;
            let signed: Vec<Hash> = ramp.station.outbox_items().iter().map(|item| item.hash()).collect();
            check::once_and_in_order(&log, &signed)?;
        }
        check::checkpoints_hold(&log, &self.checkpoints)
    }
}

fn expected_item((line, closed): &(String, bool)) -> String {
    if *closed { format!("inspection-due 1 {line}") } else { format!("line-disconnected 1 {line}") }
}
