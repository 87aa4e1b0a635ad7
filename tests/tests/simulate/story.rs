//! One story: what happens to the machines and between them, thrown from the seed; then everything is mended, everybody
//! sends what is left, and all of it is held against what was said.

use std::collections::HashSet;
use std::io::Write;
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::time::Duration;

use rinsebook_client::verify::log_dir;
use rinsebook_proto::bytes::Hash;
use rinsebook_proto::clock::{Clock, ScriptedClock};
use rinsebook_proto::journal::{self, Kind};
use rinsebook_proto::tree::leaf_hash;
use rinsebook_tests::holds;
use rinsebook_tests::shop::MORNING_MS;
use rinsebook_tests::world::Dice;
use rinsebook_tests::world::disk::{Call, Fate, Ignore, SimDisk};
use turmoil::Sim;

use crate::machines::{self, MACHINES, Machine, SERVICE, Shared, UNSTARTED, name};
use crate::predict;
use crate::template::{SENDERS, Template, put_on};

const TICK: Duration = Duration::from_millis(5);
/// Things that happen to the machines in a story, and how far apart at the most.
const EVENTS: u32 = 16;
const APART_MS: u64 = 450;
/// In simulated time; connections that hang are given up within half a minute.
const SETTLES_WITHIN: Duration = Duration::from_secs(180);

/// Said when a story comes to its end.
const MENDED: &str = "everything is mended";

/// What happened in all stories together.
#[derive(Debug, Default, Clone, Copy)]
pub(crate) struct Tally {
    pub(crate) saved: u64,
    pub(crate) acknowledged: u64,
    pub(crate) power_cuts: u64,
    pub(crate) kills: u64,
    pub(crate) faults_met: u64,
    pub(crate) full_disks: u64,
    pub(crate) clock_jumps: u64,
    pub(crate) torn: u64,
    pub(crate) cut_links: u64,
    pub(crate) answers: u64,
    pub(crate) predicted: u64,
    pub(crate) cosigned: u64,
    pub(crate) entries: u64,
}

impl Tally {
    pub(crate) fn add(&mut self, other: Tally) {
        self.saved += other.saved;
        self.acknowledged += other.acknowledged;
        self.power_cuts += other.power_cuts;
        self.kills += other.kills;
        self.faults_met += other.faults_met;
        self.full_disks += other.full_disks;
        self.clock_jumps += other.clock_jumps;
        self.torn += other.torn;
        self.cut_links += other.cut_links;
        self.answers += other.answers;
        self.predicted += other.predicted;
        self.cosigned += other.cosigned;
        self.entries += other.entries;
    }
}

/// Something that is mended later.
#[derive(Debug, Clone, Copy)]
enum Mend {
    Start(usize),
    Link(usize),
    Space(usize),
}

struct Story<'a> {
    sim: Sim<'a>,
    shared: Arc<Shared>,
    dice: Dice,
    tally: Tally,
    /// What is to be mended, and when.
    mends: Vec<(Duration, Mend)>,
    down: [bool; MACHINES],
}

/// Tells the story of a seed. Gives what happened, and every event of it in order.
///
/// # Errors
/// What was lost, doubled, reordered or answered wrongly.
pub(crate) fn tell(template: &Arc<Template>, seed: u64, ignore: Ignore) -> Result<(Tally, Vec<String>), String> {
    let mut dice = Dice::new(seed);
    let dir = template.copy();
    let machines = (0..MACHINES).map(|machine| machine_of(dir.path(), machine, ignore, &mut dice)).collect();
    let programs = Dice::new(dice.number());
    let shared = Arc::new(Shared::new(template.clone(), dir.path().to_owned(), machines, programs));
    let mut sim = turmoil::Builder::new()
        .rng_seed(dice.number())
        .tick_duration(TICK)
        .simulation_duration(Duration::from_secs(24 * 3600))
        .min_message_latency(Duration::from_millis(1))
        .max_message_latency(Duration::from_millis(2 + dice.below(60)))
        .tcp_capacity(1 << 12)
        .enable_random_order()
        .build();
    let with = |shared: &Arc<Shared>| shared.clone();
    let of = with(&shared);
    sim.host("service", move || machines::service(of.clone()));
    for n in 0..SENDERS {
        let of = with(&shared);
        sim.host(name(1 + n), move || machines::station(of.clone(), n));
    }
    let of = with(&shared);
    sim.host("planner", move || machines::planner(of.clone()));
    let of = with(&shared);
    sim.host("witness", move || machines::witness(of.clone()));
    let story = Story { sim, shared, dice, tally: Tally::default(), mends: Vec::new(), down: [false; MACHINES] };
    story.run()
}

fn machine_of(dir: &Path, machine: usize, ignore: Ignore, dice: &mut Dice) -> Machine {
    let disk = SimDisk::new(dice.number());
    put_on(&disk, &dir.join(name(machine)).join(if machine == SERVICE { "log" } else { "outbox" }));
    disk.ignore(ignore);
    // The machines' clocks are some seconds apart from the beginning.
    Machine { disk, clock: Arc::new(ScriptedClock::at(MORNING_MS + 60_000 + dice.below(4_000))) }
}

impl Story<'_> {
    fn run(mut self) -> Result<(Tally, Vec<String>), String> {
        for _ in 0..EVENTS {
            let until = self.sim.elapsed() + Duration::from_millis(self.dice.below(APART_MS));
            while self.sim.elapsed() < until {
                self.tick()?;
            }
            self.event();
        }
        self.settle()?;
        // What everybody was told is held against what a power cut of everything leaves.
        for machine in 0..MACHINES {
            self.stops(machine, true);
            self.starts(machine);
        }
        self.settle()?;
        self.end()
    }

    fn tick(&mut self) -> Result<(), String> {
        self.sim.step().map_err(|error| format!("the simulation itself: {error}"))?;
        for machine in &self.shared.machines {
            machine.clock.set(machine.clock.wall_ms() + TICK.as_millis() as u64);
        }
        let now = self.sim.elapsed();
        let due: Vec<Mend> = self.mends.iter().filter(|(at, _)| *at <= now).map(|(_, mend)| *mend).collect();
        self.mends.retain(|(at, _)| *at > now);
        due.into_iter().for_each(|mend| self.mend(mend));
        for machine in 0..MACHINES {
            if !self.down[machine] && self.shared.known().ended[machine].is_some() {
                self.stops(machine, false);
                self.later(Mend::Start(machine), 300);
            }
        }
        match self.shared.known().wrong.take() {
            None => Ok(()),
            Some(wrong) => Err(wrong),
        }
    }

    fn later(&mut self, mend: Mend, within_ms: u64) {
        let at = self.sim.elapsed() + Duration::from_millis(self.dice.below(within_ms));
        self.mends.push((at, mend));
    }

    fn mend(&mut self, mend: Mend) {
        match mend {
            Mend::Start(machine) if self.down[machine] => self.starts(machine),
            Mend::Start(_) => {}
            Mend::Link(n) => {
                self.sim.release("service", name(1 + n));
                self.sim.repair("service", name(1 + n));
            }
            Mend::Space(machine) => self.shared.machines[machine].disk.set_free_bytes(None),
        }
    }

    /// The machine loses its power, or its program is killed.
    fn stops(&mut self, machine: usize, power: bool) {
        self.sim.crash(name(machine));
        let disk = self.shared.machines[machine].disk.clone();
        if power {
            disk.power_cut();
            self.tear(machine);
        } else {
            disk.kill();
        }
        self.down[machine] = true;
        self.happened(&format!("{} {}", name(machine), if power { "has no power" } else { "is killed" }));
    }

    /// What a power cut leaves of files beside the journals: those that can be derived anew may be anything, and a line of
    /// receipts that was being written may have its first half.
    fn tear(&mut self, machine: usize) {
        let home = self.shared.dir.join(name(machine));
        if machine == SERVICE {
            self.tear_derived(&home.join("derived"));
            return;
        }
        let last = self.shared.known().saved[machine - 1].last().copied();
        let Some(last) = last.filter(|_| self.dice.once_in(2)) else { return };
        let line = format!("{last} in-log 7 {}", Hash::ZERO);
        let half = &line[..self.dice.below(line.len() as u64) as usize];
        let receipts = std::fs::OpenOptions::new().create(true).append(true).open(home.join("receipts.log"));
        receipts.and_then(|mut file| file.write_all(half.as_bytes())).expect("its folder is there");
    }

    fn tear_derived(&mut self, derived: &Path) {
        let listed = |dir: &Path| std::fs::read_dir(dir).map(|files| files.filter_map(|file| Some(file.ok()?.path())));
        let all = listed(derived).into_iter().flatten().chain(listed(&derived.join("registers")).into_iter().flatten());
        let mut files: Vec<PathBuf> = all.filter(|path| path.is_file()).collect();
        files.sort();
        let (how, which) = (self.dice.below(5), self.dice.number() as usize);
        let (offset, mask) = (self.dice.number() as usize, 1 << self.dice.below(8));
        let Some(file) = files.get(which.checked_rem(files.len()).unwrap_or(0)) else { return };
        let mut bytes = std::fs::read(file).expect("it was listed");
        match how {
            0 => std::fs::remove_dir_all(derived).expect("it was listed"),
            1 => std::fs::remove_file(file).expect("it was listed"),
            2 if !bytes.is_empty() => {
                let at = offset % bytes.len();
                bytes[at] ^= mask;
                std::fs::write(file, bytes).expect("it was there");
            }
            3 if !bytes.is_empty() => std::fs::write(file, &bytes[..offset % bytes.len()]).expect("it was there"),
            _ => return,
        }
        self.tally.torn += 1;
        self.happened("service finds what it derived damaged");
    }

    fn starts(&mut self, machine: usize) {
        self.shared.known().ended[machine] = None;
        self.sim.bounce(name(machine));
        self.down[machine] = false;
    }

    fn happened(&self, what: &str) {
        self.shared.known().told.push(format!("{} {what}", self.sim.elapsed().as_millis()));
    }

    fn machine(&mut self) -> usize {
        if self.dice.once_in(2) { SERVICE } else { 1 + self.dice.below(SENDERS as u64) as usize }
    }

    /// One thing happens.
    fn event(&mut self) {
        let machine = self.machine();
        match self.dice.below(10) {
            0 | 1 => self.crash(machine),
            2 => {
                // The machine stops in the middle of what it writes; nobody sees it stop before its program ends.
                self.shared.machines[machine].disk.stop_after(self.dice.below(5));
                self.happened(&format!("{} will stop", name(machine)));
                self.tally.kills += 1;
            }
            3 | 4 => self.fault(machine),
            5 => {
                let free_bytes = self.dice.below(3_000);
                self.shared.machines[machine].disk.set_free_bytes(Some(free_bytes));
                self.happened(&format!("{} has {free_bytes} bytes left", name(machine)));
                self.later(Mend::Space(machine), 1_500);
                self.tally.full_disks += 1;
            }
            6 => self.jump(machine),
            7 | 8 => self.cut_link(),
            _ => {
                let other = if self.dice.once_in(2) { "planner" } else { "witness" };
                self.happened(&format!("{other} is killed"));
                self.sim.crash(other);
                self.sim.bounce(other);
            }
        }
    }

    fn crash(&mut self, machine: usize) {
        if self.down[machine] {
            return;
        }
        let power = !self.dice.once_in(4);
        self.tally.power_cuts += u64::from(power);
        self.tally.kills += u64::from(!power);
        self.stops(machine, power);
        if self.dice.once_in(4) {
            // Even the next start meets a disk that fails.
            self.shared.machines[machine].disk.fail(None, self.dice.below(6), Fate::Lost);
        }
        self.later(Mend::Start(machine), 600);
    }

    fn fault(&mut self, machine: usize) {
        let call = [Call::Write, Call::Sync, Call::Read, Call::SyncDir, Call::Rename, Call::Create]
            [[0, 0, 0, 1, 1, 1, 2, 3, 4, 5][self.dice.below(10) as usize]];
        let fate = [Fate::Lost, Fate::Saved][self.dice.below(2) as usize];
        self.shared.machines[machine].disk.fail(Some(call), self.dice.below(3), fate);
        self.happened(&format!("{} will fail to {call:?}, {fate:?}", name(machine)));
        self.tally.faults_met += 1;
    }

    /// By up to three hours, both ways; the wall clock alone or both.
    fn jump(&mut self, machine: usize) {
        let clock = &self.shared.machines[machine].clock;
        let by_ms = self.dice.below(3 * 3_600_000);
        let now_ms = clock.wall_ms();
        let then_ms = if self.dice.once_in(2) { now_ms + by_ms } else { now_ms - by_ms };
        if self.dice.once_in(2) {
            clock.set(then_ms)
        } else {
            clock.set_wall_alone(then_ms)
        }
        self.happened(&format!("{}'s clock jumps by {} ms", name(machine), then_ms as i64 - now_ms as i64));
        self.tally.clock_jumps += 1;
    }

    /// A station hears nothing of the service for a while: messages are lost, or held and come all at once.
    fn cut_link(&mut self) {
        let n = self.dice.below(SENDERS as u64) as usize;
        if self.dice.once_in(2) {
            self.sim.partition("service", name(1 + n));
        } else {
            self.sim.hold("service", name(1 + n));
        }
        self.happened(&format!("{} is cut off", name(1 + n)));
        self.later(Mend::Link(n), 2_000);
        self.tally.cut_links += 1;
    }

    /// Everything is mended, and everybody sends.
    fn settle(&mut self) -> Result<(), String> {
        self.mends.clear();
        for n in 0..SENDERS {
            self.mend(Mend::Link(n));
        }
        for machine in 0..MACHINES {
            let disk = self.shared.machines[machine].disk.clone();
            disk.forgive();
            disk.set_free_bytes(None);
            if !self.down[machine] && self.shared.known().ended[machine].is_some() {
                self.stops(machine, false);
            }
            if self.down[machine] {
                // What was ordered meanwhile for a disk that nobody uses.
                disk.kill();
            }
            self.mend(Mend::Start(machine));
        }
        {
            let mut known = self.shared.known();
            known.settling = true;
            known.settled = vec![false; SENDERS];
        }
        self.happened(MENDED);
        let until = self.sim.elapsed() + SETTLES_WITHIN;
        while !self.shared.known().settled.iter().all(|settled| *settled) {
            if self.sim.elapsed() > until {
                let known = self.shared.known();
                return Err(format!("it does not settle: {:?}, {:?}", known.unsent_because, known.told.last()));
            }
            self.tick()?;
            self.all_start()?;
        }
        Ok(())
    }

    /// Nothing is wrong with any disk now: what was on it has to be enough.
    fn all_start(&self) -> Result<(), String> {
        let known = self.shared.known();
        let unstarted =
            known.told.iter().rev().take_while(|what| !what.ends_with(MENDED)).find(|what| what.contains(UNSTARTED));
        unstarted.map_or(Ok(()), |what| Err(what.clone()))
    }

    fn end(mut self) -> Result<(Tally, Vec<String>), String> {
        // Every program is gone, and lets go of its folders.
        drop(self.sim);
        let log = log_of(&self.shared)?;
        let known = self.shared.known();
        let mut placed = HashSet::new();
        for n in 0..SENDERS {
            let station = self.shared.open_station(n).map_err(|error| error.to_string())?;
            let signed: Vec<Hash> = station.outbox_items().iter().map(|item| item.hash()).collect();
            let kept: HashSet<&Hash> = signed.iter().collect();
            if let Some(lost) = known.saved[n].iter().find(|saved| !kept.contains(saved)) {
                return Err(format!("lost: {lost} was called saved by {}", name(1 + n)));
            }
            self.tally.saved += known.saved[n].len() as u64;
            self.tally.acknowledged += holds::acknowledged_is_there(&log, &station)?;
            holds::once_and_in_order(&log, &signed)?;
            placed.extend(signed);
        }
        holds::checkpoints_hold(&log, &known.checkpoints)?;
        self.tally.cosigned += known.cosigned;
        self.tally.answers += known.answers.len() as u64;
        self.tally.entries += log.len() as u64;
        self.tally.predicted += predict::answers(&log, &self.shared.template.aircraft, &known.answers)?;
        Ok((self.tally, known.told.clone()))
    }
}

/// The log as it stands on the disk, verified as a stranger would.
fn log_of(shared: &Shared) -> Result<Vec<Vec<u8>>, String> {
    let dir = shared.config().log_dir();
    let disk = &shared.machines[SERVICE].disk;
    let mut log = Vec::new();
    journal::scan(disk, &dir, Kind::Log, |group| {
        log.extend(group.records.iter().cloned());
        group.records.last().map(|last| leaf_hash(last).0).ok_or("a group without entries")
    })
    .map_err(|error| format!("the log does not hold: {error}"))?;
    let copy = shared.dir.join("verified");
    std::fs::create_dir_all(&copy).map_err(|e| e.to_string())?;
    for (path, bytes) in disk.contents(&dir) {
        std::fs::write(copy.join(path.file_name().unwrap_or_default()), bytes).map_err(|e| e.to_string())?;
    }
    log_dir(&copy, Some(&shared.template.log_key)).map_err(|fault| format!("the log does not verify: {fault:?}"))?;
    Ok(log)
}
