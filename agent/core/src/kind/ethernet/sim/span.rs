//! Carries many frames at once: while no fault touches them, or one takes them all, an hour of traffic costs a few
//! sums.

use super::fault::line_bits;
use super::link::Destination;
use super::world::World;
use crate::base::time::{NANO_PS, Pace, whole_ns};

/// Frames that all fare alike: each would certainly come back untouched and in order, or vanish.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Span {
    /// How many, at least 1.
    pub count: u64,
    /// When they begin.
    pub pace: Pace,
    /// From the moment a frame is handed over until its end is back, ns; none for frames that vanish.
    pub latency_ns: Option<u64>,
}

impl World {
    /// How many of the next frames of `frame_bytes` (without FCS), the first sent now and then one every `gap_ps` (0,
    /// or less than a frame takes, means line rate), would certainly fare alike; at most `count_max`.
    ///
    /// `None` when the very next one might not, or when a frame still in flight would come in after it. A fault with
    /// rare hits ends a span just before each hit: the next frame must then be sent by [`World::send`].
    pub fn span(&self, frame_bytes: usize, gap_ps: u64, count_max: u64) -> Option<Span> {
        let takes_back = matches!(self.destination(), Destination::Plug | Destination::Internal);
        if !takes_back || frame_bytes > self.rig().port.frame_bytes_max as usize {
            return None;
        }
        let now = self.now();
        let line_ps = self.line_ps(frame_bytes)?;
        let pace = Pace { first_ps: self.next_start_ps(), every_ps: gap_ps.max(line_ps) };
        let line_ns = whole_ns(line_ps.into());
        let bits = line_bits(frame_bytes.max(60));
        let mut latency_ns = line_ns + self.path_latency_ns();
        // A frame is lost if the link is down when it begins or ends, so both must come before the next change.
        let mut count = count_max.min(pace.before(self.link_edge().saturating_sub(line_ns)));
        let end = self.path_end();
        for (fault, passes) in self.faults_before(end) {
            count = count.min(fault.clear_frames(bits, passes, now, pace));
            latency_ns += fault.delay_ns(now) * passes;
        }
        let taken_by = self.fault_at(end);
        count = count.min(taken_by.map_or(u64::MAX, |fault| fault.frames_alike(now, pace)));
        let comes_back = taken_by.is_none();
        let in_order = !comes_back || self.host_keeps_pace(pace.every_ps) && self.takes_in_by() <= now + latency_ns;
        (count > 0 && in_order && self.is_line_free()).then_some(Span {
            count,
            pace,
            latency_ns: comes_back.then_some(latency_ns),
        })
    }

    /// Whether the host takes in frames of `frame_bytes` sent one every `gap_ps` (0: at line rate) as fast as they
    /// come. A host that does not must be met with frames in full flow, or its buffers would never fill.
    pub fn host_keeps_up(&self, frame_bytes: usize, gap_ps: u64) -> bool {
        self.line_ps(frame_bytes).is_some_and(|line_ps| self.host_keeps_pace(gap_ps.max(line_ps)))
    }

    fn host_keeps_pace(&self, every_ps: u64) -> bool {
        every_ps / NANO_PS >= self.host_interval_ns()
    }

    /// Sends and receives the frames of a span that [`World::span`] has just given, or of the first part of it.
    ///
    /// Afterwards it is the moment when the frame after the last one may begin; all counters hold the whole span. The
    /// frames themselves are not handed out, since each that comes back equals what was sent.
    pub fn carry(&mut self, span: &Span, frame_bytes: usize) {
        let now = self.now();
        let bits = line_bits(frame_bytes.max(60));
        let end = self.path_end();
        for (fault, passes) in self.faults_before_mut(end) {
            fault.carry(span.count, bits, passes, now);
        }
        if let Some(fault) = self.fault_at_mut(end) {
            fault.lose_many(span.count);
        }
        self.count_span(span.count, frame_bytes, span.latency_ns.is_some());
        self.keep_line_until(span.pace, span.count, frame_bytes);
        self.advance_to(span.pace.nth(span.count));
    }
}
