//! Isolates a fault: carries a case through, stage by stage, for the terminal, the page and the API alike. What follows
//! from the stages is decided in [`turnback_core::document::case`].

pub mod error;

pub mod port;
pub mod runner;
pub mod stage;
pub mod take_up;

#[cfg(test)]
mod tests;
