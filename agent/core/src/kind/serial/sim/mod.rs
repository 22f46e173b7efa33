//! A simulated serial port with its chip, line driver, cable, plug and host, in virtual time.
//!
//! [`SerialRig`] says what there is and what is wrong with it, [`SerialWorld`] is such a rig at work. What the plug's wires do is
//! written here anew, from the same published joins, and not taken from those who judge.

pub mod builtin;
mod chip;
pub mod rig;
#[cfg(test)]
mod tests;
mod world;

pub use rig::SerialRig;
pub use world::{Item, SerialWorld};
