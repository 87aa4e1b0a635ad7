//! The command line of rinsebook.

use std::process::ExitCode;

fn main() -> ExitCode {
    rinsebook_client::command::main()
}
