//! Ethernet ports on Linux.
//!
//! `socket` moves raw frames, `bare_loop` measures what those sockets can do when nothing is checked.

pub mod bare_loop;
pub mod socket;
