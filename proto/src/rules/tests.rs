//! The rules as sentences, by family.

mod answers;
mod authority;
mod devices;
mod joints;
mod properties;
mod sign_off;
mod water;
