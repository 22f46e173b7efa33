//! Tests the cards of a lot on a bench, and grades them.
//!
//! [`lot`] opens and finds lots, [`plugs`] knows the plugs, [`runner`] carries out the tests of a card on a bench.
//! [`seam`] is what it asks of one: [`RealBench`] is this computer with its cards, `simulated` a bench in virtual time.
//! Everything is written to the archive before and after each test: whatever ends the program, it goes on at the test
//! that was cut off.

mod data;
pub mod error;
mod hands;
mod looks;
pub mod lot;
mod numbers;
pub mod plugs;
mod real;
pub mod runner;
pub mod seam;
mod simulated;
#[cfg(test)]
mod testing;

pub use crate::ports::cards::CardEntry;
pub use error::BenchError;
pub use real::RealBench;
