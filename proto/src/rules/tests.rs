//! The rules as sentences, by family.

mod answers;
mod area;
mod authority;
mod corrections;
mod devices;
mod forks;
mod joints;
mod motoring;
mod properties;
mod readings;
mod release;
mod revisions;
mod scope;
mod shift;
mod sign_off;
mod story;
mod timing;
mod unsure;
mod waiting;
mod water;
