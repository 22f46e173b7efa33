//! How long a run on a serial port takes: as estimated before it sends, and at the very most.

use std::time::Duration;

use turnback_core::{base::time::Nanos, plan::line::Extent};

use super::{SerialRun, sweep};

impl SerialRun<'_, '_> {
    pub(super) fn extent(&self) -> Extent {
        let paced = self.kind.line.capabilities().paced;
        self.options.profile.line_extent(self.kind.format, paced, self.options.line.time)
    }

    /// Whether other speeds and formats are tried.
    pub(super) fn sweeps(&self) -> bool {
        self.options.profile.sweeps_line()
    }

    /// Seconds that the whole run takes, about, where that can be said.
    pub(super) fn estimated_seconds(&self) -> Option<f64> {
        self.options.profile.line_seconds(self.kind.format, &self.kind.line.capabilities(), self.options.line.time)
    }

    /// Seconds that the data steps send, about, where bytes take their time; the most for a proof.
    pub(super) fn data_seconds(&self) -> f64 {
        let paced = self.kind.line.capabilities().paced;
        self.options.profile.line_data_seconds(self.kind.format, paced, self.options.line.time)
    }

    /// When the run ends though it is not done, on the port's clock: after its plan, with every step at its own limit,
    /// and [`ALLOWANCE`].
    pub(super) fn ceiling(&self) -> Nanos {
        let profile = &self.options.profile;
        let can = self.kind.line.capabilities();
        let before = Duration::from_secs_f64(profile.line_seconds_before_data(self.kind.format, &can)) + profile.listen;
        let sweep = if self.sweeps() { sweep::longest_ns(self.kind.format, can.paced) } else { 0 };
        let planned = (before + ALLOWANCE).as_nanos() as u64;
        self.origin.saturating_add(planned).saturating_add(self.extent().at_most).saturating_add(sweep)
    }
}

/// How much longer than its plan a run may take.
///
/// Chosen by ourselves, so that no bad line reaches it. A line that falls silent costs eight seconds of patience each
/// time, and a run waits so at most five times before it judges: once among the first blocks, once with flow control,
/// twice among the turnarounds, once after the data. That is 40 seconds; a computer without time may add twenty.
pub(super) const ALLOWANCE: Duration = Duration::from_secs(60);
