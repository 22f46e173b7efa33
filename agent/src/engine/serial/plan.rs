//! How long a run on a serial port takes: as estimated before it sends, and at the very most.

use std::time::Duration;

use turnback_core::{
    base::time::{Nanos, SECOND_NS},
    plan::ProfileKind,
};

use super::{SerialRun, first_probes, sweep};

/// How much the data steps send.
pub(super) struct Extent {
    /// Bits compared, after which it is enough; infinite where only time ends it.
    pub(super) bits: f64,
    /// Shortest time, nanoseconds.
    pub(super) at_least: u64,
    /// Longest time, nanoseconds.
    pub(super) at_most: u64,
}

impl SerialRun<'_, '_> {
    pub(super) fn extent(&self) -> Extent {
        let profile = &self.options.profile;
        let ns = |time: Duration| time.as_nanos() as u64;
        // What a proof without errors takes, and a little more for the bounds on bytes beside that on bits.
        let needed = -(1.0 - profile.confidence).ln() / profile.serial_target_ber * 1.3;
        let (bits, at_least, at_most) = match (profile.kind, self.options.line.time) {
            (ProfileKind::Proof | ProfileKind::Soak, time) => (f64::INFINITY, 0, ns(time.unwrap_or(profile.time))),
            (_, Some(time)) => (f64::INFINITY, 0, ns(time)),
            (_, None) => (needed, ns(profile.time), ns(STEPS_MAX).max(self.slow_line_ns(needed))),
        };
        Extent { bits, at_least, at_most }
    }

    /// Longest time, nanoseconds, for so many bits on a line that is too slow to bring them within [`STEPS_MAX`]: half
    /// as much again as they need. The run says beforehand how long that is.
    fn slow_line_ns(&self, bits: f64) -> u64 {
        let bits_a_second = self.kind.format.characters_per_second() * f64::from(self.kind.format.data_bits);
        if self.kind.line.capabilities().paced { (bits / bits_a_second * 1.5 * SECOND_NS as f64) as u64 } else { 0 }
    }

    /// Whether other speeds and formats are tried.
    pub(super) fn sweeps(&self) -> bool {
        match self.options.profile.kind {
            ProfileKind::RateSearch => true,
            ProfileKind::Steps => self.options.profile.serial_sweep,
            ProfileKind::Soak | ProfileKind::Proof => false,
        }
    }

    /// Seconds that the whole run takes, about; none of a proof, which ends by itself, and where bytes take no time,
    /// unless they are sent for a given time.
    pub(super) fn estimated_seconds(&self) -> Option<f64> {
        match self.options.profile.kind {
            ProfileKind::Proof => return None,
            ProfileKind::Soak => {}
            ProfileKind::Steps | ProfileKind::RateSearch if self.kind.line.capabilities().paced => {}
            ProfileKind::Steps | ProfileKind::RateSearch => return None,
        }
        // A sweep is about a second and a half a speed or format.
        let sweep = if self.sweeps() { 25.0 } else { 0.0 };
        Some(self.seconds_before_data() + self.data_seconds() + sweep)
    }

    /// Seconds that the data steps send, about, where bytes take their time; the most for a proof.
    pub(super) fn data_seconds(&self) -> f64 {
        let Extent { bits, at_least, at_most } = self.extent();
        let format = self.kind.format;
        let data = bits / (format.characters_per_second() * f64::from(format.data_bits));
        data.clamp(seconds(at_least), seconds(at_most))
    }

    /// When the run ends though it is not done, on the port's clock: after its plan, with every step at its own limit,
    /// and [`ALLOWANCE`].
    pub(super) fn ceiling(&self) -> Nanos {
        let before = self.options.profile.listen + Duration::from_secs_f64(self.seconds_before_data());
        let sweep =
            if self.sweeps() { sweep::longest_ns(self.kind.format, self.kind.line.capabilities().paced) } else { 0 };
        let planned = (before + ALLOWANCE).as_nanos() as u64;
        self.origin.saturating_add(planned).saturating_add(self.extent().at_most).saturating_add(sweep)
    }

    /// The first blocks, the modem lines and flow control, and a second or so for each size of the turnaround.
    fn seconds_before_data(&self) -> f64 {
        let can = self.kind.line.capabilities();
        let blocks = seconds(first_probes::usual_ns(self.kind.format));
        let lines = if can.modem_lines { 2.0 } else { 0.0 };
        let rounds = u8::from(self.options.profile.latency_probes > 0) + u8::from(can.latency_setting);
        blocks + lines + f64::from(rounds) * 2.0
    }
}

fn seconds(ns: u64) -> f64 {
    ns as f64 / SECOND_NS as f64
}

/// Longest that a profile of steps sends of its own accord, on a line that is fast enough.
pub(super) const STEPS_MAX: Duration = Duration::from_secs(600);

/// How much longer than its plan a run may take.
///
/// Chosen by ourselves, so that no bad line reaches it. A line that falls silent costs eight seconds of patience each
/// time, and a run waits so at most five times before it judges: once among the first blocks, once with flow control,
/// twice among the turnarounds, once after the data. That is 40 seconds; a computer without time may add twenty.
pub(super) const ALLOWANCE: Duration = Duration::from_secs(60);
