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
    /// Came back after they had been given up. Where they were held up is not known: in this computer, or by something
    /// in the loop.
    #[serde(default)]
    pub late: u64,
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
        Self { never_left, in_host: ring + adapter, failed_check, on_wire: left, late: 0 }
    }

    /// Takes `late` probes, which came back after they had been given up, out of the class they were put in: off the
    /// wire first. No plug or cable keeps a frame for as long as a step waits (RFC 2544 23 allows two seconds).
    #[must_use]
    pub fn with_late(mut self, late: u64) -> Self {
        let mut left = late;
        for class in [&mut self.on_wire, &mut self.in_host, &mut self.never_left, &mut self.failed_check] {
            let moved = left.min(*class);
            *class -= moved;
            left -= moved;
        }
        self.late += late - left;
        self
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
        self.late += other.late;
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::kind::ethernet::counters::{Counters, SoftnetCounters};

    fn delta(f: impl Fn(&mut Counters)) -> CounterDelta {
        let mut grown = Counters::default();
        f(&mut grown);
        CounterDelta { grown, restarted: Vec::new() }
    }

    #[test]
    fn what_came_back_late_is_in_a_class_of_its_own() {
        let losses = Losses { never_left: 1, in_host: 2, failed_check: 3, on_wire: 4, late: 0 };
        assert_eq!(losses.with_late(3), Losses { late: 3, on_wire: 1, ..losses });
        assert_eq!(losses.with_late(5), Losses { late: 5, on_wire: 0, in_host: 1, ..losses });
        let all = losses.with_late(11);
        assert_eq!((all.late, all.inside(), all.wire()), (10, 0, 0));
        assert_eq!((losses.with_late(4).inside(), losses.with_late(4).wire()), (3, 3), "neither here nor on the wire");
    }

    /// Each counter by itself takes the lost frames it stands for, no more than were lost, and leaves the rest.
    #[test]
    fn every_counter_takes_what_it_stands_for() {
        let in_host = |in_host| Losses { in_host, on_wire: 20 - in_host, ..Losses::default() };
        let never_left = |never_left| Losses { never_left, on_wire: 20 - never_left, ..Losses::default() };
        let failed_check = |failed_check| Losses { failed_check, on_wire: 20 - failed_check, ..Losses::default() };
        type Change = fn(&mut Counters);
        let table: [(&str, Change, Losses); 17] = [
            ("nothing counted", |_| (), in_host(0)),
            ("missed", |c| c.link.rx_missed_errors = 7, in_host(7)),
            ("overrun", |c| c.link.rx_fifo_errors = 7, in_host(7)),
            ("dropped on the way in", |c| c.link.rx_dropped = 7, in_host(7)),
            ("no buffer", |c| _ = c.adapter.insert("rx_no_buffer_count".into(), 7), in_host(7)),
            ("over", |c| c.link.rx_over_errors = 7, in_host(7)),
            ("drops of a queue", |c| _ = c.adapter.insert("rx_queue_0_drops".into(), 7), in_host(7)),
            ("of several, the sum", |c| (c.link.rx_missed_errors, c.link.rx_dropped) = (4, 5), in_host(9)),
            ("more than were lost", |c| c.link.rx_missed_errors = 99, in_host(20)),
            // A full queue of a processor holds frames of every interface: those of this one are in its rx_dropped.
            (
                "a processor's queue",
                |c| c.softnet = Some(SoftnetCounters { dropped: 7, ..Default::default() }),
                in_host(0),
            ),
            ("not sent", |c| c.link.tx_dropped = 7, never_left(7)),
            ("sent badly", |c| c.link.tx_errors = 7, never_left(7)),
            ("one event under two names", |c| (c.link.tx_dropped, c.link.tx_errors) = (7, 5), never_left(7)),
            ("failed check", |c| c.link.rx_crc_errors = 7, failed_check(7)),
            ("alignment", |c| _ = c.adapter.insert("align_errors".into(), 7), failed_check(7)),
            ("ended inside an octet", |c| c.link.rx_frame_errors = 7, failed_check(7)),
            (
                "both, which are counted apart",
                |c| (c.link.rx_crc_errors, c.link.rx_frame_errors) = (4, 5),
                failed_check(9),
            ),
        ];
        for (what, change, sorted) in table {
            assert_eq!(Losses::sort(20, 0, &delta(change)), sorted, "{what}");
        }
        assert_eq!(Losses::sort(20, 7, &delta(|_| ())), in_host(7), "the socket's own ring");
    }

    #[test]
    fn losses_of_two_steps_add_up_class_by_class() {
        let mut both = Losses { never_left: 1, in_host: 2, failed_check: 3, on_wire: 4, late: 5 };
        both.merge(&Losses { never_left: 10, in_host: 20, failed_check: 30, on_wire: 40, late: 50 });
        assert_eq!(both, Losses { never_left: 11, in_host: 22, failed_check: 33, on_wire: 44, late: 55 });
    }

    #[test]
    fn every_loss_is_in_exactly_one_class() {
        let d = delta(|c| {
            c.link.rx_crc_errors = 7;
            c.link.rx_errors = 7;
            c.link.rx_missed_errors = 5;
            c.link.tx_dropped = 2;
        });
        let sorted = |lost| Losses::sort(lost, 3, &d);
        assert_eq!(sorted(20), Losses { never_left: 2, in_host: 8, failed_check: 7, on_wire: 3, late: 0 });
        // This computer first: what it may have lost is never put on the wire.
        assert_eq!(sorted(2), Losses { in_host: 2, ..Losses::default() });
        assert_eq!(sorted(9), Losses { in_host: 8, never_left: 1, ..Losses::default() });
        assert_eq!(sorted(11), Losses { in_host: 8, never_left: 2, failed_check: 1, ..Losses::default() });
    }
}
