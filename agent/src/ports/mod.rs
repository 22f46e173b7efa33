//! The ports a run can test, and what this machine has of them.

pub mod ethernet;
pub mod inventory;
