//! The service's command line.

use std::process::ExitCode;

/// Facts are parsed on one thread and let go on another, which costs the C library's allocator a tenth of all time.
#[global_allocator]
static ALLOCATOR: mimalloc::MiMalloc = mimalloc::MiMalloc;

fn main() -> ExitCode {
    rinsebook_service::command::main()
}
