//! The deciding and counting half of turnback.
//!
//! Nothing in this crate reads a clock, opens a socket or a file, or starts a thread: time, bytes and randomness are
//! arguments. The crate that touches the world is `turnback`.
#![forbid(unsafe_code)]

pub mod stats;
