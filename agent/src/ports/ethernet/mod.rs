//! Ethernet ports on Linux.
//!
//! [`port`] is the port the engine drives. `socket` moves raw frames; `ethtool`, `netlink`, `counters` and `bus` tell what
//! kernel and driver know; `service` judges whether the port is in use; `setting` is the only way anything is changed.
//! `bare_loop` measures what the sockets can do when nothing is checked.

pub mod bare_loop;
pub mod device;
pub mod port;
pub mod service;
pub mod settings;
pub mod socket;
