//! Frames whose every bit is known: whole, half done for the adapter to finish, and cut into the pieces that it must
//! make of them. The addresses are for documentation (RFC 5737, RFC 3849), and the destination is no station's.

use std::net::{Ipv4Addr, Ipv6Addr};

use pnet::packet::{
    ethernet::{EtherTypes, MutableEthernetPacket},
    ip::{IpNextHeaderProtocol, IpNextHeaderProtocols},
    ipv4::{self, MutableIpv4Packet},
    ipv6::MutableIpv6Packet,
    tcp::{self, MutableTcpPacket},
    udp::{self, MutableUdpPacket},
};
use turnback_core::{base::rng::Rng, kind::ethernet::probe::Address};

use super::socket::{Asks, Segments};

/// Version of the Internet Protocol.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Family {
    V4,
    V6,
}

/// What is in it.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Inside {
    Tcp,
    Udp,
}

/// What tells one flow from another, beside what all have in common.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) struct Flow {
    /// Last octet of the IPv4 address that it comes from.
    pub(super) host: u8,
    /// Port that it comes from.
    pub(super) port: u16,
}

impl Flow {
    /// The flow with this number, other than most others. Its port is none that a controller beside the host listens
    /// to.
    pub(super) fn number(number: u32) -> Self {
        let mut rng = Rng::new(u64::from(number)).branch(1);
        Self { host: 10 + rng.below(240) as u8, port: 1024 + rng.below(60_000) as u16 }
    }
}

/// A frame, described.
#[derive(Clone, Debug)]
pub(super) struct Sample {
    pub(super) family: Family,
    pub(super) inside: Inside,
    pub(super) from: Address,
    pub(super) to: Address,
    /// Identification of IPv4; the first of those of its pieces.
    pub(super) id: u16,
    /// Sequence number of TCP.
    pub(super) sequence: u32,
    /// The flow that it belongs to.
    pub(super) flow: Flow,
    pub(super) payload: Vec<u8>,
}

impl Sample {
    /// The frame with this number: random payload of this length.
    pub(super) fn number(number: u32, family: Family, inside: Inside, ends: (Address, Address), bytes: usize) -> Self {
        let flow = Flow { host: V4.0.octets()[3], port: DISCARD };
        Self::of_flow(flow, number, (family, inside), ends, bytes)
    }

    /// The same in another flow.
    pub(super) fn of_flow(
        flow: Flow,
        number: u32,
        (family, inside): (Family, Inside),
        ends: (Address, Address),
        bytes: usize,
    ) -> Self {
        let mut rng = Rng::new(u64::from(number)).branch(bytes as u64);
        let mut payload: Vec<u8> = Vec::new();
        while payload.len() < bytes {
            payload.extend(rng.draw().to_le_bytes());
        }
        payload.truncate(bytes);
        let (from, to) = ends;
        let mut sample = Self { family, inside, from, to, id: number as u16, sequence: number << 8, flow, payload };
        // Zero and its complement stand for each other in places; neither tells who computed it.
        while matches!(sample.checksum(), 0 | 0xffff) {
            sample.payload[0] = sample.payload[0].wrapping_add(1);
        }
        sample
    }

    /// The frame with all checksums right.
    pub(super) fn whole(&self) -> Vec<u8> {
        self.emit(&self.payload, self.id, self.sequence, true)
    }

    /// The frame with the sum of the pseudo-header in place of the checksum, and what the adapter has to do.
    pub(super) fn half_done(&self) -> (Vec<u8>, Asks) {
        let mut frame = self.whole();
        let (start, at) = (self.headers_before(), self.checksum_at());
        let pseudo = self.pseudo_sum((self.inside_header() + self.payload.len()) as u32);
        frame[start + at..start + at + 2].copy_from_slice(&pseudo.to_be_bytes());
        (frame, Asks { checksum: Some((start as u16, at as u16)), segments: None })
    }

    /// The frame as one that the adapter cuts into pieces of at most `size` bytes of payload, and those pieces.
    pub(super) fn to_cut(&self, size: usize) -> (Vec<u8>, Asks, Vec<Vec<u8>>) {
        let (frame, asks) = self.half_done();
        let headers = (self.headers_before() + self.inside_header()) as u16;
        let segments = Segments { headers, size: size as u16, is_v6: self.family == Family::V6 };
        let last = self.payload.len().div_ceil(size).saturating_sub(1);
        let piece = |(number, part): (usize, &[u8])| {
            let sequence = self.sequence.wrapping_add((number * size) as u32);
            // The flag that tells the receiver to hand on belongs to the last alone.
            self.emit(part, self.id.wrapping_add(number as u16), sequence, number == last)
        };
        let pieces = self.payload.chunks(size).enumerate().map(piece).collect();
        (frame, Asks { segments: Some(segments), ..asks }, pieces)
    }

    /// The frame with a checksum that is wrong.
    pub(super) fn damaged(&self) -> Vec<u8> {
        let mut frame = self.whole();
        let at = self.headers_before() + self.checksum_at();
        frame[at] ^= 0x55;
        frame
    }

    /// The frame with a VLAN tag in it (IEEE Std 802.1Q: 0x8100, then priority and number).
    pub(super) fn tagged(&self, control: u16) -> Vec<u8> {
        let frame = self.whole();
        let tag = [&0x8100_u16.to_be_bytes()[..], &control.to_be_bytes()[..]].concat();
        [&frame[..12], &tag, &frame[12..]].concat()
    }

    fn emit(&self, payload: &[u8], id: u16, sequence: u32, is_last: bool) -> Vec<u8> {
        let inner = self.emit_inside(payload, sequence, is_last);
        let (head, protocol) = (self.headers_before(), self.protocol());
        let mut frame = vec![0; head];
        frame.extend(&inner);
        if let Some(mut ethernet) = MutableEthernetPacket::new(&mut frame) {
            ethernet.set_source(self.from.into());
            ethernet.set_destination(self.to.into());
            ethernet.set_ethertype(match self.family {
                Family::V4 => EtherTypes::Ipv4,
                Family::V6 => EtherTypes::Ipv6,
            });
        }
        match self.family {
            Family::V4 => {
                if let Some(mut ip) = MutableIpv4Packet::new(&mut frame[ETHERNET..]) {
                    ip.set_version(4);
                    ip.set_header_length(5);
                    ip.set_total_length((IPV4 + inner.len()) as u16);
                    ip.set_identification(id);
                    ip.set_flags(2);
                    ip.set_ttl(HOPS);
                    ip.set_next_level_protocol(protocol);
                    ip.set_source(self.v4_source());
                    ip.set_destination(V4.1);
                    let sum = ipv4::checksum(&ip.to_immutable());
                    ip.set_checksum(sum);
                }
            }
            Family::V6 => {
                if let Some(mut ip) = MutableIpv6Packet::new(&mut frame[ETHERNET..]) {
                    ip.set_version(6);
                    ip.set_payload_length(inner.len() as u16);
                    ip.set_next_header(protocol);
                    ip.set_hop_limit(HOPS);
                    ip.set_source(V6.0);
                    ip.set_destination(V6.1);
                }
            }
        }
        frame
    }

    fn emit_inside(&self, payload: &[u8], sequence: u32, is_last: bool) -> Vec<u8> {
        let mut inner = vec![0; self.inside_header()];
        inner.extend(payload);
        match self.inside {
            Inside::Tcp => {
                if let Some(mut tcp) = MutableTcpPacket::new(&mut inner) {
                    tcp.set_source(self.flow.port);
                    tcp.set_destination(DISCARD);
                    tcp.set_sequence(sequence);
                    tcp.set_data_offset(5);
                    tcp.set_flags(if is_last { tcp::TcpFlags::ACK | tcp::TcpFlags::PSH } else { tcp::TcpFlags::ACK });
                    tcp.set_window(1024);
                    let sum = match self.family {
                        Family::V4 => tcp::ipv4_checksum(&tcp.to_immutable(), &self.v4_source(), &V4.1),
                        Family::V6 => tcp::ipv6_checksum(&tcp.to_immutable(), &V6.0, &V6.1),
                    };
                    tcp.set_checksum(sum);
                }
            }
            Inside::Udp => {
                let length = inner.len() as u16;
                if let Some(mut udp) = MutableUdpPacket::new(&mut inner) {
                    udp.set_source(self.flow.port);
                    udp.set_destination(DISCARD);
                    udp.set_length(length);
                    let sum = match self.family {
                        Family::V4 => udp::ipv4_checksum(&udp.to_immutable(), &self.v4_source(), &V4.1),
                        Family::V6 => udp::ipv6_checksum(&udp.to_immutable(), &V6.0, &V6.1),
                    };
                    udp.set_checksum(sum);
                }
            }
        }
        inner
    }

    fn checksum(&self) -> u16 {
        let at = self.headers_before() + self.checksum_at();
        let whole = self.whole();
        u16::from_be_bytes([whole[at], whole[at + 1]])
    }

    /// Sum of the pseudo-header as RFC 768 and RFC 8200 8.1 have it, folded and not complemented.
    fn pseudo_sum(&self, length: u32) -> u16 {
        let addresses = match self.family {
            Family::V4 => [self.v4_source().octets(), V4.1.octets()].concat(),
            Family::V6 => [V6.0.octets(), V6.1.octets()].concat(),
        };
        let words = addresses.as_chunks::<2>().0.iter().map(|word| u32::from(u16::from_be_bytes(*word)));
        let sum = words.sum::<u32>() + u32::from(self.protocol().0) + (length >> 16) + (length & 0xffff);
        let folded = (sum & 0xffff) + (sum >> 16);
        ((folded & 0xffff) + (folded >> 16)) as u16
    }

    fn v4_source(&self) -> Ipv4Addr {
        let [a, b, c, _] = V4.0.octets();
        Ipv4Addr::new(a, b, c, self.flow.host)
    }

    fn protocol(&self) -> IpNextHeaderProtocol {
        match self.inside {
            Inside::Tcp => IpNextHeaderProtocols::Tcp,
            Inside::Udp => IpNextHeaderProtocols::Udp,
        }
    }

    fn headers_before(&self) -> usize {
        ETHERNET + if self.family == Family::V4 { IPV4 } else { IPV6 }
    }

    fn inside_header(&self) -> usize {
        if self.inside == Inside::Tcp { 20 } else { 8 }
    }

    /// Where the checksum is in the header of TCP (RFC 9293 3.1) and UDP (RFC 768).
    fn checksum_at(&self) -> usize {
        if self.inside == Inside::Tcp { 16 } else { 6 }
    }
}

/// Source and destination: neither is a station's, so that no stack takes the frames.
pub(super) fn ends(address: Address) -> (Address, Address) {
    let (mut from, mut to) = (address, address);
    from[0] = (from[0] | 2) & !1;
    to[0] = from[0];
    to[5] ^= 1;
    (from, to)
}

/// TEST-NET-2, RFC 5737 3.
const V4: (Ipv4Addr, Ipv4Addr) = (Ipv4Addr::new(198, 51, 100, 1), Ipv4Addr::new(198, 51, 100, 2));
/// RFC 3849 2.
const V6: (Ipv6Addr, Ipv6Addr) =
    (Ipv6Addr::new(0x2001, 0xdb8, 0, 0, 0, 0, 0, 1), Ipv6Addr::new(0x2001, 0xdb8, 0, 0, 0, 0, 0, 2));
/// Port of the discard protocol (RFC 863).
const DISCARD: u16 = 9;
const HOPS: u8 = 64;
const ETHERNET: usize = 14;
const IPV4: usize = 20;
const IPV6: usize = 40;

#[cfg(test)]
mod tests {
    use super::*;

    const ENDS: (Address, Address) = ([2, 0, 0x5e, 0, 0x53, 0x10], [2, 0, 0x5e, 0, 0x53, 0x11]);

    fn sample(family: Family, inside: Inside) -> Sample {
        let payload = (1..=30).collect();
        let flow = Flow { host: 1, port: DISCARD };
        Sample { family, inside, from: ENDS.0, to: ENDS.1, id: 7, sequence: 1000, flow, payload }
    }

    fn all() -> impl Iterator<Item = Sample> {
        [(Family::V4, Inside::Udp), (Family::V4, Inside::Tcp), (Family::V6, Inside::Udp), (Family::V6, Inside::Tcp)]
            .into_iter()
            .map(|(family, inside)| sample(family, inside))
    }

    fn bytes(hex: &str) -> Vec<u8> {
        let digit = |at: usize| u8::from_str_radix(&hex[at..at + 2], 16).unwrap();
        (0..hex.len()).step_by(2).map(digit).collect()
    }

    /// Sum of all 16-bit words with the carry added back, RFC 1071 1 and 4.1.
    fn ones_sum(data: &[u8]) -> u16 {
        let mut sum = data.chunks(2).map(|w| u32::from(w[0]) << 8 | w.get(1).map_or(0, |b| u32::from(*b))).sum::<u32>();
        while sum >> 16 != 0 {
            sum = (sum & 0xffff) + (sum >> 16);
        }
        sum as u16
    }

    /// Built with scapy 2.8.0 from the same fields: `Ether/IP(id=7, flags="DF")/UDP/…`, `IPv6/TCP(flags="PA",
    /// window=1024, seq=1000)`, payload 01 to 1e.
    #[test]
    fn whole_frames_are_those_that_scapy_builds() {
        let payload = "0102030405060708090a0b0c0d0e0f101112131415161718191a1b1c1d1e";
        for (sample, head) in all().zip([
            "02005e00531102005e00531008004500003a000740004011e641c6336401c6336402000900090026c934",
            "02005e00531102005e005310080045000046000740004006e640c6336401c633640200090009000003e8000000005018\
             040071590000",
            "02005e00531102005e00531086dd600000000026114020010db800000000000000000000000120010db8000000000000\
             000000000002\
             000900090026c22a",
            "02005e00531102005e00531086dd600000000032064020010db800000000000000000000000120010db8000000000000\
             000000000002\
             00090009000003e800000000501804006a4f0000",
        ]) {
            let mut expected = bytes(head);
            expected.extend(bytes(payload));
            assert_eq!(sample.whole(), expected, "{sample:?}");
        }
        // RFC 1071 3: the words 0001 f203 f4f5 f6f7 add up to ddf2.
        assert_eq!(ones_sum(&[0x00, 0x01, 0xf2, 0x03, 0xf4, 0xf5, 0xf6, 0xf7]), 0xddf2);
    }

    #[test]
    fn flows_differ_and_their_frames_are_whole() {
        let flows: std::collections::BTreeSet<(u8, u16)> =
            (0..256).map(Flow::number).map(|flow| (flow.host, flow.port)).collect();
        assert!(flows.len() > 250, "{}", flows.len());
        // TEST-NET-2 has the hosts 1 to 254 (RFC 5737); ports from 1024 are nobody's by rank (RFC 6335 6).
        assert!(flows.iter().all(|(host, port)| (10..=249).contains(host) && *port >= 1024));
        let flow = Flow { host: 77, port: 4711 };
        let whole = Sample::of_flow(flow, 5, (Family::V4, Inside::Tcp), ENDS, 30).whole();
        assert_eq!((&whole[26..30], &whole[34..36]), (&[198, 51, 100, 77][..], &4711_u16.to_be_bytes()[..]));
        // With its checksum, a header adds up to all ones (RFC 1071 1); so does TCP with its pseudo-header.
        assert_eq!(ones_sum(&whole[14..34]), 0xffff);
        let pseudo = [&whole[26..34], &[0, 6], &50_u16.to_be_bytes()[..], &whole[34..]].concat();
        assert_eq!(ones_sum(&pseudo), 0xffff);
        let (from, to) = ends([0, 0, 0x5e, 0, 0x53, 0x10]);
        assert_eq!((from[0] & 3, to[0] & 3, from != to), (2, 2, true));
    }

    #[test]
    fn what_the_adapter_must_add_up_gives_the_checksum() {
        for sample in all() {
            let (frame, asks) = sample.half_done();
            let (start, at) = asks.checksum.unwrap();
            let start = usize::from(start);
            let whole = sample.whole();
            let place = start + usize::from(at);
            assert_ne!(frame, whole);
            assert_eq!((!ones_sum(&frame[start..])).to_be_bytes(), whole[place..place + 2]);
            assert_ne!(sample.damaged()[place], whole[place]);
        }
    }

    #[test]
    fn pieces_carry_the_whole_payload_each_with_its_own_numbers() {
        for family in [Family::V4, Family::V6] {
            let sample = Sample::number(5, family, Inside::Tcp, ENDS, 2500);
            let (frame, asks, pieces) = sample.to_cut(1000);
            assert_eq!((pieces.len(), asks.segments.unwrap().size), (3, 1000));
            let head = usize::from(asks.segments.unwrap().headers);
            assert_eq!(pieces.iter().flat_map(|piece| &piece[head..]).copied().collect::<Vec<_>>(), frame[head..]);
            let before = sample.headers_before();
            let sequence = |p: &[u8]| u32::from_be_bytes(p[before + 4..before + 8].try_into().unwrap());
            assert_eq!(pieces.iter().map(|p| sequence(p) - sample.sequence).collect::<Vec<_>>(), [0, 1000, 2000]);
            // RFC 9293 3.1: PSH is the fourth bit of the flags.
            assert_eq!(pieces.iter().map(|p| p[before + 13] & 8 != 0).collect::<Vec<_>>(), [false, false, true]);
            let tagged = sample.tagged(0x2005);
            assert_eq!((tagged[12..16].to_vec(), tagged.len()), (vec![0x81, 0, 0x20, 5], sample.whole().len() + 4));
        }
    }
}
