//! The frame plug: what happens to each frame, as a pure function of faults, seed and earlier frames.
//!
//! It has no device and no clock. Frames come in with a time and leave through a callback, so tests see every frame.

use serde::Serialize;

use crate::bits::BitErrors;
use crate::delay::DelayLine;
use crate::fault::{Adjustable, FaultError, FrameFaults};
use turnback_core::base::rng::Rng;

/// EtherType of the probes (IEEE 802, Local Experimental EtherType 1).
pub const PROBE_ETHERTYPE: u16 = 0x88B5;

/// How long a swapped probe waits for the next one before it leaves alone, in nanoseconds.
///
/// Our own choice: longer than any gap within a run at a sensible rate, shorter than a tester waits for late frames.
pub const SWAP_WAIT_NS: u64 = 20_000_000;

/// What the plug has done so far. It counts probes only, except where a field says otherwise.
///
/// `frames_seen + duplicated = frames_returned + dropped + pending + return_failed` at any time.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize)]
pub struct FrameCounts {
    /// Probes the host sent.
    pub frames_seen: u64,
    /// Probes returned, including both copies of a duplicated one.
    pub frames_returned: u64,
    /// Probes that vanished, including those in an outage.
    pub dropped: u64,
    /// Probes that vanished in an outage.
    pub dropped_in_outage: u64,
    /// Probes returned twice.
    pub duplicated: u64,
    /// Probes that left after the one that followed them.
    pub swapped: u64,
    /// Probes that lost bytes at their end.
    pub truncated: u64,
    /// Bytes they lost.
    pub bytes_cut: u64,
    /// Probes that gained bytes at their end.
    pub lengthened: u64,
    /// Bytes they gained.
    pub bytes_added: u64,
    /// Probes with at least one flipped bit; both copies of a duplicated one count once.
    pub frames_flipped: u64,
    /// Bits flipped by the error ratio and the bursts; both copies count once.
    pub bits_flipped: u64,
    /// Bits flipped in the Ethernet header.
    pub bits_flipped_in_header: u64,
    /// Probes whose EtherType was damaged. A tester that listens for the EtherType never sees them.
    pub ethertypes_damaged: u64,
    /// Probes with any bit changed by flips, stuck bit or inversion.
    pub frames_damaged: u64,
    /// Bits changed by all three together. Bytes cut or added do not count.
    pub bits_damaged: u64,
    /// Probes that still wait for the end of their delay, or for the next probe.
    pub pending: u64,
    /// Probes that the host did not take back, for instance because the interface is down.
    pub return_failed: u64,
    /// Frames that are not probes. They are returned untouched unless an option drops them.
    pub other_frames: u64,
}

/// A loopback plug for frames.
pub struct FramePlug {
    faults: FrameFaults,
    counts: FrameCounts,
    lots: Rng,
    jitter: Rng,
    bits: BitErrors,
    /// The probe that waits for the next one to leave first, and when it came.
    held: Option<(u64, Vec<u8>)>,
    line: DelayLine<(Kind, Vec<u8>)>,
    original: Vec<u8>,
}

#[derive(Clone, Copy, PartialEq, Eq)]
enum Kind {
    Probe,
    Other,
}

/// What happens to a probe as a whole.
enum Lot {
    Pass,
    Drop,
    Duplicate,
    Swap,
    Truncate,
    Lengthen,
}

impl FramePlug {
    /// A plug with the given faults. Equal seeds and equal frames give equal faults.
    ///
    /// # Errors
    /// Faults that do not fit together.
    pub fn new(faults: FrameFaults, seed: u64) -> Result<Self, FaultError> {
        faults.validate()?;
        let mut bits = BitErrors::new(Rng::new(seed).branch(1));
        bits.change(faults.flip_ratio, faults.burst);
        Ok(Self {
            faults,
            counts: FrameCounts::default(),
            lots: Rng::new(seed).branch(0),
            jitter: Rng::new(seed).branch(2),
            bits,
            held: None,
            line: DelayLine::new(),
            original: Vec::new(),
        })
    }

    /// The faults in force.
    pub fn faults(&self) -> &FrameFaults {
        &self.faults
    }

    /// What the plug has done so far.
    pub fn counts(&self) -> FrameCounts {
        let waiting =
            self.line.iter().filter(|(kind, _)| *kind == Kind::Probe).count() + usize::from(self.held.is_some());
        FrameCounts { pending: waiting as u64, ..self.counts.clone() }
    }

    /// Changes one fault from the next frame on.
    ///
    /// # Errors
    /// An unknown name, or a value that is not allowed. Nothing changes then.
    pub fn set(&mut self, name: &str, value: &str) -> Result<(), FaultError> {
        self.faults.set(name, value)?;
        self.bits.change(self.faults.flip_ratio, self.faults.burst);
        Ok(())
    }

    /// Takes one frame from the host and passes to `send` whatever leaves now; `send` says whether the host took it.
    ///
    /// The buffer is scratch afterwards.
    pub fn handle_frame(&mut self, frame: &mut Vec<u8>, now_ns: u64, send: &mut impl FnMut(&[u8]) -> bool) {
        if frame.get(12..14) != Some(&PROBE_ETHERTYPE.to_be_bytes()) {
            self.counts.other_frames += 1;
            if !self.faults.drop_other {
                self.pass_on(Kind::Other, frame, now_ns, send);
            }
            return;
        }
        let index = self.counts.frames_seen;
        self.counts.frames_seen += 1;
        if self.faults.outage.is_some_and(|outage| outage.covers(index)) {
            self.counts.dropped += 1;
            self.counts.dropped_in_outage += 1;
            return;
        }
        // A probe that overtakes a held one is part of that swap and is left whole: one fault per probe.
        let lot = if self.held.is_some() { Lot::Pass } else { self.draw_lot() };
        let sent_len = frame.len();
        match lot {
            Lot::Drop => {
                self.counts.dropped += 1;
                return;
            }
            Lot::Truncate => self.truncate(frame),
            Lot::Lengthen => self.lengthen(frame),
            Lot::Pass | Lot::Duplicate | Lot::Swap => {}
        }
        let both = sent_len.min(frame.len());
        self.damage(&mut frame[..both]);
        if matches!(lot, Lot::Swap) {
            self.held = Some((now_ns, frame.clone()));
            return;
        }
        self.pass_on(Kind::Probe, frame, now_ns, send);
        if matches!(lot, Lot::Duplicate) {
            self.counts.duplicated += 1;
            self.pass_on(Kind::Probe, frame, now_ns, send);
        }
        if let Some((_, held)) = self.held.take() {
            self.counts.swapped += 1;
            self.pass_on(Kind::Probe, &held, now_ns, send);
        }
    }

    /// Passes on what has waited long enough.
    pub fn handle_time(&mut self, now_ns: u64, send: &mut impl FnMut(&[u8]) -> bool) {
        if self.held.as_ref().is_some_and(|(since_ns, _)| now_ns >= since_ns + SWAP_WAIT_NS) {
            self.release_held(now_ns, send);
        }
        while self.line.due(now_ns).is_some() {
            self.send_first(send);
        }
    }

    /// When [`Self::handle_time`] has something to do next, in nanoseconds; `None` if nothing waits.
    pub fn next_due_ns(&self) -> Option<u64> {
        let held = self.held.as_ref().map(|(since_ns, _)| since_ns + SWAP_WAIT_NS);
        held.into_iter().chain(self.line.next_due_ns()).min()
    }

    /// Passes on everything that still waits, at once.
    pub fn finish(&mut self, now_ns: u64, send: &mut impl FnMut(&[u8]) -> bool) {
        self.release_held(now_ns, send);
        while !self.line.is_empty() {
            self.send_first(send);
        }
    }

    fn release_held(&mut self, now_ns: u64, send: &mut impl FnMut(&[u8]) -> bool) {
        if let Some((_, held)) = self.held.take() {
            self.pass_on(Kind::Probe, &held, now_ns, send);
        }
    }

    fn send_first(&mut self, send: &mut impl FnMut(&[u8]) -> bool) {
        if let Some((kind, frame)) = self.line.pop() {
            self.count_return(kind, send(&frame));
        }
    }

    fn pass_on(&mut self, kind: Kind, frame: &[u8], now_ns: u64, send: &mut impl FnMut(&[u8]) -> bool) {
        if self.faults.delay_us == 0 && self.faults.jitter_us == 0 && self.line.is_empty() {
            self.count_return(kind, send(frame));
        } else {
            let added_us = match self.faults.jitter_us {
                0 => 0,
                most => self.jitter.below(u64::from(most) + 1),
            };
            let due_ns = now_ns + (u64::from(self.faults.delay_us) + added_us) * 1000;
            self.line.push(due_ns, (kind, frame.to_vec()));
        }
    }

    fn count_return(&mut self, kind: Kind, taken: bool) {
        match (kind, taken) {
            (Kind::Probe, true) => self.counts.frames_returned += 1,
            (Kind::Probe, false) => self.counts.return_failed += 1,
            (Kind::Other, _) => {}
        }
    }

    fn draw_lot(&mut self) -> Lot {
        // One draw for all five, so that each keeps exactly its own ratio and no probe has two.
        let faults = &self.faults;
        let mut lot = self.lots.fraction();
        for (ratio, kind) in [
            (faults.drop, Lot::Drop),
            (faults.duplicate, Lot::Duplicate),
            (faults.swap, Lot::Swap),
            (faults.truncate, Lot::Truncate),
            (faults.lengthen, Lot::Lengthen),
        ] {
            if lot < ratio {
                return kind;
            }
            lot -= ratio;
        }
        Lot::Pass
    }

    fn truncate(&mut self, frame: &mut Vec<u8>) {
        let most = frame.len().saturating_sub(self.faults.truncate_min.into());
        if most > 0 {
            let cut = 1 + self.lots.below(most as u64);
            frame.truncate(frame.len() - cut as usize);
            self.counts.truncated += 1;
            self.counts.bytes_cut += cut;
        }
    }

    fn lengthen(&mut self, frame: &mut Vec<u8>) {
        let added = 1 + self.lots.below(self.faults.lengthen_max.into());
        for _ in 0..added {
            frame.push(self.lots.draw() as u8);
        }
        self.counts.lengthened += 1;
        self.counts.bytes_added += added;
    }

    /// Inverts, sticks, then flips, so that every drawn flip changes the bit that leaves.
    fn damage(&mut self, frame: &mut [u8]) {
        let reshaped = self.faults.stuck_bit.is_some() || self.faults.invert;
        if !self.bits.active() && !reshaped {
            return;
        }
        let spared = usize::from(self.faults.spare_bytes).min(frame.len());
        if reshaped {
            self.original.clear();
            self.original.extend_from_slice(frame);
            for byte in frame.iter_mut().skip(spared.max(HEADER_BYTES)) {
                if self.faults.invert {
                    *byte = !*byte;
                }
                if let Some(stuck) = self.faults.stuck_bit {
                    *byte = stuck.apply(*byte);
                }
            }
        }
        let (mut flips, mut header_flips) = (0, 0);
        self.bits.damage(&mut frame[spared..], |index| {
            flips += 1;
            header_flips += u64::from(index + spared < HEADER_BYTES);
        });
        // Flips alone never change the same bit twice, and comparing all bytes would cost more than the rest together.
        let changed = if reshaped { distance(frame, &self.original) } else { flips };
        self.counts.bits_flipped += flips;
        self.counts.bits_flipped_in_header += header_flips;
        self.counts.frames_flipped += u64::from(flips > 0);
        self.counts.bits_damaged += changed;
        self.counts.frames_damaged += u64::from(changed > 0);
        self.counts.ethertypes_damaged += u64::from(frame[12..14] != PROBE_ETHERTYPE.to_be_bytes());
    }
}

/// In how many bits two frames of one length differ.
fn distance(frame: &[u8], other: &[u8]) -> u64 {
    frame.iter().zip(other).map(|(a, b)| u64::from((a ^ b).count_ones())).sum()
}

/// Destination, source and EtherType.
const HEADER_BYTES: usize = 14;

#[cfg(test)]
mod tests;
