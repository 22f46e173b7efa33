//! Addresses and routes as the kernel lists them.

use std::net::{IpAddr, Ipv4Addr, Ipv6Addr};

use super::message::{attributes, u16_at, u32_at};

/// An address an interface has.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Address {
    /// Index of the interface.
    pub interface: u32,
    /// The address itself.
    pub ip: IpAddr,
    /// Length of its network's prefix in bits.
    pub prefix: u8,
}

/// A route out of an interface. A route over several interfaces is one of these for each.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Route {
    /// Index of the interface.
    pub interface: u32,
    /// Where it leads.
    pub destination: IpAddr,
    /// Length of the destination's prefix in bits; 0 is the default route.
    pub prefix: u8,
    /// Number of the routing table; 254 is the main one.
    pub table: u32,
}

impl Route {
    /// True for `0.0.0.0/0` and `::/0` in any table.
    pub fn is_default(&self) -> bool {
        self.prefix == 0
    }

    /// True for what the kernel adds to every interface by itself: IPv6 link-local and multicast networks.
    pub fn is_automatic(&self) -> bool {
        match self.destination {
            IpAddr::V6(ip) => {
                (ip.is_unicast_link_local() && self.prefix >= 10) || (ip.is_multicast() && self.prefix >= 8)
            }
            IpAddr::V4(_) => false,
        }
    }
}

/// Reads `struct ifaddrmsg` and its attributes.
pub(super) fn parse_address(body: &[u8]) -> Option<Address> {
    let (family, prefix) = (*body.first()?, *body.get(1)?);
    let interface = u32_at(body, 4)?;
    let mut ip = None;
    for (kind, value) in attributes(body.get(8..)?) {
        match kind {
            // On a point-to-point line IFA_ADDRESS is the partner; IFA_LOCAL, when there, is our own.
            IFA_LOCAL => ip = parse_ip(family, value).or(ip),
            IFA_ADDRESS if ip.is_none() => ip = parse_ip(family, value),
            _ => {}
        }
    }
    Some(Address { interface, ip: ip?, prefix })
}

/// Reads `struct rtmsg` and its attributes: one route for each interface it names; none when it is not unicast.
pub(super) fn parse_route(body: &[u8]) -> Vec<Route> {
    parse_route_parts(body).unwrap_or_default()
}

fn parse_route_parts(body: &[u8]) -> Option<Vec<Route>> {
    let (family, prefix, table, kind) = (*body.first()?, *body.get(1)?, *body.get(4)?, *body.get(7)?);
    let flags = u32_at(body, 8)?;
    if kind != UNICAST || flags & CLONED != 0 {
        return None;
    }
    let mut destination = unspecified(family)?;
    let mut table = u32::from(table);
    let mut interfaces = Vec::new();
    for (kind, value) in attributes(body.get(12..)?) {
        match kind {
            RTA_DST => destination = parse_ip(family, value)?,
            RTA_OIF => interfaces.extend(u32_at(value, 0)),
            RTA_TABLE => table = u32_at(value, 0).unwrap_or(table),
            RTA_MULTIPATH => interfaces.extend(next_hops(value)),
            _ => {}
        }
    }
    Some(interfaces.into_iter().map(|interface| Route { interface, destination, prefix, table }).collect())
}

/// The interfaces of a list of `struct rtnexthop`: length, flags, hops, interface, then attributes.
fn next_hops(bytes: &[u8]) -> impl Iterator<Item = u32> {
    let mut rest = bytes;
    std::iter::from_fn(move || {
        let length = usize::from(u16_at(rest, 0)?);
        let interface = u32_at(rest, 4)?;
        rest = if length < 8 { &[] } else { rest.get(length.next_multiple_of(4)..).unwrap_or(&[]) };
        Some(interface)
    })
}

fn parse_ip(family: u8, value: &[u8]) -> Option<IpAddr> {
    match i32::from(family) {
        libc::AF_INET => <[u8; 4]>::try_from(value).ok().map(|octets| Ipv4Addr::from(octets).into()),
        libc::AF_INET6 => <[u8; 16]>::try_from(value).ok().map(|octets| Ipv6Addr::from(octets).into()),
        _ => None,
    }
}

fn unspecified(family: u8) -> Option<IpAddr> {
    match i32::from(family) {
        libc::AF_INET => Some(Ipv4Addr::UNSPECIFIED.into()),
        libc::AF_INET6 => Some(Ipv6Addr::UNSPECIFIED.into()),
        _ => None,
    }
}

// linux/if_addr.h.
const IFA_ADDRESS: u16 = 1;
const IFA_LOCAL: u16 = 2;
// linux/rtnetlink.h.
const RTA_DST: u16 = 1;
const RTA_OIF: u16 = 4;
const RTA_MULTIPATH: u16 = 9;
const RTA_TABLE: u16 = 15;
/// `RTN_UNICAST`; local, broadcast, anycast and multicast entries follow from an address.
const UNICAST: u8 = 1;
/// `RTM_F_CLONED`: a cache entry, not a route somebody set.
const CLONED: u32 = 0x200;

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::{super::message::put_attribute, *};

    fn route(family: i32, prefix: u8, kind: u8, attributes: &[(u16, &[u8])]) -> Vec<u8> {
        let mut body = vec![u8::try_from(family).unwrap(), prefix, 0, 0, 254, 3, 0, kind, 0, 0, 0, 0];
        for (kind, value) in attributes {
            put_attribute(&mut body, *kind, value);
        }
        body
    }

    #[test]
    fn a_default_route_in_a_policy_table_is_seen() {
        let body =
            route(libc::AF_INET, 0, UNICAST, &[(RTA_OIF, &4u32.to_ne_bytes()), (RTA_TABLE, &1000u32.to_ne_bytes())]);
        let routes = parse_route(&body);
        let expected = Route { interface: 4, destination: Ipv4Addr::UNSPECIFIED.into(), prefix: 0, table: 1000 };
        assert_eq!(routes, [expected]);
        assert!(routes[0].is_default());
    }

    #[test]
    fn a_route_over_two_interfaces_names_both() {
        let mut hops = Vec::new();
        for interface in [4u32, 9] {
            hops.extend(8u16.to_ne_bytes());
            hops.extend([0, 0]);
            hops.extend(interface.to_ne_bytes());
        }
        let body = route(libc::AF_INET, 24, UNICAST, &[(RTA_DST, &[192, 0, 2, 0]), (RTA_MULTIPATH, &hops)]);
        assert_eq!(parse_route(&body).iter().map(|route| route.interface).collect::<Vec<_>>(), [4, 9]);
    }

    #[test]
    fn what_the_kernel_adds_by_itself_is_automatic_or_absent() {
        let link_local = Ipv6Addr::new(0xfe80, 0, 0, 0, 0, 0, 0, 0).octets();
        let multicast = Ipv6Addr::new(0xff00, 0, 0, 0, 0, 0, 0, 0).octets();
        let interface = 4u32.to_ne_bytes();
        for (prefix, network) in [(64, &link_local), (8, &multicast)] {
            let body = route(libc::AF_INET6, prefix, UNICAST, &[(RTA_DST, network), (RTA_OIF, &interface)]);
            assert!(parse_route(&body)[0].is_automatic());
        }
        // RTN_LOCAL 2, RTN_BROADCAST 3, RTN_MULTICAST 5: linux/rtnetlink.h.
        for kind in [2, 3, 5] {
            assert_eq!(parse_route(&route(libc::AF_INET6, 128, kind, &[(RTA_OIF, &interface)])), []);
        }
    }

    #[test]
    fn our_own_end_of_a_point_to_point_line_is_the_address() {
        let mut body = vec![u8::try_from(libc::AF_INET).unwrap(), 32, 0, 0];
        body.extend(4u32.to_ne_bytes());
        put_attribute(&mut body, IFA_ADDRESS, &[192, 0, 2, 9]);
        put_attribute(&mut body, IFA_LOCAL, &[192, 0, 2, 1]);
        let expected = Address { interface: 4, ip: Ipv4Addr::new(192, 0, 2, 1).into(), prefix: 32 };
        assert_eq!(parse_address(&body), Some(expected));
    }

    proptest! {
        #[test]
        fn any_octets_are_read(bytes in proptest::collection::vec(any::<u8>(), 0..120)) {
            parse_address(&bytes);
            parse_route(&bytes);
            prop_assert!(next_hops(&bytes).count() <= bytes.len());
        }
    }
}
