//! What an active device may change in every echo alike: the addresses, and the length.

use crate::kind::ethernet::probe::{Address, Header, probe_source};
use crate::kind::ethernet::stream::StreamSpec;

/// What an echo looks like apart from what its probe says.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) struct Form {
    pub destination: Address,
    pub source: Address,
    /// Length of the frame without FCS, bytes.
    pub length_bytes: usize,
}

impl Form {
    /// The form in which probes leave.
    pub fn of(spec: &StreamSpec) -> Self {
        Self { destination: spec.destination, source: spec.source, length_bytes: spec.frame_bytes }
    }

    /// The form of an echo of this length.
    pub fn carried_by(header: &Header<&[u8]>, length_bytes: usize) -> Self {
        let (mut destination, mut source) = ([0; 6], [0; 6]);
        destination.copy_from_slice(header.destination());
        source.copy_from_slice(header.source());
        Self { destination, source, length_bytes }
    }

    /// Both addresses in the order of the frame.
    pub fn addresses(&self) -> [u8; 12] {
        let mut addresses = [0; 12];
        addresses[..6].copy_from_slice(&self.destination);
        addresses[6..].copy_from_slice(&self.source);
        addresses
    }

    pub fn has_addresses_of(&self, other: &Self) -> bool {
        self.addresses() == other.addresses()
    }

    /// Bits in which the addresses of a frame differ from these.
    pub fn address_distance(&self, bytes: &[u8]) -> u32 {
        self.addresses().iter().zip(bytes).map(|(mine, theirs)| (mine ^ theirs).count_ones()).sum()
    }

    /// Whether an intact probe goes from a port to itself, as the probes of a port with a plug do, and that port is not
    /// ours.
    pub fn is_strange_to(&self, header: &Header<&[u8]>) -> bool {
        let carried = Self::carried_by(header, 0);
        let ours = [self.destination, self.source];
        !ours.contains(&carried.destination)
            && !ours.contains(&carried.source)
            && carried.source == probe_source(carried.destination)
    }
}

/// Fewer echoes of one changed form than this may be damage, as fewer hits than this blame nobody. Our own choice.
pub(super) const FORMED_MIN: u64 = 3;
/// So many echoes of the changed form for each of another: a device that changes frames changes them all. Our own
/// choice.
pub(super) const FORMED_TO_OTHERS_MIN: u64 = 9;
