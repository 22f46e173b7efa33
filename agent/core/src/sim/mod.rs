//! What simulated rigs of every kind share: the file they are read from, and what a hand can arrange at one. The
//! simulated ports themselves stand with their kind.

pub mod file;
pub mod place;
pub mod setup;
