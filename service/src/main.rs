//! The service's command line.

use std::process::ExitCode;

fn main() -> ExitCode {
    rinsebook_service::command::main()
}
