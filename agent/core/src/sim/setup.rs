//! What a person can arrange at a rig.

use crate::base::placement::Placement;

/// Where the plug is, which one, in which port, and whether somebody moves the cable meanwhile.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Setup {
    /// Where the plug is.
    pub placement: Placement,
    /// With the plug at a far end: that of this segment; none for the whole cable.
    pub segment: Option<String>,
    /// The other plug is used in place of the first. It is always fitted and turns the signal back; it has only the
    /// faults that the rig gives it.
    pub other_plug: bool,
    /// The plug is in a second port of the same machine, which has none of the first one's faults.
    pub known_good_port: bool,
    /// Somebody moves the cable.
    pub cable_moved: bool,
}

impl Default for Setup {
    fn default() -> Self {
        Self {
            placement: Placement::AtPort,
            segment: None,
            other_plug: false,
            known_good_port: false,
            cable_moved: false,
        }
    }
}
