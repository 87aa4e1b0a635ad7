//! Power cuts for real: service and stations each on a file system of their own, which is shut down under load as a power
//! cut would, and mounted again. What nobody had synced is gone from there; what was called saved or acknowledged is not.
//!
//! The file systems are ext4 on loop devices. The kernel's own order to go down at once, without writing its journal out
//! (`EXT4_IOC_SHUTDOWN` with `EXT4_GOING_FLAGS_NOLOGFLUSH`, from Linux's fs/ext4/ext4.h), makes every later call fail and
//! leaves the disk as it is at that moment. Making and mounting them takes root.
#![allow(clippy::print_stdout)] // It prints its seed and its figures.

use std::io::Write;
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};
use std::sync::Arc;
use std::time::{Duration, Instant};

use rinsebook_client::home::Home;
use rinsebook_client::station::Station;
use rinsebook_client::sync::sync;
use rinsebook_client::verify::log_dir;
use rinsebook_proto::bytes::Hash;
use rinsebook_proto::clock::SystemClock;
use rinsebook_proto::note::VerifierKey;
use rinsebook_tests::holds;
use rinsebook_tests::load::{self, Program, Said, Streaming, Syncs};
use rinsebook_tests::shop::Shop;
use rinsebook_tests::world::Dice;

const PLAIN_CUTS: u32 = 3;
const NIGHTLY_CUTS: u32 = 100;
/// With the syncs swallowed, one of so many cuts has to show a loss.
const CONTROL_CUTS: u32 = 12;
/// A record begins anew after so many.
const CUTS_A_SHOP: u32 = 25;
const STATIONS: usize = 2;
const GO_DOWN: &str = "import fcntl,os,struct,sys\n\
                       fcntl.ioctl(os.open(sys.argv[1],os.O_RDONLY),0x8004587d,struct.pack('I',2))";

fn run(program: &str, args: &[&str]) -> Result<(), String> {
    let done = Command::new(program).args(args).stdin(Stdio::null()).output();
    let done = done.map_err(|error| format!("{program} cannot be started: {error}"))?;
    if done.status.success() { Ok(()) } else { Err(format!("{program}: {}", String::from_utf8_lossy(&done.stderr))) }
}

fn text(path: &Path) -> &str {
    path.to_str().expect("test folders have plain names")
}

/// A machine's disk.
struct Machine {
    image: PathBuf,
    at: PathBuf,
    mounted: bool,
}

impl Machine {
    fn new(dir: &Path, name: &str, mebibytes: u64) -> Result<Machine, String> {
        let (image, at) = (dir.join(format!("{name}.ext4")), dir.join(name));
        std::fs::create_dir_all(&at).map_err(|e| e.to_string())?;
        let file = std::fs::File::create(&image).map_err(|e| e.to_string())?;
        file.set_len(mebibytes << 20).map_err(|e| e.to_string())?;
        run("mkfs.ext4", &["-q", "-F", text(&image)])?;
        let mut machine = Machine { image, at, mounted: false };
        machine.mount()?;
        Ok(machine)
    }

    fn mount(&mut self) -> Result<(), String> {
        run("mount", &["-o", "loop", text(&self.image), text(&self.at)])?;
        self.mounted = true;
        Ok(())
    }

    /// From here on nothing reaches its disk.
    fn power_fails(&self) -> Result<(), String> {
        run("python3", &["-c", GO_DOWN, text(&self.at)])
    }

    /// Its programs have ended; it is up again, with what its disk had.
    fn power_is_back(&mut self) -> Result<(), String> {
        let begun = Instant::now();
        while let Err(why) = run("umount", &[text(&self.at)]) {
            // A killed program may take a moment to let go of its files.
            if begun.elapsed() > Duration::from_secs(20) {
                return Err(why);
            }
            std::thread::sleep(Duration::from_millis(50));
        }
        self.mounted = false;
        self.mount()
    }
}

impl Drop for Machine {
    fn drop(&mut self) {
        if self.mounted {
            let _ = run("umount", &["-l", text(&self.at)]);
        }
    }
}

/// Why no file system can be shut down here.
fn unable() -> Option<String> {
    let dir = tempfile::tempdir().unwrap();
    let tried = Machine::new(dir.path(), "tried", 8).and_then(|mut machine| {
        std::fs::write(machine.at.join("unsynced"), b"gone").map_err(|e| e.to_string())?;
        machine.power_fails()?;
        machine.power_is_back()?;
        let kept = machine.at.join("unsynced").exists();
        if kept { Err("what was not synced outlived the shutdown".to_owned()) } else { Ok(()) }
    });
    tried.err()
}

macro_rules! skip_where_unable {
    () => {
        if let Some(why) = unable() {
            let _ = writeln!(std::io::stderr(), "SKIPPED: no file system can be shut down here: {}", why.trim_end());
            return;
        }
    };
}

/// Not a proof by itself: it is the station whose machine the tests below cut off. By itself it has nothing to do.
#[test]
fn a_station_streams_where_it_is_asked_to() {
    load::stream_where_asked();
}

#[derive(Debug, Default)]
struct Tally {
    service_cuts: u32,
    station_cuts: u32,
    saved: usize,
    acknowledged: usize,
}

struct World {
    shop: Shop,
    key: VerifierKey,
    service: Machine,
    ramps: Vec<(Machine, Said)>,
    syncs: Syncs,
    /// After the machines, which let go of it first.
    _dir: tempfile::TempDir,
}

impl World {
    async fn begin(syncs: Syncs) -> World {
        let dir = tempfile::tempdir().unwrap();
        let service = Machine::new(dir.path(), "service", 160).unwrap();
        let mut shop = Shop::open_in(dir.path().to_owned(), None).await.unwrap();
        let mut ramps = Vec::new();
        for n in 0..STATIONS {
            let machine = Machine::new(dir.path(), &format!("ramp-{n}"), 48).unwrap();
            drop(shop.station(&format!("ramp-{n}")).await.unwrap());
            ramps.push((machine, Said::default()));
        }
        let running = shop.service.take().unwrap();
        let key = VerifierKey::parse(&running.verifier_key).unwrap();
        running.stop().await.unwrap();
        run("sync", &[]).unwrap();
        World { shop, key, service, ramps, syncs, _dir: dir }
    }

    fn program(&self) -> Result<Program, String> {
        Program::start(&self.shop.dir, &self.shop.data(), self.syncs)
    }

    /// All stations stream; then one machine, or all of them, are without power.
    fn cut(&mut self, program: Program, dice: &mut Dice, tally: &mut Tally) -> Result<(), String> {
        let mut streaming = Vec::new();
        for (machine, _) in &self.ramps {
            Home::open(&machine.at)
                .and_then(|mut home| home.set_address(&program.address))
                .map_err(|e| e.to_string())?;
            let test = "a_station_streams_where_it_is_asked_to";
            streaming.push(Streaming::start(&self.shop, &machine.at, test, self.syncs, false));
        }
        if !streaming.iter().all(Streaming::has_begun) {
            return Err("a station said nothing".to_owned());
        }
        std::thread::sleep(Duration::from_millis(dice.below(200)));
        let all = dice.once_in(4);
        let victim = dice.below(STATIONS as u64 + 2) as usize;
        let cut_service = all || victim >= STATIONS;
        let cut_ramp = |n: usize| all || victim == n;
        if cut_service {
            self.service.power_fails()?;
            tally.service_cuts += 1;
        }
        for (n, (machine, _)) in self.ramps.iter().enumerate().filter(|(n, _)| cut_ramp(*n)) {
            machine.power_fails().map_err(|why| format!("station {n}: {why}"))?;
            tally.station_cuts += 1;
        }
        // What is said after its machine has no power any more is no promise that reached anybody; but a program that goes
        // on saying it would be wrong: its disk refuses every call. So it may speak on until here, and is held to it.
        std::thread::sleep(Duration::from_millis(dice.below(60)));
        for (streaming, (_, said)) in streaming.into_iter().zip(&mut self.ramps) {
            said.extend(streaming.kill());
        }
        drop(program);
        if cut_service {
            self.service.power_is_back()?;
        }
        for (_, (machine, _)) in self.ramps.iter_mut().enumerate().filter(|(n, _)| cut_ramp(*n)) {
            machine.power_is_back()?;
        }
        Ok(())
    }

    fn open(&self, n: usize, program: &Program) -> Result<Station, String> {
        let (machine, said) = &self.ramps[n];
        let mut home = Home::open(&machine.at).map_err(|e| e.to_string())?;
        home.set_address(&program.address).map_err(|e| e.to_string())?;
        let station = Station::open(home, Arc::new(SystemClock)).map_err(|e| e.to_string())?;
        load::saved_is_there(&station, said)?;
        Ok(station)
    }

    /// Everything is sent, and everybody held to what was said.
    async fn settle(&mut self, program: &Program) -> Result<Vec<Station>, String> {
        let mut stations = Vec::new();
        for n in 0..STATIONS {
            let mut station = self.open(n, program)?;
            let report = sync(&mut station, 3).await.map_err(|error| error.to_string())?;
            if !report.refused.is_empty() || report.left > 0 {
                return Err(format!("not everything was taken: {report:?}"));
            }
            stations.push(station);
        }
        Ok(stations)
    }

    async fn end(&mut self, tally: &mut Tally) -> Result<(), String> {
        let program = self.program()?;
        let stations = self.settle(&program).await?;
        drop(program);
        let said: Vec<&Said> = self.ramps.iter().map(|(_, said)| said).collect();
        tally.saved += said.iter().map(|said| said.saved.len()).sum::<usize>();
        let acknowledged = load::acknowledged(&stations.iter().collect::<Vec<_>>(), &said)?;
        tally.acknowledged += acknowledged.len();
        // A log that was killed may end in a write that nobody was told of: opening it once cuts that.
        self.shop.restart(&mut []).await.map_err(|e| e.to_string())?;
        let running = self.shop.service.take().unwrap();
        running.stop().await.map_err(|e| e.to_string())?;
        let log = self.shop.data().join("log");
        let (entries, _) = load::entries(&log)?;
        load::places_hold(&entries, &acknowledged)?;
        for station in &stations {
            let signed: Vec<Hash> = station.outbox_items().iter().map(|item| item.hash()).collect();
            holds::once_and_in_order(&entries, &signed)?;
        }
        log_dir(&log, Some(&self.key)).map(drop).map_err(|fault| format!("{fault:?}"))
    }
}

async fn cuts(number: u32, syncs: Syncs, dice: &mut Dice, tally: &mut Tally) -> Result<(), String> {
    let mut world = World::begin(syncs).await;
    for _ in 0..number {
        let program = world.program()?;
        drop(world.settle(&program).await?);
        world.cut(program, dice, tally)?;
    }
    world.end(tally).await
}

fn seed() -> u64 {
    let seed = std::env::var("RINSEBOOK_SEED").ok().and_then(|s| s.parse().ok());
    let seed = seed.unwrap_or_else(|| std::time::UNIX_EPOCH.elapsed().unwrap().as_nanos() as u64);
    println!("RINSEBOOK_SEED={seed}");
    seed
}

#[tokio::test(flavor = "multi_thread")]
async fn what_was_called_saved_or_acknowledged_outlives_real_power_cuts_of_service_and_stations() {
    skip_where_unable!();
    let (seed, mut tally, begun) = (seed(), Tally::default(), Instant::now());
    let mut dice = Dice::new(seed);
    let number = if std::env::var_os("RINSEBOOK_NIGHTLY").is_some() { NIGHTLY_CUTS } else { PLAIN_CUTS };
    for done in (0..number).step_by(CUTS_A_SHOP as usize) {
        let now = CUTS_A_SHOP.min(number - done);
        if let Err(why) = cuts(now, Syncs::Done, &mut dice, &mut tally).await {
            panic!("RINSEBOOK_SEED={seed}, after {tally:?}: {why}");
        }
        let _ = writeln!(std::io::stderr(), "power cuts: {tally:?}, lost 0, after {} s", begun.elapsed().as_secs());
    }
    assert!(tally.saved > 0 && tally.acknowledged >= tally.saved, "{tally:?}");
}

/// The control: the same programs on the same machines, whose syncs the kernel never sees.
#[tokio::test(flavor = "multi_thread")]
async fn with_every_sync_swallowed_the_same_power_cuts_show_a_loss() {
    skip_where_unable!();
    let traced = Command::new("strace").args(["-f", "-o", "/dev/null", "true"]).output();
    if !traced.is_ok_and(|done| done.status.success()) {
        let _ = writeln!(std::io::stderr(), "SKIPPED: syncs cannot be swallowed here: strace is not permitted");
        return;
    }
    let (mut dice, mut tally) = (Dice::new(seed()), Tally::default());
    let why = cuts(CONTROL_CUTS, Syncs::Swallowed, &mut dice, &mut tally).await.unwrap_err();
    println!("after {tally:?}: {why}");
    assert!(tally.service_cuts + tally.station_cuts > 0, "{why}");
}
