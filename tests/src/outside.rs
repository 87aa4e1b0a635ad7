//! The programs under `tests/outside`, which share no code with us.

use std::process::{Command, Output};

/// Runs one of them.
///
/// # Panics
/// Where no Python with their modules is named.
pub fn python(program: &str, arguments: &[&str]) -> Output {
    let python = std::env::var("RINSEBOOK_PYTHON").expect(
        "RINSEBOOK_PYTHON names a Python with the modules of tests/outside/requirements.txt; tests/run sets it",
    );
    let program = format!("{}/outside/{program}", env!("CARGO_MANIFEST_DIR"));
    Command::new(python).arg(program).args(arguments).output().expect("the program starts")
}
