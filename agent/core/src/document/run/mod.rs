//! The report of a run: one versioned document that every outlet shows. `docs/report-format.md` describes it.
//!
//! The head is the same for all kinds of port. [`Totals`] and [`Detail`] hold what belongs to one kind. Reports of
//! format 1 are read by [`format1`].

pub mod figures;
pub mod format1;
mod scope;

use std::collections::BTreeMap;

use serde::{Deserialize, Deserializer, Serialize, Serializer};

use crate::base::caution::Caution;
use crate::base::labels::Labels;
use crate::base::placement::Placement;
use crate::judge::Verdict;
use crate::judge::ratio::ErrorRatio;
use crate::judge::{
    facts::{FirstProbes, PlanDone, Reference, Stopped},
    ratio::Limit,
};
use crate::kind::port::PortIdentity;
use crate::kind::serial::format::LineErrors;
use crate::kind::serial::rules::modem::LineState;
use crate::signal::compare::DamageTally;
use crate::signal::seconds::SecondCounts;
use crate::stats::availability::AvailabilityTotals;

pub use crate::kind::ethernet::detail::{
    DelayVariationReport, EthernetDetail, FrameTotals, LossRatio, StepReport, ZeroLossRate, cannot_show,
};
pub use crate::kind::serial::detail::{ByteTotals, HalfDuplex, SerialDetail, Turnaround};
pub use crate::stats::latency_summary::Latency;

/// Version of the document. It grows by one when a field changes its meaning or goes; new fields do not change it.
pub const FORMAT: u32 = 2;

/// Counts of a run, in the units of its kind of port.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(untagged)]
pub enum Totals {
    /// Of a port that carries frames.
    Frames(FrameTotals),
    /// Of a serial port.
    Bytes(ByteTotals),
}

impl Totals {
    /// Bits compared.
    pub fn bits_compared(&self) -> u64 {
        match self {
            Self::Frames(totals) => totals.bits_compared,
            Self::Bytes(totals) => totals.bits_compared,
        }
    }

    /// Of those, wrong.
    pub fn bit_errors(&self) -> u64 {
        match self {
            Self::Frames(totals) => totals.bit_errors,
            Self::Bytes(totals) => totals.bit_errors,
        }
    }

    /// Frames or bytes that the port took.
    pub fn sent(&self) -> u64 {
        match self {
            Self::Frames(totals) => totals.frames_sent,
            Self::Bytes(totals) => totals.bytes_sent,
        }
    }

    /// Of the frames or bytes lost, those that this computer lost itself: dropped here, or never transmitted.
    pub fn lost_inside(&self) -> u64 {
        match self {
            Self::Frames(totals) => totals.frames_lost_in_host.saturating_add(totals.frames_never_left),
            Self::Bytes(totals) => totals.bytes_lost_in_host,
        }
    }

    /// Counts of frames; none for another kind.
    pub fn frames(&self) -> Option<&FrameTotals> {
        match self {
            Self::Frames(totals) => Some(totals),
            Self::Bytes(_) => None,
        }
    }

    /// Counts of bytes; none for another kind.
    pub fn bytes(&self) -> Option<&ByteTotals> {
        match self {
            Self::Bytes(totals) => Some(totals),
            Self::Frames(_) => None,
        }
    }
}

/// What only one kind of port has to say.
#[derive(Clone, Debug, Serialize, Deserialize)]
#[serde(tag = "kind", rename_all = "kebab-case")]
pub enum Detail {
    /// A port that carries frames.
    Ethernet(Box<EthernetDetail>),
    /// A serial port.
    Serial(Box<SerialDetail>),
}

/// Units (frames; blocks on a serial line) whose fate speaks of port, plug and cable: this computer's own losses, and
/// what was lost before the port was ready, are left out. However many bits of a unit are wrong, it is one hit.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct Tried {
    /// Units tried.
    pub units: u64,
    /// Of those, lost, damaged, cut or lengthened on the way.
    pub failed: u64,
}

fn one() -> u32 {
    1
}

/// Errored seconds and availability, by the rules of [`crate::stats::availability`].
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct SecondsSummary {
    /// Available seconds in which probes were sent.
    pub available: u64,
    /// Of those, nothing lost or damaged.
    pub clean: u64,
    /// At least one probe lost or damaged.
    pub errored: u64,
    /// 30 % or more of the probes lost or damaged, or no link.
    pub severely_errored: u64,
    /// Seconds of unavailable time, by the 10-second rule.
    pub unavailable: u64,
}

impl SecondsSummary {
    /// From the totals of a run.
    pub fn new(totals: &AvailabilityTotals) -> Self {
        Self {
            available: totals.available_seconds,
            clean: totals.clean_seconds(),
            errored: totals.errored_seconds,
            severely_errored: totals.severely_errored_seconds,
            unavailable: totals.unavailable_seconds,
        }
    }
}

/// The whole report. Its JSON says `"document": "run"`; read one with [`Document::read`](super::Document::read).
#[derive(Clone, Debug, Serialize, Deserialize)]
#[serde(tag = "document", rename = "run", remote = "Self")]
pub struct Report {
    /// Version of this document.
    pub format: u32,
    /// Program and its version.
    pub program: String,
    /// Unique id of the run.
    pub run: String,
    /// When it began, RFC 3339 with zone; for a simulated port, when the simulation was run.
    pub started_at: String,
    /// Name of the machine that ran it; empty in reports of programs that did not say.
    pub machine: String,
    /// Port under test.
    pub port: PortIdentity,
    /// Second port of a return-port run.
    pub return_port: Option<PortIdentity>,
    /// Where the plug was said to be.
    pub placement: Placement,
    /// Label of the cable, if one was given.
    pub cable: Option<String>,
    /// Other labels, and the operator's note.
    pub labels: Labels,
    /// Name of the profile.
    pub profile: String,
    /// Seed of the run.
    pub seed: u64,
    /// What it says.
    pub verdict: Verdict,
    /// Counts.
    pub totals: Totals,
    /// Bit error ratio with bounds; none when nothing was measured.
    pub error_ratio: Option<ErrorRatio>,
    /// What a case compares between its stages.
    pub tried: Tried,
    /// Round trips of probes that travelled alone.
    pub latency_ns: Latency,
    /// What kind of damage the wrong bits are.
    pub damage: DamageTally,
    /// Steps in order, of a port that carries frames.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub steps: Vec<StepReport>,
    /// Errored seconds.
    pub seconds_summary: SecondsSummary,
    /// The run over time, one entry for each [`Report::seconds_each`] seconds.
    pub seconds: Vec<SecondCounts>,
    /// Seconds in an entry of the series: 1, and more in a run of over eight hours, so that a report has at most
    /// [`SERIES_MAX`](crate::signal::seconds::SERIES_MAX) entries.
    #[serde(default = "one")]
    pub seconds_each: u32,
    /// Modem lines of a serial port, by name; empty where there are none.
    #[serde(default, skip_serializing_if = "BTreeMap::is_empty")]
    pub lines: BTreeMap<String, LineState>,
    /// Line errors of a serial port during the data steps; none where nobody counts.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub line_errors: Option<LineErrors>,
    /// First single probes.
    pub first_probes: FirstProbes,
    /// What a pass had to prove.
    pub limit: Limit,
    /// Time from the first setting to the last probe, confirming included, seconds; none in reports of programs that
    /// did not say.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub duration_s: Option<f64>,
    /// How much of its plan the run carried out; none where that has no length.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub plan_done: Option<PlanDone>,
    /// Why the run ended early, if it did.
    pub stopped: Option<Stopped>,
    /// The same port with the plug elsewhere.
    pub references: Vec<Reference>,
    /// Settings that were changed and restored.
    pub settings_changed: Vec<String>,
    /// What this method cannot show.
    pub cannot_show: Vec<String>,
    /// Things to know about this run, each with the way out.
    pub warnings: Vec<String>,
    /// Cautions that belong to this port and placement.
    pub cautions: Vec<Caution>,
    /// What only this kind of port has to say.
    pub detail: Detail,
}

impl Report {
    /// What only a port that carries frames has to say; none for another kind.
    pub fn ethernet(&self) -> Option<&EthernetDetail> {
        match &self.detail {
            Detail::Ethernet(detail) => Some(detail),
            Detail::Serial(_) => None,
        }
    }

    /// What only a serial port has to say; none for another kind.
    pub fn serial(&self) -> Option<&SerialDetail> {
        match &self.detail {
            Detail::Serial(detail) => Some(detail),
            Detail::Ethernet(_) => None,
        }
    }
}

impl Serialize for Report {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        /// The report, and its figures under their names for those who read nothing else.
        #[derive(Serialize)]
        struct Written<'a> {
            #[serde(flatten, serialize_with = "Report::serialize")]
            report: &'a Report,
            figures: figures::Numbers,
        }
        Written { report: self, figures: figures::numbers(self) }.serialize(serializer)
    }
}

impl<'de> Deserialize<'de> for Report {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        Self::deserialize(deserializer)
    }
}
