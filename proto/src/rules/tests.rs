//! The rules as sentences, by family.

mod answers;
mod authority;
mod corrections;
mod devices;
mod joints;
mod properties;
mod sign_off;
mod water;
