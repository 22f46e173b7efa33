//! Tests the cards of a lot on a bench, and grades them.
//!
//! [`lot`] opens and finds lots, [`plugs`] knows the plugs, [`runner`] carries out the tests of a card on a bench, and
//! [`asking`] is what it asks and tells meanwhile.
//! [`seam`] is what it asks of one: [`RealBench`] is this computer with its cards, `simulated` a bench in virtual time.
//! Everything is written to the archive before and after each test: whatever ends the program, it goes on at the test
//! that was cut off.

mod all_ports;
pub mod asking;
mod at_once;
mod checks;
mod data;
pub mod error;
pub mod expected;
mod hands;
mod looks;
pub mod lot;
mod numbers;
mod placing;
pub mod plugs;
mod real;
pub mod runner;
pub mod seam;
mod simulated;
#[cfg(test)]
mod testing;

use crate::guard::lock::PortLock;
pub use crate::ports::cards::CardEntry;
pub use error::BenchError;
pub use real::{RealBench, names};

/// Taken by whoever tests the cards of this computer, for as long as it does: two at once would pull plugs out of each
/// other's cards.
///
/// # Errors
/// [`BenchError::Busy`].
pub fn only_one() -> Result<PortLock, BenchError> {
    PortLock::named("the bench", "bench").map_err(BenchError::Busy)
}
