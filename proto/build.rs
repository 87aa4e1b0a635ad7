//! Generates the messages from the .proto files; no protoc is needed.

use std::path::Path;

fn main() -> Result<(), Box<dyn std::error::Error>> {
    let files = ["fact", "intake", "items", "ledger", "records", "roster"].map(|f| format!("rinsebook/v1/{f}.proto"));
    for file in &files {
        println!("cargo:rerun-if-changed={file}");
    }
    let descriptors = protox::compile(&files, ["."])?;
    let out = std::env::var("OUT_DIR")?;
    std::fs::write(Path::new(&out).join("descriptors.bin"), prost::Message::encode_to_vec(&descriptors))?;
    prost_build::Config::new().compile_fds(descriptors)?;
    Ok(())
}
