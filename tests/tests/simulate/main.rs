//! The whole service on a simulated disk and a simulated clock, real stations that send to it over TLS, a planner who asks,
//! and a witness who keeps every checkpoint, while the power fails, programs are killed, the disk refuses, fills and tears,
//! and the clock jumps. What was acknowledged predicts the log and the planner's answer.
//!
//! One seed decides the disk, the clock and the order of events. Sockets are those of the loopback, and keys are made
//! anew for each run of the tests: neither decides what is expected.
#![allow(clippy::print_stdout)] // It prints its figures.

mod check;
mod world;

use rinsebook_tests::world::disk::Ignore;
use world::{Tally, Template, World};

const PLAIN_SEEDS: u64 = 8;
const NIGHTLY_SEEDS: u64 = 500;
const EVENTS: u32 = 12;
/// Seeds tried with a protection taken away: one of them has to show the loss.
const CONTROL_SEEDS: u64 = 40;

/// The seed asked for alone; else those kept, and as many new ones as the form of the run says.
fn seeds() -> Vec<u64> {
    if let Some(seed) = std::env::var("RINSEBOOK_SEED").ok().and_then(|seed| seed.parse().ok()) {
        return vec![seed];
    }
    let kept =
        include_str!("../../seeds/kept.txt").lines().filter_map(|line| line.split('#').next()?.trim().parse().ok());
    let new = if std::env::var_os("RINSEBOOK_NIGHTLY").is_some() { NIGHTLY_SEEDS } else { PLAIN_SEEDS };
    kept.chain(0..new).collect()
}

async fn story(template: &mut Template, seed: u64, ignore: Ignore, tally: &mut Tally) -> Result<(), String> {
    let mut world = World::begin(template, seed, ignore).await?;
    for _ in 0..EVENTS {
        world.event(tally).await?;
    }
    world.end(tally).await
}

#[tokio::test(flavor = "multi_thread")]
async fn nothing_acknowledged_is_lost_doubled_or_reordered_and_the_open_items_are_those_expected() {
    let mut template = Template::make().await;
    let (seeds, mut tally) = (seeds(), Tally::default());
    for seed in &seeds {
        if let Err(why) = story(&mut template, *seed, Ignore::default(), &mut tally).await {
            panic!("{why}\nRINSEBOOK_SEED={seed} cargo test -p rinsebook-tests --test simulate");
        }
    }
    println!("{} seeds: {tally:?}, lost 0, doubled 0, reordered 0", seeds.len());
    if seeds.len() as u64 >= NIGHTLY_SEEDS {
        assert!(tally.power_cuts > 100 && tally.kills > 30 && tally.faults_met > 50, "{tally:?}");
        assert!(tally.acknowledged > 1_000 && tally.answers > 200 && tally.full_disks > 20, "{tally:?}");
    }
}

async fn finds_a_loss(ignore: Ignore) -> bool {
    let mut template = Template::make().await;
    for seed in 0..CONTROL_SEEDS {
        if let Err(why) = story(&mut template, seed, ignore, &mut Tally::default()).await {
            println!("seed {seed} with {ignore:?}: {why}");
            return true;
        }
    }
    false
}

#[tokio::test(flavor = "multi_thread")]
async fn without_the_syncs_of_files_the_same_stories_show_a_loss() {
    assert!(finds_a_loss(Ignore { syncs: true, dir_syncs: false }).await);
}

#[tokio::test(flavor = "multi_thread")]
async fn without_the_syncs_of_the_folder_the_same_stories_show_a_loss() {
    assert!(finds_a_loss(Ignore { syncs: false, dir_syncs: true }).await);
}
