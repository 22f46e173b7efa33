//! The description of a rig, as TOML: every field has a default, an unknown one is refused.
//!
//! ```toml
//! name = "quay-cabinet-4"
//! placement = "far-end"
//!
//! [[segments]]
//! label = "cabinet-riser"
//! length_m = 40
//!
//! [[faults]]
//! place = "segment:cabinet-riser"
//! kind = { bit-errors = { ratio = 1e-7 } }
//! from_s = 2
//! ```

use serde::{Deserialize, Serialize};

use crate::base::placement::Placement;
use crate::kind::ethernet::link::Medium;
use crate::kind::ethernet::probe::Address;
use crate::sim::cable::Segment;
use crate::sim::file::{self, RigError, Wrong};
use crate::sim::value::{FaultPlace, Ratio, Seconds};

/// What a line adds to latency: light in glass and signals on twisted pair both need about this long (common practice,
/// no source).
pub const LINE_NS_PER_M: f64 = 5.0;

/// A simulated port with its cable, plug and host.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub struct Rig {
    /// Short name.
    pub name: String,
    /// One line on what the rig shows.
    pub about: String,
    /// Seed to use when the caller has none of its own.
    pub seed: u32,
    /// Where the plug is at first: `internal`, `at-port` or `far-end`.
    pub placement: Placement,
    /// The port under test.
    pub port: RigPort,
    /// What is at the end of the line.
    pub plug: Plug,
    /// The machine that the port is in.
    pub host: Host,
    /// The network that takes the place of the plug when `plug.kind` is `network`.
    pub network: Network,
    /// The cable, from the port to the far end.
    pub segments: Vec<Segment>,
    /// What is wrong.
    pub faults: Vec<FaultSpec>,
}

impl Default for Rig {
    fn default() -> Self {
        Self {
            name: "unnamed".to_owned(),
            about: String::new(),
            seed: 1,
            placement: Placement::AtPort,
            port: RigPort::default(),
            plug: Plug::default(),
            host: Host::default(),
            network: Network::default(),
            segments: Vec::new(),
            faults: Vec::new(),
        }
    }
}

/// The port and its adapter.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub struct RigPort {
    /// `copper` or `fibre`.
    pub medium: Medium,
    /// Highest speed, Mb/s: what negotiation with itself arrives at.
    pub speed_max_mbps: u32,
    /// Speed is negotiated until it is forced.
    pub autonegotiation: bool,
    /// Speeds at which the port can link to itself, Mb/s; empty means all up to the highest.
    pub links_to_itself_at_mbps: Vec<u32>,
    /// The adapter checks the frame check sequence.
    pub checks_frames: bool,
    /// The adapter can be told to deliver frames that failed the check.
    pub delivers_bad_frames: bool,
    /// The adapter has a loop of its own.
    pub internal_loop: bool,
    /// The transceiver can measure the pairs of a copper cable.
    pub cable_test: bool,
    /// Frames that wait for a slow host before one is lost.
    pub receive_ring_frames: u32,
    /// Frames that wait for the line before the port says that it is full.
    pub transmit_queue_frames: u32,
    /// Longest frame without FCS, bytes.
    pub frame_bytes_max: u32,
    /// The port's own address.
    pub address: Address,
    /// Time that transmitter and receiver need together, ns.
    pub latency_ns: u32,
}

impl Default for RigPort {
    fn default() -> Self {
        Self {
            medium: Medium::Copper,
            speed_max_mbps: 1000,
            autonegotiation: true,
            links_to_itself_at_mbps: Vec::new(),
            checks_frames: true,
            delivers_bad_frames: true,
            internal_loop: true,
            cable_test: false,
            receive_ring_frames: 4096,
            transmit_queue_frames: 512,
            frame_bytes_max: 9014,
            address: [0x02, 0x51, 0x0a, 0x79, 0x00, 0x01],
            latency_ns: 700,
        }
    }
}

/// What is at the end of the line.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub struct Plug {
    /// Something is fitted.
    pub fitted: bool,
    /// What is fitted.
    pub kind: PlugKind,
}

impl Default for Plug {
    fn default() -> Self {
        Self { fitted: true, kind: PlugKind::Plug }
    }
}

/// What can be fitted at the end of the line.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum PlugKind {
    /// A plug that turns the signal back.
    Plug,
    /// A plug whose wires do not turn anything back.
    Open,
    /// A live network: it takes our frames and sends its own.
    Network,
}

/// The machine around the port.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub struct Host {
    /// Frames it can take in each second; 0 means any number.
    pub frames_per_second_max: u32,
    /// Where a frame is counted that the host lost.
    pub loses_in: HostLoss,
}

/// The counter that shows a frame lost in the host.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum HostLoss {
    /// The receive ring between kernel and program.
    #[default]
    Ring,
    /// The adapter, which found no buffer.
    Adapter,
}

/// A live network.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub struct Network {
    /// Frames it sends each second, on average.
    pub frames_per_second: u32,
}

impl Default for Network {
    fn default() -> Self {
        Self { frames_per_second: 20 }
    }
}

/// One thing that is wrong.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct FaultSpec {
    /// Where; a frame meets the fault once each time it passes there.
    pub place: FaultPlace,
    /// What.
    pub kind: FaultKind,
    /// When it begins, on the world's clock.
    #[serde(default)]
    pub from_s: Seconds,
    /// When it ends; never if left out.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub until_s: Option<Seconds>,
    /// It comes back each time this much has passed since `from_s`; once only if left out.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub every_s: Option<Seconds>,
    /// It shows only while somebody moves the cable.
    #[serde(default, skip_serializing_if = "std::ops::Not::not")]
    pub when_moved: bool,
    /// It is on this pair of a copper cable alone, 1 to 4: away at speeds that do not use it.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub pair: Option<u8>,
    /// It is gone once the plug has been seated this often again: a contact that seating cleans.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub cured_by_seatings: Option<u32>,
}

impl FaultSpec {
    /// A fault that is there from the beginning to the end.
    pub fn always(place: FaultPlace, kind: FaultKind) -> Self {
        Self {
            place,
            kind,
            from_s: Seconds(0.0),
            until_s: None,
            every_s: None,
            when_moved: false,
            pair: None,
            cured_by_seatings: None,
        }
    }
}

/// Kinds of fault.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case", deny_unknown_fields)]
pub enum FaultKind {
    /// Each bit of frame and FCS is inverted with probability `ratio`, independently.
    BitErrors {
        /// Per bit.
        ratio: Ratio,
    },
    /// Two-state line (Gilbert and Elliott): it stays in either state for an exponentially distributed time.
    Bursts {
        /// Bit error ratio in the good state.
        good_ratio: Ratio,
        /// Bit error ratio in the bad state.
        bad_ratio: Ratio,
        /// Mean stay in the good state.
        mean_good_s: Seconds,
        /// Mean stay in the bad state.
        mean_bad_s: Seconds,
    },
    /// Frames vanish.
    Drop {
        /// Per frame.
        ratio: Ratio,
    },
    /// Frames arrive twice.
    Duplicate {
        /// Per frame.
        ratio: Ratio,
    },
    /// Frames change places with the next one.
    Swap {
        /// Per frame.
        ratio: Ratio,
    },
    /// Frames lose their end.
    Truncate {
        /// Per frame.
        ratio: Ratio,
    },
    /// One bit of every octet stays at one level.
    StuckBit {
        /// Bit in the octet, 0 is the least significant.
        bit: u8,
        /// Level, 0 or 1.
        level: u8,
    },
    /// One octet of the payload is changed after the frame check: bad memory or a bad bus. FaultPlace `host` only.
    Memory {
        /// Per frame.
        ratio: Ratio,
    },
    /// The link goes down for the last `down_s` of every `every_s`.
    Flap {
        /// Period.
        every_s: Seconds,
        /// Time down in each period.
        down_s: Seconds,
    },
    /// One pair of a copper cable does not conduct. Pairs 2 and 3 carry 10 and 100 Mb/s, all four carry 1000 Mb/s and
    /// more.
    PairOpen {
        /// 1 to 4, by the usual colours blue, orange, green, brown.
        pair: u8,
    },
    /// Nothing goes out. Before the line the adapter takes frames and keeps them; on the line there is no link.
    NoTransmit,
    /// Nothing comes in. Before the line frames vanish; on the line there is no link.
    NoReceive,
    /// Frames arrive late, in order.
    Delay {
        /// Always, ns.
        ns: u32,
        /// At most this much more, evenly distributed, ns.
        #[serde(default)]
        jitter_ns: u32,
    },
}

impl FaultKind {
    /// The word used in rigs.
    pub fn name(&self) -> &'static str {
        match self {
            Self::BitErrors { .. } => "bit-errors",
            Self::Bursts { .. } => "bursts",
            Self::Drop { .. } => "drop",
            Self::Duplicate { .. } => "duplicate",
            Self::Swap { .. } => "swap",
            Self::Truncate { .. } => "truncate",
            Self::StuckBit { .. } => "stuck-bit",
            Self::Memory { .. } => "memory",
            Self::Flap { .. } => "flap",
            Self::PairOpen { .. } => "pair-open",
            Self::NoTransmit => "no-transmit",
            Self::NoReceive => "no-receive",
            Self::Delay { .. } => "delay",
        }
    }
}

impl Rig {
    /// Reads a rig.
    ///
    /// # Errors
    /// What is not TOML, an unknown name, or a value outside its range, with the line.
    pub fn parse(text: &str) -> Result<Self, RigError> {
        file::read(text, Self::validate)
    }

    /// The rig as TOML; [`Rig::parse`] reads it back.
    pub fn to_toml(&self) -> String {
        file::write(self)
    }

    /// Checks what one value alone cannot show; an error is the text to look for in the file and what is wrong.
    fn validate(&self) -> Result<(), Wrong> {
        file::check_placement(self.placement)?;
        let port = &self.port;
        if !matches!(port.medium, Medium::Copper | Medium::Fibre) {
            return Err(("medium".to_owned(), "medium must be one of copper, fibre".to_owned()));
        }
        file::check_ranges(&[
            ("speed_max_mbps", port.speed_max_mbps, 1..=800_000),
            ("receive_ring_frames", port.receive_ring_frames, 1..=1 << 20),
            ("transmit_queue_frames", port.transmit_queue_frames, 1..=1 << 20),
            ("frame_bytes_max", port.frame_bytes_max, 60..=65_535),
            ("frames_per_second_max", self.host.frames_per_second_max, 0..=1_000_000_000),
            ("frames_per_second", self.network.frames_per_second, 0..=1_000_000),
        ])?;
        self.faults.iter().try_for_each(|fault| self.validate_fault(fault))
    }

    fn validate_fault(&self, fault: &FaultSpec) -> Result<(), Wrong> {
        let name = fault.kind.name();
        let refuse = |about: &str, wrong: &str| Err((about.to_owned(), format!("{name}: {wrong}")));
        file::check_segment(name, &fault.place, &self.segments)?;
        if let Some(every) = fault.every_s {
            let Some(until) = fault.until_s else { return refuse("every_s", "every_s needs until_s") };
            if until <= fault.from_s || until.ns() - fault.from_s.ns() >= every.ns() {
                return refuse("every_s", "every_s must be above until_s less from_s, and that above 0");
            }
        }
        if let Some(pair) = fault.pair {
            if !(1..=4).contains(&pair) {
                return refuse("pair", "pair must be 1 to 4");
            }
            if !fault.place.is_line() {
                return refuse("pair", "with pair, place must be one of port-line, segment:LABEL, plug, other-plug");
            }
        }
        match fault.kind {
            FaultKind::PairOpen { pair } if !(1..=4).contains(&pair) => refuse(name, "pair must be 1 to 4"),
            FaultKind::PairOpen { .. } if !fault.place.is_line() => {
                refuse(name, "place must be one of port-line, segment:LABEL, plug, other-plug")
            }
            FaultKind::StuckBit { bit, level } if bit > 7 || level > 1 => {
                refuse(name, "bit must be 0 to 7 and level 0 or 1")
            }
            FaultKind::Memory { .. } if fault.place != FaultPlace::Host => refuse(name, "place must be host"),
            FaultKind::Flap { .. } if matches!(fault.place, FaultPlace::Host | FaultPlace::PortHost) => {
                refuse(name, "place must be one of port-line, segment:LABEL, plug, other-plug")
            }
            FaultKind::Flap { every_s, down_s } if down_s.ns() == 0 || down_s.ns() >= every_s.ns() => {
                refuse(name, "down_s must be above 0 and below every_s")
            }
            FaultKind::Bursts { mean_good_s, mean_bad_s, .. } if mean_good_s.ns() == 0 || mean_bad_s.ns() == 0 => {
                refuse(name, "mean_good_s and mean_bad_s must be above 0")
            }
            _ => Ok(()),
        }
    }
}
