//! FrameCounts of one stream, and of any number of streams added together.

use serde::{Deserialize, Serialize};

use crate::signal::compare::DamageTally;
use crate::signal::seconds::{self, SecondCounts};
use crate::stats::latency::LatencyHistogram;

/// Every probe and every echo of a stream, each in one place.
///
/// Balance: `sent = returned + lost`, and every echo is one of first echo (`returned`), `duplicated`, `late`, `stale`
/// or `unrecognised`. The other counts mark some of the returned ones.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(default)]
pub struct FrameCounts {
    /// Probes the port took.
    pub sent: u64,
    /// Times the port refused a probe for want of room; it was sent again.
    pub refused: u64,
    /// Probes of which an echo came back in time.
    pub returned: u64,
    /// Probes that did not come back in time.
    pub lost: u64,
    /// Returned probes with at least one wrong bit.
    pub damaged: u64,
    /// Further echoes of a probe that had come back.
    pub duplicated: u64,
    /// Returned probes that a later one had overtaken.
    pub reordered: u64,
    /// Echoes of probes already counted as lost.
    pub late: u64,
    /// Returned probes that were shorter than sent.
    pub truncated: u64,
    /// Returned probes that were longer than sent.
    pub lengthened: u64,
    /// Returned probes that were right but for their addresses, which every echo of the step had changed alike.
    pub readdressed: u64,
    /// Returned probes that were right but for bytes behind their end, as many in every echo of the step.
    pub padded: u64,
    /// Returned probes with a VLAN tag, which no probe has when it leaves.
    pub tagged: u64,
    /// Echoes too damaged to say whose they are.
    pub unrecognised: u64,
    /// Intact echoes of another run or direction.
    pub stale: u64,
    /// Damaged probes whose frame check sequence was right all the same: damaged behind the adapter's check.
    pub damaged_after_check: u64,
    /// Probes that came back with a wrong frame check sequence, delivered because the adapter was told to.
    pub failed_check_delivered: u64,
    /// Bits compared with what was sent.
    pub bits_compared: u64,
    /// Of those, wrong ones.
    pub bit_errors: u64,
}

impl FrameCounts {
    /// Adds another stream's counts.
    pub fn merge(&mut self, other: &Self) {
        let Self {
            sent,
            refused,
            returned,
            lost,
            damaged,
            duplicated,
            reordered,
            late,
            truncated,
            lengthened,
            readdressed,
            padded,
            tagged,
            unrecognised,
            stale,
            damaged_after_check,
            failed_check_delivered,
            bits_compared,
            bit_errors,
        } = other;
        self.sent += sent;
        self.refused += refused;
        self.returned += returned;
        self.lost += lost;
        self.damaged += damaged;
        self.duplicated += duplicated;
        self.reordered += reordered;
        self.late += late;
        self.truncated += truncated;
        self.lengthened += lengthened;
        self.readdressed += readdressed;
        self.padded += padded;
        self.tagged += tagged;
        self.unrecognised += unrecognised;
        self.stale += stale;
        self.damaged_after_check += damaged_after_check;
        self.failed_check_delivered += failed_check_delivered;
        self.bits_compared += bits_compared;
        self.bit_errors += bit_errors;
    }
}

/// All that a stream measured.
#[derive(Clone, Debug, Default)]
pub struct Tally {
    /// Probe counts.
    pub counts: FrameCounts,
    /// What kind of damage the wrong bits are.
    pub damage: DamageTally,
    /// Round trips of probes that travelled alone.
    pub latency: LatencyHistogram,
    /// Sequence and round trip in nanoseconds of each of these, for the delay variation of one size; short by plan.
    pub single_trips: Vec<(u64, u64)>,
    /// Round trips of probes in full flow: holds the waiting in the sender's own batch.
    pub latency_loaded: LatencyHistogram,
    /// One entry a second from the start of the run.
    pub seconds: Vec<SecondCounts>,
}

impl Tally {
    /// Adds another stream of the same run.
    pub fn merge(&mut self, other: &Self) {
        self.counts.merge(&other.counts);
        self.damage.merge(&other.damage);
        self.latency.merge(&other.latency);
        self.single_trips.extend_from_slice(&other.single_trips);
        self.latency_loaded.merge(&other.latency_loaded);
        seconds::merge(&mut self.seconds, &other.seconds);
    }

    /// The entry of the second that `at` falls in, counted from `origin`.
    pub fn second_mut(&mut self, at: u64, origin: u64) -> &mut SecondCounts {
        seconds::second_mut(&mut self.seconds, at, origin)
    }
}
