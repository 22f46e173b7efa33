//! Ethernet ports: what the kernel and the driver tell about them, and what may be changed.

pub mod bus;
pub mod counters;
pub mod ethtool;
pub mod netlink;
pub mod service;
pub mod setting;
