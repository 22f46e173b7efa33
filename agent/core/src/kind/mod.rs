//! The kinds of port. What only one kind knows stands in its folder; the other files here list the kinds.

pub mod ethernet;
pub mod rig;
pub mod serial;
pub mod wiring;
