//! Ethernet ports: what the kernel and the driver tell about them, and what may be changed.

pub mod ethtool;
pub mod netlink;
