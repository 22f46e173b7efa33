//! Tables of counter names and of deltas with the class each belongs to.

use proptest::prelude::*;

use super::super::{BusErrors, CarrierCounters, Counters, LinkCounters, SoftnetCounters};
use super::*;

fn delta(link: LinkCounters, adapter: &[(&str, u64)]) -> CounterDelta {
    let adapter = adapter.iter().map(|(name, count)| ((*name).to_owned(), *count)).collect();
    CounterDelta { grown: Counters { link, adapter, ..Counters::default() }, restarted: Vec::new() }
}

#[test]
fn names_in_the_spellings_drivers_use_find_their_class() {
    // The words are of RFC 2819, RFC 3635 and 802.3 clause 30; the spellings are common practice, no source.
    let table = [
        ("rx_crc_errors", Some(Class::Fcs)),
        ("rx_fcs_errors", Some(Class::Fcs)),
        ("FrameCheckSequenceErrors_crc", Some(Class::Fcs)),
        ("RxFCSErrors", Some(Class::Fcs)),
        ("rx_crc_errors_phy", Some(Class::Fcs)),
        ("rx_align_errors", Some(Class::Alignment)),
        ("align_errors", Some(Class::Alignment)),
        ("rx_symbol_err_phy", Some(Class::Symbol)),
        ("rx_jabbers", Some(Class::Length)),
        ("rx_jabber_crc_errors", Some(Class::Length)),
        ("rx_fragments", Some(Class::Length)),
        ("rx_undersize", Some(Class::Length)),
        ("rx_long_length_errors", Some(Class::Length)),
        ("rx_missed", Some(Class::Missed)),
        ("rx_missed_errors", Some(Class::Missed)),
        ("rx_no_buffer_count", Some(Class::NoBuffer)),
        ("rx_out_of_buffer", Some(Class::NoBuffer)),
        ("alloc_rx_buff_failed", None),
        ("rx_fifo_errors", Some(Class::Overrun)),
        ("rx_queue_3_drops", Some(Class::Dropped)),
        ("rx_discards_phy", Some(Class::Dropped)),
        ("tx_aborted_errors", Some(Class::TransmitFailed)),
        ("tx_timeout_count", Some(Class::TransmitFailed)),
        ("tx_carrier_errors", Some(Class::TransmitCarrier)),
        ("tx_single_collisions", Some(Class::Collision)),
        ("tx_dropped", Some(Class::TransmitDropped)),
        ("port_tx_errors", Some(Class::TransmitFailed)),
        ("late_transmit_errors", Some(Class::TransmitFailed)),
        ("tx0_errors", Some(Class::TransmitFailed)),
        ("tx_fifo_underrun", Some(Class::TransmitFailed)),
        ("tx_fifo_underflow", Some(Class::TransmitFailed)),
        ("tx_queue_0_drops", Some(Class::TransmitDropped)),
        ("tx_discards_phy", Some(Class::TransmitDropped)),
        ("rx_oversize", Some(Class::Length)),
        ("rx_runt", Some(Class::Length)),
        ("rx_runts", Some(Class::Length)),
        ("rx_length_errors", Some(Class::Length)),
        ("rx_short_length", Some(Class::Length)),
        ("rx_long_length", Some(Class::Length)),
        ("rx_out_of_range_len", Some(Class::Length)),
        ("rx_align", Some(Class::Alignment)),
        ("rxalign_errors", Some(Class::Alignment)),
        ("rxalignment_errors", Some(Class::Alignment)),
        ("rx_fcs", Some(Class::Fcs)),
        ("rxcrcerrors", Some(Class::Fcs)),
        ("rxcrc_errors", Some(Class::Fcs)),
        ("rxfcs_errors", Some(Class::Fcs)),
        ("rx_no_dma_resources", Some(Class::NoBuffer)),
        ("rx_alloc_failed", Some(Class::NoBuffer)),
        ("rx_nobufs", Some(Class::NoBuffer)),
        ("rx_overrun", Some(Class::Overrun)),
        ("rx_overflow", Some(Class::Overrun)),
        ("rx_over_errors", Some(Class::Overrun)),
        ("rx_drop", Some(Class::Dropped)),
        ("rx_dropped", Some(Class::Dropped)),
        ("rx_discard", Some(Class::Dropped)),
        // Of no direction: it may be of what was sent.
        ("dropped", None),
        ("rx_csum_offload_errors", None),
        ("rx_xdp_drops", None),
        ("rx_fec_corrected_blocks_crc", None),
        ("rx_packets", None),
        ("rx_queue_0_bytes", None),
        ("tx_packets", None),
        ("rx_1024_to_1518", None),
        ("", None),
    ];
    for (name, class) in table {
        assert_eq!(adapter_class(name), class, "{name}");
    }
}

/// Each of the link's own statistics by its definition in `linux/if_link.h`; what is traffic or a total has no class.
#[test]
fn the_links_own_statistics_have_their_class() {
    let classes = [
        ("rx_crc_errors", Class::Fcs),
        ("rx_frame_errors", Class::Alignment),
        ("rx_length_errors", Class::Length),
        ("rx_missed_errors", Class::Missed),
        ("rx_fifo_errors", Class::Overrun),
        ("rx_over_errors", Class::Overrun),
        ("rx_dropped", Class::Dropped),
        ("tx_errors", Class::TransmitFailed),
        ("tx_aborted_errors", Class::TransmitFailed),
        ("tx_fifo_errors", Class::TransmitFailed),
        ("tx_heartbeat_errors", Class::TransmitFailed),
        ("tx_dropped", Class::TransmitDropped),
        ("tx_carrier_errors", Class::TransmitCarrier),
        ("collisions", Class::Collision),
        ("tx_window_errors", Class::Collision),
    ];
    for (name, _) in LinkCounters::default().named() {
        let class = classes.iter().find(|(known, _)| *known == name).map(|(_, class)| *class);
        assert_eq!(link_class(name), class, "{name}");
    }
}

/// What the adapter alone names explains the total of the bad frames, whatever its kind; what a busy computer dropped
/// does not.
#[test]
fn only_bad_frames_explain_the_total_of_bad_frames() {
    let link = LinkCounters { rx_errors: 9, ..LinkCounters::default() };
    for (name, unnamed) in [
        ("rx_crc_errors", 0),
        ("align_errors", 0),
        ("rx_symbol_err", 0),
        ("rx_jabbers", 0),
        ("rx_no_buffer_count", 9),
        ("rx_dropped", 9),
    ] {
        let sorted = classify(&delta(link, &[(name, 9)]));
        assert_eq!(sorted.count(Class::OtherReceive), unnamed, "{name}");
    }
    assert!(Class::OtherReceive.is_wire() && !Class::OtherReceive.is_host() && !Class::Collision.is_wire());
    let one = LinkCounters { rx_errors: 1, ..LinkCounters::default() };
    assert_eq!(classify(&delta(one, &[])).count(Class::OtherReceive), 1);
}

#[test]
fn the_same_event_under_several_names_counts_once() {
    let link = LinkCounters { rx_crc_errors: 5, rx_errors: 5, ..LinkCounters::default() };
    let sorted = classify(&delta(link, &[("rx_crc_errors", 5), ("rx_fcs_errors_phy", 4)]));
    assert_eq!(sorted.counts, BTreeMap::from([(Class::Fcs, 5)]));
    assert_eq!(sorted.detail.len(), 3, "every name is kept as detail");
}

#[test]
fn an_adapter_that_alone_reports_the_event_is_believed() {
    let link = LinkCounters { rx_errors: 9, ..LinkCounters::default() };
    let sorted = classify(&delta(link, &[("rx_crc_errors", 9)]));
    assert_eq!(sorted.counts, BTreeMap::from([(Class::Fcs, 9)]), "the total is explained by the adapter's name");
}

#[test]
fn queues_of_one_name_are_added_up() {
    let sorted = classify(&delta(LinkCounters::default(), &[("rx_queue_0_drops", 2), ("rx_queue_1_drops", 3)]));
    assert_eq!(sorted.count(Class::Dropped), 5);
    let sorted = classify(&delta(LinkCounters::default(), &[("rx0_drops", 2), ("rx1_drops", 3), ("rx_drops", 5)]));
    assert_eq!(sorted.count(Class::Dropped), 5, "the adapter's total holds its queues");
}

#[test]
fn the_unnamed_rest_of_the_total_is_said() {
    let link = LinkCounters { rx_errors: 10, rx_crc_errors: 4, rx_length_errors: 1, ..LinkCounters::default() };
    let sorted = classify(&delta(link, &[]));
    assert_eq!(sorted.counts, BTreeMap::from([(Class::Fcs, 4), (Class::Length, 1), (Class::OtherReceive, 5)]));
    assert_eq!(sorted.failed_fcs(), 4);
}

#[test]
fn a_slow_host_is_never_the_wire() {
    // rx_missed_errors: "dropped due to lack of buffers allocated by the host" (if_link.h).
    let link =
        LinkCounters { rx_missed_errors: 70, rx_fifo_errors: 60, rx_errors: 130, rx_dropped: 3, ..Default::default() };
    let mut delta = delta(link, &[("rx_missed", 70), ("rx_no_buffer_count", 90)]);
    delta.grown.softnet = Some(SoftnetCounters { processed: 0, dropped: 8, time_squeeze: 2 });
    let sorted = classify(&delta);
    assert!(sorted.counts.keys().all(|class| class.is_host()), "{:?}", sorted.counts);
    assert_eq!(sorted.lost_in_host_at_least(), 70);
    // Not the 8 of the machine's queues: those of this interface are among the 3 dropped (net/core/dev.c, from memory).
    assert_eq!(sorted.lost_in_host_at_most(), 70 + 60 + 3 + 90);
    assert_eq!(sorted.queue_squeezes, 2);
    assert_eq!(sorted.failed_fcs(), 0);
}

#[test]
fn link_losses_and_bus_errors_have_their_own_place() {
    let mut delta = delta(LinkCounters::default(), &[]);
    delta.grown.carrier = Some(CarrierCounters { changes: 3, up: 1, down: 2 });
    delta.grown.bus = Some(BusErrors { corrected: 7, nonfatal: 1, fatal: 2 });
    let sorted = classify(&delta);
    assert_eq!((sorted.link_losses, sorted.bus_corrected, sorted.bus_uncorrected), (2, 7, 3));
    delta.grown.carrier = Some(CarrierCounters { changes: 3, up: 0, down: 0 });
    assert_eq!(classify(&delta).link_losses, 2, "a kernel that only counts changes");
    delta.grown.carrier = Some(CarrierCounters { changes: 1, up: 1, down: 0 });
    assert_eq!(classify(&delta).link_losses, 0, "it came up");
}

#[test]
fn nothing_counted_is_nothing_sorted() {
    assert_eq!(classify(&CounterDelta::default()), Classified::default());
}

#[test]
fn a_queue_number_is_not_a_size() {
    assert_eq!(without_queue("rx_queue_12_drops"), "rx_queue_N_drops");
    for queue in ["queue", "rxq", "txq", "rx", "tx", "q", "ring", "ch", "prio", "tc"] {
        assert_eq!(without_queue(&format!("{queue}3_dropped")), format!("{queue}N_dropped"));
        assert_eq!(without_queue(&format!("{queue}_12_dropped")), format!("{queue}_N_dropped"));
    }
    assert_eq!(without_queue("size_1024_to_1518"), "size_1024_to_1518");
    assert_eq!(without_queue(""), "");
}

proptest! {
    #[test]
    fn any_delta_is_sorted_without_inventing_events(
        words in proptest::collection::vec(any::<u64>(), 25),
        adapter in proptest::collection::btree_map("[a-z_0-9]{0,20}", any::<u64>(), 0..8),
    ) {
        let link = LinkCounters::from_words(&words);
        let grown = Counters { link, adapter, ..Counters::default() };
        let sorted = classify(&CounterDelta { grown, restarted: Vec::new() });
        for (class, &count) in &sorted.counts {
            let named = sorted.detail.iter().filter(|d| d.class == *class).fold(0u64, |s, d| s.saturating_add(d.count));
            prop_assert!(count <= named, "{class:?} {count} {named}");
        }
        prop_assert!(sorted.lost_in_host_at_least() <= sorted.lost_in_host_at_most());
    }
}
