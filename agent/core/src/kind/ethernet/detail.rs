//! What the report of a run says of a port that carries frames: counts, steps, and the part that no other kind has.

use serde::{Deserialize, Serialize};

use super::counters::CounterDelta;
use super::link::{Capabilities, LinkState};
use super::stream::tally::FrameCounts;
use super::transceiver::Module;
use super::{
    facts::{EthernetFacts, Heard},
    losses::Losses,
};
use crate::stats::delay_variation::DelayVariation;
use crate::stats::latency_summary::Latency;
use crate::stats::spells::Spells;

/// Counts of frames, under the names of the report.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct FrameTotals {
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
    /// Of the lost, came back after they had been given up.
    pub frames_late: u64,
    /// Came back shorter.
    pub frames_truncated: u64,
    /// Came back longer.
    pub frames_lengthened: u64,
    /// Came back right but for their addresses, which all had changed alike.
    #[serde(default)]
    pub frames_readdressed: u64,
    /// Came back right but for bytes behind their end, as many in all.
    #[serde(default)]
    pub frames_padded: u64,
    /// Came back with a VLAN tag.
    #[serde(default)]
    pub frames_tagged: u64,
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
}

impl FrameTotals {
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
            frames_late: losses.late,
            frames_truncated: counts.truncated,
            frames_lengthened: counts.lengthened,
            frames_readdressed: counts.readdressed,
            frames_padded: counts.padded,
            frames_tagged: counts.tagged,
            frames_unrecognised: counts.unrecognised,
            frames_stale: counts.stale,
            frames_refused: counts.refused,
            bits_compared: counts.bits_compared,
            bit_errors: counts.bit_errors,
        }
    }
}

/// Delay variation of probes of one size that travelled alone (RFC 5481: PDV 4.2, IPDV 4.1), nanoseconds. A probe that
/// was lost, or overtaken by the next, forms no pair and is in no IPDV figure.
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

impl LossRatio {
    /// From evidence; none when nothing that speaks of the way was tried.
    pub fn new(evidence: &EthernetFacts) -> Option<Self> {
        let bounds = evidence.loss_ratio()?;
        Some(Self {
            estimate: bounds.estimate,
            lower: bounds.lower,
            upper: bounds.upper,
            confidence: bounds.confidence,
        })
    }
}

/// One step of the run.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
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

/// What only a port that carries frames has to say.
#[derive(Clone, Debug, Default, Serialize, Deserialize)]
pub struct EthernetDetail {
    /// What the port can show.
    pub capabilities: Capabilities,
    /// Link before the first probe.
    pub link: LinkState,
    /// Speed forced because the port could not link to itself at its own, Mb/s.
    pub fallback_mbps: Option<u32>,
    /// Times the link dropped and came back.
    pub link_flaps: u64,
    /// What the port's plug-in transceiver measured of itself after the last probe; none where there is none or it does
    /// not tell.
    pub transceiver: Option<Module>,
    /// What was heard besides echoes.
    pub heard: Heard,
    /// Frame loss on the wire with bounds.
    pub loss_ratio: Option<LossRatio>,
    /// Round trips under full flow; these include the waiting in the sender's own batch.
    pub latency_loaded_ns: Latency,
    /// Rate search results.
    pub zero_loss_rates: Vec<ZeroLossRate>,
    /// Stretches of seconds that failed far beyond the limit.
    pub spells: Spells,
    /// What the host's counters did during the run.
    pub counters: CounterDelta,
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
