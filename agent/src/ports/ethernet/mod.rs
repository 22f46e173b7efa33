//! Ethernet ports on Linux.
//!
//! [`port`] is the port the engine drives, and `halves` its two halves as a runner drives them. [`socket`] moves raw
//! frames; [`device`] tells what kernel and driver know; [`service`] says whether the port is in use; [`settings`] are
//! what a run may change.

pub mod device;
mod halves;
mod offload;
pub mod port;
mod queue;
mod sample;
pub mod service;
pub mod settings;
pub mod socket;
