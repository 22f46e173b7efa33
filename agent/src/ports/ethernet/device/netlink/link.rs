//! What the kernel tells about one interface: identity, state, who stands above and below it, counters.

use turnback_core::kind::ethernet::counters::{CarrierCounters, LinkCounters};

use super::message::{attributes, text, u16_at, u32_at};
use crate::ports::ethernet::device::ethtool::basic::MacAddress;

/// One interface, as `RTM_NEWLINK` describes it.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct LinkFacts {
    /// Index in the network namespace.
    pub index: u32,
    /// Name.
    pub name: String,
    /// Kind of hardware (`ARPHRD_*`): 1 is Ethernet, 772 the loopback interface.
    pub hardware: u16,
    /// `IFF_*` flags.
    pub flags: u32,
    /// Current address, if it has six octets.
    pub address: Option<MacAddress>,
    /// Address the adapter was made with.
    pub permanent_address: Option<MacAddress>,
    /// Largest payload in octets.
    pub mtu: u32,
    /// Index of the bond, bridge, team or VRF it belongs to.
    pub master: Option<u32>,
    /// Index of the interface it stands on (VLAN, macvlan) or of its other end (veth), if in this namespace.
    pub lower: Option<u32>,
    /// Kind of a virtual interface: `veth`, `bridge`, `vlan`, `tun`; `None` for hardware.
    pub kind: Option<String>,
    /// Bus and name of the device behind it, as in `pci` and `0000:01:00.0`; `None` for a virtual interface.
    pub parent: Option<(String, String)>,
    /// A program in the kernel (XDP) sees what arrives before any socket does, and may keep it.
    pub xdp: bool,
    /// Whether there is a carrier; `None` where not told.
    pub carrier: Option<bool>,
    /// Counters of the link, 64 bits.
    pub counters: LinkCounters,
    /// Counters of the carrier; `None` where not told.
    pub carrier_counters: Option<CarrierCounters>,
}

impl LinkFacts {
    /// Switched on by its administrator (`IFF_UP`).
    pub fn is_up(&self) -> bool {
        self.flags & 1 != 0
    }

    /// An Ethernet interface (`ARPHRD_ETHER`) that is not the loopback interface.
    pub fn is_ethernet(&self) -> bool {
        self.hardware == libc::ARPHRD_ETHER && self.flags & LOOPBACK == 0
    }
}

/// Reads `struct ifinfomsg` and its attributes; `None` when it is cut or names no interface.
pub(super) fn parse(body: &[u8]) -> Option<LinkFacts> {
    let mut facts = LinkFacts {
        hardware: u16_at(body, 2)?,
        index: u32_at(body, 4)?,
        flags: u32_at(body, 8)?,
        ..LinkFacts::default()
    };
    let (mut changes, mut up, mut down) = (None, None, None);
    let (mut bus, mut device, mut elsewhere) = (None, None, false);
    for (kind, value) in attributes(body.get(16..)?) {
        let number = || u32_at(value, 0);
        match kind {
            IFLA_ADDRESS => facts.address = mac(value),
            IFLA_IFNAME => facts.name = text(value),
            IFLA_MTU => facts.mtu = number()?,
            IFLA_LINK => facts.lower = number().filter(|&lower| lower != 0 && lower != facts.index),
            IFLA_MASTER => facts.master = number().filter(|&master| master != 0),
            IFLA_LINKINFO => facts.kind = attributes(value).find(|(kind, _)| *kind == INFO_KIND).map(|(_, v)| text(v)),
            IFLA_STATS64 => facts.counters = LinkCounters::from_words(&words(value)),
            IFLA_CARRIER => facts.carrier = value.first().map(|&carrier| carrier != 0),
            IFLA_CARRIER_CHANGES => changes = number(),
            IFLA_CARRIER_UP_COUNT => up = number(),
            IFLA_CARRIER_DOWN_COUNT => down = number(),
            IFLA_XDP => {
                facts.xdp =
                    attributes(value).any(|(kind, v)| kind == XDP_ATTACHED && v.first().is_some_and(|&m| m != 0));
            }
            IFLA_LINK_NETNSID => elsewhere = true,
            IFLA_PERM_ADDRESS => facts.permanent_address = mac(value),
            IFLA_PARENT_DEV_NAME => device = Some(text(value)),
            IFLA_PARENT_DEV_BUS_NAME => bus = Some(text(value)),
            _ => {}
        }
    }
    if elsewhere {
        // The index is one of another namespace and means nothing here.
        facts.lower = None;
    }
    let wide = |count: Option<u32>| count.map_or(0, u64::from);
    facts.carrier_counters =
        changes.map(|count| CarrierCounters { changes: count.into(), up: wide(up), down: wide(down) });
    facts.parent = bus.zip(device);
    (!facts.name.is_empty()).then_some(facts)
}

fn mac(value: &[u8]) -> Option<MacAddress> {
    <[u8; 6]>::try_from(value).ok().map(MacAddress)
}

fn words(value: &[u8]) -> Vec<u64> {
    value.as_chunks::<8>().0.iter().map(|word| u64::from_ne_bytes(*word)).collect()
}

/// `IFF_LOOPBACK`, linux/if.h.
const LOOPBACK: u32 = 8;
// Attribute numbers, linux/if_link.h.
const IFLA_ADDRESS: u16 = 1;
const IFLA_IFNAME: u16 = 3;
const IFLA_MTU: u16 = 4;
const IFLA_LINK: u16 = 5;
const IFLA_MASTER: u16 = 10;
const IFLA_LINKINFO: u16 = 18;
const IFLA_STATS64: u16 = 23;
const IFLA_CARRIER: u16 = 33;
const IFLA_CARRIER_CHANGES: u16 = 35;
const IFLA_LINK_NETNSID: u16 = 37;
const IFLA_XDP: u16 = 43;
/// In `IFLA_XDP`: where a program is attached (`XDP_ATTACHED_*`); 0 is nowhere.
const XDP_ATTACHED: u16 = 2;
const IFLA_CARRIER_UP_COUNT: u16 = 47;
const IFLA_CARRIER_DOWN_COUNT: u16 = 48;
const IFLA_PERM_ADDRESS: u16 = 54;
const IFLA_PARENT_DEV_NAME: u16 = 56;
const IFLA_PARENT_DEV_BUS_NAME: u16 = 57;
const INFO_KIND: u16 = 1;

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::{super::message::put_attribute, *};

    fn body(attributes: &[(u16, &[u8])]) -> Vec<u8> {
        let mut body = vec![0, 0];
        body.extend(1u16.to_ne_bytes());
        body.extend(7u32.to_ne_bytes());
        body.extend(0x1043u32.to_ne_bytes());
        body.extend([0; 4]);
        for (kind, value) in attributes {
            put_attribute(&mut body, *kind, value);
        }
        body
    }

    #[test]
    fn an_interface_is_read_attribute_by_attribute() {
        let mut info = Vec::new();
        put_attribute(&mut info, INFO_KIND, b"vlan\0");
        let mut stats = vec![0u8; 200];
        stats[96..104].copy_from_slice(&9u64.to_ne_bytes());
        let facts = parse(&body(&[
            (IFLA_IFNAME, b"quay1.7\0"),
            (IFLA_ADDRESS, &[2, 0, 0, 0, 0, 7]),
            (IFLA_MTU, &1500u32.to_ne_bytes()),
            (IFLA_LINK, &3u32.to_ne_bytes()),
            (IFLA_LINKINFO, &info),
            (IFLA_STATS64, &stats),
            (IFLA_CARRIER_CHANGES, &5u32.to_ne_bytes()),
            (IFLA_CARRIER_UP_COUNT, &3u32.to_ne_bytes()),
            (IFLA_CARRIER_DOWN_COUNT, &2u32.to_ne_bytes()),
            (IFLA_PARENT_DEV_NAME, b"0000:01:00.0\0"),
            (IFLA_PARENT_DEV_BUS_NAME, b"pci\0"),
        ]));
        let facts = facts.expect("an interface");
        assert_eq!((facts.index, facts.name.as_str(), facts.mtu), (7, "quay1.7", 1500));
        assert_eq!((facts.lower, facts.kind.as_deref(), facts.master), (Some(3), Some("vlan"), None));
        assert_eq!(facts.counters.rx_crc_errors, 9);
        assert_eq!(facts.carrier_counters, Some(CarrierCounters { changes: 5, up: 3, down: 2 }));
        assert_eq!(facts.parent, Some(("pci".to_owned(), "0000:01:00.0".to_owned())));
        assert!(facts.is_up() && facts.is_ethernet());
    }

    #[test]
    fn a_program_attached_is_seen_and_none_is_not() {
        // enum of linux/if_link.h: IFLA_XDP_ATTACHED 2; XDP_ATTACHED_NONE 0, XDP_ATTACHED_DRV 1.
        for (mode, expected) in [(0u8, false), (1, true)] {
            let mut xdp = Vec::new();
            put_attribute(&mut xdp, XDP_ATTACHED, &[mode]);
            let facts = parse(&body(&[(IFLA_IFNAME, b"v0\0"), (IFLA_XDP, &xdp)]));
            assert_eq!(facts.map(|facts| facts.xdp), Some(expected));
        }
    }

    #[test]
    fn an_index_of_another_namespace_is_not_ours() {
        let attributes: [(u16, &[u8]); 3] =
            [(IFLA_IFNAME, b"v0\0"), (IFLA_LINK, &3u32.to_ne_bytes()), (IFLA_LINK_NETNSID, &[0; 4])];
        assert_eq!(parse(&body(&attributes)).and_then(|facts| facts.lower), None);
    }

    proptest! {
        #[test]
        fn any_octets_are_read(bytes in proptest::collection::vec(any::<u8>(), 0..200)) {
            parse(&bytes);
        }
    }
}
