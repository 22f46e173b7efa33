//! A fault at work: what it does to one frame, and how many frames it will certainly leave alone.
//!
//! Frames that nothing happens to cost nothing, see [`Hits`].

use super::rig::{FaultKind, FaultSpec};
use crate::base::rng::Rng;
use crate::base::time::{Nanos, Pace};
use crate::kind::ethernet::probe::{FCS_BYTES, HEADER_BYTES};
use crate::sim::chance::{Hits, Window};
use crate::sim::value::{FaultPlace, Seconds};

/// What one fault has done so far.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct FaultCount {
    /// The kind of fault, as in the rig.
    pub kind: &'static str,
    /// Where it is.
    pub place: FaultPlace,
    /// Frames it did something to.
    pub frames: u64,
    /// Frames it made vanish without any counter of the port knowing.
    pub lost: u64,
    /// Bits it inverted, those of the FCS included.
    pub bits: u64,
}

/// A frame on its way, as the faults see it.
#[derive(Debug, Default)]
pub(super) struct Passing {
    /// The frame without FCS.
    pub bytes: Vec<u8>,
    /// Bits of the FCS that were inverted.
    pub fcs: u32,
    /// The frame's end is missing, its FCS with it.
    pub cut: bool,
    /// A fault let it vanish.
    pub lost: bool,
    /// The host loses it, and a counter shows it.
    pub host_lost: bool,
    /// Arrives this often besides.
    pub copies: u32,
    /// Changes places with the next frame.
    pub swap: bool,
    /// Arrives this much later, ns.
    pub late_ns: u64,
}

impl Passing {
    fn invert(&mut self, bit: usize) {
        match self.bytes.get_mut(bit / 8) {
            Some(byte) => *byte ^= 0x80 >> (bit % 8),
            None => self.fcs ^= 1 << (bit - self.bytes.len() * 8),
        }
    }

    fn bits(&self) -> u64 {
        line_bits(self.bytes.len())
    }
}

/// Whether this speed uses this pair: IEEE Std 802.3 25 and 40, from memory.
pub(super) fn uses_pair(mbps: u32, pair: u8) -> bool {
    mbps >= 1000 || pair == 2 || pair == 3
}

/// Bits of a frame and its FCS.
pub(super) fn line_bits(frame_bytes: usize) -> u64 {
    (frame_bytes + FCS_BYTES) as u64 * 8
}

/// One fault of a rig with its own chance and memory.
#[derive(Debug)]
pub(super) struct Fault {
    pub spec: FaultSpec,
    pub count: FaultCount,
    window: Window,
    /// Speed and setup let it show.
    pub enabled: bool,
    rng: Rng,
    /// Hits of chance among bits or frames, by kind.
    hits: Hits,
    /// Two-state line: it is in the bad state, until `state_until`.
    bad: bool,
    state_until: Nanos,
    /// Delay: when the last frame came out, on its way out and on its way back.
    out_at: [Nanos; 2],
}

impl Fault {
    pub fn new(spec: FaultSpec, mut rng: Rng) -> Self {
        let count = FaultCount { kind: spec.kind.name(), place: spec.place.clone(), frames: 0, lost: 0, bits: 0 };
        let window = Window::new(spec.from_s, spec.until_s, spec.every_s);
        let state_until = match spec.kind {
            FaultKind::Bursts { mean_good_s, .. } => stay(mean_good_s, &mut rng),
            _ => 0,
        };
        let hits = Hits::new(ratio(&spec.kind, false), &mut rng);
        Self { spec, count, window, enabled: true, rng, hits, bad: false, state_until, out_at: [0; 2] }
    }

    pub fn active(&self, at: Nanos) -> bool {
        self.enabled && self.window.contains(at)
    }

    /// Whether this fault on the frame's path keeps the link down at `at`, at this speed.
    pub fn breaks_link(&self, at: Nanos, mbps: u32) -> bool {
        if !self.active(at) || !self.spec.place.is_line() {
            return false;
        }
        match self.spec.kind {
            FaultKind::Flap { every_s, down_s } => {
                (at - self.window.from()) % every_s.ns() >= every_s.ns() - down_s.ns()
            }
            FaultKind::NoTransmit | FaultKind::NoReceive => true,
            FaultKind::PairOpen { pair } => uses_pair(mbps, pair),
            _ => false,
        }
    }

    /// The next moment after `at` when [`Fault::breaks_link`] may change; `Nanos::MAX` for never.
    pub fn link_edge(&self, at: Nanos) -> Nanos {
        match self.spec.kind {
            FaultKind::Flap { every_s, down_s } if self.active(at) => {
                let (every, up) = (every_s.ns(), every_s.ns() - down_s.ns());
                let within = (at - self.window.from()) % every;
                let edge = at - within + if within < up { up } else { every };
                edge.min(self.window.edge(at))
            }
            FaultKind::Flap { .. } | FaultKind::PairOpen { .. } | FaultKind::NoTransmit | FaultKind::NoReceive => {
                self.window.edge(at)
            }
            _ => Nanos::MAX,
        }
    }

    /// Moves the two-state line on to `at`.
    fn settle(&mut self, at: Nanos) {
        let FaultKind::Bursts { mean_good_s, mean_bad_s, .. } = self.spec.kind else { return };
        let mut changed = false;
        while self.state_until <= at {
            self.bad = !self.bad;
            let mean = if self.bad { mean_bad_s } else { mean_good_s };
            self.state_until = self.state_until.saturating_add(stay(mean, &mut self.rng));
            changed = true;
        }
        if changed {
            // The gap has no memory: what is left of the old one says nothing about the new state.
            self.hits = Hits::new(ratio(&self.spec.kind, self.bad), &mut self.rng);
        }
    }

    /// Whether this frame is hit, for kinds that hit whole frames; false for the others.
    fn hits_frame(&mut self) -> bool {
        use FaultKind::{Drop, Duplicate, Memory, Swap, Truncate};
        if !matches!(self.spec.kind, Drop { .. } | Duplicate { .. } | Swap { .. } | Truncate { .. } | Memory { .. }) {
            return false;
        }
        let hit = self.hits.is_hit(ratio(&self.spec.kind, self.bad), &mut self.rng);
        self.count.frames += u64::from(hit);
        hit
    }

    /// Lets a frame that began to leave the port at `at` pass, on its way out or back. A cable has a pair for each way.
    pub fn pass(&mut self, frame: &mut Passing, at: Nanos, is_back: bool) {
        self.settle(at);
        if !self.active(at) {
            return;
        }
        let hit = self.hits_frame();
        match self.spec.kind {
            FaultKind::BitErrors { .. } | FaultKind::Bursts { .. } => self.damage(frame),
            FaultKind::Drop { .. } if hit => match self.spec.place {
                FaultPlace::Host => frame.host_lost = true,
                _ => self.lose(frame),
            },
            FaultKind::Duplicate { .. } if hit => frame.copies += 1,
            FaultKind::Swap { .. } if hit => frame.swap = true,
            FaultKind::Truncate { .. } if hit => {
                let kept = 14 + self.rng.below(frame.bytes.len().saturating_sub(14).max(1) as u64) as usize;
                frame.bytes.truncate(kept);
                frame.cut = true;
            }
            FaultKind::Memory { .. } if hit => {
                let first = HEADER_BYTES.min(frame.bytes.len().saturating_sub(1));
                let offset = first + self.rng.below((frame.bytes.len() - first).max(1) as u64) as usize;
                let change = 1 + self.rng.below(255) as u8;
                if let Some(byte) = frame.bytes.get_mut(offset) {
                    *byte ^= change;
                    self.count.bits += u64::from(change.count_ones());
                }
            }
            FaultKind::StuckBit { bit, level } => {
                let mask = 1 << bit;
                let mut bits = 0;
                for byte in &mut frame.bytes {
                    let stuck = if level == 1 { *byte | mask } else { *byte & !mask };
                    bits += u64::from(stuck != *byte);
                    *byte = stuck;
                }
                self.count.frames += u64::from(bits > 0);
                self.count.bits += bits;
            }
            FaultKind::NoReceive | FaultKind::NoTransmit => {
                self.count.frames += 1;
                self.lose(frame);
            }
            FaultKind::Delay { ns, jitter_ns } => {
                let late = u64::from(ns) + self.rng.below(u64::from(jitter_ns) + 1);
                let last = &mut self.out_at[usize::from(is_back)];
                let out_at = (at + frame.late_ns + late).max(*last);
                *last = out_at;
                frame.late_ns = out_at - at;
                self.count.frames += 1;
            }
            _ => {}
        }
    }

    fn lose(&mut self, frame: &mut Passing) {
        self.count.lost += 1;
        frame.lost = true;
    }

    fn damage(&mut self, frame: &mut Passing) {
        let mut bits = 0;
        self.hits.among(frame.bits(), ratio(&self.spec.kind, self.bad), &mut self.rng, |bit| {
            frame.invert(bit as usize);
            bits += 1;
        });
        self.count.bits += bits;
        self.count.frames += u64::from(bits > 0);
    }

    /// How many frames of `bits` bits, sent at this pace from `at` on, pass untouched `passes` times each.
    pub fn clear_frames(&self, bits: u64, passes: u64, at: Nanos, pace: Pace) -> u64 {
        let window = self.frames_alike(at, pace);
        if !self.active(at) {
            return window;
        }
        let hits = match self.spec.kind {
            FaultKind::BitErrors { .. } => self.hits.clear_units(bits * passes),
            FaultKind::Bursts { .. } => self.hits.clear_units(bits * passes).min(pace.before(self.state_until)),
            FaultKind::StuckBit { .. } | FaultKind::NoTransmit | FaultKind::NoReceive => 0,
            FaultKind::Delay { jitter_ns, .. } if jitter_ns > 0 => 0,
            // A flap is an edge of the link, a steady delay part of the latency.
            FaultKind::Delay { .. } | FaultKind::Flap { .. } | FaultKind::PairOpen { .. } => u64::MAX,
            _ => self.hits.clear_units(passes),
        };
        hits.min(window)
    }

    /// Whether every frame that comes by at `at` vanishes without a trace, and nothing else can become of it.
    pub fn loses_all(&self, at: Nanos) -> bool {
        let certain = match self.spec.kind {
            FaultKind::Drop { ratio } => ratio.value() >= 1.0,
            FaultKind::NoReceive => true,
            _ => false,
        };
        certain && self.active(at) && self.spec.place != FaultPlace::Host
    }

    /// How many frames, sent at this pace from `at` on, meet this fault as it is now.
    pub fn frames_alike(&self, at: Nanos, pace: Pace) -> u64 {
        pace.before(self.window.edge(at))
    }

    /// Lets `count` frames vanish, which [`Fault::loses_all`] said would.
    pub fn lose_many(&mut self, count: u64) {
        self.count.frames += count;
        self.count.lost += count;
    }

    /// Steady delay at `at`, ns.
    pub fn delay_ns(&self, at: Nanos) -> u64 {
        match self.spec.kind {
            FaultKind::Delay { ns, .. } if self.active(at) => u64::from(ns),
            _ => 0,
        }
    }

    /// Lets `count` frames pass that [`Fault::clear_frames`] said would be untouched.
    pub fn carry(&mut self, count: u64, bits: u64, passes: u64, at: Nanos) {
        if !self.active(at) {
            return;
        }
        let per_frame = match self.spec.kind {
            FaultKind::BitErrors { .. } | FaultKind::Bursts { .. } => bits * passes,
            FaultKind::Delay { .. } => {
                self.count.frames += count * passes;
                return;
            }
            _ => passes,
        };
        self.hits.skip(count * per_frame);
    }
}

/// Probability of a hit per trial; `bad` is the state of a two-state line.
fn ratio(kind: &FaultKind, bad: bool) -> f64 {
    match kind {
        FaultKind::BitErrors { ratio }
        | FaultKind::Drop { ratio }
        | FaultKind::Duplicate { ratio }
        | FaultKind::Swap { ratio }
        | FaultKind::Truncate { ratio }
        | FaultKind::Memory { ratio } => ratio.value(),
        FaultKind::Bursts { good_ratio, bad_ratio, .. } => if bad { bad_ratio } else { good_ratio }.value(),
        _ => 0.0,
    }
}

/// How long a two-state line stays in a state.
fn stay(mean: Seconds, rng: &mut Rng) -> Nanos {
    (rng.exponential(mean.ns() as f64) as Nanos).saturating_add(1)
}
