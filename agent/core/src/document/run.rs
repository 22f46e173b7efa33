//! The report of a run: one versioned document that terminal, JSON, records and pages all show. `docs/report-format.md`
//! describes it. No outlet computes a figure of its own.

use std::collections::BTreeMap;

use serde::{Deserialize, Serialize};

use crate::base::caution::Caution;
use crate::base::labels::Labels;
use crate::judge::Verdict;
use crate::judge::ratio::ErrorRatio;
use crate::kind::ethernet::counters::CounterDelta;
use crate::kind::ethernet::stream::tally::FrameCounts;
use crate::kind::ethernet::transceiver::Module;
use crate::kind::port::PortIdentity;
use crate::kind::serial::facts::{FlowCheck, FormatTrial, ModemReading};
use crate::kind::serial::format::{LineCapabilities, LineErrors, LineFormat};
use crate::kind::serial::plug::LinePlug;
use crate::kind::serial::rules::modem::LineState;
use crate::kind::serial::stream::LineCounts;
use crate::signal::compare::DamageTally;
use crate::signal::seconds::SecondCounts;
use crate::stats::availability::AvailabilityTotals;
use crate::stats::delay_variation::DelayVariation;
use crate::stats::latency::{LatencyBucket, LatencyHistogram};
use crate::stats::spells::Spells;
use crate::{
    base::placement::Placement,
    kind::ethernet::link::{Capabilities, LinkState},
};
use crate::{
    judge::facts::{Facts, FirstProbes, Limit, Reference, Stopped},
    kind::ethernet::facts::{EthernetFacts, Heard, Losses},
};

/// Version of the document. It grows by one when a field changes its meaning or goes; new fields do not change it.
pub const FORMAT: u32 = 1;

/// Probe counts under the names of the report.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct Totals {
    /// Probes the port took.
    pub frames_sent: u64,
    /// Probes that came back in time, whole or damaged.
    pub frames_returned: u64,
    /// Probes that did not.
    pub frames_lost: u64,
    /// Of the lost, dropped inside this computer.
    pub frames_lost_in_host: u64,
    /// Of the lost, never transmitted.
    pub frames_never_left: u64,
    /// Of the lost, came back and failed the adapter's frame check; or delivered with a failed check.
    pub frames_failed_fcs: u64,
    /// Of the lost, gone without a trace.
    pub frames_lost_on_wire: u64,
    /// Returned with wrong bits.
    pub frames_damaged: u64,
    /// Came back again.
    pub frames_duplicated: u64,
    /// Overtaken by a later probe.
    pub frames_reordered: u64,
    /// Came back after they were given up; they count as lost.
    pub frames_late: u64,
    /// Came back shorter.
    pub frames_truncated: u64,
    /// Came back longer.
    pub frames_lengthened: u64,
    /// Too damaged to say whose.
    pub frames_unrecognised: u64,
    /// Intact, of another run or direction.
    pub frames_stale: u64,
    /// Times the port had no room for a probe, which then went again.
    pub frames_refused: u64,
    /// Bits compared.
    pub bits_compared: u64,
    /// Of those, wrong.
    pub bit_errors: u64,
    /// Bytes a serial port took; this and the other counts of bytes are 0 on ports of frames.
    #[serde(default)]
    pub bytes_sent: u64,
    /// Bytes that came in.
    #[serde(default)]
    pub bytes_returned: u64,
    /// Bytes sent for which none came.
    #[serde(default)]
    pub bytes_lost: u64,
    /// Of the lost, dropped inside this computer or its adapter.
    #[serde(default)]
    pub bytes_lost_in_host: u64,
    /// Bytes that came and were not sent.
    #[serde(default)]
    pub bytes_inserted: u64,
    /// Bytes that came back with a wrong bit.
    #[serde(default)]
    pub bytes_damaged: u64,
}

impl Totals {
    /// From the counts of a serial port.
    pub fn of_bytes(counts: &LineCounts, lost_in_host: u64) -> Self {
        Self {
            bits_compared: counts.bits_compared,
            bit_errors: counts.bit_errors,
            bytes_sent: counts.sent,
            bytes_returned: counts.returned,
            bytes_lost: counts.lost,
            bytes_lost_in_host: lost_in_host,
            bytes_inserted: counts.inserted,
            bytes_damaged: counts.damaged,
            ..Self::default()
        }
    }

    /// From counts and sorted losses.
    pub fn new(counts: &FrameCounts, losses: &Losses) -> Self {
        Self {
            frames_sent: counts.sent,
            frames_returned: counts.returned,
            frames_lost: counts.lost,
            frames_lost_in_host: losses.in_host,
            frames_never_left: losses.never_left,
            frames_failed_fcs: losses.failed_check + counts.failed_check_delivered,
            frames_lost_on_wire: losses.on_wire,
            frames_damaged: counts.damaged,
            frames_duplicated: counts.duplicated,
            frames_reordered: counts.reordered,
            frames_late: counts.late,
            frames_truncated: counts.truncated,
            frames_lengthened: counts.lengthened,
            frames_unrecognised: counts.unrecognised,
            frames_stale: counts.stale,
            frames_refused: counts.refused,
            bits_compared: counts.bits_compared,
            bit_errors: counts.bit_errors,
            ..Self::default()
        }
    }
}

/// Round trip times in nanoseconds.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct Latency {
    /// Which clock stamped sending and arrival.
    pub clock: String,
    /// Trips measured.
    pub count: u64,
    /// Shortest.
    pub min: Option<u64>,
    /// Mean.
    pub mean: Option<u64>,
    /// Half are at or below this.
    pub p50: Option<u64>,
    /// 99 % are at or below this.
    pub p99: Option<u64>,
    /// Longest.
    pub max: Option<u64>,
    /// How many trips took how long, shortest first; empty in reports of programs that did not keep it.
    #[serde(default)]
    pub histogram: Vec<LatencyBucket>,
}

/// Bars of [`Latency::histogram`], about: enough to see a second hump, few enough for a page and a list.
const LATENCY_BARS: u32 = 40;

impl Latency {
    /// From a histogram filled by the named clock.
    pub fn new(clock: String, histogram: &LatencyHistogram) -> Self {
        Self {
            clock,
            count: histogram.count(),
            min: histogram.min_ns(),
            mean: histogram.mean_ns().map(|m| m.round() as u64),
            p50: histogram.p50_ns(),
            p99: histogram.p99_ns(),
            max: histogram.max_ns(),
            histogram: histogram.bars(LATENCY_BARS),
        }
    }
}

/// Delay variation of probes of one size that travelled alone (RFC 5481: PDV 4.2, IPDV 4.1), nanoseconds.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct DelayVariationReport {
    /// 99 % of the trips were at most this much longer than the shortest.
    pub pdv_p99: u64,
    /// The longest trip less the shortest.
    pub pdv_max: u64,
    /// Largest shortening from one trip to the next, negative.
    pub ipdv_min: i64,
    /// Largest lengthening from one trip to the next.
    pub ipdv_max: i64,
}

impl DelayVariationReport {
    /// From sequences and trips; none without two trips in a row.
    pub fn new(trips: &[(u64, u64)]) -> Option<Self> {
        let mut variation = DelayVariation::new();
        trips.iter().for_each(|(sequence, trip)| variation.record(*sequence, *trip));
        let (pdv, ipdv) = (variation.pdv()?, variation.ipdv()?);
        Some(Self { pdv_p99: pdv.p99, pdv_max: pdv.max, ipdv_min: ipdv.min, ipdv_max: ipdv.max })
    }
}

/// Share of frames lost on the way, host losses left out.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct LossRatio {
    /// Lost of tried.
    pub estimate: f64,
    /// Lower end of the two-sided interval.
    pub lower: f64,
    /// Upper end of the two-sided interval.
    pub upper: f64,
    /// Confidence of the interval.
    pub confidence: f64,
}

/// Units (frames; blocks on a serial line) whose fate speaks of port, plug and cable: this computer's own losses, and what was
/// lost before the port was ready, are left out. However many bits of a unit are wrong, it is one hit.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct Tried {
    /// Units tried.
    pub units: u64,
    /// Of those, lost, damaged, cut or lengthened on the way.
    pub failed: u64,
}

/// One step of the run.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct StepReport {
    /// Direction: `out-and-back`, or from which port to which.
    pub direction: String,
    /// Frame size with FCS, bytes.
    pub size_bytes: u32,
    /// Pattern's name.
    pub pattern: String,
    /// Probes the port took.
    pub frames_sent: u64,
    /// Probes that came back in time.
    pub frames_returned: u64,
    /// Probes that did not.
    pub frames_lost: u64,
    /// Of those, lost inside this computer.
    pub frames_lost_in_host: u64,
    /// Of those, never transmitted; 0 in reports of programs that did not keep it.
    #[serde(default)]
    pub frames_never_left: u64,
    /// Returned with wrong bits.
    pub frames_damaged: u64,
    /// Wrong bits.
    pub bit_errors: u64,
    /// Time spent sending, seconds.
    pub seconds: f64,
    /// Probes sent a second while sending.
    pub frames_per_second: f64,
    /// Frame bits with FCS sent a second.
    pub bits_per_second: f64,
    /// Delay variation of this size's single probes.
    pub delay_variation_ns: Option<DelayVariationReport>,
    /// Rate asked for, frames a second; none when unpaced.
    pub rate_asked: Option<f64>,
    /// The step was run again more slowly because this computer lost probes.
    pub repeated_slower: bool,
}

/// Result of a rate search for one size.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct ZeroLossRate {
    /// Frame size with FCS, bytes.
    pub size_bytes: u32,
    /// Highest rate tried at which nothing was lost, frames a second.
    pub frames_per_second: Option<f64>,
    /// Lowest rate tried at which something was.
    pub lossy_frames_per_second: Option<f64>,
    /// The losses that set the limit were this computer's own.
    pub limited_by_host: bool,
    /// Trials made.
    pub trials: u32,
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
    /// 30 % or more of the probes lost or damaged.
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

/// How long bytes that travel alone take from being handed over until the last is back.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Turnaround {
    /// Bytes sent together.
    pub block_bytes: u32,
    /// The driver's setting for low latency was on.
    pub low_latency: bool,
    /// Trips measured.
    pub count: u64,
    /// Time these bytes take on the line, each way at once; none where bytes do not take their time.
    pub line_ns: Option<u64>,
    /// Shortest.
    pub min_ns: Option<u64>,
    /// Half are at or below this.
    pub p50_ns: Option<u64>,
    /// Longest.
    pub max_ns: Option<u64>,
}

/// Two-wire RS-485: what was set, heard, and how soon the port is done with its own bytes.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct HalfDuplex {
    /// The driver took its RS-485 setting; else the port hears itself without.
    pub by_setting: bool,
    /// Bytes came back while it was sending.
    pub heard_itself: bool,
    /// Shortest time from handing bytes over to having heard the last, less their own time on the line: the soonest this computer
    /// can know that the pair is free. None where nothing was measured.
    pub turnaround_ns_min: Option<u64>,
    /// Half of the blocks are at or below this, the slowest block size.
    pub turnaround_ns_p50: Option<u64>,
    /// The longest.
    pub turnaround_ns_max: Option<u64>,
}

impl HalfDuplex {
    /// From the turnaround of all block sizes, the driver's latency setting as it was.
    pub fn new(by_setting: bool, heard_itself: bool, turnaround: &[Turnaround]) -> Self {
        let usual = || turnaround.iter().filter(|t| !t.low_latency);
        let beyond = |t: &Turnaround, ns: Option<u64>| Some(ns?.saturating_sub(t.line_ns?));
        Self {
            by_setting,
            heard_itself,
            turnaround_ns_min: usual().filter_map(|t| beyond(t, t.min_ns)).min(),
            turnaround_ns_p50: usual().filter_map(|t| beyond(t, t.p50_ns)).max(),
            turnaround_ns_max: usual().filter_map(|t| beyond(t, t.max_ns)).max(),
        }
    }
}

/// What only a serial port has to say.
#[derive(Clone, Debug, Serialize, Deserialize)]
pub struct LineReport {
    /// Format of the data steps, as the port took it.
    pub format: LineFormat,
    /// Plug that was said to be fitted.
    pub plug: LinePlug,
    /// What the port can show and do.
    pub capabilities: LineCapabilities,
    /// Bytes heard before anything was sent.
    pub foreign_bytes: u64,
    /// Byte counts in full.
    pub counts: LineCounts,
    /// Of those, since fewer were let out at once for the last time.
    #[serde(default)]
    pub counts_since_slowed: LineCounts,
    /// Characters a second that came back while sending.
    pub characters_per_second: Option<f64>,
    /// The same as a share of what the line has time for; none where bytes do not take their time.
    pub share_of_line: Option<f64>,
    /// Turnaround by block size.
    pub turnaround: Vec<Turnaround>,
    /// Two-wire RS-485; none on other wiring.
    #[serde(default)]
    pub half_duplex: Option<HalfDuplex>,
    /// Other speeds.
    pub speeds: Vec<FormatTrial>,
    /// Highest speed at which every byte came back as sent, bits a second.
    pub highest_clean_bits_per_second: Option<u32>,
    /// Other data bits, parities and stop bits.
    pub formats: Vec<FormatTrial>,
    /// Whether clear to send stops and starts the sender.
    pub flow_control: Option<FlowCheck>,
    /// Whether a break came round.
    pub break_returned: Option<bool>,
    /// Modem lines as read, over all states of the outputs.
    pub modem_readings: Vec<ModemReading>,
}

/// The whole report. Its JSON says `"document": "run"`; read one with [`Document::read`](super::Document::read).
#[derive(Clone, Debug, Serialize, Deserialize)]
#[serde(tag = "document", rename = "run")]
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
    #[serde(default)]
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
    #[serde(default)]
    pub labels: Labels,
    /// Name of the profile.
    pub profile: String,
    /// Seed of the run.
    pub seed: u64,
    /// What it says.
    pub verdict: Verdict,
    /// Probe counts.
    pub totals: Totals,
    /// Bit error ratio with bounds; none when nothing was measured.
    pub error_ratio: Option<ErrorRatio>,
    /// Frame loss on the wire with bounds.
    pub loss_ratio: Option<LossRatio>,
    /// What a case compares between its stages.
    #[serde(default)]
    pub tried: Tried,
    /// Round trips of probes that travelled alone.
    pub latency_ns: Latency,
    /// Round trips under full flow; holds the waiting in the sender's own batch.
    pub latency_loaded_ns: Latency,
    /// What kind of damage the wrong bits are.
    pub damage: DamageTally,
    /// Steps in order.
    pub steps: Vec<StepReport>,
    /// Rate search results.
    pub zero_loss_rates: Vec<ZeroLossRate>,
    /// Errored seconds.
    pub seconds_summary: SecondsSummary,
    /// Stretches of seconds that failed far beyond the limit.
    #[serde(default)]
    pub spells: Spells,
    /// One entry a second.
    pub seconds: Vec<SecondCounts>,
    /// What the host's counters did during the run.
    pub counters: CounterDelta,
    /// Modem lines of a serial port, by name; empty where there are none.
    #[serde(default)]
    pub lines: BTreeMap<String, LineState>,
    /// Line errors of a serial port during the data steps; none where nobody counts.
    #[serde(default)]
    pub line_errors: Option<LineErrors>,
    /// The rest of what only a serial port has.
    #[serde(default)]
    pub line: Option<LineReport>,
    /// What the port can show.
    pub capabilities: Capabilities,
    /// Link before the first probe.
    pub link: LinkState,
    /// What the port's plug-in transceiver measured of itself after the last probe; none where there is none or it does not tell.
    #[serde(default)]
    pub module: Option<Module>,
    /// Speed forced because the port could not link to itself at its own, Mb/s.
    #[serde(default)]
    pub fallback_mbps: Option<u32>,
    /// Times the link dropped and came back.
    pub link_flaps: u64,
    /// What was heard besides echoes.
    pub heard: Heard,
    /// First single probes.
    pub handful: FirstProbes,
    /// What a pass had to prove.
    pub limit: Limit,
    /// Why the run ended early, if it did.
    pub stopped: Option<Stopped>,
    /// The same port with the plug elsewhere.
    pub references: Vec<Reference>,
    /// Settings that were changed and put back.
    pub settings_changed: Vec<String>,
    /// What this method cannot show.
    pub cannot_show: Vec<String>,
    /// Things to know about this run, each with the way out.
    pub warnings: Vec<String>,
    /// Cautions that belong to this port and placement.
    pub cautions: Vec<Caution>,
}

/// Figures of a report that follow from evidence alone.
pub fn ratios(evidence: &EthernetFacts) -> (Option<ErrorRatio>, Option<LossRatio>) {
    let loss = evidence.loss_ratio().map(|b| LossRatio {
        estimate: b.estimate,
        lower: b.lower,
        upper: b.upper,
        confidence: b.confidence,
    });
    (evidence.error_ratio(), loss)
}

/// What a loopback plug cannot show, whatever the result (common practice, no source).
pub fn cannot_show(capabilities: &Capabilities, fallback_mbps: Option<u32>) -> Vec<String> {
    let mut list = vec![
        "transmit level and receiver sensitivity: over a plug's short path a weak transmitter still reaches".to_owned(),
        "clock accuracy: both directions run from the same clock".to_owned(),
    ];
    if capabilities.has_line_rate {
        list.push("crosstalk margin against a far transmitter".to_owned());
    }
    if fallback_mbps.is_some() {
        list.push("operation at 1000 Mb/s and the two pairs only it uses: use --return-port for that".to_owned());
    }
    list
}
