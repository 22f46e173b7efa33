//! Decides where each lost frame was lost: in this computer, or on the wire.

use serde::{Deserialize, Serialize};

use super::counters::CounterDelta;
use super::counters::classify::classify;

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
