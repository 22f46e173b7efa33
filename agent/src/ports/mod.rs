//! The ports of this machine behind one seam: what can be tested, and how frames or bytes get out of a port and back.
//!
//! Read in this order: [`name`] and [`open`] lead from what a person types to a port; [`port`] is the seam; [`runner`]
//! carries out a step of frames. [`changes`] is the only way a setting is changed, and [`restore`] restores what a
//! killed run left changed. [`ethernet`] drives real interfaces, [`serial`] serial lines, [`simulated`] a rig in
//! virtual time; [`inventory`] lists the ports that the machine has, [`cards`]
//! its network cards.

pub mod cards;
pub mod changes;
pub mod clock;
pub mod departure;
pub mod error;
pub mod ethernet;
pub mod inventory;
pub mod locate;
pub mod name;
pub mod open;
pub mod port;
pub mod restore;
pub mod runner;
pub mod serial;
pub mod simulated;

pub use departure::Departure;
pub use error::PortError;
pub use port::{Applied, Disturbance, FramePort, Interface, Line, Port, Received, ServiceReason, Way};
