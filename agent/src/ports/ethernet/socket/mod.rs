//! Raw Ethernet frames out of one interface and back, over Linux packet sockets.
//!
//! Read in this order: `frame` (what goes out and what comes in), `sender`, `ring` (where everything arrives), `stamp`
//! (clocks), `vnet` (what an adapter computes), `spread` (which queue a frame takes), `error`. `packet` holds what all
//! kinds of socket have in common, and `sys` every unsafe line.
//!
//! One ring hears echoes and foreign frames alike. A second socket for the foreign ones was tried and given up: turning
//! each probe away there costs an echo a twentieth of its time, an echo whose EtherType was damaged would be found out
//! of its order, and its frames would carry no stamp of the kernel's. What the one ring gives up is told at
//! [`RingOptions::ethertype`].
//!
//! Three rules hold for both. A socket is made with protocol 0, set up, and bound to its interface last, so that no
//! frame of another interface slips in. Our own outgoing copies are never handed on: they would make a port without a
//! plug look healthy (`spread` hands them on, marked as what they are). A full queue is a count, an interface that went
//! away is a named error, and neither is a panic or a hang.

mod error;
mod frame;
mod packet;
mod ring;
mod sender;
mod spread;
mod stamp;
mod sys;
mod vnet;

use std::io;

pub use error::SocketError;
pub use frame::{Addressee, RawFrame, VlanTag};
pub use ring::{BLOCK_BYTES, Drops, EVERY_ETHERTYPE, FrameRing, RETIRE_MS, Received, Reception, RingOptions};
pub use sender::{FrameSender, Queue, Refusal, SenderOptions, Sent, Stamped};
pub use spread::{On, Seen, SpreadSockets};
pub use stamp::Clock;
pub use turnback_core::kind::ethernet::{
    probe::{ETHERTYPE as PROBE_ETHERTYPE, HEADER_BYTES},
    stream::Outgoing,
};
pub use vnet::{Asks, Came, OffloadSocket, Segments};

/// Index of the interface called `name` in the network namespace of the calling thread.
///
/// # Errors
/// [`SocketError::InterfaceGone`] when there is no such interface, [`SocketError::System`] for anything else.
pub fn interface_index(name: &str) -> Result<u32, SocketError> {
    sys::interface_index(name).map_err(|source| match source.kind() {
        io::ErrorKind::NotFound => SocketError::InterfaceGone { interface: name.to_owned() },
        _ => SocketError::System { interface: name.to_owned(), action: "look up the interface", source },
    })
}
