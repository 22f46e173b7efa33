//! The half of turnback that touches the world.
//!
//! [`ports`] reaches ports, [`guard`] keeps them from harm, [`engine`] drives a run over them, [`output`] prints, and
//! [`cli`] is the program. What is decided and counted is in `turnback_core`.

pub mod cli;
pub mod config;
pub mod daemon;
pub mod engine;
pub mod guard;
pub mod http;
pub mod metrics;
pub mod output;
pub mod ports;

#[cfg(test)]
mod testing;
