//! The inner loops by themselves: `cargo bench -p rinsebook-tests --bench inner`. Each is given a wash of 76 facts.

use criterion::{BatchSize, Criterion, Throughput};
use rinsebook_proto::bytes::Hash;
use rinsebook_proto::journal::{self, Journal, Options, RealDisk};
use rinsebook_proto::tree::{Tree, leaf_hash};
use rinsebook_tests::fleet::FACTS_A_WASH;
use rinsebook_tests::measure::Hot;
use std::sync::Arc;

/// Form and strict signature of a wash's facts.
fn admission(c: &mut Criterion) {
    let mut hot = Hot::new(76).expect("a small log");
    let message = hot.message();
    let mut group = c.benchmark_group("admission");
    group.throughput(Throughput::Elements(FACTS_A_WASH));
    group.bench_function("check_all", |b| {
        b.iter_batched(|| message.clone(), |items| hot.check(items).expect("well formed"), BatchSize::SmallInput);
    });
    group.finish();
}

/// A wash's facts taken into the history.
fn fold(c: &mut Criterion) {
    let mut hot = Hot::new(76).expect("a small log");
    let mut group = c.benchmark_group("fold");
    group.throughput(Throughput::Elements(FACTS_A_WASH));
    group.bench_function("history", |b| {
        b.iter_custom(|times| {
            let mut spent = std::time::Duration::ZERO;
            for _ in 0..times {
                let message = hot.message();
                let checked = hot.check(message).expect("well formed");
                let decided = hot.judge(checked).expect("admitted");
                let committed = hot.write(decided).expect("written");
                let begun = std::time::Instant::now();
                hot.project(committed);
                spent += begun.elapsed();
            }
            spent
        });
    });
    group.finish();
}

/// A group framed and written into memory, where a sync costs nothing.
fn frame(c: &mut Criterion) {
    let memory = std::path::Path::new("/dev/shm");
    let dir = if memory.is_dir() { tempfile::tempdir_in(memory) } else { tempfile::tempdir() }.expect("a folder");
    let options = Options::new(journal::Kind::Log);
    let open = Journal::create_or_open(Arc::new(RealDisk), &dir.path().join("log"), options, |_| Ok::<_, String>(()));
    let (mut journal, _) = open.expect("a new log");
    let records = vec![vec![7u8; 900]; 64];
    let mut group = c.benchmark_group("frame");
    group.throughput(Throughput::Elements(64));
    group.bench_function("append", |b| {
        b.iter(|| journal.append(journal.next_index(), [0; 32], &records, b"note").expect("written"));
    });
    group.finish();
}

/// A leaf of 900 bytes hashed and added to a tree of a million.
fn tree_append(c: &mut Criterion) {
    let mut tree = Tree::default();
    (0..1_000_000u32).for_each(|n| tree.push(Hash::of(&n.to_be_bytes())));
    let data = vec![7u8; 900];
    let mut group = c.benchmark_group("tree");
    group.throughput(Throughput::Elements(1));
    group.bench_function("append", |b| b.iter(|| tree.push(leaf_hash(std::hint::black_box(&data)))));
    group.bench_function("root", |b| b.iter(|| std::hint::black_box(&tree).root(tree.size())));
    group.finish();
}

fn main() {
    let mut criterion = Criterion::default().sample_size(20).configure_from_args();
    [admission, fold, frame, tree_append].iter().for_each(|measure| measure(&mut criterion));
    criterion.final_summary();
}
