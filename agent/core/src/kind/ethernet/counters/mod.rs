//! What the host counted about one port: a snapshot, and the difference of two snapshots.
//!
//! The agent reads the numbers. [`classify`] says which counter speaks of the wire and which of this computer;
//! [`super::losses`] then decides where each lost frame was lost.

use std::collections::BTreeMap;

use serde::{Deserialize, Serialize};

pub mod classify;

/// All counters of the host at one moment, as the kernel gave them since the interface or the machine came up.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct Counters {
    /// The 64-bit link statistics, the same for every kind of interface.
    pub link: LinkCounters,
    /// How often the carrier came and went; `None` where the kernel does not say.
    pub carrier: Option<CarrierCounters>,
    /// The driver's own statistics by the driver's own names.
    pub adapter: BTreeMap<String, u64>,
    /// Counters of the kernel's packet queues, for the whole machine; `None` where unreadable.
    pub softnet: Option<SoftnetCounters>,
    /// Errors the bus reported for the adapter; `None` for a virtual port or where the bus does not report.
    pub bus: Option<BusErrors>,
}

impl Counters {
    /// Adds those of another port of the same machine. The machine-wide queues are in both already and are taken once.
    pub fn add(&mut self, other: &Self) {
        self.link.add(&other.link);
        if let (Some(mine), Some(theirs)) = (&mut self.carrier, &other.carrier) {
            mine.add(theirs);
        }
        for (name, count) in &other.adapter {
            *self.adapter.entry(name.clone()).or_default() += count;
        }
        if let (Some(mine), Some(theirs)) = (&mut self.bus, &other.bus) {
            mine.add(theirs);
        }
    }
}

macro_rules! counter_struct {
    ($(#[$outer:meta])* $name:ident { $($(#[$inner:meta])* $field:ident,)* }) => {
        $(#[$outer])*
        #[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
        #[serde(default)]
        pub struct $name { $($(#[$inner])* pub $field: u64,)* }

        impl $name {
            /// Every counter with its name, in the order of the fields.
            pub fn named(&self) -> Vec<(&'static str, u64)> {
                vec![$((stringify!($field), self.$field),)*]
            }

            /// Adds those of another port.
            pub fn add(&mut self, other: &Self) {
                $(self.$field += other.$field;)*
            }

            fn difference(before: &Self, after: &Self, area: &str, restarted: &mut Vec<String>) -> Self {
                let name = |field: &str| format!("{area}.{field}");
                Self { $($field: grown(before.$field, after.$field, || name(stringify!($field)), restarted),)* }
            }
        }
    };
}

counter_struct! {
    /// Link statistics in the order of `struct rtnl_link_stats64` (`linux/if_link.h`), which says what each counts.
    LinkCounters {
        /// Good frames received.
        rx_packets,
        /// Frames handed to the device, which is not yet "sent".
        tx_packets,
        /// Good octets received, without FCS on Ethernet.
        rx_bytes,
        /// Octets handed to the device, without FCS on Ethernet.
        tx_bytes,
        /// Bad frames received; holds length, crc and frame errors and others of the driver's choice.
        rx_errors,
        /// Transmit problems; holds aborted, carrier, fifo, heartbeat and window errors.
        tx_errors,
        /// Frames received and not processed: no memory, or nobody wanted the protocol.
        rx_dropped,
        /// Frames dropped on the way to the device, for example for want of memory.
        tx_dropped,
        /// Multicast frames received.
        multicast,
        /// Collisions while transmitting (half duplex).
        collisions,
        /// Frames with a wrong length.
        rx_length_errors,
        /// Receiver overflow; some drivers count oversize frames here.
        rx_over_errors,
        /// Frames whose check sequence was wrong (802.3 aFrameCheckSequenceErrors).
        rx_crc_errors,
        /// Frames that ended inside an octet and failed their check (802.3 aAlignmentErrors).
        rx_frame_errors,
        /// Overflows of the adapter's receive buffer.
        rx_fifo_errors,
        /// Frames the adapter dropped because the host gave it no buffers in time.
        rx_missed_errors,
        /// Transmissions given up by the adapter.
        tx_aborted_errors,
        /// Transmissions that met no carrier.
        tx_carrier_errors,
        /// Underruns of the adapter's transmit buffer.
        tx_fifo_errors,
        /// Heartbeat (SQE) errors of old half-duplex transceivers.
        tx_heartbeat_errors,
        /// Late collisions.
        tx_window_errors,
        /// Compressed frames received (not Ethernet).
        rx_compressed,
        /// Compressed frames sent (not Ethernet).
        tx_compressed,
        /// Frames dropped on an inactive member of a bond.
        rx_nohandler,
        /// Frames dropped because they were addressed to somebody else.
        rx_otherhost_dropped,
    }
}

counter_struct! {
    /// Carrier changes since the interface was made.
    CarrierCounters {
        /// Changes in either direction.
        changes,
        /// Times the link came up.
        up,
        /// Times the link went down.
        down,
    }
}

counter_struct! {
    /// The kernel's receive queues, summed over all processors: every interface of the machine counts into them.
    SoftnetCounters {
        /// Frames processed.
        processed,
        /// Frames dropped because a processor's queue was full.
        dropped,
        /// Times a processor stopped with work left because its share of time or frames was used up.
        time_squeeze,
    }
}

counter_struct! {
    /// Advanced error reporting of PCI Express: totals of the adapter's own end of its bus link.
    BusErrors {
        /// Errors the bus corrected; they cost time, not data.
        corrected,
        /// Uncorrected errors that leave the bus link working.
        nonfatal,
        /// Uncorrected errors that break the bus link.
        fatal,
    }
}

impl LinkCounters {
    /// Reads the kernel's array of 64-bit counters; what an older kernel does not send stays zero.
    pub fn from_words(words: &[u64]) -> Self {
        let word = |index: usize| words.get(index).copied().unwrap_or(0);
        Self {
            rx_packets: word(0),
            tx_packets: word(1),
            rx_bytes: word(2),
            tx_bytes: word(3),
            rx_errors: word(4),
            tx_errors: word(5),
            rx_dropped: word(6),
            tx_dropped: word(7),
            multicast: word(8),
            collisions: word(9),
            rx_length_errors: word(10),
            rx_over_errors: word(11),
            rx_crc_errors: word(12),
            rx_frame_errors: word(13),
            rx_fifo_errors: word(14),
            rx_missed_errors: word(15),
            tx_aborted_errors: word(16),
            tx_carrier_errors: word(17),
            tx_fifo_errors: word(18),
            tx_heartbeat_errors: word(19),
            tx_window_errors: word(20),
            rx_compressed: word(21),
            tx_compressed: word(22),
            rx_nohandler: word(23),
            rx_otherhost_dropped: word(24),
        }
    }
}

/// What was counted between two snapshots.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct CounterDelta {
    /// Growth of the counters; adapter names that did not grow are left out.
    pub grown: Counters,
    /// Counters that went backwards between the snapshots, so that the driver must have restarted them.
    ///
    /// Their growth is taken as the later value, which is the least it can have been.
    pub restarted: Vec<String>,
}

/// What was counted from `before` to `after`.
///
/// An area that only one of the snapshots has gives `None`. An adapter's name that only `after` has is left out, since
/// nothing says when it grew.
pub fn difference(before: &Counters, after: &Counters) -> CounterDelta {
    let mut restarted = Vec::new();
    let link = LinkCounters::difference(&before.link, &after.link, "link", &mut restarted);
    let carrier = both(before.carrier, after.carrier)
        .map(|(b, a)| CarrierCounters::difference(&b, &a, "carrier", &mut restarted));
    let softnet = both(before.softnet, after.softnet)
        .map(|(b, a)| SoftnetCounters::difference(&b, &a, "softnet", &mut restarted));
    let bus = both(before.bus, after.bus).map(|(b, a)| BusErrors::difference(&b, &a, "bus", &mut restarted));
    let mut adapter = BTreeMap::new();
    for (name, &value) in &after.adapter {
        let Some(&earlier) = before.adapter.get(name) else { continue };
        // Drivers list gauges (temperatures, queue depths) among their counters: those may fall without a restart,
        // so only names that stand for a loss are worth a remark.
        let growth = match value.checked_sub(earlier) {
            Some(growth) => growth,
            None if classify::adapter_class(name).is_none() => 0,
            None => grown(earlier, value, || format!("adapter.{name}"), &mut restarted),
        };
        if growth > 0 {
            adapter.insert(name.clone(), growth);
        }
    }
    CounterDelta { grown: Counters { link, carrier, adapter, softnet, bus }, restarted }
}

fn both<T>(before: Option<T>, after: Option<T>) -> Option<(T, T)> {
    before.zip(after)
}

fn grown(before: u64, after: u64, name: impl FnOnce() -> String, restarted: &mut Vec<String>) -> u64 {
    after.checked_sub(before).unwrap_or_else(|| {
        restarted.push(name());
        after
    })
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    fn with_adapter(pairs: &[(&str, u64)]) -> Counters {
        Counters {
            adapter: pairs.iter().map(|(name, value)| ((*name).to_owned(), *value)).collect(),
            ..Counters::default()
        }
    }

    #[test]
    fn words_land_in_the_fields_the_kernel_header_names() {
        // Offsets in bytes: rtnl_link_stats64 in linux/if_link.h: rx_errors 32, rx_dropped 48, rx_length 80, rx_over
        // 88, rx_crc 96, rx_frame 104, rx_fifo 112, rx_missed 120.
        let words: Vec<u64> = (0..25).map(|index| index * 8).collect();
        let link = LinkCounters::from_words(&words);
        let found = [
            link.rx_errors,
            link.rx_dropped,
            link.rx_length_errors,
            link.rx_over_errors,
            link.rx_crc_errors,
            link.rx_frame_errors,
            link.rx_fifo_errors,
            link.rx_missed_errors,
        ];
        assert_eq!(found, [32, 48, 80, 88, 96, 104, 112, 120]);
        let in_order: Vec<u64> = link.named().into_iter().map(|(_, value)| value).collect();
        assert_eq!(in_order, words, "the fields are declared in the kernel's order");
    }

    #[test]
    fn a_short_array_leaves_the_rest_zero() {
        assert_eq!(LinkCounters::from_words(&[7]), LinkCounters { rx_packets: 7, ..LinkCounters::default() });
    }

    #[test]
    fn a_counter_that_fell_is_named_and_counts_at_least_its_later_value() {
        let before = Counters {
            link: LinkCounters { rx_crc_errors: 100, ..LinkCounters::default() },
            ..with_adapter(&[("rx_crc_errors", 100), ("temperature", 40)])
        };
        let after = Counters {
            link: LinkCounters { rx_crc_errors: 3, ..LinkCounters::default() },
            ..with_adapter(&[("rx_crc_errors", 3), ("temperature", 39), ("new_name", 9)])
        };
        let delta = difference(&before, &after);
        assert_eq!(delta.grown.link.rx_crc_errors, 3);
        assert_eq!(delta.grown.adapter, BTreeMap::from([("rx_crc_errors".to_owned(), 3)]));
        assert_eq!(delta.restarted, ["link.rx_crc_errors", "adapter.rx_crc_errors"]);
    }

    /// Two ports of one card: all that is theirs is added up; the machine's own queues are in both.
    #[test]
    fn counters_of_two_ports_add_up() {
        let words: Vec<u64> = (1..=25).collect();
        let one = Counters {
            link: LinkCounters::from_words(&words),
            carrier: Some(CarrierCounters { changes: 3, up: 2, down: 1 }),
            softnet: Some(SoftnetCounters { processed: 9, dropped: 1, time_squeeze: 2 }),
            bus: Some(BusErrors { corrected: 4, nonfatal: 5, fatal: 6 }),
            ..with_adapter(&[("rx_crc_errors", 7), ("temperature", 30)])
        };
        let mut both = Counters { adapter: with_adapter(&[("rx_crc_errors", 2)]).adapter, ..one.clone() };
        both.add(&one);
        let twice: Vec<u64> = words.iter().map(|word| 2 * word).collect();
        assert_eq!(both.link, LinkCounters::from_words(&twice));
        assert_eq!(both.carrier, Some(CarrierCounters { changes: 6, up: 4, down: 2 }));
        assert_eq!(both.bus, Some(BusErrors { corrected: 8, nonfatal: 10, fatal: 12 }));
        assert_eq!(both.adapter, with_adapter(&[("rx_crc_errors", 9), ("temperature", 30)]).adapter);
        assert_eq!(both.softnet, one.softnet);
    }

    #[test]
    fn a_single_event_of_an_adapter_is_growth() {
        let grown = difference(&with_adapter(&[("a", 6), ("b", 6)]), &with_adapter(&[("a", 7), ("b", 6)])).grown;
        assert_eq!(grown.adapter, with_adapter(&[("a", 1)]).adapter);
    }

    #[test]
    fn an_area_seen_once_has_no_difference() {
        let after = Counters { carrier: Some(CarrierCounters { changes: 4, up: 2, down: 2 }), ..Counters::default() };
        assert_eq!(difference(&Counters::default(), &after).grown.carrier, None);
        assert_eq!(difference(&after, &after).grown.carrier, Some(CarrierCounters::default()));
    }

    proptest! {
        #[test]
        fn growth_added_to_before_gives_after(before in proptest::collection::vec(0u64..1 << 40, 25),
                                              growth in proptest::collection::vec(0u64..1 << 40, 25)) {
            let after: Vec<u64> = before.iter().zip(&growth).map(|(b, g)| b + g).collect();
            let delta = difference(
                &Counters { link: LinkCounters::from_words(&before), ..Counters::default() },
                &Counters { link: LinkCounters::from_words(&after), ..Counters::default() },
            );
            prop_assert_eq!(delta.grown.link, LinkCounters::from_words(&growth));
            prop_assert!(delta.restarted.is_empty());
        }
    }
}
