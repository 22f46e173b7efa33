//! How long a profile takes on a serial line. A line is so slow that its speed, and not the profile, mostly says so.

use std::time::Duration;

use super::{Profile, ProfileKind};
use crate::base::time::SECOND_NS;
use crate::kind::serial::format::{LineCapabilities, LineFormat};
use crate::kind::serial::probe::BLOCK_BYTES;

/// How much the data steps send.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Extent {
    /// Bits compared, after which it is enough; infinite where only time ends it.
    pub bits: f64,
    /// Shortest time, nanoseconds.
    pub at_least: u64,
    /// Longest time, nanoseconds.
    pub at_most: u64,
}

impl Profile {
    /// How much the data steps send on a line of this format. `paced`: bytes take their time on it. `time`: how long a
    /// person asked to send.
    pub fn line_extent(&self, format: LineFormat, paced: bool, time: Option<Duration>) -> Extent {
        let ns = |time: Duration| time.as_nanos() as u64;
        // What a proof without errors takes, and a little more for the bounds on bytes beside that on bits.
        let needed = -(1.0 - self.confidence).ln() / self.serial_target_ber * 1.3;
        // A line too slow for STEPS_MAX has half as much again as it needs.
        let slow_ns = if paced { (needed / data_bits_per_second(format) * 1.5 * SECOND_NS as f64) as u64 } else { 0 };
        let (bits, at_least, at_most) = match (self.kind, time) {
            (ProfileKind::Proof | ProfileKind::Soak, time) => (f64::INFINITY, 0, ns(time.unwrap_or(self.time))),
            (_, Some(time)) => (f64::INFINITY, 0, ns(time)),
            (_, None) => (needed, ns(self.time), ns(STEPS_MAX).max(slow_ns)),
        };
        Extent { bits, at_least, at_most }
    }

    /// Seconds that the data steps send, about, where bytes take their time; the most for a proof.
    pub fn line_data_seconds(&self, format: LineFormat, paced: bool, time: Option<Duration>) -> f64 {
        let Extent { bits, at_least, at_most } = self.line_extent(format, paced, time);
        (bits / data_bits_per_second(format)).clamp(seconds(at_least), seconds(at_most))
    }

    /// Whether other speeds and formats are tried.
    pub fn sweeps_line(&self) -> bool {
        match self.kind {
            ProfileKind::RateSearch => true,
            ProfileKind::Steps => self.serial_sweep,
            ProfileKind::Soak | ProfileKind::Proof => false,
        }
    }

    /// Seconds that go by before the data steps: the first blocks, the modem lines and flow control, and a second or so
    /// for each size of the turnaround.
    pub fn line_seconds_before_data(&self, format: LineFormat, can: &LineCapabilities) -> f64 {
        let one = format.characters_ns(BLOCK_BYTES as u64);
        let blocks = (one * u64::from(FIRST_BLOCKS)).min(FIRST_BLOCKS_NS.max(one));
        let lines = if can.modem_lines { 2.0 } else { 0.0 };
        let rounds = u8::from(self.latency_probes > 0) + u8::from(can.latency_setting);
        seconds(blocks) + lines + f64::from(rounds) * 2.0
    }

    /// Seconds that the whole run takes, about; none of a proof, which ends by itself, and where bytes take no time,
    /// unless they are sent for a given time.
    pub fn line_seconds(&self, format: LineFormat, can: &LineCapabilities, time: Option<Duration>) -> Option<f64> {
        match self.kind {
            ProfileKind::Proof => return None,
            ProfileKind::Soak => {}
            ProfileKind::Steps | ProfileKind::RateSearch if can.paced => {}
            ProfileKind::Steps | ProfileKind::RateSearch => return None,
        }
        // A sweep is about a second and a half a speed or format.
        let sweep = if self.sweeps_line() { 25.0 } else { 0.0 };
        Some(self.line_seconds_before_data(format, can) + self.line_data_seconds(format, can.paced, time) + sweep)
    }
}

/// Bits of data a second that the line has time for.
fn data_bits_per_second(format: LineFormat) -> f64 {
    format.characters_per_second() * f64::from(format.data_bits)
}

fn seconds(ns: u64) -> f64 {
    ns as f64 / SECOND_NS as f64
}

/// Longest that a profile of steps sends of its own accord, on a line that is fast enough.
pub const STEPS_MAX: Duration = Duration::from_secs(600);
/// Single blocks sent before anything is sent in full flow.
pub const FIRST_BLOCKS: u32 = 8;
/// No further one of them is begun after this time, nanoseconds.
pub const FIRST_BLOCKS_NS: u64 = 2 * SECOND_NS;

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_slow_line_takes_as_long_as_its_limit_needs() {
        let quick = Profile::named("quick").unwrap();
        let takes = |format: &str| {
            let can = LineCapabilities { paced: true, ..LineCapabilities::default() };
            quick.line_seconds(format.parse().unwrap(), &can, None).unwrap()
        };
        // By hand: -ln(0.05) / 1e-5 = 299 573 bits, and 30 % more, 389 445; 240 data bits a second at 300,8N1 and
        // 92 160 at 115200,8N1. The first blocks and the turnaround come on top, a few seconds.
        assert!((1623.0..1640.0).contains(&takes("300,8N1")), "{}", takes("300,8N1"));
        assert!((4.2..12.0).contains(&takes("115200,8N1")), "{}", takes("115200,8N1"));
        // Nobody waits longer than the plan allows: half as much again as it needs, or ten minutes.
        let most = |format: &str| seconds(quick.line_extent(format.parse().unwrap(), true, None).at_most);
        assert!((most("300,8N1") - 389_445.0 / 240.0 * 1.5).abs() < 1.0 && most("115200,8N1") == 600.0);
        // Where bytes take no time nobody can say.
        assert_eq!(quick.line_seconds(LineFormat::default(), &LineCapabilities::default(), None), None);
    }
}
