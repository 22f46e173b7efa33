//! Whatever arrives beside the probes: foreign frames, and echoes whose EtherType was damaged.

use socket2::SockFilter;

use super::{
    Addressee, Clock, Drops, PROBE_ETHERTYPE, RawFrame, SocketError, VlanTag, now_ns, packet::PacketSocket, sys,
};

/// Hears every frame of an interface except probes, which a filter turns away inside the kernel.
///
/// Cheap for probes (one comparison each), not meant for many others: a system call and a copy per frame. The kernel is
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
    /// Opens a listener for everything but [`PROBE_ETHERTYPE`].
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
        packet.bind(libc::ETH_P_ALL as u16)?;
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

/// Classic BPF: load the EtherType, turn it away if it is ours, else keep the whole frame.
///
/// A VLAN tag is taken out before the filter runs, so a tagged probe is turned away too: the ring has it.
fn all_but_probes() -> [SockFilter; 4] {
    [
        SockFilter::new((libc::BPF_LD | libc::BPF_H | libc::BPF_ABS) as u16, 0, 0, ETHERTYPE_OFFSET),
        SockFilter::new((libc::BPF_JMP | libc::BPF_JEQ | libc::BPF_K) as u16, 0, 1, u32::from(PROBE_ETHERTYPE)),
        SockFilter::new((libc::BPF_RET | libc::BPF_K) as u16, 0, 0, 0),
        SockFilter::new((libc::BPF_RET | libc::BPF_K) as u16, 0, 0, u32::MAX),
    ]
}

const ETHERTYPE_OFFSET: u32 = 12;

/// The longest frame that Linux can carry (MTU 65,535) with its header. Longer ones, put together by the kernel out of
/// several (GRO), are cut.
const BUFFER_BYTES: usize = 65_535 + 18;

const DRAIN_FRAMES_MAX: usize = 64;
