//! What the kernel and the driver say of an interface, and what they can be told.

pub mod bus;
pub mod card;
pub mod counters;
pub mod ethtool;
pub mod interrupts;
pub mod netlink;
