//! The description of a serial rig, as TOML: every field has a default, an unknown one is refused. The table `[uart]`
//! tells it from a rig of frames.
//!
//! ```toml
//! name = "weigh-bridge"
//! format = "9600,8N1"
//!
//! [uart]
//! fifo_bytes = 16
//!
//! [plug]
//! wiring = "full"
//!
//! [[faults]]
//! place = "port-line"
//! kind = { stuck-line = { line = "cts", asserted = true } }
//! ```

use serde::{Deserialize, Serialize};

use crate::base::placement::Placement;
use crate::kind::serial::format::{LineFormat, LineFormatError};
use crate::kind::serial::plug::{LineDriver, LinePlug, ModemLine};
use crate::sim::cable::Segment;
use crate::sim::file::{self, RigError, Wrong};
use crate::sim::value::{FaultPlace, Ratio, Seconds};

/// A simulated serial port with its cable, plug and host.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub struct SerialRig {
    /// Short name.
    pub name: String,
    /// One line that says what the rig shows.
    pub about: String,
    /// Seed to use when the caller has none of its own.
    pub seed: u32,
    /// Where the plug is at first: `internal`, `at-port` or `far-end`.
    pub placement: Placement,
    /// The format that whoever uses this line has set, such as `9600,8N1`: what a check without a format of its own
    /// takes.
    pub format: FormatText,
    /// The chip and its driver.
    pub uart: Uart,
    /// What is fitted.
    pub plug: SerialPlug,
    /// The machine that the port is in.
    pub host: SerialHost,
    /// The cable, from the port to the far end.
    pub segments: Vec<Segment>,
    /// What is wrong.
    pub faults: Vec<SerialFault>,
}

impl Default for SerialRig {
    fn default() -> Self {
        Self {
            name: "unnamed".to_owned(),
            about: String::new(),
            seed: 1,
            placement: Placement::AtPort,
            format: FormatText::default(),
            uart: Uart::default(),
            plug: SerialPlug::default(),
            host: SerialHost::default(),
            segments: Vec::new(),
            faults: Vec::new(),
        }
    }
}

/// A line format as it is written.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(try_from = "String", into = "String")]
pub struct FormatText(pub LineFormat);

impl TryFrom<String> for FormatText {
    type Error = LineFormatError;

    fn try_from(text: String) -> Result<Self, Self::Error> {
        text.parse().map(Self)
    }
}

impl From<FormatText> for String {
    fn from(format: FormatText) -> Self {
        format.0.to_string()
    }
}

/// The chip and its driver.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub struct Uart {
    /// Clock from which speeds are divided, Hz: `clock / (16 * divisor)`.
    pub clock_hz: u32,
    /// Characters that wait in the chip for a slow host before one is lost.
    pub fifo_bytes: u32,
    /// Bytes that wait between driver and program, each way.
    pub buffer_bytes: u32,
    /// RTS, DTR, CTS, DSR, DCD, RI.
    pub modem_lines: bool,
    /// The driver counts line errors.
    pub counts_errors: bool,
    /// The driver marks bytes that came in with an error.
    pub marks_errors: bool,
    /// The chip has a loop of its own.
    pub internal_loop: bool,
    /// It can send and receive by turns on one pair.
    pub half_duplex: bool,
    /// Time the driver gathers bytes before the program gets them, us; 0: no such setting.
    pub latency_us: u32,
}

impl Default for Uart {
    fn default() -> Self {
        Self {
            // Four times the first PC's 1,843,200 Hz, so that 460800 is a speed of its own: 7,372,800 / 16 (computed).
            clock_hz: 7_372_800,
            fifo_bytes: 16,
            buffer_bytes: 4096,
            modem_lines: true,
            counts_errors: true,
            marks_errors: true,
            internal_loop: true,
            half_duplex: false,
            latency_us: 1000,
        }
    }
}

/// What is fitted at the end of the line.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub struct SerialPlug {
    /// Something is fitted.
    pub fitted: bool,
    /// What it really joins.
    pub wiring: Joins,
    /// What the person says it is; a word of `--wiring`.
    pub said_to_be: String,
    /// Bytes a second that a console in place of the plug sends; 0: a plug.
    pub console_bytes_per_second: u32,
}

impl Default for SerialPlug {
    fn default() -> Self {
        Self { fitted: true, wiring: Joins::Full, said_to_be: "de9".to_owned(), console_bytes_per_second: 0 }
    }
}

/// What a plug joins.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Joins {
    /// Transmit and receive data.
    DataOnly,
    /// Those, RTS with CTS, DTR with DSR and DCD.
    Full,
    /// Those, and RTS with RI.
    FullRi,
}

/// The machine around the port.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub struct SerialHost {
    /// How long it does not fetch from the chip when it is busy with something else, s; 0: it always does.
    pub stall_s: Seconds,
    /// Mean time from one such stall to the next, s.
    pub every_s: Seconds,
}

/// One thing that is wrong.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct SerialFault {
    /// Where; a character meets the fault once each time it passes there. `host` is not a place on a line.
    pub place: FaultPlace,
    /// What.
    pub kind: SerialFaultKind,
    /// When it begins, on the world's clock.
    #[serde(default)]
    pub from_s: Seconds,
    /// When it ends; never if left out.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub until_s: Option<Seconds>,
}

/// Kinds of fault.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case", deny_unknown_fields)]
pub enum SerialFaultKind {
    /// Each bit of a character, start, parity and stop bit too, is inverted with probability `ratio`.
    BitErrors {
        /// Per bit.
        ratio: Ratio,
    },
    /// Parity bits are inverted.
    ParityErrors {
        /// Per character.
        ratio: Ratio,
    },
    /// Characters vanish.
    Drop {
        /// Per character.
        ratio: Ratio,
    },
    /// Characters appear.
    Insert {
        /// Per character.
        ratio: Ratio,
    },
    /// The levels of the line are exchanged, start and stop bits and rest too, as behind a converter with its two wires
    /// swapped. Twice over, as through a segment out and back, they are right again.
    Inverted,
    /// Nothing goes over.
    Dead,
    /// A modem line reads one level whatever drives it.
    StuckLine {
        /// The line.
        line: ModemLine,
        /// The level.
        asserted: bool,
    },
    /// An output drives nothing.
    OpenOutput {
        /// `rts` or `dtr`: the spare outputs drive nothing outside the chip anyway.
        output: LineDriver,
    },
    /// Two inputs have changed places.
    Crossed {
        /// One.
        first: ModemLine,
        /// The other.
        second: ModemLine,
    },
}

impl SerialFaultKind {
    /// The word used in rigs.
    pub fn name(&self) -> &'static str {
        match self {
            Self::BitErrors { .. } => "bit-errors",
            Self::ParityErrors { .. } => "parity-errors",
            Self::Drop { .. } => "drop",
            Self::Insert { .. } => "insert",
            Self::Inverted => "inverted",
            Self::Dead => "dead",
            Self::StuckLine { .. } => "stuck-line",
            Self::OpenOutput { .. } => "open-output",
            Self::Crossed { .. } => "crossed",
        }
    }
}

impl SerialRig {
    /// Reads a rig.
    ///
    /// # Errors
    /// What is not TOML, an unknown name, or a value outside its range, with the line.
    pub fn parse(text: &str) -> Result<Self, RigError> {
        file::read(text, Self::validate)
    }

    /// The rig as TOML; [`SerialRig::parse`] reads it back.
    pub fn to_toml(&self) -> String {
        file::write(self)
    }

    fn validate(&self) -> Result<(), Wrong> {
        let refuse = |about: &str, wrong: String| Err((about.to_owned(), wrong));
        file::check_placement(self.placement)?;
        file::check_ranges(&[
            ("clock_hz", self.uart.clock_hz, 16..=1_000_000_000),
            ("fifo_bytes", self.uart.fifo_bytes, 1..=4096),
            ("buffer_bytes", self.uart.buffer_bytes, 64..=1 << 20),
            ("latency_us", self.uart.latency_us, 0..=1_000_000),
            ("console_bytes_per_second", self.plug.console_bytes_per_second, 0..=100_000),
        ])?;
        if let Err(error) = self.plug.said_to_be.parse::<LinePlug>() {
            return refuse("said_to_be", error.to_string());
        }
        if self.host.stall_s.ns() > 0 && self.host.every_s.ns() == 0 {
            return refuse("stall_s", "every_s must be above 0 where the host stalls".to_owned());
        }
        for fault in &self.faults {
            let name = fault.kind.name();
            file::check_segment(name, &fault.place, &self.segments)?;
            if fault.place == FaultPlace::Host {
                return refuse(name, format!("{name}: place must be on the line or in the port"));
            }
            if matches!(fault.kind, SerialFaultKind::OpenOutput { output: LineDriver::Out1 | LineDriver::Out2 }) {
                return refuse(name, format!("{name}: output must be rts or dtr"));
            }
        }
        Ok(())
    }
}
