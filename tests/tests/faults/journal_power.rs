//! Power cuts and kills at any moment, the recovery included.

use crate::recorder::{Recorder, ReopenError, scan_all};
use rinsebook_proto::journal::JournalError;
use rinsebook_tests::world::disk::{Call, Fate, Ignore};

const SEEDS: u64 = 200;
const ROUNDS: u64 = 8;

#[derive(Debug, Default)]
struct Tally {
    power_cuts: u64,
    kills: u64,
    acknowledged: u64,
    torn_tails: u64,
    interrupted_rolls: u64,
}

/// Opens, records and is stopped at some change to the disk, again and again.
fn story(seed: u64, ignore: Ignore, tally: &mut Tally) -> Result<(), ReopenError> {
    let mut recorder = Recorder::new(seed);
    recorder.disk.ignore(ignore);
    for _ in 0..ROUNDS {
        recorder.disk.stop_after(recorder.dice.below(60));
        match recorder.reopen() {
            // Stopped while opening: the machine had gone before the program could say anything.
            Err(ReopenError::Refused(JournalError::Io { .. })) => {}
            Err(other) => return Err(other),
            Ok(recovered) => {
                tally.torn_tails += u64::from(recovered.torn_bytes_cut > 0);
                tally.interrupted_rolls += u64::from(recovered.roll_interrupted);
                record_until_stopped(&mut recorder);
            }
        }
        if recorder.dice.once_in(4) {
            recorder.disk.kill();
            tally.kills += 1;
        } else {
            recorder.disk.power_cut();
            tally.power_cuts += 1;
        }
    }
    recorder.reopen()?;
    let found = scan_all(&recorder.disk).map_err(ReopenError::Refused)?;
    assert_eq!(found.records, recorder.acknowledged.len() as u64, "seed {seed}");
    tally.acknowledged += found.records;
    Ok(())
}

fn record_until_stopped(recorder: &mut Recorder) {
    for _ in 0..40 {
        let stopped = recorder.record().is_err() || (recorder.dice.once_in(4) && recorder.mark().is_err());
        if stopped {
            return;
        }
    }
}

/// What the check of the stories found with a protection taken away.
#[derive(Debug, Default)]
struct Losses {
    stories_with_loss: u64,
    records_lost: u64,
    /// Stories in which the journal itself saw that something is missing.
    refused: u64,
}

fn losses(ignore: Ignore) -> Losses {
    let mut found_in_all = Losses::default();
    for seed in 0..SEEDS {
        match story(seed, ignore, &mut Tally::default()) {
            Ok(()) => {}
            Err(ReopenError::Lost { acknowledged, found }) => {
                found_in_all.stories_with_loss += 1;
                found_in_all.records_lost += acknowledged.saturating_sub(found) as u64;
            }
            Err(_) => found_in_all.refused += 1,
        }
    }
    found_in_all
}

#[test]
fn what_was_acknowledged_survives_every_power_cut_and_kill() {
    let mut tally = Tally::default();
    for seed in 0..SEEDS {
        if let Err(error) = story(seed, Ignore::default(), &mut tally) {
            panic!("seed {seed}: {error:?}");
        }
    }
    println!("{SEEDS} seeds: {tally:?}, lost: 0");
    assert!(tally.power_cuts > 1000 && tally.kills > 200, "{tally:?}");
    assert!(tally.torn_tails > 20 && tally.interrupted_rolls > 20 && tally.acknowledged > 5000, "{tally:?}");
}

#[test]
fn without_the_syncs_of_files_the_same_check_finds_losses() {
    let found = losses(Ignore { syncs: true, ..Ignore::default() });
    println!("{SEEDS} seeds without file syncs: {found:?}");
    assert!(found.stories_with_loss > 0 && found.records_lost > 0, "{found:?}");
}

#[test]
fn without_the_syncs_of_the_folder_the_same_check_finds_losses() {
    let found = losses(Ignore { dir_syncs: true, ..Ignore::default() });
    println!("{SEEDS} seeds without folder syncs: {found:?}");
    assert!(found.stories_with_loss > 0 && found.records_lost > 0, "{found:?}");
}

/// A group whose sync fails and is truly lost, though it is still seen.
fn with_a_lost_sync() -> Recorder {
    let mut recorder = Recorder::new(7);
    recorder.reopen().unwrap();
    recorder.record_these(vec![b"kept".to_vec()]).unwrap();
    recorder.disk.fail(Some(Call::Sync), 0, Fate::Lost);
    recorder.record_these(vec![b"doubtful".to_vec()]).unwrap_err();
    recorder.disk.kill();
    recorder
}

#[test]
fn a_group_that_is_seen_after_a_failed_sync_is_written_again_before_it_counts() {
    let mut recorder = with_a_lost_sync();
    let recovered = recorder.reopen().unwrap();
    assert_eq!((recovered.records, recovered.records_rewritten), (2, 1));
    for _ in 0..5 {
        recorder.disk.power_cut();
        recorder.reopen().unwrap();
        assert_eq!(recorder.acknowledged, [b"kept".to_vec(), b"doubtful".to_vec()]);
    }
}

#[test]
fn without_being_written_again_the_same_group_is_gone_after_a_power_cut() {
    let mut recorder = with_a_lost_sync();
    recorder.disk.power_cut();
    recorder.reopen().unwrap();
    assert_eq!(recorder.acknowledged, [b"kept".to_vec()]);
}

#[test]
fn each_call_of_recording_that_fails_breaks_the_journal_and_loses_nothing_acknowledged() {
    let mut failed = 0;
    for fate in [Fate::Lost, Fate::Saved] {
        for skipped in 0.. {
            let mut recorder = Recorder::new(11);
            recorder.reopen().unwrap();
            recorder.disk.fail(None, skipped, fate);
            let broken = (0..14).any(|_| recorder.record().is_err() || recorder.mark().is_err());
            if recorder.disk.failure_is_pending() {
                assert!(!broken, "call {skipped} {fate:?}");
                break;
            }
            assert!(broken, "call {skipped} {fate:?}: an error of the disk was swallowed");
            failed += 1;
            recorder.record_these(vec![b"more".to_vec()]).unwrap_err();
            recorder.mark().unwrap_err();
            check_after_failure(recorder, skipped, fate);
        }
    }
    println!("{failed} failed calls");
    assert!(failed > 100);
}

#[test]
fn a_program_killed_at_each_call_goes_on_from_what_the_cache_shows_and_then_survives_a_power_cut() {
    for seed in 0..12 {
        for changes in 0..45 {
            let mut recorder = Recorder::new(seed);
            recorder.reopen().unwrap();
            recorder.disk.stop_after(changes);
            while recorder.record().is_ok() && recorder.mark().is_ok() {}
            check_after_failure(recorder, changes, Fate::Lost);
        }
    }
}

/// The program starts anew over what the cache shows, records more, and then the power fails.
fn check_after_failure(mut recorder: Recorder, skipped: u64, fate: Fate) {
    recorder.disk.kill();
    for round in 0..3 {
        if let Err(error) = recorder.reopen() {
            panic!("call {skipped} {fate:?}, round {round}: {error:?}");
        }
        recorder.record().unwrap();
        recorder.disk.power_cut();
    }
    recorder.reopen().unwrap();
    scan_all(&recorder.disk).unwrap();
}

#[test]
fn each_call_of_an_opening_that_fails_refuses_the_opening_and_loses_nothing() {
    let mut failed = 0;
    for fate in [Fate::Lost, Fate::Saved] {
        for skipped in 0.. {
            // A roll that stops before its seal leaves an opening the most to do.
            let mut recorder = stopped_before_a_seal();
            recorder.disk.fail(None, skipped, fate);
            let opened = recorder.reopen();
            if recorder.disk.failure_is_pending() {
                opened.unwrap();
                break;
            }
            assert!(matches!(opened, Err(ReopenError::Refused(JournalError::Io { .. }))), "call {skipped} {fate:?}");
            failed += 1;
            check_after_failure(recorder, skipped, fate);
        }
    }
    println!("{failed} failed calls");
    assert!(failed >= 10);
}

fn stopped_before_a_seal() -> Recorder {
    let mut recorder = Recorder::new(13);
    recorder.reopen().unwrap();
    recorder.disk.fail(Some(Call::SyncDir), 0, Fate::Lost);
    while recorder.record().is_ok() {}
    recorder.disk.kill();
    recorder
}
