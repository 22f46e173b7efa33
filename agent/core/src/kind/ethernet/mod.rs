//! Ports that carry frames: the probe and its stream, counters and link, the facts of a run and the rules on them, and
//! a simulated port.

pub mod cable_test;
pub mod counters;
pub mod detail;
pub mod facts;
pub mod figures;
pub mod link;
pub mod losses;
pub mod probe;
pub mod rules;
pub mod sim;
pub mod stream;
pub mod transceiver;
pub mod wiring;
