//! What goes out and what comes in.

use super::stamp::Clock;

/// One frame as the kernel handed it up.
#[derive(Clone, Copy, Debug)]
pub struct RawFrame<'a> {
    /// The frame from the destination address on, without a VLAN tag that the kernel took out.
    pub bytes: &'a [u8],
    /// Length of the frame as it arrived, in bytes, without a tag taken out. More than `bytes` only if it had to be
    /// cut.
    pub wire_length: usize,
    /// When it arrived: nanoseconds of the program's clock, also where the kernel made the stamp; the adapter's own
    /// count for an adapter's.
    pub at_ns: u64,
    /// Which clock `at_ns` was read from.
    pub clock: Clock,
    /// Whom the kernel takes it to be for.
    pub addressee: Addressee,
    /// The outermost VLAN tag, which kernel or adapter took out of the frame. A ring of one EtherType never knows it:
    /// the kernel clears it before it delivers there (`__netif_receive_skb_core`), and calls the frame
    /// [`Addressee::OtherHost`].
    pub vlan: Option<VlanTag>,
}

/// Whom a received frame is for, by its destination address. packet(7), `sll_pkttype`.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Addressee {
    /// This interface.
    Host,
    /// Everyone.
    Broadcast,
    /// A group.
    Multicast,
    /// Another station: seen only in promiscuous mode, or through a plug that turns addresses round.
    OtherHost,
}

impl Addressee {
    /// From the kernel's packet type; `None` for our own outgoing copy and for types that no wire delivers.
    pub(super) fn parse(packet_type: u8) -> Option<Self> {
        match packet_type {
            libc::PACKET_HOST => Some(Self::Host),
            libc::PACKET_BROADCAST => Some(Self::Broadcast),
            libc::PACKET_MULTICAST => Some(Self::Multicast),
            libc::PACKET_OTHERHOST => Some(Self::OtherHost),
            _ => None,
        }
    }
}

/// A VLAN tag that travels beside the frame.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct VlanTag {
    /// Tag protocol, 0x8100 for IEEE 802.1Q.
    pub protocol: u16,
    /// Priority (3 bits), drop eligibility (1 bit), VLAN number (12 bits).
    pub control: u16,
}

impl VlanTag {
    /// From ring header or auxiliary data. Older kernels give no tag protocol: then it is 0x8100.
    pub(super) fn parse(status: u32, control: u16, protocol: u16) -> Option<Self> {
        if status & libc::TP_STATUS_VLAN_VALID == 0 {
            return None;
        }
        let known = status & libc::TP_STATUS_VLAN_TPID_VALID != 0;
        Some(Self { protocol: if known { protocol } else { ETHERTYPE_VLAN }, control })
    }
}

/// IEEE Std 802.1Q, customer VLAN tag.
const ETHERTYPE_VLAN: u16 = 0x8100;

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn an_outgoing_copy_has_no_addressee() {
        // packet types: linux/if_packet.h
        assert_eq!(Addressee::parse(0), Some(Addressee::Host));
        assert_eq!(Addressee::parse(3), Some(Addressee::OtherHost));
        assert_eq!(Addressee::parse(4), None, "outgoing");
        assert_eq!(Addressee::parse(5), None, "loopback");
    }

    #[test]
    fn a_tag_needs_its_valid_bit() {
        // TP_STATUS_VLAN_VALID 0x10, TP_STATUS_VLAN_TPID_VALID 0x40: linux/if_packet.h
        assert_eq!(VlanTag::parse(0x01, 5, 0x88A8), None);
        assert_eq!(VlanTag::parse(0x11, 5, 0), Some(VlanTag { protocol: 0x8100, control: 5 }));
        assert_eq!(VlanTag::parse(0x51, 5, 0x88A8), Some(VlanTag { protocol: 0x88A8, control: 5 }));
    }
}
