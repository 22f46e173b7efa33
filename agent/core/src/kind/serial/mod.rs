//! Serial ports, which carry bytes: format and modem lines, the probe and its stream, the facts of a run and the rules
//! on them, plugs, and a simulated port.

pub mod detail;
pub mod facts;
pub mod figures;
pub mod format;
pub mod plug;
pub mod probe;
pub mod rules;
pub mod sim;
pub mod stream;
pub mod wiring;
