//! Carries out one step of a check of frames: [`threads`] on a real port, [`lockstep`] on a simulated one.

pub mod lockstep;
pub mod threads;

use std::time::Duration;

use turnback_core::{
    base::time::{ClockSource, Nanos},
    judge::facts::Stopped,
    kind::ethernet::{
        probe::{Address, Header},
        stream::{StreamSpec, tally::Tally},
    },
    signal::seconds,
};

use crate::ports::error::PortError;

/// One step to carry out.
#[derive(Clone, Debug)]
pub struct StepOrder {
    /// What is sent; sequence and addresses are the runner's to fill in.
    pub spec: StreamSpec,
    /// How much.
    pub amount: StepAmount,
    /// Probes a second; none: as fast as the port accepts.
    pub probes_per_second: Option<f64>,
    /// How long to wait for late echoes.
    pub settle: Duration,
    /// Start of the run, from which seconds are counted.
    pub origin: Nanos,
}

/// How much a step sends.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum StepAmount {
    /// This many probes, each alone: the next leaves when the last is back.
    Single(u32),
    /// Probes in full flow for this long.
    Flow(Duration),
}

/// What a step brought.
#[derive(Clone, Debug, Default)]
pub struct StepResult {
    /// Counts.
    pub tally: Tally,
    /// Time spent sending, seconds.
    pub seconds: f64,
    /// Frames the receiving socket dropped.
    pub ring_drops: u64,
    /// Frames of other stations.
    pub foreign: u64,
    /// This host's own frames that came back.
    pub own_host: u64,
    /// Why the step ended early.
    pub stopped: Option<Stopped>,
    /// Times the link dropped and came back.
    pub link_flaps: u64,
    /// Clocks of departures and arrivals.
    pub clocks: (ClockSource, ClockSource),
}

/// What a watcher is shown while a step runs.
#[derive(Clone, Copy, Debug, Default)]
pub struct Glimpse {
    /// Now, on the port's clock.
    pub now: Nanos,
    /// Probes sent in this step.
    pub sent: u64,
    /// Of those, back.
    pub returned: u64,
    /// Bits compared.
    pub bits_compared: u64,
    /// Wrong bits.
    pub bit_errors: u64,
    /// Foreign frames.
    pub foreign: u64,
    /// Whether the link is up, where the runner knows without asking the port.
    pub link_up: Option<bool>,
}

/// Carries out steps on one way out and back.
pub trait StepRunner: Send {
    /// `out-and-back`, or from which port to which.
    fn direction(&self) -> String;
    /// Listens without sending and counts the frames that arrive: those of other stations, and this host's own.
    ///
    /// # Errors
    /// When the port fails.
    fn listen(&mut self, time: Duration) -> Result<(u64, u64), PortError>;
    /// Reads on for `time`, or until `most` have come: how many intact probes of the run `tag` came in after they had
    /// been given up.
    ///
    /// # Errors
    /// When the port fails.
    fn late(&mut self, tag: u64, most: u64, time: Duration) -> Result<u64, PortError>;
    /// Carries out a step. `watch` is called a few times a second and says why to stop, if so.
    ///
    /// # Errors
    /// When the port cannot be driven at all; what goes wrong on the line is in the result.
    fn run(
        &mut self,
        order: StepOrder,
        watch: &mut dyn FnMut(Glimpse) -> Option<Stopped>,
    ) -> Result<StepResult, PortError>;
}

/// Whether these are the bytes of an intact probe of this run.
pub(super) fn is_probe_of(bytes: &[u8], tag: u64) -> bool {
    Header::new_checked(bytes).is_ok_and(|header| header.tag() == tag)
}

/// Adds `count` probes sent at `now` to the second of the run they belong to.
pub(super) fn count_sent(by_second: &mut Vec<u64>, now: Nanos, origin: Nanos, count: u64) {
    let index = seconds::index_of(now, origin);
    if by_second.len() <= index {
        by_second.resize(index + 1, 0);
    }
    by_second[index] += count;
}

/// Counts a frame that is no echo: this host's own, come back through the loop, or another station's.
pub(super) fn count_stranger(bytes: &[u8], own: &[Address], foreign: &mut u64, own_host: &mut u64) {
    if bytes.len() >= 12 && own.iter().any(|a| bytes[6..12] == a[..]) { *own_host += 1 } else { *foreign += 1 }
}
