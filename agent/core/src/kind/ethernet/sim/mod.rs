//! A simulated port, line, plug and host in virtual time.
//!
//! [`Rig`] says what there is and what is wrong with it; [`World`] is a rig at work. A world is pure: its time moves when
//! it is told, its chance comes from one seed, and two worlds that are told the same do the same. [`serial`] has the same for a
//! serial port.

mod builtin;
mod fault;
mod link;
pub mod rig;
mod span;
#[cfg(test)]
mod tests;
mod world;

use crate::base::time::Nanos;

pub use builtin::{BUILTIN, builtin};
pub use fault::FaultCount;
pub use rig::Rig;
pub use span::ClearSpan;
pub use world::World;

/// One frame as the host gets it.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Delivery<'a> {
    /// The frame, without FCS.
    pub bytes: &'a [u8],
    /// When its end reached the adapter, on the world's clock.
    pub at: Nanos,
    /// Whether the frame check sequence fitted; `None` unless the port was told to deliver frames that failed the check.
    pub fcs_right: Option<bool>,
}

/// What the port said to a frame handed to it.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Accept {
    /// It is in the transmit queue.
    Taken,
    /// The transmit queue is full; [`World::next_free_at`] says until when.
    Full,
    /// There is no link.
    LinkDown,
}
