//! What each part of a fact's way allocates: `cargo bench -p rinsebook-tests --bench allocations`. A wash of 76 facts goes
//! through whole; the first ones, which grow tables, are not counted.
#![allow(clippy::print_stdout)] // It is what it is for.

use std::alloc::System;

use rinsebook_tests::fleet::FACTS_A_WASH;
use rinsebook_tests::measure::Hot;
use stats_alloc::{INSTRUMENTED_SYSTEM, Region, StatsAlloc};

#[global_allocator]
static COUNTED: &StatsAlloc<System> = &INSTRUMENTED_SYSTEM;

const WASHES: u64 = 50;

#[derive(Default)]
struct Counted {
    times: usize,
    bytes: usize,
}

impl Counted {
    /// Runs it, and counts what was allocated meanwhile.
    fn count<T>(&mut self, part: impl FnOnce() -> T) -> T {
        let region = Region::new(COUNTED);
        let result = part();
        let change = region.change();
        self.times += change.allocations + change.reallocations;
        self.bytes += change.bytes_allocated;
        result
    }

    fn print(&self, name: &str) {
        let facts = (WASHES * FACTS_A_WASH) as f64;
        println!("{name}: {:.1} allocations, {:.0} bytes a fact", self.times as f64 / facts, self.bytes as f64 / facts);
    }
}

fn main() -> anyhow::Result<()> {
    let mut hot = Hot::new(76)?;
    let [mut admission, mut desk, mut log, mut projection] = std::array::from_fn(|_| Counted::default());
    for wash in 0..WASHES + 8 {
        if wash == 8 {
            [admission, desk, log, projection] = std::array::from_fn(|_| Counted::default());
        }
        let message = hot.message();
        let checked = admission.count(|| hot.check(message))?;
        let decided = desk.count(|| hot.judge(checked))?;
        let committed = log.count(|| hot.write(decided))?;
        projection.count(|| hot.project(committed));
    }
    admission.print("admission");
    desk.print("desk");
    log.print("log");
    projection.print("projection");
    Ok(())
}
