//! The world in which rinsebook is tested: what the tests share.

pub mod issuer;
pub mod record;
pub mod scenario;
pub mod slow;
pub mod web;
pub mod world;

pub use rinsebook_client::demo::shop;
