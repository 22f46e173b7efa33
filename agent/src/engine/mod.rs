//! Drives a run: [`check`] is the way of a whole check, [`gather`] keeps what it brings, [`cancel`] ends it by hand.

pub mod cancel;
pub mod ethernet;
pub mod serial;
