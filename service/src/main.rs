//! The service's command line.

use std::process::ExitCode;

/// Facts are parsed on one thread and let go on another; this one does that at little cost, and gives back what it does not
/// need any more.
#[global_allocator]
static ALLOCATOR: tikv_jemallocator::Jemalloc = tikv_jemallocator::Jemalloc;

fn main() -> ExitCode {
    rinsebook_service::command::main()
}
