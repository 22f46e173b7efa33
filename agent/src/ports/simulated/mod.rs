//! Simulated ports: a rig in virtual time behind the same seam as a real port.

pub mod ethernet;
pub mod rig;
pub mod serial;

use turnback_core::kind::rig::AnyRig;

pub use self::rig::load;
use self::{ethernet::SimulatedPort, serial::SimulatedLine};
use super::{error::PortError, port::Port};

/// The port of the rig that `what` (the part after `sim:`) names, of either kind.
///
/// # Errors
/// As for [`load`].
pub fn open(what: &str, seed: u64) -> Result<Box<dyn Port>, PortError> {
    Ok(of(&load(what)?, format!("sim:{what}"), seed))
}

/// The port of a rig at hand, under this name.
pub fn of(rig: &AnyRig, name: String, seed: u64) -> Box<dyn Port> {
    match rig {
        AnyRig::Frames(rig) => Box::new(SimulatedPort::of(rig, name, seed)),
        AnyRig::Serial(rig) => Box::new(SimulatedLine::new(name, rig, seed)),
    }
}
