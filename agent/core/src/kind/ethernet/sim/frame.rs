//! What goes between a simulated port and whoever uses it: a frame that came in, and the answer to one handed over.

use crate::base::time::Nanos;

/// One frame as the host gets it.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Delivery<'a> {
    /// The frame, without FCS.
    pub bytes: &'a [u8],
    /// When its end reached the adapter, on the world's clock.
    pub at: Nanos,
    /// Whether the frame check sequence fitted; `None` unless the port was told to deliver frames that failed the
    /// check.
    pub fcs_right: Option<bool>,
}

/// What the port said to a frame handed to it.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Accept {
    /// It is in the transmit queue.
    Taken,
    /// The transmit queue is full; [`World::next_free_at`](super::World::next_free_at) says until when.
    Full,
    /// There is no link.
    LinkDown,
}
