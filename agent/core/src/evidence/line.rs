//! All facts of a run on a serial port.

use serde::{Deserialize, Serialize};

use super::{Handful, Limit, Reference, Stopped};
use crate::compare::DamageKind;
use crate::line::{LineCapabilities, LineErrors, LineFormat, ModemInputs, ModemOutputs};
use crate::link::Placement;
use crate::stream::line::LineCounts;
use crate::wiring::LinePlug;

/// Modem lines as they were read while the port drove its own.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct ModemReading {
    /// Driven.
    pub outputs: ModemOutputs,
    /// Read a little later.
    pub inputs: ModemInputs,
}

/// Whether clear to send stops and starts the sender.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct FlowCheck {
    /// Bytes handed over with the line off.
    pub sent: u64,
    /// Of those, came back while it was still off, those included that this computer then lost by the port's own counts: they
    /// had been let go all the same.
    pub came_while_off: u64,
    /// Came back in all, once it was on, those lost here included.
    pub came_in_all: u64,
}

impl FlowCheck {
    /// The sender was held: what came was at most what a chip had begun with.
    pub fn stops(&self) -> bool {
        self.came_while_off * 2 < self.sent
    }

    /// The line lets the sender go: most of what was held came once it was on. What is missing of it was lost, which is another
    /// matter than being held.
    pub fn starts(&self) -> bool {
        self.missing() * 2 < self.sent.saturating_sub(self.came_while_off).max(1)
    }

    /// Bytes that never came, and that no count of this computer accounts for.
    pub fn missing(&self) -> u64 {
        self.sent.saturating_sub(self.came_in_all)
    }
}

/// A short stretch at one speed or format.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct FormatTrial {
    /// What was asked for.
    pub asked: LineFormat,
    /// What the port took; none: it does not offer this.
    pub taken: Option<LineFormat>,
    /// What came back.
    pub counts: LineCounts,
    /// Line errors meanwhile, where counted.
    pub errors: Option<LineErrors>,
    /// Share of the line's own limit that was reached; none where bytes do not take their time.
    pub share_of_line: Option<f64>,
}

impl FormatTrial {
    /// Something was sent, all of it came back, nothing else did.
    pub fn is_clean(&self) -> bool {
        self.counts.sent > 0 && self.counts.is_clean()
    }

    /// Failures that are not this computer's.
    pub fn failures(&self) -> u64 {
        let in_host = self.errors.map_or(0, |errors| errors.lost_in_host());
        self.counts.failed().saturating_sub(in_host.min(self.counts.lost))
    }
}

/// All facts of a run on a serial port.
#[derive(Clone, Debug)]
pub struct LineEvidence {
    /// Where the plug is said to be.
    pub placement: Placement,
    /// What the port can show and do.
    pub capabilities: LineCapabilities,
    /// Reasons why the port is in service; empty when it is free.
    pub in_service: Vec<String>,
    /// The plug that is said to be fitted; [`LinePlug::Internal`] in a run inside the chip.
    pub plug: LinePlug,
    /// Format of the data steps, as taken.
    pub format: LineFormat,
    /// Bytes heard before anything was sent.
    pub foreign: u64,
    /// First single blocks.
    pub handful: Handful,
    /// Byte counts of the data steps.
    pub counts: LineCounts,
    /// Line errors of the data steps, where counted.
    pub errors: Option<LineErrors>,
    /// Kind of damage.
    pub damage: DamageKind,
    /// Times fewer bytes were let out at once because this computer lost some.
    pub slowdowns: u32,
    /// Byte counts of that part in which as few bytes were out at once as there can be. The chip itself holds as many, so a busy
    /// computer does not explain what is lost there.
    pub slowest: LineCounts,
    /// Bytes that this computer's counts say it lost there.
    pub lost_at_slowest: u64,
    /// Modem lines, over all states of the outputs; empty where there are none.
    pub modem: Vec<ModemReading>,
    /// Whether hardware flow control works, where tried.
    pub flow: Option<FlowCheck>,
    /// Whether a break came round, where tried and where it would be seen.
    pub break_returned: Option<bool>,
    /// Other speeds.
    pub speeds: Vec<FormatTrial>,
    /// Other formats at the chosen speed.
    pub formats: Vec<FormatTrial>,
    /// What a pass must prove.
    pub limit: Limit,
    /// The run did not finish its plan.
    pub stopped: Option<Stopped>,
    /// Runs with the signal turned back elsewhere.
    pub references: Vec<Reference>,
}

impl LineEvidence {
    /// Lost bytes that this computer's own counts account for.
    pub fn lost_in_host(&self) -> u64 {
        self.errors.map_or(0, |errors| errors.lost_in_host()).min(self.counts.lost)
    }

    /// Lost bytes that no count of this computer accounts for: they stand in the way of a pass.
    pub fn lost_unexplained(&self) -> u64 {
        self.counts.lost - self.lost_in_host()
    }

    /// The counts by which losses are put on the line. Where all that is dropped here is counted, those of the whole run without
    /// it; where it is not, those of the slowest pace, at which there is nothing to drop. Where nothing comes back at all, no pace
    /// explains it.
    pub fn put_on_line(&self) -> LineCounts {
        if self.capabilities.hides_overruns() && self.counts.returned > 0 {
            LineCounts { lost: self.slowest.lost.saturating_sub(self.lost_at_slowest), ..self.slowest }
        } else {
            LineCounts { lost: self.lost_unexplained(), ..self.counts }
        }
    }

    /// Pieces compared that failed on the way, at most all: damaged, slipped by what is put on the line, or holding a character that
    /// came in with an error.
    pub fn pieces_failed(&self) -> u64 {
        let (all, line) = (&self.counts, self.put_on_line());
        let slipped = match (all.inserted, line.lost) {
            (0, 0) => 0,
            (0, _) => line.pieces_slipped,
            _ => all.pieces_slipped,
        };
        all.pieces_damaged.saturating_add(slipped).max(self.characters_in_error()).min(all.pieces)
    }

    /// Characters that the chip found wrong by their stop or parity bit.
    pub fn characters_in_error(&self) -> u64 {
        let counted = self.errors.map_or(0, |errors| errors.framing.saturating_add(errors.parity));
        counted.max(self.counts.marked)
    }
}
