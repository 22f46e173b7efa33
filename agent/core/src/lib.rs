//! The deciding and counting half of turnback.
//!
//! Nothing in this crate reads a clock, opens a socket or a file, or starts a thread: time, bytes and randomness are
//! arguments. The crate that touches the world is `turnback`.
#![forbid(unsafe_code)]

pub mod caution;
pub mod compare;
pub mod counters;
pub mod ledger;
pub mod link;
pub mod pattern;
pub mod probe;
pub mod rng;
pub mod sim;
pub mod stats;
pub mod stream;
pub mod time;
pub mod wiring;
