//! The daemon (`turnback agent`): keeps spare ports proven for months on a machine that does other work.
//!
//! The [`supervisor`] starts runs by the configured schedule on ports of the [`host`] (this machine, or the demo's
//! harbour). It enters what they find into the logbook, and [`announce`] tells the targets of changes. [`status`] holds
//! everything that is known now, and [`queue`] says who goes next. [`agent`] lists what page, API and control socket
//! may ask; [`running`] answers; [`keys`] knows who may. [`mod@fleet`] sends what is recorded to the machine's fleet.
//! [`mod@bench`] tests the cards of a lot. [`service`] puts the parts together.

pub mod agent;
pub mod announce;
pub mod bench;
pub mod budget;
pub mod cases;
pub mod control;
pub mod error;
pub mod fleet;
pub mod happenings;
pub mod host;
pub mod keys;
pub mod queue;
pub mod rate;
pub mod review;
pub mod running;
pub mod service;
pub mod status;
pub mod supervisor;
mod sys;

#[cfg(test)]
mod tests;
