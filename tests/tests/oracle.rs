//! The rules against a slow and obvious model of them, on random histories.
//!
//! The plain form tells the same stories every time, so that a change is judged and not the dice; `RINSEBOOK_NIGHTLY` tells
//! more of them, and others each night. `RINSEBOOK_SEED` tells those of that seed.

#![allow(clippy::print_stdout)] // It prints its seed.

use proptest::test_runner::{
    Config, FileFailurePersistence, RngAlgorithm, TestCaseError, TestError, TestRng, TestRunner,
};

use rinsebook_proto::bytes::Hash;
use rinsebook_proto::fact::Kind;
use rinsebook_proto::rules::History;
use rinsebook_tests::slow::compare::{by_the_model, by_the_rules};
use rinsebook_tests::slow::facts::Book;
use rinsebook_tests::slow::shop::{PROCEDURE, Shop, id};
use rinsebook_tests::slow::story::{Ask, Step, story};
use rinsebook_tests::slow::telling::tell;

fn seed() -> u64 {
    let seed = std::env::var("RINSEBOOK_SEED").ok().and_then(|s| s.parse().ok());
    let nightly = std::env::var_os("RINSEBOOK_NIGHTLY").is_some();
    let other = || std::time::UNIX_EPOCH.elapsed().unwrap().as_nanos() as u64;
    let seed = seed.unwrap_or_else(|| if nightly { other() } else { 2031 });
    println!("RINSEBOOK_SEED={seed}");
    seed
}

fn runner(cases: u32, nightly_cases: u32) -> TestRunner {
    let nightly = std::env::var_os("RINSEBOOK_NIGHTLY").is_some();
    let config = Config {
        cases: if nightly { nightly_cases } else { cases },
        failure_persistence: Some(Box::new(FileFailurePersistence::Direct("tests/oracle.regressions"))),
        max_shrink_iters: 0,
        ..Config::default()
    };
    let bytes = Hash::of(&seed().to_le_bytes()).0;
    TestRunner::new_with_rng(config, TestRng::from_seed(RngAlgorithm::ChaCha, &bytes))
}

/// What happened in a story, one line a fact, to read beside two answers that differ.
fn told(shop: &Shop) -> String {
    let start = shop.recorded.iter().position(|r| r.received_ms >= rinsebook_tests::slow::shop::MORNING_MS);
    let lines = shop.recorded[start.unwrap_or(0)..].iter().map(|r| {
        let header = r.fact.header();
        let refers: Vec<String> = header.refers.iter().map(Hash::short).collect();
        let kind = r.fact.kind().map(|k| format!("{k:?}")).unwrap_or_default();
        let kind: String = kind.chars().take(400).collect();
        format!(
            "{} {} at {} came {} seen {} key {} names {refers:?}: {kind}",
            r.index,
            r.fact.hash().short(),
            header.happened_ms,
            r.received_ms,
            header.seen.size,
            header.author_key.short(),
        )
    });
    lines.collect::<Vec<_>>().join("\n")
}

/// A question as it is put: size, time, supposed start.
#[derive(Debug, Clone, Copy)]
struct Put {
    size: u64,
    time_s: u64,
    planned_s: Option<u64>,
}

fn put(shop: &Shop, book: &Book, ask: &Ask) -> Put {
    let mut size = (shop.history.size() * ask.size_per_mille / 1000).max(1);
    // Whether a correction waits for its agreement is left to other tests: both are known, or neither.
    let corrects = |size: u64| matches!(shop.recorded[size as usize - 1].fact.kind(), Some(Kind::Corrected(_)));
    while size < shop.history.size() && corrects(size) {
        size += 1;
    }
    let nearest = book.known_at(size).facts.iter().rev().nth(ask.fact).map(|f| f.happened_s);
    let time_s = nearest.unwrap_or(shop.now_ms / 1000).saturating_add_signed(ask.offset_s);
    Put { size, time_s, planned_s: ask.planned_in_s.map(|s| time_s + s) }
}

/// Where the two answers differ, if they do.
fn difference(shop: &Shop, book: &Book, put: Put) -> Option<String> {
    let book = book.known_at(put.size);
    let (time_ms, planned_ms) = (put.time_s * 1000, put.planned_s.map(|s| s * 1000));
    ["aircraft one", "aircraft two"].map(id).into_iter().find_map(|aircraft| {
        let rules = by_the_rules(&shop.history, &aircraft, put.size, time_ms, planned_ms);
        let model = by_the_model(&book, &aircraft, put.time_s, put.planned_s);
        let only_rules: Vec<_> = rules.difference(&model).collect();
        let only_model: Vec<_> = model.difference(&rules).collect();
        let asked = format!("{put:?} of {}", aircraft.short());
        (rules != model).then(|| format!("{asked}:\nonly the rules: {only_rules:#?}\nonly the model: {only_model:#?}"))
    })
}

/// The first question that is answered differently, and whether it was put to all that the log holds.
fn first_difference(steps: &[Step], asks: &[Ask]) -> Option<(Put, bool, String)> {
    let shop = tell(steps);
    let book = Book::of(&shop.recorded, &[PROCEDURE]);
    asks.iter().find_map(|ask| {
        let put = put(&shop, &book, ask);
        difference(&shop, &book, put).map(|different| (put, put.size == shop.history.size(), different))
    })
}

/// The difference that a question to a story shows.
fn shows(steps: &[Step], put: Put, whole: bool) -> Option<String> {
    let shop = tell(steps);
    let size = if whole { shop.history.size() } else { put.size.min(shop.history.size()) };
    difference(&shop, &Book::of(&shop.recorded, &[PROCEDURE]), Put { size, ..put })
}

/// Leaves out what the difference does not need: halves, quarters and so on to single steps, whose time passes all the
/// same.
fn shortened(mut steps: Vec<Step>, put: Put, whole: bool) -> Vec<Step> {
    let mut length = steps.len().div_ceil(2);
    loop {
        let mut at = 0;
        while at < steps.len() {
            let mut fewer = steps.clone();
            let gone: Vec<Step> = fewer.drain(at..(at + length).min(steps.len())).collect();
            if let Some(next) = fewer.get_mut(at) {
                next.pause.ms += gone.iter().map(|s| s.pause.ms).sum::<u64>();
            }
            if shows(&fewer, put, whole).is_some() {
                steps = fewer;
            } else {
                at += length;
            }
        }
        if length <= 1 {
            return steps;
        }
        length = length.div_ceil(2);
    }
}

#[test]
fn the_rules_and_a_slow_model_of_them_answer_alike() {
    let outcome = runner(500, 20_000).run(&story(), |(steps, asks)| match first_difference(&steps, &asks) {
        Some((.., different)) => Err(TestCaseError::fail(different)),
        None => Ok(()),
    });
    match outcome {
        Ok(()) => {}
        Err(TestError::Fail(_, (steps, asks))) => {
            let (put, whole, different) = first_difference(&steps, &asks).expect("it differed");
            let steps = shortened(steps, put, whole);
            let different = shows(&steps, put, whole).unwrap_or(different);
            let what: Vec<String> = steps.iter().map(|s| format!("{s:?}")).collect();
            panic!("{different}\n{}\n{}", what.join("\n"), told(&tell(&steps)));
        }
        Err(aborted) => panic!("{aborted}"),
    }
}

/// Entries that change an answer about an aircraft whose answers they are not said to touch; gives how often one was said to
/// touch nothing.
fn untold_changes(shop: &Shop) -> Result<u64, TestCaseError> {
    let mut quiet = 0;
    let text = Hash::of(PROCEDURE.as_bytes());
    let mut history = History::new();
    for recorded in &shop.recorded {
        history.add(recorded.clone(), &|digest| (*digest == text).then(|| PROCEDURE.as_bytes().to_vec()));
        let (index, time_ms) = (recorded.index, recorded.received_ms);
        let (touched, heard_again) = (history.aircraft_touched(index), history.is_heard_again(index));
        for aircraft in ["aircraft one", "aircraft two"].map(id) {
            let before = history.state(&aircraft, index, time_ms);
            let told = if heard_again { before.devices_heard_until_ms.is_some() } else { touched.contains(&aircraft) };
            if told {
                continue;
            }
            quiet += 1;
            let after = history.state(&aircraft, index + 1, time_ms);
            let same = before.items == after.items && before.findings == after.findings;
            proptest::prop_assert!(same, "entry {index}, {}: {before:#?} and then {after:#?}", aircraft.short());
        }
    }
    Ok(quiet)
}

#[test]
fn an_entry_changes_no_answer_but_of_the_aircraft_that_it_is_said_to_touch() {
    let quiet = std::cell::Cell::new(0);
    let outcome = runner(40, 2_000).run(&story(), |(steps, _)| {
        quiet.set(quiet.get() + untold_changes(&tell(&steps))?);
        Ok(())
    });
    outcome.unwrap_or_else(|failed| panic!("{failed}"));
    println!("{} times an entry was said to touch nothing on an aircraft", quiet.get());
    assert!(quiet.get() > 100);
}
