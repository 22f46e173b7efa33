//! Carries many frames at once: while no fault touches them, an hour of traffic costs a few sums.

use super::fault::line_bits;
use super::link::Destination;
use super::world::World;

/// Frames that would certainly come back untouched and in order.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct ClearSpan {
    /// How many, at least 1.
    pub count: u64,
    /// From the start of one to the start of the next, ns.
    pub gap_ns: u64,
    /// From the moment a frame is handed over until its end is back, ns.
    pub latency_ns: u64,
}

impl World {
    /// How many of the next frames of `frame_bytes` (without FCS), the first sent now and then one every `gap_ns` (0,
    /// or less than a frame takes, means line rate), would certainly come back untouched; at most `count_max`.
    ///
    /// `None` when the very next one might not, or when anything is still in flight. A fault with rare hits ends a span
    /// just before each hit: the next frame must then be sent by [`World::send`].
    pub fn clear_span(&self, frame_bytes: usize, gap_ns: u64, count_max: u64) -> Option<ClearSpan> {
        let takes_back = matches!(self.destination(), Destination::Plug | Destination::Internal);
        if !takes_back || !self.is_idle() || frame_bytes > self.rig().port.frame_bytes_max as usize {
            return None;
        }
        let now = self.now();
        let line_ns = self.line_ns(frame_bytes)?;
        let gap_ns = gap_ns.max(line_ns);
        if gap_ns < self.host_interval_ns() || self.host_busy_until() > now {
            return None;
        }
        let bits = line_bits(frame_bytes.max(60));
        let mut latency_ns = line_ns + self.path_latency_ns();
        // A frame is lost if the link is down when it begins or ends, so both must come before the next change.
        let mut count = count_max.min(self.link_edge().saturating_sub(now + line_ns).div_ceil(gap_ns));
        for (fault, passes) in self.faults_on_path() {
            count = count.min(fault.clear_frames(bits, passes, now, gap_ns));
            latency_ns += fault.delay_ns(now) * passes;
        }
        (count > 0).then_some(ClearSpan { count, gap_ns, latency_ns })
    }

    /// Whether the host takes in frames of `frame_bytes` sent one every `gap_ns` (0: at line rate) as fast as they
    /// come. A host that does not must be met with frames in full flow, or its buffers would never fill.
    pub fn host_keeps_up(&self, frame_bytes: usize, gap_ns: u64) -> bool {
        self.line_ns(frame_bytes).is_some_and(|line_ns| gap_ns.max(line_ns) >= self.host_interval_ns())
    }

    /// Sends and receives the frames of a span that [`World::clear_span`] has just given, or of the first part of it.
    ///
    /// Afterwards it is the moment when the frame after the last one may begin; all counters hold the whole span. The
    /// frames themselves are not handed out, since each equals what was sent.
    pub fn carry_span(&mut self, span: &ClearSpan, frame_bytes: usize) {
        let now = self.now();
        let bits = line_bits(frame_bytes.max(60));
        for (fault, passes) in self.faults_on_path_mut() {
            fault.carry(span.count, bits, passes, now);
        }
        self.count_span(span.count, frame_bytes);
        self.advance_to(now.saturating_add(span.count.saturating_mul(span.gap_ns)));
    }
}
