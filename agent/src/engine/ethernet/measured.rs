//! What a measurement of frames brings, added up step by step.

use std::collections::BTreeMap;

use turnback_core::{
    base::{
        placement::Placement,
        time::{ClockSource, Nanos},
    },
    document::run::{StepReport, ZeroLossRate},
    judge::{
        facts::{FirstProbes, Stopped},
        ratio::{ERRORS_MIN, Limit},
    },
    kind::ethernet::{
        counters::{CounterDelta, Counters, difference},
        facts::Heard,
        link::LinkState,
        losses::Losses,
        probe::{FCS_BYTES, FRAME_BYTES_MIN},
        stream::tally::Tally,
        transceiver::Module,
    },
    signal::{
        seconds::{Spread, silent_from},
        when::When,
    },
    stats::{
        bits::frame_ratio,
        latency::LatencyHistogram,
        spells::{Spells, spells},
    },
};

use crate::{engine::run::Measured, ports::runner::StepResult};

/// One measurement of frames: the run's own, or a short trial from another place.
#[derive(Debug, Default)]
pub(in crate::engine) struct EthernetMeasured {
    /// Where the signal was turned back.
    pub placement: Placement,
    /// The link before anything was sent.
    pub link: LinkState,
    /// Speed forced because the port could not link to itself at its own, Mb/s.
    pub fallback_mbps: Option<u32>,
    /// The adapter delivered frames that failed its check.
    pub bad_frames_delivered: bool,
    /// All steps added up.
    pub tally: Tally,
    /// Missing probes by class.
    pub losses: Losses,
    /// Foreign and own frames.
    pub heard: Heard,
    /// First single probes.
    pub first_probes: FirstProbes,
    /// Probes lost before the first one came back, where a later one did: a port that had just been switched on was not
    /// ready yet. They are in the counts, and left out of the judgement: a few of them would refute a strict limit.
    pub lost_before_ready: u64,
    /// Steps in order.
    pub steps: Vec<StepReport>,
    /// Rate search.
    pub zero_loss_rates: Vec<ZeroLossRate>,
    /// Bits of all probes sent, without FCS: with their number, the mean frame length.
    pub bits_sent: f64,
    /// Times the rate was lowered.
    pub slowdowns: u32,
    /// What this computer kept up with, by frame size in bytes with FCS.
    pub paces: BTreeMap<u32, Pace>,
    /// Times the link dropped and came back.
    pub link_flaps: u64,
    /// Since when there is no link.
    pub down_since: Option<Nanos>,
    /// Why it ended early.
    pub stopped: Option<Stopped>,
    /// Clocks of the single probes, and of those in full flow.
    pub clocks: ((ClockSource, ClockSource), (ClockSource, ClockSource)),
    /// Counters at the start.
    pub counters_before: Counters,
    /// Counters at the end; nothing before that.
    pub counters_after: Counters,
    /// What the plug-in transceiver measured of itself at the end.
    pub transceiver: Option<Module>,
}

/// How fast frames of one size could go.
#[derive(Clone, Copy, Debug, Default)]
pub(in crate::engine) struct Pace {
    /// Times that this computer lost some of them, and they were sent again slower.
    pub slowed: u32,
    /// The rate at which they were sent then, frames a second.
    pub rate: f64,
}

impl Pace {
    /// Where to begin the next time: once may be a hitch of this computer, twice is how fast it is.
    pub fn from(&self) -> Option<f64> {
        (self.slowed >= 2).then_some(self.rate)
    }
}

impl Measured for EthernetMeasured {
    fn stopped(&self) -> Option<Stopped> {
        self.stopped
    }

    fn stop(&mut self, why: Stopped) {
        self.stopped.get_or_insert(why);
    }
}

impl EthernetMeasured {
    /// Adds the result of a step, and sorts its losses by what the counters did meanwhile.
    pub fn add(&mut self, result: &StepResult, frame_bytes: usize, delta: &CounterDelta, single: bool) -> Losses {
        let losses = Losses::sort(result.tally.counts.lost, result.ring_drops, delta);
        self.losses.merge(&losses);
        if single && result.tally.latency.count() > 0 {
            // The adapter stopped stamping in mid-run. Round trips by two clocks do not fit one histogram.
            let own_clock = |clocks: (_, ClockSource)| clocks.1 == ClockSource::Adapter;
            if own_clock(self.clocks.0) != own_clock(result.clocks) {
                self.tally.latency = LatencyHistogram::default();
                self.tally.single_trips.clear();
            }
            self.clocks.0 = result.clocks;
        }
        self.tally.merge(&result.tally);
        self.bits_sent += result.tally.counts.sent as f64 * frame_bytes as f64 * 8.0;
        self.heard.foreign_during += result.strangers.foreign;
        self.heard.testers += result.strangers.testers;
        self.heard.own_host += result.strangers.own_host;
        self.link_flaps += result.link_flaps;
        self.stopped = self.stopped.or(result.stopped);
        if !single {
            self.clocks.1 = result.clocks;
        }
        losses
    }

    /// Mean length of the probes sent, bits: with the FCS where the adapter checks it, as a hit there fails the frame
    /// too.
    pub fn frame_bits(&self, with_fcs: bool) -> f64 {
        let sent = self.tally.counts.sent;
        let probe = if sent == 0 { 8.0 * FRAME_BYTES_MIN as f64 } else { self.bits_sent / sent as f64 };
        if with_fcs { probe + 8.0 * FCS_BYTES as f64 } else { probe }
    }

    /// Sizes of the plan of which nothing came back in full flow.
    pub fn sizes_not_returned(&self, planned: &[u32]) -> Vec<u32> {
        let returned = |size: &u32| self.steps.iter().any(|step| step.size_bytes == *size && step.frames_returned > 0);
        planned.iter().filter(|size| !returned(size)).copied().collect()
    }

    /// Stretches of seconds that failed far beyond the limit.
    ///
    /// What this computer lost, or gave up too early, could all have fallen into one second: so much is taken off each.
    /// Frames differ in length from step to step; the longest may fail most often.
    pub fn spells(&self, limit: &Limit) -> Spells {
        let own = self.not_of_the_line();
        let longest = self.steps.iter().map(|s| f64::from(s.size_bytes) * 8.0).fold(self.frame_bits(true), f64::max);
        let seconds: Vec<_> = self.tally.seconds.iter().map(|s| (s.sent, s.failed().saturating_sub(own))).collect();
        frame_ratio(limit.bit_error_ratio, longest)
            .and_then(|allowed| spells(&seconds, allowed, ERRORS_MIN, limit.confidence, limit.looks))
            .unwrap_or_default()
    }

    /// Second of the run from which on nothing came back; what this computer may have lost proves no silence, and
    /// neither does what came back damaged, since its second is not always known, or failed the adapter's check.
    pub fn silent_from_s(&self) -> Option<u64> {
        silent_from(&self.tally.seconds, self.proves_silence())
    }

    /// When in the run it failed; as above.
    pub fn when(&self) -> When {
        When::of(&self.tally.seconds, self.proves_silence(), self.not_of_the_line())
    }

    /// So many probes without an echo prove a silence.
    fn proves_silence(&self) -> u64 {
        let counts = &self.tally.counts;
        self.not_of_the_line() + self.losses.failed_check + counts.unrecognised + counts.damaged + ERRORS_MIN
    }

    /// Whether the last second in which something was sent lost more than this computer may have lost of it.
    pub fn ends_in_losses(&self) -> bool {
        let last = self.tally.seconds.iter().rfind(|second| second.sent > 0);
        last.is_some_and(|second| second.sent.saturating_sub(second.returned) >= self.not_of_the_line() + ERRORS_MIN)
    }

    /// How failures were spread over the seconds; what this computer lost is taken off each, as above.
    pub fn spread(&self) -> Spread {
        Spread::of(&self.tally.seconds, self.not_of_the_line())
    }

    /// Missing probes that say nothing of the line.
    fn not_of_the_line(&self) -> u64 {
        self.losses.inside() + self.tally.counts.late + self.lost_before_ready
    }

    /// What the counters did from start to end.
    pub fn delta(&self) -> CounterDelta {
        difference(&self.counters_before, &self.counters_after)
    }
}

#[cfg(test)]
mod tests {
    use turnback_core::kind::ethernet::stream::tally::FrameCounts;

    use super::*;

    fn sent(frames: u64, probe_bytes: f64) -> EthernetMeasured {
        let counts = FrameCounts { sent: frames, ..FrameCounts::default() };
        let tally = Tally { counts, ..Tally::default() };
        EthernetMeasured { tally, bits_sent: frames as f64 * probe_bytes * 8.0, ..EthernetMeasured::default() }
    }

    /// A frame of 64 bytes has 512 bits, one of 1518 has 12144 (frame size counts up to the end of the FCS, RFC 1242
    /// 3.5; P. Anslow, IEEE 802.3 study group (2012), uses 512).
    #[test]
    fn a_frame_has_the_bits_of_its_check_sequence_too_where_it_is_checked() {
        for (probe_bytes, with_fcs, without) in [(60.0, 512.0, 480.0), (1514.0, 12_144.0, 12_112.0)] {
            let measured = sent(1000, probe_bytes);
            assert_eq!((measured.frame_bits(true), measured.frame_bits(false)), (with_fcs, without));
        }
        assert_eq!(EthernetMeasured::default().frame_bits(true), 512.0);
    }

    #[test]
    fn a_size_counts_as_tested_once_a_frame_of_it_came_back() {
        let step = |size_bytes, frames_returned| StepReport {
            direction: "out-and-back".into(),
            size_bytes,
            pattern: "prbs31".into(),
            frames_sent: 10,
            frames_returned,
            frames_lost: 10 - frames_returned,
            frames_lost_in_host: 0,
            frames_never_left: 0,
            frames_damaged: 0,
            bit_errors: 0,
            seconds: 1.0,
            frames_per_second: 10.0,
            bits_per_second: 0.0,
            delay_variation_ns: None,
            rate_asked: None,
            repeated_slower: false,
        };
        let steps = vec![step(64, 1), step(512, 0), step(1518, 0), step(1518, 10)];
        let measured = EthernetMeasured { steps, ..EthernetMeasured::default() };
        assert_eq!(measured.sizes_not_returned(&[64, 512, 1280, 1518]), [512, 1280]);
    }
}
