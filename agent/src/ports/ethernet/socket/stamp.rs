//! Clocks that a time stamp can come from, and the adapter's own stamping.

use std::{
    fmt,
    time::{SystemTime, UNIX_EPOCH},
};

use super::{SocketError, packet::PacketSocket, sys};

/// Which clock a time stamp was read from, nearest to the wire first.
///
/// Stamps of two clocks may be subtracted only if both are `Kernel` or `Program`, which read the same system time at
/// different places. An adapter counts on its own.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Clock {
    /// The adapter stamped it at the wire.
    Adapter,
    /// The kernel stamped it: just before a frame goes to the adapter, just after one came up.
    Kernel,
    /// This program did, system call and scheduling included.
    Program,
}

impl Clock {
    /// One word for reports.
    pub fn name(self) -> &'static str {
        match self {
            Self::Adapter => "adapter",
            Self::Kernel => "kernel",
            Self::Program => "program",
        }
    }
}

impl fmt::Display for Clock {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.pad(self.name())
    }
}

/// A moment, and the clock it was read from.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Stamp {
    /// Nanoseconds: since 1970 for kernel and program, of the adapter's own count for the adapter.
    pub at_ns: u64,
    /// Which clock.
    pub clock: Clock,
}

/// The program's clock now: system time (CLOCK_REALTIME, the one the kernel stamps with) in nanoseconds since 1970.
pub fn now_ns() -> u64 {
    SystemTime::now().duration_since(UNIX_EPOCH).map_or(0, |since| u64::try_from(since.as_nanos()).unwrap_or(u64::MAX))
}

/// What the adapter is told to stamp by itself: a setting of the device, shared by all programs.
///
/// Write down what [`AdapterStamping::read`] gives before [`AdapterStamping::apply`], and put it back at the end.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct AdapterStamping {
    /// `tx_type` of linux/net_tstamp.h: 0 off, 1 on.
    pub transmit: i32,
    /// `rx_filter` of linux/net_tstamp.h: 0 none, 1 all, others for some protocols only.
    pub filter: i32,
}

impl AdapterStamping {
    /// Every frame, both ways: what a latency measurement asks for.
    pub const ALL: Self = Self { transmit: libc::HWTSTAMP_TX_ON as i32, filter: libc::HWTSTAMP_FILTER_ALL as i32 };

    /// What the adapter does now.
    ///
    /// # Errors
    /// [`SocketError::NotSupported`] when it cannot stamp, or the driver does not say.
    pub fn read(ifindex: u32) -> Result<Self, SocketError> {
        let packet = PacketSocket::open(ifindex)?;
        sys::hardware_stamping(packet.socket(), &packet.current_name()?)
            .map_err(|source| packet.error("read the adapter's time stamping", source))
    }

    /// Sets it, and returns what the driver made of it: it may widen the filter.
    ///
    /// # Errors
    /// [`SocketError::NotSupported`] when the adapter cannot, [`SocketError::NotPermitted`] without CAP_NET_ADMIN.
    pub fn apply(self, ifindex: u32) -> Result<Self, SocketError> {
        let packet = PacketSocket::open(ifindex)?;
        sys::set_hardware_stamping(packet.socket(), &packet.current_name()?, self).map_err(|source| {
            let interface = packet.interface().to_owned();
            match source.raw_os_error() {
                Some(libc::EPERM) => SocketError::NotPermitted {
                    interface,
                    action: "set the adapter's time stamping",
                    capability: "CAP_NET_ADMIN",
                },
                // ERANGE: timestamping.rst, "if the requested filter cannot be satisfied".
                Some(libc::ERANGE) => SocketError::NotSupported { interface, action: "stamp every frame" },
                _ => packet.error("set the adapter's time stamping", source),
            }
        })
    }
}
