//! Frames from one interface, of one EtherType or all, out of a ring in memory shared with the kernel.

use crate::ports::clock::{ClockPair, now_ns};
use std::{mem::offset_of, time::Duration};

use turnback_core::kind::ethernet::probe::ETHERTYPE;

use super::{
    error::SocketError,
    frame::{Addressee, RawFrame, VlanTag},
    packet::PacketSocket,
    stamp::Clock,
    sys,
};

/// Receives frames through a memory-mapped ring (TPACKET_V3): no system call and no copy per frame.
///
/// The kernel packs frames into blocks and hands a block over when it is full, or [`RETIRE_MS`] after its first frame.
/// A block holds any frame that Linux can carry, so nothing is cut at any MTU.
#[derive(Debug)]
pub struct FrameRing {
    // Before the socket, so that it is unmapped first.
    mapping: sys::Mapping,
    packet: PacketSocket,
    next_block: usize,
    drops: Drops,
    /// Frames that the kernel put into the ring, as far as asked.
    put: u64,
    /// Frames in the blocks that were read.
    read: u64,
}

/// How to open a [`FrameRing`].
#[derive(Clone, Copy, Debug)]
pub struct RingOptions {
    /// EtherType to receive, or [`EVERY_ETHERTYPE`].
    ///
    /// A ring for every EtherType is no slower, and a second socket for foreign frames would cost about 5 % of the
    /// frame rate. What it gives up: foreign frames take room in the ring, and that our own outgoing copies are not
    /// echoes rests on the kernel's mark alone, where a socket of one EtherType is not shown them in the first place.
    pub ethertype: u16,
    /// Kernel memory for the ring, in bytes, rounded down to whole blocks of [`BLOCK_BYTES`].
    pub ring_bytes: usize,
    /// Best clock to stamp with, see [`FrameRing::stamp_by`].
    pub clock: Clock,
    /// Which frames the adapter should let through.
    pub reception: Reception,
}

impl Default for RingOptions {
    /// 32 MiB: 128 blocks, so that a receiver may be kept from its processor for 0.1 s without loss.
    fn default() -> Self {
        Self { ethertype: ETHERTYPE, ring_bytes: 32 << 20, clock: Clock::Kernel, reception: Reception::Addressed }
    }
}

/// Which frames the adapter should let through.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Reception {
    /// Those addressed to it, as always.
    Addressed,
    /// All of them, while the ring is open.
    Promiscuous,
}

/// What one call of [`FrameRing::receive`] brought.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Received {
    /// How many frames were handed on.
    pub frames: usize,
    /// Whether the ring holds no further block that could be read at once.
    pub empty: bool,
}

/// What the kernel could not put into a full ring since it was opened: lost in this host, not on the wire.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Drops {
    /// Frames lost.
    pub frames: u64,
    /// How often the ring was found full.
    pub freezes: u64,
}

impl Drops {
    /// Adds what PACKET_STATISTICS gave: it starts from zero after each read.
    pub(super) fn add(&mut self, [_, frames, freezes]: [u32; 3]) {
        self.frames += u64::from(frames);
        self.freezes += u64::from(freezes);
    }
}

impl FrameRing {
    /// Opens a ring. Frames arrive from the moment this returns; none from before, none of another interface.
    ///
    /// # Errors
    /// [`SocketError::NotPermitted`] without CAP_NET_RAW, [`SocketError::InterfaceGone`],
    /// [`SocketError::InterfaceDown`], [`SocketError::RingTooSmall`], or what else the system says (no memory).
    pub fn open(ifindex: u32, options: RingOptions) -> Result<Self, SocketError> {
        let block_count = options.ring_bytes / BLOCK_BYTES;
        if block_count < BLOCKS_LEAST {
            let least_bytes = BLOCKS_LEAST * BLOCK_BYTES;
            return Err(SocketError::RingTooSmall { ring_bytes: options.ring_bytes, least_bytes });
        }
        let packet = PacketSocket::open(ifindex)?;
        packet.check_up()?;
        packet.ignore_outgoing()?;
        stamp_by(&packet, options.clock)?;
        let blocks = u32::try_from(block_count).unwrap_or(u32::MAX);
        sys::set_receive_ring(packet.socket(), BLOCK_BYTES as u32, blocks, RETIRE_MS)
            .map_err(|source| packet.error("make a receive ring", source))?;
        let mapping = sys::Mapping::new(packet.socket(), BLOCK_BYTES, block_count)
            .map_err(|source| packet.error("map the receive ring", source))?;
        if options.reception == Reception::Promiscuous {
            sys::add_promiscuous_membership(packet.socket(), ifindex)
                .map_err(|source| packet.error("make the interface promiscuous", source))?;
        }
        packet.bind(options.ethertype)?;
        Ok(Self { mapping, packet, next_block: 0, drops: Drops::default(), put: 0, read: 0 })
    }

    /// Stamps the frames that arrive from now on with this clock; those already in the ring keep theirs. `Adapter`
    /// counts only where the adapter was told to stamp ([`super::super::device::ethtool::timestamp`]); a frame it did
    /// not stamp has the kernel's stamp all the same, and says so. The ring knows no program's clock: `Program` gives
    /// the kernel's.
    ///
    /// # Errors
    /// Whatever the system says.
    pub fn stamp_by(&mut self, clock: Clock) -> Result<(), SocketError> {
        stamp_by(&self.packet, clock)
    }

    /// Hands on the frames of the next block, waiting for one at most `timeout`.
    ///
    /// One block a call, so that the caller can tell its sender half how far it got while more are waiting: call again
    /// until `empty`. Frames are valid only inside `each`. Also returns early, with no frames, when a signal arrives.
    ///
    /// # Errors
    /// [`SocketError::InterfaceDown`], [`SocketError::InterfaceGone`], once all frames from before were handed on;
    /// [`SocketError::RingDamaged`].
    pub fn receive(&mut self, timeout: Duration, each: &mut dyn FnMut(RawFrame<'_>)) -> Result<Received, SocketError> {
        if !self.mapping.is_ready(self.next_block) && !timeout.is_zero() {
            self.wait(timeout)?;
        }
        let Some(block) = self.mapping.ready_block(self.next_block) else {
            return Ok(Received { frames: 0, empty: true });
        };
        self.read += u64::from(word(block, BLOCK_FRAMES).unwrap_or(0));
        let read = read_block(block, each);
        self.mapping.release(self.next_block);
        self.next_block = (self.next_block + 1) % self.mapping.block_count();
        let frames =
            read.map_err(|detail| SocketError::RingDamaged { interface: self.packet.interface().to_owned(), detail })?;
        Ok(Received { frames, empty: !self.mapping.is_ready(self.next_block) })
    }

    /// Frames that the kernel could not put into the ring so far, and how often it was full.
    ///
    /// # Errors
    /// Whatever the system says.
    pub fn drops(&mut self) -> Result<Drops, SocketError> {
        self.count()?;
        Ok(self.drops)
    }

    /// Frames that the kernel has put into the ring and not handed over yet: it does so when a block is full or its
    /// time is over, and the timer that says so can be late on a loaded host.
    ///
    /// # Errors
    /// Whatever the system says.
    pub fn waiting(&mut self) -> Result<u64, SocketError> {
        self.count()?;
        Ok(self.put.saturating_sub(self.read))
    }

    fn count(&mut self) -> Result<(), SocketError> {
        let counts = sys::statistics(self.packet.socket())
            .map_err(|source| self.packet.error("read the ring's statistics", source))?;
        // The first count holds the drops too (packet(7), PACKET_STATISTICS).
        self.put += u64::from(counts[0].saturating_sub(counts[1]));
        self.drops.add(counts);
        Ok(())
    }

    /// How many frames of `frame_bytes` (without FCS) surely fit while nobody reads, if they arrive back to back.
    ///
    /// Frames that trickle in fill a block each [`RETIRE_MS`] however few they are: then it is one frame a block.
    pub fn capacity_frames(&self, frame_bytes: usize) -> usize {
        // tpacket_rcv: header, address and at least 16 bytes, aligned to 16, end where the frame's network header
        // starts.
        let header = (libc::TPACKET3_HDRLEN + 16).next_multiple_of(libc::TPACKET_ALIGNMENT) - ETHERNET_BYTES;
        let stride = (header + frame_bytes).next_multiple_of(8);
        let room = self.mapping.block_bytes() - size_of::<libc::tpacket_block_desc>();
        // One block is the one that the kernel is filling.
        (self.mapping.block_count() - 1) * (room / stride)
    }

    fn wait(&self, timeout: Duration) -> Result<(), SocketError> {
        let socket = self.packet.socket();
        let events =
            sys::wait(socket, libc::POLLIN, timeout).map_err(|source| self.packet.error("wait for frames", source))?;
        if events & libc::POLLERR != 0
            && let Some(error) =
                socket.take_error().map_err(|source| self.packet.error("read the socket's error", source))?
        {
            // A block that was being filled is still handed over; after it the question below finds the error again.
            let handed_over = sys::wait(socket, libc::POLLIN, Duration::from_millis(10 * u64::from(RETIRE_MS)));
            return if matches!(handed_over, Ok(libc::POLLIN)) {
                Ok(())
            } else {
                Err(self.packet.error("receive", error))
            };
        }
        // The kernel reports a lost interface once. Ask again whenever nothing came, so that nobody waits for ever.
        if events == 0 { self.packet.check_up() } else { Ok(()) }
    }
}

fn stamp_by(packet: &PacketSocket, clock: Clock) -> Result<(), SocketError> {
    let flags = if clock == Clock::Adapter { libc::SOF_TIMESTAMPING_RAW_HARDWARE as i32 } else { 0 };
    sys::set_packet_option(packet.socket(), libc::PACKET_TIMESTAMP, flags)
        .map_err(|source| packet.error("choose the clock of the stamps", source))
}

/// For [`RingOptions::ethertype`]: frames of every EtherType (`ETH_P_ALL`).
pub const EVERY_ETHERTYPE: u16 = libc::ETH_P_ALL as u16;

/// Bytes of a block. Holds the longest frame that Linux can carry. With smaller blocks a fast receiver of long frames
/// is woken more often than it need be (at 64 KiB every 43 frames of 1514 bytes), which costs the sender; larger ones
/// gain nothing, since time hands a block over first.
pub const BLOCK_BYTES: usize = 256 << 10;

/// After how many milliseconds a block with a frame inside is handed over, full or not. Stamps do not depend on it.
pub const RETIRE_MS: u32 = 1;

/// Fewest blocks with which the kernel can fill one while others are read.
const BLOCKS_LEAST: usize = 4;

const ETHERNET_BYTES: usize = 14;

/// Longest frame: MTU 65,535 (the most a Linux driver offers, veth and loopback) and the Ethernet header with a tag.
const FRAME_BYTES_MAX: usize = 65_535 + 18;
const _: () = assert!(BLOCK_BYTES >= FRAME_BYTES_MAX + 256);

/// Hands on the frames of a block; fails with the name of a field that points outside it.
fn read_block(block: &[u8], each: &mut dyn FnMut(RawFrame<'_>)) -> Result<usize, &'static str> {
    let mut handed_on = 0;
    // Once a block: it was filled within the last milliseconds.
    let clocks = ClockPair::read();
    let mut at = word(block, BLOCK_FIRST).ok_or("block header")? as usize;
    for _ in 0..word(block, BLOCK_FRAMES).ok_or("block header")? {
        let header = block.get(at..).and_then(|rest| rest.first_chunk()).ok_or("offset of a frame")?;
        if let Some(frame) = read_frame(block, at, header, &clocks)? {
            each(frame);
            handed_on += 1;
        }
        at += word(header, NEXT).ok_or("frame header")? as usize;
    }
    Ok(handed_on)
}

/// `None` for a frame that no wire delivered, above all our own outgoing copy.
fn read_frame<'a>(
    block: &'a [u8],
    at: usize,
    header: &[u8; FRAME_HEADER_BYTES],
    clocks: &ClockPair,
) -> Result<Option<RawFrame<'a>>, &'static str> {
    let field = |offset| u32::from_ne_bytes(std::array::from_fn(|i| header[offset + i]));
    let half = |offset| u16::from_ne_bytes(std::array::from_fn(|i| header[offset + i]));
    let Some(addressee) = Addressee::parse(header[PACKET_TYPE]) else { return Ok(None) };
    let start = at + usize::from(half(MAC));
    let bytes = block.get(start..start + field(CAPTURED) as usize).ok_or("length of a frame")?;
    let status = field(STATUS);
    let stamp = u64::from(field(SECONDS)) * 1_000_000_000 + u64::from(field(NANOSECONDS));
    // A stamp of nothing is none, whoever claims to have made it: then the program's clock has to do.
    let (at_ns, clock) = match (stamp, status & libc::TP_STATUS_TS_RAW_HARDWARE != 0) {
        (0, _) => (now_ns(), Clock::Program),
        (at_ns, true) => (at_ns, Clock::Adapter),
        (at_ns, false) => (clocks.on_run_clock(at_ns), Clock::Kernel),
    };
    Ok(Some(RawFrame {
        bytes,
        wire_length: field(LENGTH) as usize,
        at_ns,
        clock,
        addressee,
        // The control word is 16 bits wide on the wire, 32 in the header.
        vlan: VlanTag::parse(status, field(VLAN_CONTROL) as u16, half(VLAN_PROTOCOL)),
    }))
}

fn word(bytes: &[u8], offset: usize) -> Option<u32> {
    bytes.get(offset..)?.first_chunk().map(|word| u32::from_ne_bytes(*word))
}

const BLOCK_FRAMES: usize = offset_of!(libc::tpacket_block_desc, hdr) + offset_of!(libc::tpacket_hdr_v1, num_pkts);
const BLOCK_FIRST: usize =
    offset_of!(libc::tpacket_block_desc, hdr) + offset_of!(libc::tpacket_hdr_v1, offset_to_first_pkt);

const NEXT: usize = offset_of!(libc::tpacket3_hdr, tp_next_offset);
const SECONDS: usize = offset_of!(libc::tpacket3_hdr, tp_sec);
const NANOSECONDS: usize = offset_of!(libc::tpacket3_hdr, tp_nsec);
const CAPTURED: usize = offset_of!(libc::tpacket3_hdr, tp_snaplen);
const LENGTH: usize = offset_of!(libc::tpacket3_hdr, tp_len);
const STATUS: usize = offset_of!(libc::tpacket3_hdr, tp_status);
const MAC: usize = offset_of!(libc::tpacket3_hdr, tp_mac);
const VLAN_CONTROL: usize = offset_of!(libc::tpacket3_hdr, hv1) + offset_of!(libc::tpacket_hdr_variant1, tp_vlan_tci);
const VLAN_PROTOCOL: usize = offset_of!(libc::tpacket3_hdr, hv1) + offset_of!(libc::tpacket_hdr_variant1, tp_vlan_tpid);
/// A link-layer address follows the header, which is a multiple of TPACKET_ALIGNMENT long.
const PACKET_TYPE: usize = size_of::<libc::tpacket3_hdr>() + offset_of!(libc::sockaddr_ll, sll_pkttype);
const FRAME_HEADER_BYTES: usize = libc::TPACKET3_HDRLEN;
const _: () = assert!(size_of::<libc::tpacket3_hdr>().is_multiple_of(libc::TPACKET_ALIGNMENT));

// Offsets as in linux/if_packet.h.
const _: () = {
    assert!(BLOCK_FRAMES == 12 && BLOCK_FIRST == 16);
    assert!(NEXT == 0 && SECONDS == 4 && NANOSECONDS == 8 && CAPTURED == 12 && LENGTH == 16 && STATUS == 20);
    assert!(MAC == 24 && VLAN_CONTROL == 32 && VLAN_PROTOCOL == 36 && PACKET_TYPE == 58);
};

#[cfg(test)]
mod tests {
    use super::*;

    /// A block as packet_mmap.rst draws it, with one 60-byte frame at offset 48.
    fn block_with_one_frame(packet_type: u8) -> Vec<u8> {
        let mut block = vec![0u8; 4096];
        let mut put = |offset: usize, value: u32| block[offset..offset + 4].copy_from_slice(&value.to_ne_bytes());
        put(12, 1); // frames
        put(16, 48); // first
        put(48 + 4, 7); // seconds
        put(48 + 8, 9); // nanoseconds
        put(48 + 12, 60); // captured
        put(48 + 16, 60); // length
        block[48 + 24..48 + 26].copy_from_slice(&82u16.to_ne_bytes()); // start of the frame
        block[48 + 58] = packet_type;
        block[48 + 82..48 + 82 + 60].fill(0xA5);
        block
    }

    #[test]
    fn a_block_is_read_and_our_own_copy_left_out() {
        let mut seen = 0;
        let mut each = |frame: RawFrame<'_>| {
            assert_eq!(frame.bytes, [0xA5; 60]);
            assert_eq!((frame.clock, frame.wire_length), (Clock::Kernel, 60));
            // The clock of runs begins with the system's time; only what passes between two readings is between them.
            assert!(frame.at_ns.abs_diff(7_000_000_009) < 1_000_000_000, "{}", frame.at_ns);
            seen += 1;
        };
        assert_eq!(read_block(&block_with_one_frame(libc::PACKET_HOST), &mut each), Ok(1));
        assert_eq!(read_block(&block_with_one_frame(libc::PACKET_OUTGOING), &mut each), Ok(0));
        assert_eq!(seen, 1);
    }

    #[test]
    fn fields_that_point_outside_the_block_are_named() {
        for (offset, value, detail) in [
            (16, 4090, "offset of a frame"),
            (16, u32::MAX, "offset of a frame"),
            (48 + 12, 4096, "length of a frame"),
            (48 + 12, u32::MAX, "length of a frame"),
        ] {
            let mut block = block_with_one_frame(libc::PACKET_HOST);
            block[offset..offset + 4].copy_from_slice(&value.to_ne_bytes());
            assert_eq!(read_block(&block, &mut |_| {}), Err(detail), "{value} at {offset}");
        }
    }

    proptest::proptest! {
        #[test]
        fn arbitrary_blocks_never_panic(bytes in proptest::collection::vec(proptest::num::u8::ANY, 0..512)) {
            let _ = read_block(&bytes, &mut |frame| assert!(frame.bytes.len() <= 512));
        }
    }

    #[test]
    fn drops_add_up_over_reads_that_reset_them() {
        let mut drops = Drops::default();
        drops.add([10, 4, 1]);
        drops.add([u32::MAX, u32::MAX, 0]);
        assert_eq!(drops, Drops { frames: 4 + u64::from(u32::MAX), freezes: 1 });
    }
}
