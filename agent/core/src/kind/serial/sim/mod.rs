//! A simulated serial port with its chip, line driver, cable, plug and host, in virtual time.
//!
//! [`SerialRig`] says what there is and what is wrong with it, [`SerialWorld`] is such a rig at work.
//! What the plug's wires do is written here anew, from the same published joins, so that rules and rigs check each
//! other.

pub mod builtin;
mod chip;
mod fault;
mod inverted;
pub mod rig;
#[cfg(test)]
mod tests;
mod world;

pub use chip::Item;
pub use rig::SerialRig;
pub use world::SerialWorld;
