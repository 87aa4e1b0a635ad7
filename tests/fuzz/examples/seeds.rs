//! Writes the seeds into `corpus`. Needed when a format or a seed has changed:
//! `cargo run --no-default-features --example seeds` in `tests/fuzz`.

fn main() -> std::io::Result<()> {
    let corpus = std::path::Path::new(env!("CARGO_MANIFEST_DIR")).join("corpus");
    for seed in rinsebook_fuzz::seeds::seeds() {
        let folder = corpus.join(seed.target);
        std::fs::create_dir_all(&folder)?;
        std::fs::write(folder.join(seed.name), seed.bytes)?;
    }
    Ok(())
}
