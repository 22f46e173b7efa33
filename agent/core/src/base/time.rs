//! Time as the core sees it: nanoseconds on the port's own clock, always handed in, never read.
//!
//! A real port counts from the system's time at the program's start by a clock that nobody can set, a simulated one
//! from the start of its virtual world. Only differences mean anything.

use serde::{Deserialize, Serialize};

/// A moment, in nanoseconds on the port's clock.
pub type Nanos = u64;

/// Nanoseconds in one second.
pub const SECOND_NS: u64 = 1_000_000_000;

/// Which clock stamped a probe or its echo. A latency is only as fine as the coarser of its two stamps.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Hash, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum ClockSource {
    /// The program read the clock just before the system call.
    #[default]
    Program,
    /// The kernel stamped the frame on its way to or from the driver.
    Kernel,
    /// The adapter stamped the frame at its line side.
    Adapter,
    /// The simulated world's clock: exact, and not a measurement.
    Virtual,
}

impl ClockSource {
    /// The word used in reports.
    pub fn name(self) -> &'static str {
        match self {
            Self::Program => "program",
            Self::Kernel => "kernel",
            Self::Adapter => "adapter",
            Self::Virtual => "virtual",
        }
    }
}

/// The two clocks a latency was taken between, as `sent/received` or one word where they are the same.
pub fn clock_pair(sent: ClockSource, received: ClockSource) -> String {
    if sent == received { sent.name().to_owned() } else { format!("{}/{}", sent.name(), received.name()) }
}
