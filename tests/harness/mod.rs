//! What tests need to build a world of their own.

pub mod browser;
pub mod desk;
pub mod disk;
pub mod fleet;
pub mod netns;
pub mod program;
pub mod pty;
pub mod recorded;
pub mod rigs;
pub mod setting;
pub mod skip;
pub mod web;
