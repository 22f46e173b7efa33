//! What a measurement of bytes brings.

use turnback_core::{
    base::{placement::Placement, time::Nanos},
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

use super::exchange::{Exchanged, Silence};
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
    /// When the last byte came that could be recognised, on the port's clock.
    pub(super) known_at: Option<Nanos>,
    /// From when on nothing that was sent came back.
    pub(super) silence: Option<Silence>,
    /// Why it ended early.
    pub stopped: Option<Stopped>,
}

impl SerialMeasured {
    /// Notes whether the line fell silent in this exchange for good, as far as is known so far.
    pub(super) fn note_silence(&mut self, exchanged: &Exchanged) {
        match (exchanged.silence, self.silence) {
            (Some(now), Some(before)) if now.since.is_none() => {
                self.silence = Some(Silence { noise: before.noise + now.noise, ..before });
            }
            (Some(now), _) => {
                // A line that never gave anything back did not fall silent.
                let since = now.since.or(self.known_at);
                self.silence = since.map(|at| Silence { since: Some(at), ..now });
            }
            (None, _) if exchanged.known_at.is_some() => self.silence = None,
            (None, _) => {}
        }
        self.known_at = exchanged.known_at.or(self.known_at);
    }
}

impl Measured for SerialMeasured {
    fn stopped(&self) -> Option<Stopped> {
        self.stopped
    }

    fn stop(&mut self, why: Stopped) {
        self.stopped.get_or_insert(why);
    }
}
