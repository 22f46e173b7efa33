//! Isolates a fault: carries a case through, stage by stage, for the terminal, the page and the API alike. What follows
//! from the stages is decided in [`turnback_core::document::case`].

use crate::{
    archive::record::short_id,
    guard::lock::{LockError, PortLock},
};

pub mod error;
pub mod port;
pub mod runner;
pub mod stage;
pub mod take_up;

#[cfg(test)]
mod tests;

/// Held by whoever changes a case: two at once would each write down what the other did not do.
///
/// # Errors
/// [`LockError::Held`] while somebody else is at work on it.
pub fn lock(case: &str) -> Result<PortLock, LockError> {
    PortLock::named(&format!("case {}", short_id(case)), &format!("case/{case}"))
}
