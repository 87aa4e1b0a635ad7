//! The whole service, three stations, the custodian's desk, a planner and a witness in one world, told from one seed: power fails, programs are
//! killed, disks refuse, fill, tear and lie about what they saved, clocks jump and part, links break and come back. What was
//! said predicts the log, and a slow model of the rules predicts what the planner is told.
//!
//! One seed decides all of it. Everything happens on one thread, in turmoil's network and simulated time; no program reads
//! another clock or disk than those of its machine. Left to chance are keys, ids and salts, which are of one length and
//! which nothing is decided by, and the threads with which signatures are checked, whose results are waited for. One clock
//! is left that is not the story's: h2 remembers a stream that was broken off for a second of real time, so that on a
//! machine which is very busy a telling may differ by a message from there on. A story is told again to see whether it is
//! the same, and that it is, is a test here.
#![allow(clippy::print_stdout)] // It prints its figures.

mod machines;
mod network;
mod predict;
mod story;
mod template;

use std::io::Write;
use std::sync::atomic::{AtomicUsize, Ordering};
use std::sync::{Arc, Mutex, OnceLock, PoisonError};
use std::time::Instant;

use rinsebook_proto::clock::ScriptedClock;
use rinsebook_service::Config;
use rinsebook_tests::shop::MORNING_MS;
use rinsebook_tests::world::Dice;
use rinsebook_tests::world::disk::{Ignore, SimDisk};
use story::Tally;
use template::Template;

const PLAIN_SEEDS: u64 = 200;
const NIGHTLY_SEEDS: u64 = 10_000;
/// Two of so many tellings are the same.
const TELLINGS: usize = 8;
/// Seeds tried with a duty left out: one of them has to show the loss.
const CONTROL_SEEDS: u64 = 40;

/// Founded once; all stories begin from it.
fn template() -> Arc<Template> {
    static MADE: OnceLock<Arc<Template>> = OnceLock::new();
    let make = || Arc::new(tokio::runtime::Runtime::new().unwrap().block_on(Template::make()));
    MADE.get_or_init(make).clone()
}

/// The seed asked for alone; else those kept, and as many new ones as the form of the run says, or as is asked for.
fn seeds() -> Vec<u64> {
    let number = |name| std::env::var(name).ok().and_then(|number| number.parse().ok());
    if let Some(seed) = number("RINSEBOOK_SEED") {
        return vec![seed];
    }
    let kept =
        include_str!("../../seeds/kept.txt").lines().filter_map(|line| line.split('#').next()?.trim().parse().ok());
    let new = if std::env::var_os("RINSEBOOK_NIGHTLY").is_some() { NIGHTLY_SEEDS } else { PLAIN_SEEDS };
    let (from, new) = (number("RINSEBOOK_FIRST_SEED").unwrap_or(0), number("RINSEBOOK_SEEDS").unwrap_or(new));
    kept.chain(from..from + new).collect()
}

/// Whether two tellings are the same is seen while no other story takes the machine's time.
static TELLING: Mutex<()> = Mutex::new(());

fn reproduction(seed: u64) -> String {
    format!("RINSEBOOK_SEED={seed} cargo test -p rinsebook-tests --test simulate")
}

#[test]
fn nothing_said_is_lost_doubled_or_reordered_and_every_answer_is_the_one_predicted() {
    let _alone = TELLING.lock().unwrap_or_else(PoisonError::into_inner);
    let (template, seeds, next) = (template(), seeds(), AtomicUsize::new(0));
    let (all, failed, begun) = (Mutex::new(Tally::default()), Mutex::new(Vec::new()), Instant::now());
    let alone = seeds.len() == 1;
    let work = || {
        while let Some(seed) = seeds.get(next.fetch_add(1, Ordering::SeqCst)) {
            match story::tell(&template, *seed, Ignore::default()) {
                Ok((tally, told)) => {
                    all.lock().unwrap().add(tally);
                    if alone {
                        told.iter().for_each(|event| println!("{event}"));
                    }
                }
                Err(why) => {
                    let _ = writeln!(std::io::stderr(), "{why}\n{}", reproduction(*seed));
                    failed.lock().unwrap().push(*seed);
                }
            }
        }
    };
    std::thread::scope(|scope| {
        let workers = std::thread::available_parallelism().map_or(1, usize::from);
        (0..workers).for_each(|_| drop(scope.spawn(work)));
    });
    let (tally, failed) = (*all.lock().unwrap(), failed.lock().unwrap().clone());
    let _ = writeln!(
        std::io::stderr(),
        "{} seeds in {} s: {tally:?}, lost 0, doubled 0, reordered 0, failed {}",
        seeds.len(),
        begun.elapsed().as_secs(),
        failed.len()
    );
    assert!(failed.is_empty(), "seeds {failed:?}; each alone by: {}", reproduction(failed[0]));
    if seeds.len() as u64 >= PLAIN_SEEDS {
        let count = seeds.len() as u64;
        assert!(tally.power_cuts + tally.kills > count && tally.faults_met > count && tally.cut_links > count);
        assert!(tally.acknowledged > 10 * count && tally.predicted > count && tally.cosigned > count, "{tally:?}");
    }
}

#[test]
fn the_same_seed_tells_the_same_story() {
    let told = |seed| story::tell(&template(), seed, Ignore::default()).unwrap().1;
    let _alone = TELLING.lock().unwrap_or_else(PoisonError::into_inner);
    for seed in [1, 2, 3, 5, 8] {
        let mut tellings: Vec<Vec<String>> = Vec::new();
        let same = (0..TELLINGS).any(|_| {
            let again = told(seed);
            let before = tellings.last().into_iter().flatten();
            if let Some((one, other)) = before.zip(&again).find(|(one, other)| one != other) {
                println!("seed {seed}: {one:?} and then {other:?}");
            }
            let same = tellings.contains(&again);
            tellings.push(again);
            same
        });
        assert!(same && tellings[0].len() > 50, "seed {seed}: {} events", tellings[0].len());
    }
    assert_ne!(told(1), told(2));
}

fn finds_a_loss(ignore: Ignore) -> bool {
    let template = template();
    (0..CONTROL_SEEDS).any(|seed| match story::tell(&template, seed, ignore) {
        Ok(_) => false,
        Err(why) => {
            println!("seed {seed} with {ignore:?}: {why}");
            // Somebody who was told more than there is says so, or the journal itself refuses what has holes.
            assert!(
                ["lost", "does not continue", "does not start", "checkpoint"].iter().any(|word| why.contains(word))
            );
            true
        }
    })
}

#[test]
fn without_the_syncs_of_files_the_same_stories_show_a_loss() {
    assert!(finds_a_loss(Ignore { syncs: true, ..Ignore::default() }));
}

#[test]
fn without_the_syncs_of_folders_the_same_stories_show_a_loss() {
    assert!(finds_a_loss(Ignore { dir_syncs: true, ..Ignore::default() }));
}

#[test]
fn with_a_disk_that_calls_done_what_failed_the_same_stories_show_a_loss() {
    assert!(finds_a_loss(Ignore { errors: true, ..Ignore::default() }));
}

/// The service on a copy of the template whose log has one byte changed by rot, if any.
fn starts_with_rot(seed: u64, rotten: bool) -> Result<(), String> {
    let template = template();
    let (dir, disk, mut dice) = (template.copy(), SimDisk::new(seed), Dice::new(seed));
    let config = Config::local(&dir.path().join("service"));
    template::put_on(&disk, &config.log_dir());
    let before = disk.contents(&config.log_dir());
    let (path, bytes) = before.iter().next().unwrap();
    // The last frame is a mark of 17 bytes, which no entry hangs on.
    let used = bytes.iter().rposition(|byte| *byte != 0).unwrap() - 17;
    if rotten {
        disk.flip(path, dice.below(used as u64) as usize, 1 << dice.below(8));
    }
    let found = disk.contents(&config.log_dir());
    let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build().unwrap();
    let clock = Arc::new(ScriptedClock::at(MORNING_MS));
    let opened = runtime.block_on(rinsebook_service::run::open_on(&config, clock, Arc::new(disk.clone())));
    if rotten {
        assert_eq!(disk.contents(&config.log_dir()), found, "seed {seed}: what rots is not changed");
    }
    opened.map(drop).map_err(|error| error.to_string())
}

#[test]
fn a_service_whose_log_rots_does_not_start_and_names_the_file() {
    starts_with_rot(0, false).unwrap();
    for seed in 0..40 {
        let why = starts_with_rot(seed, true).expect_err(&format!("seed {seed}"));
        assert!(why.contains(".seg"), "seed {seed}: {why}");
    }
}
