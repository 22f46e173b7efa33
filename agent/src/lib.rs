//! The half of turnback that touches the world.
//!
//! [`ports`] reaches ports, [`guard`] keeps them from harm, [`engine`] drives a run over them, [`store`] keeps what it found,
//! [`output`] prints, [`page`] and [`plot`] make pages and drawings of reports, and [`cli`] is the program. What is decided
//! and counted is in `turnback_core`.

pub mod case;
mod causes;
pub mod cli;
pub mod config;
pub mod daemon;
pub mod engine;
pub mod guard;
pub mod http;
pub mod metrics;
pub mod output;
pub mod page;
pub mod plot;
pub mod ports;
pub mod store;

#[cfg(test)]
mod testing;
