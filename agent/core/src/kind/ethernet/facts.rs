//! All facts of a run with frames, gathered before anything is concluded from them.

use serde::{Deserialize, Serialize};

use crate::judge::{facts::Common, ratio::Basis};

use crate::kind::ethernet::counters::CounterDelta;
use crate::kind::ethernet::counters::classify::classify;
use crate::kind::ethernet::link::{Capabilities, LinkState};
use crate::kind::ethernet::stream::tally::FrameCounts;
use crate::stats::ratio::Bounds;
use crate::stats::spells::Spells;

/// What was heard before anything was sent, and what came in between the probes later.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct Heard {
    /// Frames of other stations while nothing was sent.
    pub foreign_before: u64,
    /// Frames of other stations during the run.
    pub foreign_during: u64,
    /// This host's own frames (neighbour discovery and the like) that came back: a loop turns them too.
    pub own_host: u64,
}

/// Every missing probe in one class.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct Losses {
    /// Handed to the host and not transmitted.
    pub never_left: u64,
    /// Came back to the host and dropped there.
    pub in_host: u64,
    /// Came back and failed the adapter's frame check: damaged on the wire.
    pub failed_check: u64,
    /// Gone without a trace: lost on the wire.
    pub on_wire: u64,
}

impl Losses {
    /// Sorts `lost` probes by what the counters say. `ring_drops` is what the receiving socket dropped.
    ///
    /// Host causes are served first: a loss that the host may have caused is never put on the wire.
    pub fn sort(lost: u64, ring_drops: u64, delta: &CounterDelta) -> Self {
        let classified = classify(delta);
        let mut left = lost;
        let mut take = |most: u64| {
            let taken = left.min(most);
            left -= taken;
            taken
        };
        let ring = take(ring_drops);
        let adapter = take(classified.lost_in_host_at_most());
        let never_left = take(delta.grown.link.tx_dropped.max(delta.grown.link.tx_errors));
        let failed_check = take(classified.failed_fcs());
        Self { never_left, in_host: ring + adapter, failed_check, on_wire: left }
    }

    /// Counts `late` probes, which came back after they had been given up, to this computer and not to the wire: no
    /// plug or cable keeps a frame for as long as a step waits (RFC 2544 23 allows two seconds), a host kept from its
    /// work does.
    #[must_use]
    pub fn with_late(self, late: u64) -> Self {
        let moved = late.min(self.on_wire);
        Self { in_host: self.in_host + moved, on_wire: self.on_wire - moved, ..self }
    }

    /// Losses that speak about port, plug and cable.
    pub fn wire(&self) -> u64 {
        self.failed_check.saturating_add(self.on_wire)
    }

    /// Losses that speak about this computer.
    pub fn inside(&self) -> u64 {
        self.in_host.saturating_add(self.never_left)
    }

    /// Adds those of another step.
    pub fn merge(&mut self, other: &Self) {
        self.never_left += other.never_left;
        self.in_host += other.in_host;
        self.failed_check += other.failed_check;
        self.on_wire += other.on_wire;
    }
}

/// All facts of a run with frames.
#[derive(Clone, Debug)]
pub struct EthernetFacts {
    /// What every kind of port has.
    pub common: Common,
    /// The port can show and do this.
    pub capabilities: Capabilities,
    /// The adapter was told to deliver frames that failed its check, so that single wrong bits are seen.
    pub bad_frames_delivered: bool,
    /// Link before anything was sent, after any fall-back.
    pub link: LinkState,
    /// Speed forced because the port could not link to itself at its own, Mb/s.
    pub fallback_mbps: Option<u32>,
    /// Times the link went away and came back during the run.
    pub link_flaps: u64,
    /// Foreign and own frames.
    pub heard: Heard,
    /// Probe counts over all steps.
    pub counts: FrameCounts,
    /// Missing probes by class.
    pub losses: Losses,
    /// Mean frame length of the probes sent, bits without FCS.
    pub frame_bits: f64,
    /// Frames the adapter says it transmitted, where it counts.
    pub transmitted: Option<u64>,
    /// Shortest round trip of all probes that came back in time.
    pub shortest_trip_ns: Option<u64>,
    /// Stretches of seconds that failed far beyond the limit, however good the mean; what this computer may have lost
    /// is left out.
    pub spells: Spells,
}

impl EthernetFacts {
    /// Where the adapter drops damaged frames before anybody sees them, only frames can be counted.
    pub fn basis(&self) -> Basis {
        if self.capabilities.checks_frames && !self.bad_frames_delivered { Basis::Frames } else { Basis::Bits }
    }

    /// Probes whose fate says something about port, plug and cable.
    pub fn frames_tried(&self) -> u64 {
        self.counts.sent.saturating_sub(self.losses.inside())
    }

    /// Of [`Self::frames_tried`], those lost, damaged, cut or lengthened on the way.
    pub fn frames_failed(&self) -> u64 {
        self.losses
            .wire()
            .saturating_add(self.counts.damaged)
            .saturating_add(self.lengths_changed())
            .min(self.frames_tried())
    }

    /// Share of frames that did not come back as sent, with bounds; host losses left out.
    pub fn loss_ratio(&self) -> Option<Bounds> {
        let tried = self.frames_tried();
        Bounds::new(self.losses.wire().min(tried), tried, self.common.limit.confidence).ok()
    }

    /// Whether `failed` frames refute the limit by themselves. Wrong bits come in bursts: however many one frame holds,
    /// it is one hit, and bounds on bits, which take them as independent, would call it proof.
    pub fn is_refuted_by(&self, failed: u64) -> bool {
        self.common.limit.is_refuted_by(failed, self.frames_tried(), self.frame_bits)
    }

    /// Returned probes that were shorter or longer than sent.
    pub fn lengths_changed(&self) -> u64 {
        self.counts.truncated.saturating_add(self.counts.lengthened)
    }

    /// Returned probes that were damaged after the adapter had found their frame check right.
    ///
    /// An adapter that drops what fails its check vouches for every frame it delivers; one that was told to deliver
    /// those too vouches only for the frames whose sequence was seen to be right.
    pub fn damaged_after_check(&self) -> u64 {
        match (self.capabilities.checks_frames, self.bad_frames_delivered) {
            (false, _) => 0,
            (true, false) => self.counts.damaged,
            (true, true) => self.counts.damaged_after_check,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::kind::ethernet::counters::Counters;

    fn delta(f: impl Fn(&mut Counters)) -> CounterDelta {
        let mut grown = Counters::default();
        f(&mut grown);
        CounterDelta { grown, restarted: Vec::new() }
    }

    #[test]
    fn what_came_back_late_was_not_lost_on_the_wire() {
        let losses = Losses { never_left: 1, in_host: 2, failed_check: 3, on_wire: 4 };
        assert_eq!(losses.with_late(3), Losses { in_host: 5, on_wire: 1, ..losses });
        assert_eq!(losses.with_late(9), Losses { in_host: 6, on_wire: 0, ..losses });
    }

    #[test]
    fn every_loss_is_in_exactly_one_class() {
        let d = delta(|c| {
            c.link.rx_crc_errors = 7;
            c.link.rx_errors = 7;
            c.link.rx_missed_errors = 5;
        });
        let l = Losses::sort(20, 3, &d);
        assert_eq!(l, Losses { never_left: 0, in_host: 8, failed_check: 7, on_wire: 5 });
        assert_eq!(Losses::sort(2, 3, &d), Losses { never_left: 0, in_host: 2, failed_check: 0, on_wire: 0 });
    }
}
