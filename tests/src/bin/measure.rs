//! Figures as ratios; see [`rinsebook_tests::measure`].

fn main() -> anyhow::Result<()> {
    rinsebook_tests::measure::main(&std::env::args().skip(1).collect::<Vec<_>>())
}
