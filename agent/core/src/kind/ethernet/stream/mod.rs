//! A stream is the probes of one step in one direction: what each holds, when it may go ([`transmit`]), and what its
//! echo says ([`collect`]). The two halves share only [`StreamSpec`] and a few counters that their driver keeps.

pub mod collect;
pub mod tally;
pub mod transmit;

use crate::kind::ethernet::probe::{Address, FCS_BYTES, HEADER_BYTES, HeaderRepr, PHASE_MASK, Shape};
use crate::signal::pattern::{Pattern, WINDOW_BYTES};

/// What both halves of a stream must agree on.
#[derive(Clone, Debug)]
pub struct StreamSpec {
    /// Direction of the run.
    pub lane: u8,
    /// Tag of the run.
    pub tag: u64,
    /// Source address of the probes.
    pub source: Address,
    /// Address of the receiving port.
    pub destination: Address,
    /// What fills the probes.
    pub pattern: Pattern,
    /// Frame length handed to the socket, without FCS, bytes; at least [`HEADER_BYTES`].
    pub frame_bytes: usize,
    /// Sequence of the step's first probe.
    pub first_sequence: u64,
}

impl StreamSpec {
    /// Bytes of pattern in each probe.
    pub fn payload_bytes(&self) -> usize {
        self.frame_bytes - HEADER_BYTES
    }

    /// Frame length with FCS, as the standards count, bytes.
    pub fn size_bytes(&self) -> usize {
        self.frame_bytes + FCS_BYTES
    }

    /// Phase of the pattern in probe `sequence`.
    ///
    /// The payloads of consecutive probes follow each other through one window of the pattern, go through it
    /// [`WINDOW_PASSES`] times, then move on to the next window. Every stretch of a long pattern is reached in a long
    /// run, and making windows costs neither half anything that could be measured (a window anew for every 180 full
    /// frames would cost the sender a tenth of its time).
    #[inline]
    pub fn phase_bytes(&self, sequence: u64) -> u64 {
        let (probe, slots) = (sequence.wrapping_sub(self.first_sequence), self.slots());
        let pass = probe / slots;
        // A damaged sequence may be any number; only the bits of the mask matter.
        (pass / WINDOW_PASSES)
            .wrapping_mul(WINDOW_BYTES as u64)
            .wrapping_add((probe - pass * slots) * self.payload_bytes() as u64)
            & PHASE_MASK
    }

    /// Payloads that begin in one window.
    #[inline]
    fn slots(&self) -> u64 {
        (WINDOW_BYTES / self.payload_bytes().max(1)).max(1) as u64
    }

    /// The header of probe `sequence` sent at `sent_at`. Its shape holds the phase, which costs divisions: who needs
    /// both takes it from there.
    #[inline]
    pub fn header(&self, sequence: u64, sent_at: u64) -> HeaderRepr {
        HeaderRepr {
            destination: self.destination,
            source: self.source,
            lane: self.lane,
            tag: self.tag,
            sequence,
            sent_at,
            shape: Shape::new(self.pattern.id(), self.frame_bytes as u16, self.phase_bytes(sequence)),
        }
    }

    /// The probe nearest to `about` that has this phase.
    fn sequence_of_phase(&self, phase_bytes: u64, about: u64) -> Option<u64> {
        let payload = self.payload_bytes() as u64;
        let within = phase_bytes % WINDOW_BYTES as u64;
        if payload == 0 || !within.is_multiple_of(payload) {
            return None;
        }
        let slots = self.slots();
        let pass = about.saturating_sub(self.first_sequence) / slots;
        [pass.checked_sub(1), Some(pass), Some(pass + 1)]
            .into_iter()
            .flatten()
            .map(|pass| self.first_sequence + pass * slots + within / payload)
            .filter(|sequence| self.phase_bytes(*sequence) == phase_bytes)
            .min_by_key(|sequence| sequence.abs_diff(about))
    }
}

/// Times the payloads go through one window of the pattern before the next is made: the making is then under a
/// thousandth of the time the probes take.
pub const WINDOW_PASSES: u64 = 256;

/// One probe on its way out, in two parts so that the pattern is never copied.
#[derive(Clone, Copy, Debug)]
pub struct Outgoing<'a> {
    /// First bytes of the frame.
    pub header: [u8; HEADER_BYTES],
    /// The rest of the frame.
    pub payload: &'a [u8],
}

impl Outgoing<'_> {
    /// Length of the whole frame in bytes, without FCS.
    pub fn length_bytes(&self) -> usize {
        HEADER_BYTES + self.payload.len()
    }
}
