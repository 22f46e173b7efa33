//! The half of turnback that touches the world.
//!
//! [`ports`] reaches ports, [`guard`] keeps them from harm, [`engine`] drives a run over them, [`work`] carries out a
//! kind of work from end to end, [`archive`] keeps what was found, [`show`] prints and draws it, [`daemon`] works by a
//! schedule, [`fleet`] collects from many machines, and [`cli`] is the program. What is decided and counted is in
//! `turnback_core`.

#[macro_use]
mod tell;
pub mod archive;
pub mod cli;
pub mod config;
pub mod daemon;
pub mod engine;
mod error_chain;
pub mod fleet;
pub mod guard;
pub mod http;
pub mod metrics;
pub mod ports;
pub mod secret;
pub mod show;
pub mod work;

#[cfg(test)]
mod testing;
