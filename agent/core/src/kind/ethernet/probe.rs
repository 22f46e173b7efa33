//! The Ethernet probe, format 1. `docs/probe-format.md` describes it; `tests/probe_bytes.rs` pins it byte for byte.
//!
//! ```text
//! offset  bytes  field
//!      0      6  destination: the receiving port's own address
//!      6      6  source: the sending port's address with the locally-administered bit set
//!     12      2  EtherType 0x88B5 (IEEE Std 802 local experimental EtherType 1)
//!     14      1  format, 1
//!     15      1  lane: which direction of the run this probe belongs to
//!     16      8  run tag
//!     24      8  sequence, from 0 in each lane of a run
//!     32      8  send time, nanoseconds on the port's clock
//!     40      8  shape: pattern id (8 bits), frame length without FCS (16), pattern phase in bytes (40)
//!     48      8  header check
//!     56         pattern to the end
//! ```
//!
//! All numbers are big-endian. The header check is the exclusive-or of the other words, each rotated by its own amount:
//! cheap enough for a kernel program, and *linear*, so that when everything but the send time is known (the receiver
//! can rebuild it from the sequence) the syndrome still shows exactly which bits of time and check were damaged.

use thiserror::Error;

/// Bytes before the pattern.
pub const HEADER_BYTES: usize = 56;
/// EtherType of every probe: IEEE Std 802 local experimental EtherType 1 (RFC 7042 B.2, `ETH_P_802_EX1`).
pub const ETHERTYPE: u16 = 0x88B5;
/// Format number written by this version.
pub const FORMAT: u8 = 1;
/// Shortest frame handed to a socket, without FCS (`ETH_ZLEN` in linux/if_ether.h).
pub const FRAME_BYTES_MIN: usize = 60;
/// Octets of the frame check sequence, which sockets do not see (`ETH_FCS_LEN`).
pub const FCS_BYTES: usize = 4;
/// Octets that each frame costs on the line besides itself: preamble 7, start delimiter 1, gap 12 (RFC 6349 4.1.1).
pub const LINE_OVERHEAD_BYTES: usize = 20;
/// Phase is kept in 40 bits.
pub const PHASE_MASK: u64 = (1 << 40) - 1;

/// A six-octet Ethernet address.
pub type Address = [u8; 6];

/// Six octets as `02:00:00:00:00:01`.
pub fn print_address(address: Address) -> String {
    address.map(|b| format!("{b:02x}")).join(":")
}

/// The source address for probes of a port with address `own`: the same with the locally-administered bit set, because
/// some adapters discard frames that carry their own source address (bit meaning: RFC 7042 2.1).
pub fn probe_source(own: Address) -> Address {
    let mut source = own;
    source[0] = (source[0] | 0x02) & !0x01;
    if source == own {
        // The port's own address is already a local one: change one more bit that no filter gives a meaning to.
        source[5] ^= 0x80;
    }
    source
}

/// Why bytes are not a probe.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Error)]
pub enum ProbeError {
    /// Too short to hold a header.
    #[error("frame of {0} bytes is shorter than a probe header of {HEADER_BYTES}")]
    Short(usize),
    /// Another EtherType.
    #[error("ethertype {0:#06x} is not {ETHERTYPE:#06x}")]
    EtherType(u16),
    /// A format number this version does not know.
    #[error("probe format {0} is not {FORMAT}")]
    Format(u8),
    /// The header check does not fit the header.
    #[error("header check differs by {0:#018x}")]
    Check(u64),
}

/// A view of the bytes of a probe; every getter works on damaged bytes too.
#[derive(Clone, Copy, Debug)]
pub struct Header<T: AsRef<[u8]>> {
    bytes: T,
}

mod field {
    use std::ops::Range;
    pub const DESTINATION: Range<usize> = 0..6;
    pub const SOURCE: Range<usize> = 6..12;
    pub const ETHERTYPE: Range<usize> = 12..14;
    pub const FORMAT: usize = 14;
    pub const LANE: usize = 15;
    pub const TAG: Range<usize> = 16..24;
    pub const SEQUENCE: Range<usize> = 24..32;
    pub const SENT_AT: Range<usize> = 32..40;
    pub const SHAPE: Range<usize> = 40..48;
    pub const CHECK: Range<usize> = 48..56;
}

/// Bytes of the send time.
pub(crate) const SENT_AT: std::ops::Range<usize> = field::SENT_AT;
/// Bytes of the header check.
pub(crate) const CHECK: std::ops::Range<usize> = field::CHECK;

impl<T: AsRef<[u8]>> Header<T> {
    /// A view if there are enough bytes for a header; nothing else is looked at.
    pub fn new_sized(bytes: T) -> Result<Self, ProbeError> {
        match bytes.as_ref().len() {
            n if n < HEADER_BYTES => Err(ProbeError::Short(n)),
            _ => Ok(Self { bytes }),
        }
    }

    /// A view of an intact header: EtherType, format and check are right.
    pub fn new_checked(bytes: T) -> Result<Self, ProbeError> {
        let header = Self::new_sized(bytes)?;
        if header.ethertype() != ETHERTYPE {
            return Err(ProbeError::EtherType(header.ethertype()));
        }
        if header.format() != FORMAT {
            return Err(ProbeError::Format(header.format()));
        }
        match header.syndrome() {
            0 => Ok(header),
            other => Err(ProbeError::Check(other)),
        }
    }

    fn word(&self, range: std::ops::Range<usize>) -> u64 {
        let mut word = [0; 8];
        word.copy_from_slice(&self.bytes.as_ref()[range]);
        u64::from_be_bytes(word)
    }

    /// Destination address.
    pub fn destination(&self) -> &[u8] {
        &self.bytes.as_ref()[field::DESTINATION]
    }

    /// Source address.
    pub fn source(&self) -> &[u8] {
        &self.bytes.as_ref()[field::SOURCE]
    }

    /// EtherType.
    pub fn ethertype(&self) -> u16 {
        u16::from_be_bytes([
            self.bytes.as_ref()[field::ETHERTYPE.start],
            self.bytes.as_ref()[field::ETHERTYPE.start + 1],
        ])
    }

    /// Format number.
    pub fn format(&self) -> u8 {
        self.bytes.as_ref()[field::FORMAT]
    }

    /// Direction of the run that sent this probe.
    pub fn lane(&self) -> u8 {
        self.bytes.as_ref()[field::LANE]
    }

    /// Run tag.
    pub fn tag(&self) -> u64 {
        self.word(field::TAG)
    }

    /// Sequence number.
    pub fn sequence(&self) -> u64 {
        self.word(field::SEQUENCE)
    }

    /// Send time in nanoseconds.
    pub fn sent_at(&self) -> u64 {
        self.word(field::SENT_AT)
    }

    /// Pattern id, frame length and phase as one word.
    pub fn shape(&self) -> Shape {
        Shape(self.word(field::SHAPE))
    }

    /// Header check as carried.
    pub fn check(&self) -> u64 {
        self.word(field::CHECK)
    }

    /// Carried check against computed check: 0 when the header is intact.
    pub fn syndrome(&self) -> u64 {
        self.check() ^ check(self.format(), self.lane(), self.tag(), self.sequence(), self.sent_at(), self.shape())
    }
}

/// Pattern id, frame length and phase packed as in the header.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub struct Shape(pub u64);

impl Shape {
    /// Packs the three; `length_bytes` is the frame without FCS, `phase_bytes` is kept modulo 2^40.
    pub fn new(pattern_id: u8, length_bytes: u16, phase_bytes: u64) -> Self {
        Self(u64::from(pattern_id) << 56 | u64::from(length_bytes) << 40 | (phase_bytes & PHASE_MASK))
    }

    /// Pattern id.
    pub fn pattern_id(self) -> u8 {
        (self.0 >> 56) as u8
    }

    /// Frame length without FCS, bytes.
    pub fn length_bytes(self) -> u16 {
        (self.0 >> 40) as u16
    }

    /// Offset of the payload's first byte in the pattern, bytes.
    pub fn phase_bytes(self) -> u64 {
        self.0 & PHASE_MASK
    }
}

/// Everything a probe header says.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct HeaderRepr {
    /// Destination address.
    pub destination: Address,
    /// Source address.
    pub source: Address,
    /// Direction of the run.
    pub lane: u8,
    /// Run tag.
    pub tag: u64,
    /// Sequence number.
    pub sequence: u64,
    /// Send time, nanoseconds on the port's clock.
    pub sent_at: u64,
    /// Pattern, length and phase.
    pub shape: Shape,
}

impl HeaderRepr {
    /// Reads an intact header.
    ///
    /// # Errors
    /// The first thing found wrong, see [`ProbeError`].
    pub fn parse(bytes: &[u8]) -> Result<Self, ProbeError> {
        let header = Header::new_checked(bytes)?;
        let mut repr = Self {
            destination: [0; 6],
            source: [0; 6],
            lane: header.lane(),
            tag: header.tag(),
            sequence: header.sequence(),
            sent_at: header.sent_at(),
            shape: header.shape(),
        };
        repr.destination.copy_from_slice(header.destination());
        repr.source.copy_from_slice(header.source());
        Ok(repr)
    }

    /// The header's bytes.
    #[inline]
    pub fn emit(&self) -> [u8; HEADER_BYTES] {
        let mut out = [0; HEADER_BYTES];
        out[field::DESTINATION].copy_from_slice(&self.destination);
        out[field::SOURCE].copy_from_slice(&self.source);
        out[field::ETHERTYPE].copy_from_slice(&ETHERTYPE.to_be_bytes());
        out[field::FORMAT] = FORMAT;
        out[field::LANE] = self.lane;
        out[field::TAG].copy_from_slice(&self.tag.to_be_bytes());
        out[field::SEQUENCE].copy_from_slice(&self.sequence.to_be_bytes());
        out[field::SENT_AT].copy_from_slice(&self.sent_at.to_be_bytes());
        out[field::SHAPE].copy_from_slice(&self.shape.0.to_be_bytes());
        let check = check(FORMAT, self.lane, self.tag, self.sequence, self.sent_at, self.shape);
        out[field::CHECK].copy_from_slice(&check.to_be_bytes());
        out
    }
}

/// Rotation of the send time inside the check; the receiver's damage count undoes it.
pub(crate) const SENT_AT_ROTATION: u32 = 31;

/// The header check. The constant keeps an all-zero header from checking; the rotations keep equal words from
/// cancelling and one repeated stuck bit from hiding.
#[inline]
fn check(format: u8, lane: u8, tag: u64, sequence: u64, sent_at: u64, shape: Shape) -> u64 {
    0x7475_726E_6261_636B
        ^ (u64::from(format) << 8 | u64::from(lane)).rotate_left(5)
        ^ tag.rotate_left(1)
        ^ sequence.rotate_left(17)
        ^ sent_at.rotate_left(SENT_AT_ROTATION)
        ^ shape.0.rotate_left(47)
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn repr() -> HeaderRepr {
        HeaderRepr {
            destination: [0x02, 0, 0, 0, 0, 0x01],
            source: [0x02, 0, 0, 0, 0, 0x81],
            lane: 0,
            tag: 0x1122_3344_5566_7788,
            sequence: 7,
            sent_at: 1_000_000_007,
            shape: Shape::new(9, 1514, 12345),
        }
    }

    #[test]
    fn source_is_local_unicast_and_differs() {
        // RFC 7042 2.1: unicast local when (octet0 & 3) == 2.
        for own in [[0x00, 0x11, 0x22, 0x33, 0x44, 0x55], [0x02, 0, 0, 0, 0, 1]] {
            let source = probe_source(own);
            assert_eq!(source[0] & 3, 2);
            assert_ne!(source, own);
        }
    }

    #[test]
    fn every_single_bit_error_in_the_checked_words_is_noticed() {
        let good = repr().emit();
        for bit in 14 * 8..HEADER_BYTES * 8 {
            let mut bad = good;
            bad[bit / 8] ^= 0x80 >> (bit % 8);
            assert!(HeaderRepr::parse(&bad).is_err(), "bit {bit}");
        }
    }

    #[test]
    fn errors_name_what_is_wrong() {
        assert_eq!(HeaderRepr::parse(&[0; 10]), Err(ProbeError::Short(10)));
        let mut other = repr().emit();
        other[12] = 0x08;
        other[13] = 0x00;
        assert_eq!(HeaderRepr::parse(&other), Err(ProbeError::EtherType(0x0800)));
        let mut newer = repr().emit();
        newer[14] = 2;
        assert_eq!(HeaderRepr::parse(&newer), Err(ProbeError::Format(2)));
    }

    proptest! {
        #[test]
        fn what_is_emitted_parses_back(tag: u64, sequence: u64, sent_at: u64, shape: u64, lane: u8) {
            let repr = HeaderRepr { tag, sequence, sent_at, shape: Shape(shape), lane, ..repr() };
            prop_assert_eq!(HeaderRepr::parse(&repr.emit()), Ok(repr));
        }

        #[test]
        fn arbitrary_bytes_never_panic(bytes in proptest::collection::vec(any::<u8>(), 0..100)) {
            let _ = HeaderRepr::parse(&bytes);
        }
    }
}
