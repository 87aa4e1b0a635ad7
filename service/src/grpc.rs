//! The five services: parse, ask, convert, and nothing more.

pub mod intake;
pub mod items;
pub mod ledger;
pub mod records;
pub mod roster;
pub mod told;
