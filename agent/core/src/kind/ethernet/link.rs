//! The link of an Ethernet port: medium, state, what the port can do, and the settings that a run changes.

use std::fmt;
use std::time::Duration;

use serde::{Deserialize, Serialize};

use crate::base::caution::Caution;
use crate::base::placement::Placement;

/// What carries the bits.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Medium {
    /// Twisted pair.
    Copper,
    /// Optical fibre.
    Fibre,
    /// Direct-attach copper cable.
    DirectAttach,
    /// No line at all: a virtual interface.
    Virtual,
    /// The host does not say.
    #[default]
    Unknown,
}

/// Speeds at which copper links to itself, Mb/s, in the order in which they are tried.
pub const FALLBACK_MBPS: [u32; 2] = [100, 10];

/// How long a run waits for the link at each speed that it tries. Copper takes up to about four seconds to negotiate
/// (common practice, no source).
pub const LINK_PATIENCE: Duration = Duration::from_secs(5);

impl Medium {
    /// Cautions for whoever fits a plug to it.
    pub fn cautions(self) -> Vec<Caution> {
        match self {
            Self::Copper => vec![Caution::PowerOverEthernet],
            Self::Fibre => vec![Caution::LaserLight, Caution::ReceiverOverload],
            Self::DirectAttach | Self::Virtual | Self::Unknown => Vec::new(),
        }
    }
}

/// A port's link as the host reports it.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct LinkState {
    /// Carrier is there.
    pub up: bool,
    /// Speed in Mb/s, where known.
    pub speed_mbps: Option<u32>,
    /// Full duplex, where known.
    pub full_duplex: Option<bool>,
    /// Speed and duplex are negotiated with the far side.
    pub autonegotiation: Option<bool>,
    /// The far side has announced what it can do; a plain plug echoes the port's own announcement.
    pub partner_advertises: Option<bool>,
    /// Gigabit copper could not settle which side is master: what a port that hears itself shows.
    pub master_slave_fault: bool,
    /// What carries the bits.
    pub medium: Medium,
    /// How often carrier came or went since the host started, where counted.
    pub carrier_changes: Option<u64>,
}

impl LinkState {
    /// Whether frames go over pairs 2 and 3 of a copper cable only, with the loop at `placement`: 10 and 100 Mb/s use
    /// no others, see [`Pair::carries_100`](super::cable_test::Pair::carries_100), and the loop inside the chip none.
    pub fn uses_two_pairs(&self, placement: Placement) -> bool {
        placement != Placement::Internal
            && self.medium == Medium::Copper
            && self.speed_mbps.is_some_and(|mbps| mbps <= 100)
    }
}

/// What a kind of port, and this one of its kind, can do and show.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct Capabilities {
    /// The adapter checks a frame check sequence and counts what fails it.
    pub checks_frames: bool,
    /// The adapter can be told to deliver frames that failed the check.
    pub delivers_bad_frames: bool,
    /// The adapter hands on the frame check sequence behind every frame, as it was told to before the run.
    #[serde(default)]
    pub delivers_check: bool,
    /// The adapter has a loop of its own.
    pub internal_loop: bool,
    /// Speed can be forced.
    pub forces_speed: bool,
    /// Highest speed the port offers, Mb/s.
    pub speed_max_mbps: Option<u32>,
    /// The plug can be moved without a person: a simulated rig.
    pub moves_plug: bool,
    /// A line with a speed, so that a share of line rate means something.
    pub has_line_rate: bool,
    /// Longest frame without FCS that the port takes, bytes.
    pub frame_bytes_max: usize,
}

impl Capabilities {
    /// Whether a run tries the slower [`FALLBACK_MBPS`] where no link comes up: copper does not link to itself at its
    /// own speed, and only a plug makes it try.
    pub fn falls_back(&self, medium: Medium, placement: Placement) -> bool {
        let looped = !matches!(placement, Placement::Internal | Placement::ReturnPort);
        looped && medium == Medium::Copper && self.forces_speed
    }

    /// How long a run waits at most until it knows that there is no link.
    pub fn link_patience(&self, medium: Medium, placement: Placement) -> Duration {
        let slower = if self.falls_back(medium, placement) { FALLBACK_MBPS.len() as u32 } else { 0 };
        LINK_PATIENCE * (1 + slower)
    }
}

/// Setting of a port that a run may change and must restore.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum PortSetting {
    /// Force this speed in Mb/s, full duplex, without negotiation.
    ForcedSpeed(u32),
    /// Turn the loop inside the chip on or off.
    InternalLoop(bool),
    /// Deliver frames that failed the frame check.
    DeliverBadFrames(bool),
    /// Hand on the frame check sequence behind every frame.
    DeliverCheck(bool),
    /// Administrative state.
    Up(bool),
}

impl fmt::Display for PortSetting {
    /// Writes what was set, and to what, in words.
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let (what, on) = match self {
            Self::ForcedSpeed(mbps) => return write!(f, "speed forced to {mbps} Mb/s full duplex"),
            Self::InternalLoop(on) => ("loop inside the chip", on),
            Self::DeliverBadFrames(on) => ("delivery of damaged frames", on),
            Self::DeliverCheck(on) => ("delivery of the frame check", on),
            Self::Up(on) => ("port switched", on),
        };
        write!(f, "{what} {}", if *on { "on" } else { "off" })
    }
}
