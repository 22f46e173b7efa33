//! The cable of a rig: its segments, and which of them a signal passes.

use serde::{Deserialize, Serialize};

use super::setup::Setup;
use crate::base::placement::Placement;

/// One piece of cable between two connectors.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Segment {
    /// Name on the cable's label.
    pub label: String,
    /// Length, m.
    #[serde(default)]
    pub length_m: u32,
}

/// A cable of these segments (label, length in m), from the port to the far end.
pub fn segments(pieces: &[(&str, u32)]) -> Vec<Segment> {
    pieces.iter().map(|(label, length_m)| Segment { label: (*label).to_owned(), length_m: *length_m }).collect()
}

/// The segments between port and plug, in order.
pub fn in_use<'a>(cable: &'a [Segment], setup: &Setup) -> &'a [Segment] {
    if setup.placement != Placement::FarEnd {
        return &[];
    }
    let last = setup.segment.as_ref().and_then(|label| cable.iter().position(|segment| segment.label == *label));
    &cable[..last.map_or(cable.len(), |index| index + 1)]
}

/// Whether a rig with this cable can be arranged so: it has one port, and only its own segments have a far end.
pub fn allows(cable: &[Segment], setup: &Setup) -> bool {
    let known = |label: &String| cable.iter().any(|segment| segment.label == *label);
    setup.placement != Placement::ReturnPort && setup.segment.as_ref().is_none_or(known)
}
