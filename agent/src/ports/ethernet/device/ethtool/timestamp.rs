//! Hardware time stamps: what the adapter can do, and what it is set to do.

use std::fmt;

use serde::{Deserialize, Serialize};

use super::{EthtoolError, Interface, sys::Request, word};

/// What the interface can stamp; filters and types are bit masks of `linux/net_tstamp.h`.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct TimestampCapabilities {
    /// Bits of `SO_TIMESTAMPING` that work here.
    pub so_timestamping: u32,
    /// Number of the adapter's clock, if it has one.
    pub clock: Option<u32>,
    /// Bit `1 << HWTSTAMP_TX_*` for each transmit type.
    pub transmit_types: u32,
    /// Bit `1 << HWTSTAMP_FILTER_*` for each receive filter.
    pub receive_filters: u32,
}

impl TimestampCapabilities {
    /// The adapter itself can stamp every frame it sends and every frame it receives.
    ///
    /// Filters for time protocols alone are of no use: probes are of another EtherType.
    pub fn stamps_all_in_hardware(&self) -> bool {
        let wanted = SOF_TX_HARDWARE | SOF_RX_HARDWARE | SOF_RAW_HARDWARE;
        self.so_timestamping & wanted == wanted
            && self.transmit_types & (1 << TX_ON) != 0
            && self.receive_filters & (1 << FILTER_ALL) != 0
    }
}

/// What the adapter is told to stamp (`struct hwtstamp_config`).
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Timestamping {
    /// `HWTSTAMP_FLAG_*`.
    pub flags: i32,
    /// `HWTSTAMP_TX_*`: 0 off, 1 on.
    pub transmit: i32,
    /// `HWTSTAMP_FILTER_*`: 0 none, 1 all.
    pub receive: i32,
}

impl Timestamping {
    /// Stamp every frame in both directions.
    pub const ALL: Self = Self { flags: 0, transmit: TX_ON, receive: FILTER_ALL };
    /// Stamp nothing.
    pub const OFF: Self = Self { flags: 0, transmit: 0, receive: 0 };
}

impl Interface {
    /// What can be stamped; `None` where the driver does not say.
    ///
    /// # Errors
    ///
    /// When the kernel does not answer.
    pub fn timestamp_capabilities(&self) -> Result<Option<TimestampCapabilities>, EthtoolError> {
        let mut request = Request::new(GET_TS_INFO, 44);
        let answer = self.control.ethtool(&mut request);
        Ok(self.ask("read the time stamp capabilities", answer)?.map(|_| parse(request.bytes())))
    }

    /// What is being stamped now; `None` where the driver cannot say.
    ///
    /// # Errors
    ///
    /// When the kernel does not answer.
    pub fn timestamping(&self) -> Result<Option<Timestamping>, EthtoolError> {
        let config = self.ask("read the time stamp filter", self.control.timestamping())?;
        Ok(config.map(|[flags, transmit, receive]| Timestamping { flags, transmit, receive }))
    }

    /// Tells the adapter what to stamp. Gives what it made of it, since a driver may stamp more than asked; `None`
    /// where it cannot or where no such filter exists.
    ///
    /// # Errors
    ///
    /// Without CAP_NET_ADMIN, or when the driver fails.
    pub fn set_timestamping(&self, wanted: Timestamping) -> Result<Option<Timestamping>, EthtoolError> {
        let answer = match self.control.set_timestamping([wanted.flags, wanted.transmit, wanted.receive]) {
            // "ERANGE: the requested packets can't be time stamped" (timestamping.rst).
            Err(error) if error.raw_os_error() == Some(libc::ERANGE) => return Ok(None),
            other => other,
        };
        let config = self.tell("change the time stamp filter", &wanted, answer)?;
        Ok(config.map(|[flags, transmit, receive]| Timestamping { flags, transmit, receive }))
    }
}

impl fmt::Display for Timestamping {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "transmit type {}, receive filter {}", self.transmit, self.receive)
    }
}

/// Reads `struct ethtool_ts_info`: cmd, so_timestamping, phc_index, tx_types, 3 reserved, rx_filters, 3 reserved.
fn parse(bytes: &[u8]) -> TimestampCapabilities {
    TimestampCapabilities {
        so_timestamping: word(bytes, 4),
        clock: u32::try_from(word(bytes, 8).cast_signed()).ok(),
        transmit_types: word(bytes, 12),
        receive_filters: word(bytes, 28),
    }
}

/// linux/ethtool.h.
const GET_TS_INFO: u32 = 0x41;
/// `SOF_TIMESTAMPING_TX_HARDWARE`, linux/net_tstamp.h.
const SOF_TX_HARDWARE: u32 = 1;
/// `SOF_TIMESTAMPING_RX_HARDWARE`, linux/net_tstamp.h.
const SOF_RX_HARDWARE: u32 = 4;
/// `SOF_TIMESTAMPING_RAW_HARDWARE`, linux/net_tstamp.h.
const SOF_RAW_HARDWARE: u32 = 0x40;
/// `HWTSTAMP_TX_ON`, linux/net_tstamp.h.
const TX_ON: i32 = 1;
/// `HWTSTAMP_FILTER_ALL`, linux/net_tstamp.h.
const FILTER_ALL: i32 = 1;

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn an_adapter_that_stamps_only_a_time_protocol_does_not_stamp_all() {
        let mut request = Request::new(GET_TS_INFO, 44);
        request.put(4, 0x45);
        request.put(12, 0b11);
        // Bit 12 is HWTSTAMP_FILTER_PTP_V2_EVENT (net_tstamp.h), bit 1 HWTSTAMP_FILTER_ALL.
        request.put(28, 1 << 12 | 1);
        assert!(!parse(request.bytes()).stamps_all_in_hardware());
        request.put(28, 0b11);
        assert!(parse(request.bytes()).stamps_all_in_hardware());
        assert_eq!(parse(request.bytes()).clock, Some(0));
        request.put(8, u32::MAX);
        assert_eq!(parse(request.bytes()).clock, None, "-1 is no clock");
    }
}
