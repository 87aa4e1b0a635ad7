//! Every kept input goes through its target again, without a fuzzer.

use std::collections::BTreeSet;
use std::fs;
use std::path::{Path, PathBuf};

use rinsebook_fuzz::TARGETS;
use rinsebook_fuzz::seeds::seeds;

/// What a file of the corpus may have.
const MOST_FILE_BYTES: u64 = 4096;
const MOST_FILES: usize = 48;

fn fuzz() -> &'static Path {
    Path::new(env!("CARGO_MANIFEST_DIR"))
}

fn names(folder: &Path) -> BTreeSet<String> {
    let listed = fs::read_dir(folder).unwrap_or_else(|e| panic!("{}: {e}", folder.display()));
    listed.map(|entry| entry.unwrap().file_name().into_string().unwrap()).collect()
}

fn kept(target: &str) -> Vec<PathBuf> {
    let folder = fuzz().join("corpus").join(target);
    names(&folder).iter().map(|name| folder.join(name)).collect()
}

#[test]
fn every_kept_input_passes_and_each_target_takes_some_and_refuses_some() {
    for (name, target) in TARGETS {
        let (mut taken, mut refused) = (0, 0);
        for file in kept(name) {
            println!("{}", file.display());
            if target(&fs::read(&file).unwrap()) { taken += 1 } else { refused += 1 }
        }
        assert!(taken > 0 && refused > 0, "{name}: {taken} taken, {refused} refused");
    }
}

#[test]
fn every_seed_is_kept_as_it_is_made() {
    for seed in seeds() {
        let file = fuzz().join("corpus").join(seed.target).join(&seed.name);
        let kept = fs::read(&file).unwrap_or_else(|e| panic!("{}: {e}", file.display()));
        assert!(kept == seed.bytes, "{}: write the seeds anew with the example `seeds`", file.display());
    }
}

#[test]
fn each_reader_takes_what_the_seeds_hold() {
    for seed in seeds() {
        let (_, target) = TARGETS.iter().find(|(name, _)| *name == seed.target).unwrap();
        assert_eq!(target(&seed.bytes), seed.name != "seed-torn", "{} {}", seed.target, seed.name);
    }
}

#[test]
fn every_target_has_a_fuzzer_and_a_small_corpus_and_there_are_no_others() {
    let targets: BTreeSet<String> = TARGETS.iter().map(|(name, _)| (*name).to_owned()).collect();
    let fuzzers = names(&fuzz().join("fuzz_targets"));
    assert_eq!(fuzzers, targets.iter().map(|name| format!("{name}.rs")).collect());
    assert_eq!(names(&fuzz().join("corpus")), targets);
    for target in targets {
        let files = kept(&target);
        assert!(files.len() <= MOST_FILES, "{target} has {} files", files.len());
        for file in files {
            assert!(fs::metadata(&file).unwrap().len() <= MOST_FILE_BYTES, "{} is too long", file.display());
        }
    }
}
