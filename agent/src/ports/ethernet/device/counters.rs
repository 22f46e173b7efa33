//! Reads every counter of the host that helps to say where a frame was lost. What they mean is decided in
//! [`turnback_core::kind::ethernet::counters`].

use std::fs;

use thiserror::Error;
use turnback_core::kind::ethernet::counters::{Counters, SoftnetCounters};

use super::{
    bus,
    ethtool::{EthtoolError, Interface},
    netlink::{self, NetlinkError},
};

/// Why the counters could not be read.
#[derive(Debug, Error)]
pub enum CountersError {
    /// The driver does not answer, or the interface is gone.
    #[error(transparent)]
    Ethtool(#[from] EthtoolError),
    /// The kernel does not answer.
    #[error(transparent)]
    Netlink(#[from] NetlinkError),
}

/// One snapshot of all counters of an interface and of the machine's packet queues.
///
/// The parts are read one after the other within about a millisecond, so stop sending before a snapshot that is to
/// balance.
///
/// # Errors
///
/// When the interface is gone or the kernel does not answer. What a driver does not offer is left empty.
pub fn read(interface: &Interface) -> Result<Counters, CountersError> {
    let gone = || EthtoolError::NoInterface { name: interface.name().to_owned() };
    let facts = netlink::link(interface.index()?)?.ok_or_else(gone)?;
    Ok(Counters {
        link: facts.counters,
        carrier: facts.carrier_counters,
        adapter: interface.statistics()?,
        softnet: fs::read_to_string("/proc/net/softnet_stat").ok().map(|text| softnet(&text)),
        bus: facts.parent.and_then(|(kind, address)| bus::read(&kind, &address).errors),
    })
}

/// Sums `/proc/net/softnet_stat`: a line per processor, of hexadecimal words: processed, dropped, time_squeeze, ...
fn softnet(text: &str) -> SoftnetCounters {
    let mut sum = SoftnetCounters::default();
    for line in text.lines() {
        let mut words = line.split_whitespace().map(|word| u64::from_str_radix(word, 16).unwrap_or(0));
        for counter in [&mut sum.processed, &mut sum.dropped, &mut sum.time_squeeze] {
            *counter = counter.saturating_add(words.next().unwrap_or(0));
        }
    }
    sum
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;
    use turnback_core::kind::ethernet::counters::difference;

    use super::*;
    use crate::testing;

    #[test]
    fn softnet_adds_up_all_processors() {
        // Column order: softnet_seq_show in net/core/net-procfs.c (from memory).
        let text = "00000016 00000001 00000002 00000000\n00000706 0000000a 00000000 00000000\n";
        assert_eq!(softnet(text), SoftnetCounters { processed: 0x71c, dropped: 11, time_squeeze: 2 });
    }

    #[test]
    fn carrier_and_frames_of_a_virtual_cable_are_counted() {
        testing::in_namespace(|| {
            let commands = ["link add quay1 type veth peer name quay2", "link set quay1 up", "link set quay2 up"];
            if !commands.into_iter().all(testing::ip) {
                return;
            }
            let interface = Interface::open("quay1").unwrap();
            let before = read(&interface).unwrap();
            assert!(!before.adapter.is_empty() && before.softnet.is_some() && before.bus.is_none());
            for _ in 0..2 {
                assert!(testing::ip("link set quay2 down"));
                assert!(testing::ip("link set quay2 up"));
            }
            let delta = difference(&before, &read(&interface).unwrap());
            let carrier = delta.grown.carrier.expect("the kernel counts carrier changes");
            assert_eq!((carrier.down, carrier.up), (2, 2));
            assert!(delta.restarted.is_empty(), "{:?}", delta.restarted);
            assert!(testing::ip("link delete quay1"));
            assert!(matches!(read(&interface), Err(CountersError::Ethtool(EthtoolError::NoInterface { .. }))));
        });
    }

    proptest! {
        #[test]
        fn any_text_is_summed(text in "([0-9a-f]{0,17} ?\n?.?){0,20}") {
            softnet(&text);
        }
    }
}
