//! Whatever arrives beside the probes: foreign frames, and echoes whose EtherType was damaged.

use socket2::SockFilter;

use super::{
    Addressee, Clock, Drops, EVERY_ETHERTYPE, PROBE_ETHERTYPE, RawFrame, SocketError, VlanTag, now_ns,
    packet::PacketSocket, sys,
};

/// Hears every frame of an interface except untagged probes, which a filter turns away inside the kernel.
///
/// A probe that comes back with a VLAN tag is heard here and received by the ring too, there without its tag. Cheap for
/// probes (turning one away takes about 0.1 µs), not meant for many others: a system call and a copy per frame. The kernel is
/// not asked for time stamps, since that would make it read the clock for every frame of the machine; frames carry the
/// time at which they were drained.
#[derive(Debug)]
pub struct ForeignListener {
    packet: PacketSocket,
    buffer: Box<[u8]>,
    drops: Drops,
}

/// What one call of [`ForeignListener::drain`] brought.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Drained {
    /// How many frames were handed on.
    pub frames: usize,
    /// Whether nothing was left waiting.
    pub empty: bool,
}

impl ForeignListener {
    /// Opens a listener for everything but untagged frames of [`PROBE_ETHERTYPE`].
    ///
    /// # Errors
    /// As [`super::FrameRing::open`].
    pub fn open(ifindex: u32) -> Result<Self, SocketError> {
        let packet = PacketSocket::open(ifindex)?;
        packet.check_up()?;
        packet.ignore_outgoing()?;
        sys::set_packet_option(packet.socket(), libc::PACKET_AUXDATA, 1)
            .map_err(|source| packet.error("ask for VLAN tags", source))?;
        packet.socket().attach_filter(&all_but_probes()).map_err(|source| packet.error("attach a filter", source))?;
        packet.bind(EVERY_ETHERTYPE)?;
        Ok(Self { packet, buffer: vec![0; BUFFER_BYTES].into(), drops: Drops::default() })
    }

    /// Hands on the frames that are waiting, at most 64 so that a flood cannot hold the caller; never waits.
    ///
    /// # Errors
    /// [`SocketError::InterfaceDown`], [`SocketError::InterfaceGone`], or what else the system says.
    pub fn drain(&mut self, each: &mut dyn FnMut(RawFrame<'_>)) -> Result<Drained, SocketError> {
        let mut frames = 0;
        let mut at_ns = None;
        for _ in 0..DRAIN_FRAMES_MAX {
            let arrival = sys::receive(self.packet.socket(), &mut self.buffer)
                .map_err(|source| self.packet.error("receive", source))?;
            let Some(arrival) = arrival else { return Ok(Drained { frames, empty: true }) };
            let Some(addressee) = Addressee::parse(arrival.packet_type) else { continue };
            each(RawFrame {
                bytes: &self.buffer[..arrival.wire_length.min(BUFFER_BYTES)],
                wire_length: arrival.wire_length,
                at_ns: *at_ns.get_or_insert_with(now_ns),
                clock: Clock::Program,
                addressee,
                vlan: arrival
                    .auxiliary
                    .and_then(|(status, control, protocol)| VlanTag::parse(status, control, protocol)),
            });
            frames += 1;
        }
        Ok(Drained { frames, empty: false })
    }

    /// Foreign frames lost because nobody drained them in time. They were heard all the same.
    ///
    /// # Errors
    /// Whatever the system says.
    pub fn drops(&mut self) -> Result<Drops, SocketError> {
        let counts = sys::statistics(self.packet.socket())
            .map_err(|source| self.packet.error("read the listener's statistics", source))?;
        self.drops.add(counts);
        Ok(self.drops)
    }

    /// Index of the interface.
    pub fn ifindex(&self) -> u32 {
        self.packet.ifindex()
    }
}

/// Classic BPF: keep a frame whose EtherType is not ours, or that had a VLAN tag; turn away the rest.
///
/// The tag was taken out before the filter runs, so the EtherType is the one behind it. Other network equipment puts tags
/// on, so a tagged probe is worth hearing, and a ring of one EtherType cannot see its tag.
fn all_but_probes() -> [SockFilter; 6] {
    let load_half = (libc::BPF_LD | libc::BPF_H | libc::BPF_ABS) as u16;
    let load_word = (libc::BPF_LD | libc::BPF_W | libc::BPF_ABS) as u16;
    let jump_if_equal = (libc::BPF_JMP | libc::BPF_JEQ | libc::BPF_K) as u16;
    let give = (libc::BPF_RET | libc::BPF_K) as u16;
    [
        SockFilter::new(load_half, 0, 0, ETHERTYPE_OFFSET),
        SockFilter::new(jump_if_equal, 0, 3, u32::from(PROBE_ETHERTYPE)),
        SockFilter::new(load_word, 0, 0, VLAN_TAG_PRESENT),
        SockFilter::new(jump_if_equal, 0, 1, 0),
        SockFilter::new(give, 0, 0, 0),
        SockFilter::new(give, 0, 0, u32::MAX),
    ]
}

const ETHERTYPE_OFFSET: u32 = 12;

/// SKF_AD_OFF + SKF_AD_VLAN_TAG_PRESENT of linux/filter.h: not a byte of the frame but a fact about it.
const VLAN_TAG_PRESENT: u32 = (libc::SKF_AD_OFF + libc::SKF_AD_VLAN_TAG_PRESENT) as u32;

/// The longest frame that Linux can carry (MTU 65,535) with its header. Longer ones, put together by the kernel out of
/// several (GRO), are cut.
const BUFFER_BYTES: usize = 65_535 + 18;

const DRAIN_FRAMES_MAX: usize = 64;
