//! What a measurement of bytes brings.

use turnback_core::{
    base::placement::Placement,
    document::run::Turnaround,
    judge::facts::{FirstProbes, Stopped},
    kind::serial::{
        facts::{FlowCheck, FormatTrial, ModemReading},
        format::LineErrors,
        plug::LinePlug,
        stream::{LineCounts, LineTally},
    },
    stats::latency::LatencyHistogram,
};

use crate::engine::run::Measured;

/// One measurement of bytes: the run's own, or a short trial from another place.
#[derive(Clone, Debug, Default)]
pub(in crate::engine) struct SerialMeasured {
    /// Where the signal was turned back.
    pub placement: Placement,
    /// What turned it back.
    pub plug: LinePlug,
    /// Counts of everything that is judged.
    pub tally: LineTally,
    /// Line errors meanwhile, where counted.
    pub errors: Option<LineErrors>,
    /// Bytes heard before anything was sent.
    pub foreign: u64,
    /// First single blocks.
    pub first_probes: FirstProbes,
    /// Modem lines, over all states of the outputs.
    pub modem: Vec<ModemReading>,
    /// Hardware flow control, where tried.
    pub flow: Option<FlowCheck>,
    /// Whether a break came round, where tried.
    pub break_returned: Option<bool>,
    /// Other speeds.
    pub speeds: Vec<FormatTrial>,
    /// Other formats.
    pub formats: Vec<FormatTrial>,
    /// Round trips by number of bytes.
    pub turnaround: Vec<Turnaround>,
    /// Round trips of single bytes.
    pub single_byte_trips: LatencyHistogram,
    /// Times fewer bytes were let out at once because this computer lost some.
    pub slowdowns: u32,
    /// Counts since fewer were let out for the last time.
    pub since_slowed: LineCounts,
    /// Bytes this computer lost, by its own counts, with as few out at once as there can be.
    pub lost_at_slowest: u64,
    /// Characters a second that came back while sending.
    pub characters_per_second: Option<f64>,
    /// Why it ended early.
    pub stopped: Option<Stopped>,
}

impl Measured for SerialMeasured {
    fn stopped(&self) -> Option<Stopped> {
        self.stopped
    }

    fn stop(&mut self, why: Stopped) {
        self.stopped.get_or_insert(why);
    }
}
