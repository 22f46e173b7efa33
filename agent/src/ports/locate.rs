//! Finding a port in the rack by its light.

use std::time::Duration;

use super::ethernet::device::ethtool::Interface;
pub use super::ethernet::device::ethtool::{EthtoolError, Support};

/// Blinks the light of an Ethernet port for so long, where its driver can.
///
/// # Errors
/// No such interface, missing rights, or a driver that fails.
pub fn blink(port: &str, time: Duration) -> Result<Support, EthtoolError> {
    Interface::open(port)?.blink(time)
}
