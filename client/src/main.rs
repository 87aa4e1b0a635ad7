//! The command line of rinsebook.

use std::process::ExitCode;

/// As in the service's program.
#[global_allocator]
static ALLOCATOR: tikv_jemallocator::Jemalloc = tikv_jemallocator::Jemalloc;

fn main() -> ExitCode {
    rinsebook_client::command::main()
}
