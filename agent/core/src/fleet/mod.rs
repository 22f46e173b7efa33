//! What machines tell the fleet: subjects, and the messages that are no documents.
//!
//! A document (run, case, card test, lot) travels as it is stored. [`heartbeat`] says that a machine lives, [`state`]
//! what it holds of its ports. [`subject`] names where each goes. [`request`] goes the other way: a check that somebody
//! asks of a machine.

pub mod heartbeat;
pub mod request;
pub mod state;
pub mod subject;

/// Version of heartbeats and states. It grows by one when a field changes its meaning or goes; new fields do not change
/// it.
pub const FORMAT: u32 = 1;
