//! Simulated ports: a rig in virtual time behind the same seam as a real port.

pub mod ethernet;
pub mod serial;
