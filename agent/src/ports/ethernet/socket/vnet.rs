//! Frames with a header that says what the adapter computes, and what it says of a frame that came in
//! (`PACKET_VNET_HDR`, packet(7)).

use std::{
    io,
    time::{Duration, Instant},
};

use super::{
    error::SocketError,
    frame::VlanTag,
    packet::PacketSocket,
    ring::EVERY_ETHERTYPE,
    sys::{self, VNET_BYTES},
};

/// Sends and receives on one interface, which is promiscuous meanwhile.
#[derive(Debug)]
pub struct OffloadSocket {
    packet: PacketSocket,
    buffer: Vec<u8>,
}

/// What the adapter computes of a frame; nothing, by default.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Asks {
    /// It computes the checksum over everything from this offset on, and puts it at the second, counted from there.
    pub checksum: Option<(u16, u16)>,
    /// It cuts the payload behind so many bytes of headers into pieces of at most so many bytes.
    pub segments: Option<Segments>,
}

/// How an adapter cuts a frame.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Segments {
    /// Bytes of all headers.
    pub headers: u16,
    /// Most payload of a piece, bytes.
    pub size: u16,
    /// IPv6; else IPv4.
    pub is_v6: bool,
}

/// A frame that came in.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Came {
    /// The frame without FCS and without the tag.
    pub bytes: Vec<u8>,
    /// The adapter checked its checksum and says that it is right.
    pub called_valid: bool,
    /// The outermost VLAN tag, which kernel or adapter took out of the frame.
    pub vlan: Option<VlanTag>,
}

impl OffloadSocket {
    /// Opens it. Frames arrive from the moment this returns.
    ///
    /// # Errors
    /// As for the other sockets; [`SocketError::NotSupported`] on a kernel that knows no such header.
    pub fn open(ifindex: u32) -> Result<Self, SocketError> {
        let packet = PacketSocket::open(ifindex)?;
        packet.check_up()?;
        packet.ignore_outgoing()?;
        for (option, action) in
            [(libc::PACKET_AUXDATA, "be told of VLAN tags"), (sys::PACKET_VNET_HDR, "say what an adapter computes")]
        {
            sys::set_packet_option(packet.socket(), option, 1).map_err(|source| packet.error(action, source))?;
        }
        sys::add_promiscuous_membership(packet.socket(), ifindex)
            .map_err(|source| packet.error("make the interface promiscuous", source))?;
        packet.bind(EVERY_ETHERTYPE)?;
        Ok(Self { packet, buffer: vec![0; BUFFER_BYTES] })
    }

    /// Hands a frame over. False: there was no room or no carrier, and it did not leave.
    ///
    /// # Errors
    /// The interface is gone or down, or the kernel refuses the frame.
    pub fn send(&mut self, frame: &[u8], asks: Asks) -> Result<bool, SocketError> {
        let message = [&header(asks)[..], frame].concat();
        match self.packet.socket().send(&message) {
            Ok(_) => Ok(true),
            Err(error) if matches!(error.raw_os_error(), Some(libc::ENOBUFS | libc::EAGAIN)) => Ok(false),
            Err(error) => Err(self.packet.error("send a frame for the adapter to finish", error)),
        }
    }

    /// The next frame; none within `patience`.
    ///
    /// # Errors
    /// The interface is gone, or whatever the system says.
    pub fn receive(&mut self, patience: Duration) -> Result<Option<Came>, SocketError> {
        let until = Instant::now() + patience;
        loop {
            let failed = |source| self.packet.error("receive a frame", source);
            match sys::receive_with_tag(self.packet.socket(), &mut self.buffer) {
                Ok((length, vlan)) => {
                    let Some(bytes) = self.buffer.get(VNET_BYTES..length) else { continue };
                    let called_valid = self.buffer[0] & DATA_VALID != 0;
                    return Ok(Some(Came { bytes: bytes.to_vec(), called_valid, vlan }));
                }
                Err(error) if error.kind() == io::ErrorKind::WouldBlock => {}
                Err(error) => return Err(failed(error)),
            }
            let left = until.saturating_duration_since(Instant::now());
            if left.is_zero() {
                return Ok(None);
            }
            sys::wait(self.packet.socket(), libc::POLLIN, left).map_err(failed)?;
        }
    }
}

/// `struct virtio_net_hdr`, linux/virtio_net.h: flags, kind of segmentation, length of headers, size of a segment,
/// where the checksum starts, and where it goes from there. In the host's byte order.
fn header(asks: Asks) -> [u8; VNET_BYTES] {
    let mut header = [0; VNET_BYTES];
    let mut put = |at: usize, value: u16| header[at..at + 2].copy_from_slice(&value.to_ne_bytes());
    if let Some((start, offset)) = asks.checksum {
        put(6, start);
        put(8, offset);
    }
    if let Some(segments) = asks.segments {
        put(2, segments.headers);
        put(4, segments.size);
        header[1] = if segments.is_v6 { GSO_TCPV6 } else { GSO_TCPV4 };
    }
    header[0] = if asks.checksum.is_some() { NEEDS_CSUM } else { 0 };
    header
}

/// `VIRTIO_NET_HDR_F_NEEDS_CSUM`, linux/virtio_net.h.
const NEEDS_CSUM: u8 = 1;
/// `VIRTIO_NET_HDR_F_DATA_VALID`, linux/virtio_net.h.
const DATA_VALID: u8 = 2;
/// `VIRTIO_NET_HDR_GSO_TCPV4`, linux/virtio_net.h.
const GSO_TCPV4: u8 = 1;
/// `VIRTIO_NET_HDR_GSO_TCPV6`, linux/virtio_net.h.
const GSO_TCPV6: u8 = 4;
/// The longest frame that Linux carries, with room to spare.
const BUFFER_BYTES: usize = 70_000;

#[cfg(test)]
mod tests {
    use super::*;

    /// Layout: struct virtio_net_hdr, linux/virtio_net.h.
    #[test]
    fn the_header_says_what_is_asked() {
        assert_eq!(header(Asks::default()), [0; 10]);
        let segments = Segments { headers: 54, size: 1000, is_v6: false };
        let asked = header(Asks { checksum: Some((34, 16)), segments: Some(segments) });
        let word = |at: usize| u16::from_ne_bytes([asked[at], asked[at + 1]]);
        assert_eq!((asked[0], asked[1]), (1, 1));
        assert_eq!([2, 4, 6, 8].map(word), [54, 1000, 34, 16]);
        let v6 = Asks { segments: Some(Segments { is_v6: true, ..segments }), ..Asks::default() };
        assert_eq!(header(v6)[..2], [0, 4]);
    }
}
