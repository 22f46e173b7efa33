//! Facts that a run of any kind of port has.

use serde::{Deserialize, Serialize};

use crate::base::placement::Placement;

/// How the first single probes fared, before the throttle was opened.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct Handful {
    /// Sent.
    pub sent: u64,
    /// Came back.
    pub returned: u64,
}

/// Why a run ended before its plan did.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Stopped {
    /// The person ended it.
    ByUser,
    /// Foreign frames came in.
    ForeignTraffic,
    /// The link went down and stayed down.
    LinkLost,
    /// The port vanished.
    PortGone,
    /// The port was taken into service.
    TakenIntoService,
    /// Somebody on this computer switched the port off, or gave it another MTU or address.
    Reconfigured,
}

/// Fewer failures than this blame nobody, whatever the ratio: one hit can be a door slammed, a spark, a cosmic ray.
/// Our own choice; the rate then decides in a longer run.
pub const ERRORS_MIN: u64 = 3;

/// A run of the same port with the plug elsewhere: an earlier one, or a confirming step of this one.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Reference {
    /// Where the plug was.
    pub placement: Placement,
    /// Bits or frames (as `frame_bits` says) that had a chance to fail.
    pub trials: u64,
    /// Of those, failed.
    pub failures: u64,
    /// The link came up.
    pub link_up: bool,
    /// At least one probe came back.
    pub returned_any: bool,
}

impl Reference {
    /// Nothing came back, or more came back wrong than one hit from outside can explain.
    pub fn failed(&self) -> bool {
        !self.link_up || !self.returned_any || self.failures >= ERRORS_MIN
    }

    /// Everything came back as sent. With a few failures a reference has neither failed nor passed.
    pub fn passed(&self) -> bool {
        self.link_up && self.returned_any && self.failures == 0 && self.trials > 0
    }
}

/// What a pass has to prove.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Limit {
    /// Bit error ratio a good line stays below.
    pub bit_error_ratio: f64,
    /// How sure a pass must be.
    pub confidence: f64,
}

/// What an error ratio counts.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Basis {
    /// Wrong bits among bits compared.
    Bits,
    /// Failed frames among frames, turned into bits: the adapter drops what fails its check, so single bits are not seen.
    Frames,
}
