//! Generates the client side of the gRPC services; the messages are those of rinsebook-proto.

fn main() -> Result<(), Box<dyn std::error::Error>> {
    let files = ["intake", "items", "ledger", "records", "roster"].map(|f| format!("rinsebook/v1/{f}.proto"));
    println!("cargo:rerun-if-changed=../proto/rinsebook/v1");
    let descriptors = protox::compile(&files, ["../proto"])?;
    tonic_prost_build::configure()
        .build_server(false)
        .extern_path(".rinsebook.v1", "::rinsebook_proto::v1")
        .compile_fds(descriptors)?;
    Ok(())
}
