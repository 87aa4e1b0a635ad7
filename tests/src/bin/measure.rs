//! Figures as ratios; see [`rinsebook_tests::measure`].

/// As in the programs that this one measures.
#[global_allocator]
static ALLOCATOR: tikv_jemallocator::Jemalloc = tikv_jemallocator::Jemalloc;

fn main() -> anyhow::Result<()> {
    rinsebook_tests::measure::main(&std::env::args().skip(1).collect::<Vec<_>>())
}
