//! The rules as sentences, by family.

mod answers;
mod any_order;
mod authority;
mod breaches;
mod checks;
mod defects;
mod devices;
mod hands;
mod joints;
mod latches;
mod properties;
mod recalls;
mod repairs;
mod sign_off;
mod tools;
mod water;
