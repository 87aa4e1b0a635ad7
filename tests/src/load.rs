//! The real service program and real station processes under load: started, killed in the middle, and held to what they
//! said. A station's process says on its output what it saved and what it was told; nothing that it said may be undone by
//! whatever becomes of it.

use std::collections::HashMap;
use std::io::{BufRead, BufReader};
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::sync::mpsc::{Receiver, channel};
use std::sync::{Arc, Mutex};
use std::time::Duration;

use rinsebook_client::demo::shop::{MORNING_MS, Shop, Wash, disconnected};
use rinsebook_client::home::Home;
use rinsebook_client::station::{Receipt, Station};
use rinsebook_client::sync::sync;
use rinsebook_proto::bytes::{Hash, Id};
use rinsebook_proto::clock::SystemClock;
use rinsebook_proto::journal::{self, Kind, RealDisk, Scan};
use rinsebook_proto::key::SigningKey;
use rinsebook_proto::tree::leaf_hash;

use crate::world::disk::SimDisk;

/// In the environment of a station's process: its home, the signer's seed, the aircraft, and whether it lies.
const HOME: &str = "RINSEBOOK_TEST_STATION_HOME";
const SIGNER: &str = "RINSEBOOK_TEST_STATION_SIGNER";
const AIRCRAFT: &str = "RINSEBOOK_TEST_STATION_AIRCRAFT";
const LIES: &str = "RINSEBOOK_TEST_STATION_LIES";
/// What a station's process signs between two deliveries.
const FACTS_A_CARD: u32 = 6;
/// A process that has not said anything by then never will.
const SPEAKS_WITHIN: Duration = Duration::from_secs(60);

/// Whether what a program asks to be made durable is.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Syncs {
    /// The kernel does it.
    Done,
    /// The kernel is never asked, and the program is told that all went well: strace answers in its stead.
    Swallowed,
}

impl Syncs {
    /// The program, with its syncs done or swallowed. Killing the child kills the program in both cases.
    fn command(self, program: impl AsRef<std::ffi::OsStr>) -> Command {
        match self {
            Syncs::Done => Command::new(program),
            Syncs::Swallowed => {
                let mut command = Command::new("strace");
                command.args(["-D", "-f", "-qq", "-o", "/dev/null", "-e", "trace=fdatasync,fsync"]);
                command.args(["-e", "inject=fdatasync,fsync:retval=0"]).arg(program.as_ref());
                command
            }
        }
    }
}

/// The service program on a data folder; killed when dropped.
pub struct Program {
    child: Child,
    /// Where it serves.
    pub address: String,
}

impl Program {
    /// Starts it with a configuration file in that folder.
    ///
    /// # Errors
    /// It ended before it served, with the last words that it wrote.
    pub fn start(dir: &Path, data: &Path, syncs: Syncs) -> Result<Program, String> {
        let binary = std::env::var("RINSEBOOK_SERVICE")
            .expect("RINSEBOOK_SERVICE names the service program; tests/run builds it and sets it");
        let (config, errors) = (dir.join("service.toml"), dir.join("service.stderr"));
        let text = format!("listen = \"127.0.0.1:0\"\ndata = {data:?}\n[log]\ngrow_kibibytes = 64\n");
        std::fs::write(&config, text).map_err(|e| e.to_string())?;
        let mut child = syncs
            .command(binary)
            .args(["serve", "--config"])
            .arg(&config)
            .stdout(Stdio::piped())
            .stderr(std::fs::File::create(&errors).map_err(|e| e.to_string())?)
            .spawn()
            .map_err(|e| e.to_string())?;
        let mut line = String::new();
        let read = child.stdout.take().map(|out| BufReader::new(out).read_line(&mut line));
        let port = match (read, line.trim_end().rsplit_once(':')) {
            (Some(Ok(_)), Some((_, port))) => port.to_owned(),
            _ => {
                let _ = child.kill();
                let _ = child.wait();
                return Err(format!("no service: {}", std::fs::read_to_string(errors).unwrap_or_default()));
            }
        };
        Ok(Program { child, address: format!("https://localhost:{port}") })
    }
}

impl Drop for Program {
    fn drop(&mut self) {
        // SIGKILL; a child that is gone already is what we want.
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}

/// What a station's process said.
#[derive(Debug, Clone, Default)]
pub struct Said {
    /// Envelopes that it called saved.
    pub saved: Vec<Hash>,
    /// Envelopes that it was told to be in the log, with place and entry hash.
    pub told: Vec<(Hash, u64, Hash)>,
}

impl Said {
    fn line(&mut self, line: &str) {
        let mut words = line.split_whitespace();
        match (words.next(), words.next().and_then(Hash::from_hex)) {
            (Some("saved"), Some(envelope)) => self.saved.push(envelope),
            (Some("told"), Some(envelope)) => {
                let (index, hash) = (words.next().and_then(|w| w.parse().ok()), words.next().and_then(Hash::from_hex));
                self.told.extend(index.zip(hash).map(|(index, hash)| (envelope, index, hash)));
            }
            _ => {}
        }
    }

    /// All of this and of that.
    pub fn extend(&mut self, other: Said) {
        self.saved.extend(other.saved);
        self.told.extend(other.told);
    }
}

/// A station that signs and sends in a process of its own; killed when dropped.
pub struct Streaming {
    child: Child,
    said: Arc<Mutex<Said>>,
    reader: Option<std::thread::JoinHandle<()>>,
    speaks: Receiver<()>,
}

impl Streaming {
    /// Starts `test` of this very test program, which has to be nothing but [`stream_where_asked`]. A station that lies
    /// keeps its outbox in its memory and calls that saved.
    pub fn start(shop: &Shop, home: &Path, test: &str, syncs: Syncs, lies: bool) -> Streaming {
        let this = std::env::current_exe().expect("a program knows its file");
        let mut command = syncs.command(this);
        command.args(["--exact", test, "--nocapture"]).env(HOME, home).env(AIRCRAFT, shop.aircraft.to_string());
        command.env(SIGNER, hex::encode(shop.technician.key.to_bytes()));
        if lies {
            command.env(LIES, "1");
        }
        let mut child = command.stdout(Stdio::piped()).stderr(Stdio::null()).spawn().expect("a station starts");
        let (said, (speaking, speaks)) = (Arc::new(Mutex::new(Said::default())), channel());
        let mut lines = BufReader::new(child.stdout.take().expect("its output is ours"));
        let heard = said.clone();
        let reader = std::thread::spawn(move || {
            let mut line = String::new();
            // A line that was cut short has not been said.
            while lines.read_line(&mut line).is_ok_and(|bytes| bytes > 0) && line.ends_with('\n') {
                heard.lock().expect("nobody panics while listening").line(&line);
                let _ = speaking.send(());
                line.clear();
            }
        });
        Streaming { child, said, reader: Some(reader), speaks }
    }

    /// Waits until it has said something.
    pub fn has_begun(&self) -> bool {
        (0..3).all(|_| self.speaks.recv_timeout(SPEAKS_WITHIN).is_ok())
    }

    /// Whether it has ended by itself.
    pub fn has_ended(&mut self) -> bool {
        !matches!(self.child.try_wait(), Ok(None))
    }

    /// SIGKILL; gives all that it said.
    pub fn kill(mut self) -> Said {
        self.stop();
        std::mem::take(&mut *self.said.lock().expect("nobody panics while listening"))
    }

    fn stop(&mut self) {
        let _ = self.child.kill();
        let _ = self.child.wait();
        if let Some(reader) = self.reader.take() {
            let _ = reader.join();
        }
    }
}

impl Drop for Streaming {
    fn drop(&mut self) {
        self.stop();
    }
}

/// The whole of a station's process: signs cards, says what is saved, sends, says what it was told, until the link breaks.
/// Where nothing is asked, nothing is done.
pub fn stream_where_asked() {
    let Ok(home) = std::env::var(HOME) else { return };
    let seed = std::env::var(SIGNER).ok().and_then(|seed| hex::decode(seed).ok()?.try_into().ok());
    let signer = SigningKey::from_bytes(&seed.expect("the signer's seed"));
    let aircraft = std::env::var(AIRCRAFT).ok().and_then(|id| Id::from_hex(&id)).expect("the aircraft's id");
    let home = Home::open(Path::new(&home)).expect("its folder opens");
    let station = match std::env::var_os(LIES) {
        None => Station::open(home, Arc::new(SystemClock)),
        Some(_) => Station::open_on(home, Arc::new(SystemClock), Arc::new(memory())),
    };
    let station = station.expect("the station opens");
    // The runner's own line is not ended yet.
    say(&[String::new()]);
    let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build().expect("a runtime");
    runtime.block_on(stream(station, &signer, &Wash::of(aircraft)));
}

/// A disk that is gone with the process.
fn memory() -> SimDisk {
    use rinsebook_proto::journal::Disk as _;
    let disk = SimDisk::new(1);
    let home = PathBuf::from(std::env::var(HOME).expect("asked for before"));
    let mut above: Vec<&Path> = home.ancestors().collect();
    above.reverse();
    above.into_iter().for_each(|dir| disk.create_dir(dir).expect("this disk refuses nothing"));
    disk
}

async fn stream(mut station: Station, signer: &SigningKey, wash: &Wash) {
    let run = station.place().0;
    let mut told = 0;
    for card in 0..u32::MAX {
        let line = |n| format!("L-{run}-{card}-{n}");
        let drafts = (0..FACTS_A_CARD).map(|n| wash.on(1, disconnected(&line(n)), MORNING_MS)).collect();
        let saved = station.sign_card(signer, drafts).expect("the outbox takes it");
        say(&saved.iter().map(|envelope| format!("saved {envelope}")).collect::<Vec<_>>());
        let sent = sync(&mut station, 1).await;
        let in_log = |item: &rinsebook_client::outbox::Item| match station.receipt(&item.hash()) {
            Some(Receipt::InLog(index, hash)) => Some(format!("told {} {index} {hash}", item.hash())),
            _ => None,
        };
        let lines: Vec<String> = station.outbox_items().iter().filter_map(in_log).collect();
        say(&lines[told.min(lines.len())..]);
        told = lines.len();
        if sent.is_err() {
            return;
        }
    }
}

#[expect(clippy::print_stdout, reason = "its output is what it says to whoever started it")]
fn say(lines: &[String]) {
    lines.iter().for_each(|line| println!("{line}"));
}

/// What a station said is saved is in its outbox, and what it was told it still knows, or is told again: nothing is left
/// after one delivery.
///
/// # Errors
/// What was said and is not there.
pub fn saved_is_there(station: &Station, said: &Said) -> Result<(), String> {
    let there: std::collections::HashSet<Hash> = station.outbox_items().iter().map(|item| item.hash()).collect();
    match said.saved.iter().filter(|envelope| !there.contains(envelope)).count() {
        0 => Ok(()),
        lost => Err(format!("lost: {lost} of {} facts that a station called saved", said.saved.len())),
    }
}

/// What every station was told of every fact that it signed: entry hashes by index.
///
/// # Errors
/// A fact without its place, two facts at one place, or a place that differs from one that was told before.
pub fn acknowledged(stations: &[&Station], said: &[&Said]) -> Result<HashMap<u64, Hash>, String> {
    let (mut places, mut of_envelope) = (HashMap::new(), HashMap::new());
    for item in stations.iter().flat_map(|station| station.outbox_items().iter().map(move |item| (station, item))) {
        let (station, item) = item;
        let Some(Receipt::InLog(index, hash)) = station.receipt(&item.hash()) else {
            return Err(format!("a fact without its place in the log: {}", item.hash()));
        };
        if places.insert(*index, *hash).is_some() {
            return Err(format!("two facts at place {index}"));
        }
        of_envelope.insert(item.hash(), (*index, *hash));
    }
    for (envelope, index, hash) in said.iter().flat_map(|said| &said.told) {
        if of_envelope.get(envelope) != Some(&(*index, *hash)) {
            return Err(format!("{envelope} was told to be at {index}, and now is at {:?}", of_envelope.get(envelope)));
        }
    }
    Ok(places)
}

/// The entries of a log folder, in order, and its scan.
///
/// # Errors
/// What does not hold.
pub fn entries(log: &Path) -> Result<(Vec<Vec<u8>>, Scan), String> {
    let mut all = Vec::new();
    let scan = journal::scan(&RealDisk, log, Kind::Log, |group| {
        all.extend(group.records.iter().cloned());
        group.records.last().map(|last| leaf_hash(last).0).ok_or("a group without entries")
    });
    Ok((all, scan.map_err(|error| error.to_string())?))
}

/// Each of these stands at its place.
///
/// # Errors
/// The first that does not.
pub fn places_hold(log: &[Vec<u8>], acknowledged: &HashMap<u64, Hash>) -> Result<(), String> {
    for (index, hash) in acknowledged {
        let there = log.get(*index as usize).map(|data| leaf_hash(data));
        if there != Some(*hash) {
            return Err(format!("lost: what was acknowledged at {index} of {} entries", log.len()));
        }
    }
    Ok(())
}
