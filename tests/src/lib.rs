//! The world in which rinsebook is tested: what the tests share.

pub mod book;
pub mod browser;
pub mod door;
pub mod fetch;
pub mod fleet;
pub mod folder;
pub mod holds;
pub mod http;
pub mod issuer;
pub mod load;
pub mod measure;
pub mod mounted;
pub mod operator;
pub mod outside;
pub mod person;
pub mod program;
pub mod record;
pub mod scenario;
pub mod slow;
pub mod web;
pub mod wire;
pub mod world;

pub use rinsebook_client::demo::shop;
