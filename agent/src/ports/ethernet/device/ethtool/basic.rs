//! What every interface has: index, flags, MTU, hardware addresses.

use std::fmt;

use serde::{Deserialize, Serialize};

use super::{EthtoolError, Interface, Support, sys::Request, word};

/// A hardware address, printed as six octets in hexadecimal with colons.
#[derive(Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(into = "String", try_from = "String")]
pub struct MacAddress(pub [u8; 6]);

impl Interface {
    /// The index in its network namespace, positive.
    ///
    /// # Errors
    ///
    /// [`EthtoolError::NoInterface`] once the interface has gone.
    pub fn index(&self) -> Result<u32, EthtoolError> {
        self.control.index().map(i32::cast_unsigned).map_err(|error| self.error("read the index", error))
    }

    /// Whether the interface is switched on by its administrator (`IFF_UP`).
    ///
    /// # Errors
    ///
    /// When the kernel does not answer.
    pub fn is_up(&self) -> Result<bool, EthtoolError> {
        Ok(self.flags()? & UP != 0)
    }

    /// Whether the interface has a carrier and is ready (`IFF_RUNNING`); false while it is switched off.
    ///
    /// # Errors
    ///
    /// When the kernel does not answer.
    pub fn is_running(&self) -> Result<bool, EthtoolError> {
        Ok(self.flags()? & RUNNING != 0)
    }

    /// Switches the interface on or off. Off takes IPv6 addresses and routes with it, which come back as configured
    /// by whoever manages them; an interface under test has none.
    ///
    /// # Errors
    ///
    /// Without CAP_NET_ADMIN, or when the driver fails.
    pub fn set_up(&self, up: bool) -> Result<Support, EthtoolError> {
        let flags = self.flags()?;
        let wanted = if up { flags | UP } else { flags & !UP };
        let value = if up { "up" } else { "down" };
        Ok(self.tell("change the state", &value, self.control.set_flags(wanted))?.into())
    }

    /// The largest payload of a frame in octets, without Ethernet header and FCS.
    ///
    /// # Errors
    ///
    /// When the kernel does not answer.
    pub fn mtu(&self) -> Result<u32, EthtoolError> {
        self.control.mtu().map(i32::cast_unsigned).map_err(|error| self.error("read the MTU", error))
    }

    /// Sets the MTU in octets.
    ///
    /// # Errors
    ///
    /// Without CAP_NET_ADMIN, or when the driver refuses the size.
    pub fn set_mtu(&self, mtu: u32) -> Result<Support, EthtoolError> {
        let size = i32::try_from(mtu).unwrap_or(i32::MAX);
        Ok(self.tell("change the MTU", &mtu, self.control.set_mtu(size))?.into())
    }

    /// The current hardware address; `None` when the interface is not of the Ethernet kind.
    ///
    /// # Errors
    ///
    /// When the kernel does not answer.
    pub fn address(&self) -> Result<Option<MacAddress>, EthtoolError> {
        let (kind, octets) = self.control.address().map_err(|error| self.error("read the address", error))?;
        Ok((kind == libc::ARPHRD_ETHER).then_some(MacAddress(octets)))
    }

    /// The address the adapter was made with; `None` where the driver has none (virtual interfaces).
    ///
    /// # Errors
    ///
    /// When the kernel does not answer.
    pub fn permanent_address(&self) -> Result<Option<MacAddress>, EthtoolError> {
        // struct ethtool_perm_addr: cmd, size, octets. 32 is the longest address the kernel has (MAX_ADDR_LEN).
        let mut request = Request::new(GPERMADDR, 8 + 32);
        request.put(4, 32);
        let answer = self.control.ethtool(&mut request);
        Ok(self.ask("read the permanent address", answer)?.and_then(|_| permanent(request.bytes())))
    }

    fn flags(&self) -> Result<u16, EthtoolError> {
        self.control.flags().map_err(|error| self.error("read the state", error))
    }
}

fn permanent(bytes: &[u8]) -> Option<MacAddress> {
    let octets: [u8; 6] = *bytes.get(8..)?.first_chunk()?;
    (word(bytes, 4) == 6 && octets != [0; 6]).then_some(MacAddress(octets))
}

impl fmt::Display for MacAddress {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let [a, b, c, d, e, g] = self.0;
        write!(f, "{a:02x}:{b:02x}:{c:02x}:{d:02x}:{e:02x}:{g:02x}")
    }
}

impl fmt::Debug for MacAddress {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        fmt::Display::fmt(self, f)
    }
}

impl From<MacAddress> for String {
    fn from(address: MacAddress) -> Self {
        address.to_string()
    }
}

impl TryFrom<String> for MacAddress {
    type Error = String;

    fn try_from(text: String) -> Result<Self, String> {
        let wrong = || format!("hardware address {text:?} is not six octets in hexadecimal with colons");
        let mut octets = [0; 6];
        let mut parts = text.split(':');
        for octet in &mut octets {
            let part = parts.next().filter(|part| part.len() == 2 && part.bytes().all(|b| b.is_ascii_hexdigit()));
            *octet = part.and_then(|part| u8::from_str_radix(part, 16).ok()).ok_or_else(wrong)?;
        }
        if parts.next().is_some() { Err(wrong()) } else { Ok(Self(octets)) }
    }
}

/// `IFF_UP`, linux/if.h.
const UP: u16 = 1;
/// `IFF_RUNNING`, linux/if.h.
const RUNNING: u16 = 0x40;
/// linux/ethtool.h.
const GPERMADDR: u32 = 0x20;

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn an_address_reads_back_as_it_prints() {
        let address = MacAddress([0x02, 0, 0x5e, 0x10, 0xff, 9]);
        assert_eq!(address.to_string(), "02:00:5e:10:ff:09");
        assert_eq!(MacAddress::try_from(address.to_string()), Ok(address));
        for wrong in
            ["", "02:00:5e:10:ff", "02:00:5e:10:ff:09:00", "2:0:5e:10:ff:9", "0g:00:5e:10:ff:09", "+2:00:5e:10:ff:09"]
        {
            assert!(MacAddress::try_from(wrong.to_owned()).is_err(), "{wrong}");
        }
    }

    #[test]
    fn no_permanent_address_is_none() {
        let mut request = Request::new(GPERMADDR, 40);
        assert_eq!(permanent(request.bytes()), None);
        request.put(4, 6);
        assert_eq!(permanent(request.bytes()), None, "all zeros is no address");
        request.put_bytes(8, &[2, 1, 2, 3, 4, 5]);
        assert_eq!(permanent(request.bytes()), Some(MacAddress([2, 1, 2, 3, 4, 5])));
        assert_eq!(permanent(&[]), None);
    }
}
