//! The rules as sentences, by family.

mod answers;
mod authority;
mod corrections;
mod devices;
mod forks;
mod joints;
mod properties;
mod sign_off;
mod story;
mod timing;
mod unsure;
mod water;
