//! Hears what somebody on this host does to one interface, as it happens: also what is over before the next look.

use std::io::{ErrorKind, Read};

use socket2::Socket;

use super::{
    NEWADDR, NEWLINK, NEWROUTE, NetlinkError, link, message, open,
    route::{self, Address, Route},
    sys,
};
use crate::ports::ethernet::device::ethtool::basic::MacAddress;

/// Subscribed to the kernel's notices about interfaces, addresses and routes of this network namespace.
#[derive(Debug)]
pub struct Monitor {
    socket: Socket,
    interface: Interface,
}

/// What is watched, as it was when watching began.
#[derive(Clone, Copy, Debug)]
struct Interface {
    index: u32,
    mtu: u32,
    address: Option<MacAddress>,
}

/// What was heard.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Heard {
    /// The interface was switched off, or its MTU or address is another: whatever failed meanwhile says nothing of the
    /// line.
    pub reconfigured: bool,
    /// Something that may mean service: an address, a route, a master, an interface on top. Ask again what there is.
    pub perhaps_in_service: bool,
}

impl Monitor {
    /// Listens from now on.
    ///
    /// # Errors
    /// When the kernel does not let us subscribe.
    pub fn open(interface: &link::LinkFacts) -> Result<Self, NetlinkError> {
        let failed = |source| NetlinkError::Socket { what: "notices", source };
        let socket = open(libc::NETLINK_ROUTE).map_err(failed)?;
        sys::join(&socket, &GROUPS).map_err(failed)?;
        socket.set_nonblocking(true).map_err(failed)?;
        let interface = Interface { index: interface.index, mtu: interface.mtu, address: interface.address };
        Ok(Self { socket, interface })
    }

    /// What was heard since the last call; never waits.
    ///
    /// # Errors
    /// When the socket fails.
    pub fn heard(&mut self) -> Result<Heard, NetlinkError> {
        let mut heard = Heard::default();
        let mut buffer = vec![0; super::BUFFER_BYTES];
        loop {
            match self.socket.read(&mut buffer) {
                Ok(length) => self.interface.sort(&buffer[..length], &mut heard),
                Err(error) if error.kind() == ErrorKind::WouldBlock => return Ok(heard),
                Err(error) if error.kind() == ErrorKind::Interrupted => {}
                // The kernel had more notices than room: what was missed is to be asked for.
                Err(error) if error.raw_os_error() == Some(libc::ENOBUFS) => heard.perhaps_in_service = true,
                Err(source) => return Err(NetlinkError::Socket { what: "notices", source }),
            }
        }
    }
}

impl Interface {
    /// Adds what a buffer of notices says about this interface.
    fn sort(&self, buffer: &[u8], heard: &mut Heard) {
        for notice in message::messages(buffer) {
            match notice.kind {
                NEWLINK => {
                    let Some(facts) = link::parse(notice.body) else { continue };
                    if facts.index == self.index {
                        heard.reconfigured |= !facts.is_up() || facts.mtu != self.mtu || facts.address != self.address;
                        heard.perhaps_in_service |= facts.master.is_some() || facts.xdp;
                    }
                    heard.perhaps_in_service |= facts.lower == Some(self.index) || facts.master == Some(self.index);
                }
                NEWADDR => {
                    let address: Option<Address> = route::parse_address(notice.body);
                    heard.perhaps_in_service |= address.is_some_and(|a| a.interface == self.index);
                }
                NEWROUTE => {
                    let routes: Vec<Route> = route::parse_route(notice.body);
                    heard.perhaps_in_service |= routes.iter().any(|r| r.interface == self.index);
                }
                _ => {}
            }
        }
    }
}

/// `RTNLGRP_LINK`, `RTNLGRP_IPV4_IFADDR`, `RTNLGRP_IPV4_ROUTE`, `RTNLGRP_IPV6_IFADDR`, `RTNLGRP_IPV6_ROUTE`,
/// linux/rtnetlink.h.
const GROUPS: [u32; 5] = [1, 5, 7, 9, 11];

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::{super::message::put_attribute, *};

    const QUAY7: Interface = Interface { index: 7, mtu: 1500, address: Some(MacAddress([2, 0, 0, 0, 0, 7])) };

    /// `struct ifinfomsg` and attributes (linux/rtnetlink.h, linux/if_link.h): 3 name, 1 address, 4 MTU, 10 master.
    fn notice(index: u32, flags: u32, mtu: u32, last: u8, master: Option<u32>) -> Vec<u8> {
        let mut body = vec![0, 0, 1, 0];
        body.extend(index.to_ne_bytes());
        body.extend(flags.to_ne_bytes());
        body.extend([0; 4]);
        put_attribute(&mut body, 3, b"quay7\0");
        put_attribute(&mut body, 1, &[2, 0, 0, 0, 0, last]);
        put_attribute(&mut body, 4, &mtu.to_ne_bytes());
        if let Some(master) = master {
            put_attribute(&mut body, 10, &master.to_ne_bytes());
        }
        message::request(NEWLINK, 0, 0, &body)
    }

    fn heard(buffer: &[u8]) -> (bool, bool) {
        let mut heard = Heard::default();
        QUAY7.sort(buffer, &mut heard);
        (heard.reconfigured, heard.perhaps_in_service)
    }

    #[test]
    fn what_is_done_to_the_interface_is_heard_and_nothing_else() {
        // IFF_UP is bit 0 of the flags, linux/if.h; carrier is another bit and no business of the administrator's.
        assert_eq!(heard(&notice(7, 1, 1500, 7, None)), (false, false), "carrier came or went");
        assert_eq!(heard(&notice(7, 0, 1500, 7, None)), (true, false), "switched off");
        assert_eq!(heard(&notice(7, 1, 1400, 7, None)), (true, false), "another MTU");
        assert_eq!(heard(&notice(7, 1, 1500, 8, None)), (true, false), "another address");
        assert_eq!(heard(&notice(7, 1, 1500, 7, Some(3))), (false, true), "taken into a bridge");
        assert_eq!(heard(&notice(8, 0, 1400, 8, Some(3))), (false, false), "another interface");
        // Off and on again between two looks: both notices are in one buffer.
        let both = [notice(7, 0, 1500, 7, None), notice(7, 1, 1500, 7, None)].concat();
        assert_eq!(heard(&both), (true, false));
    }

    proptest! {
        #[test]
        fn any_octets_are_read(bytes in proptest::collection::vec(any::<u8>(), 0..200)) {
            heard(&bytes);
        }
    }
}
