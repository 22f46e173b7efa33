//! The deciding and counting half of turnback.
//!
//! Nothing in this crate reads a clock, opens a socket or a file, or starts a thread. Time, bytes and randomness are
//! arguments. The crate that touches the world is `turnback`.
//!
//! In reading order: [`base`] (numbers, times and labels), [`stats`] (functions on samples), [`signal`] (patterns, and
//! what is wrong with what came back), [`judge`] (rules and verdicts), [`kind`] (everything that only frames or only
//! bytes have), [`plan`] and [`event`] (what a run will do, and what it says meanwhile), [`mod@bench`] (cards tested by
//! the lot), [`document`] (what is kept and shown), [`watch`] (what is remembered of a port) and [`fleet`] (what
//! machines tell the fleet). [`sim`] holds what simulated rigs of every kind share.
#![forbid(unsafe_code)]

pub mod base;
pub mod bench;
pub mod document;
pub mod event;
pub mod fleet;
pub mod judge;
pub mod kind;
pub mod plan;
pub mod signal;
pub mod sim;
pub mod stats;
pub mod watch;
