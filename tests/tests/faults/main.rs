//! Faults, and what becomes of acknowledged records under them. Each check has a control in which the protection is taken
//! away and the same check has to fail.

#![expect(clippy::print_stdout, reason = "the tests print the figures that they count")]

mod controls;
mod journal;
mod journal_power;
mod recorder;
