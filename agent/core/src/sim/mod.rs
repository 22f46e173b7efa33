//! What simulated rigs of every kind share: the file they are read from, the cable, when a fault shows, and what a
//! person can arrange at a rig. The simulated ports themselves stand with their kind.

pub mod cable;
pub mod chance;
pub mod file;
pub mod setup;
pub mod value;
