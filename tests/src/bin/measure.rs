//! Figures as ratios; see [`rinsebook_tests::measure`].

/// As in the service's program, which this one is too, where it measures it.
#[global_allocator]
static ALLOCATOR: mimalloc::MiMalloc = mimalloc::MiMalloc;

fn main() -> anyhow::Result<()> {
    rinsebook_tests::measure::main(&std::env::args().skip(1).collect::<Vec<_>>())
}
