//! Reports of format 1, which the first programs wrote, turned into today's.
//!
//! Format 1 had one head with the fields of every kind of port in it: a report of frames held counts of bytes, all 0,
//! and a report of a serial port held a link that it does not have. `line` tells the two apart.

use std::collections::BTreeMap;

use serde::Deserialize;

use super::{
    ByteTotals, Detail, EthernetDetail, FORMAT, FrameTotals, Latency, LossRatio, Report, SecondsSummary, SerialDetail,
    StepReport, Totals, Tried, ZeroLossRate,
};
use crate::base::caution::Caution;
use crate::base::labels::Labels;
use crate::base::placement::Placement;
use crate::judge::Verdict;
use crate::judge::ratio::ErrorRatio;
use crate::judge::{
    facts::{FirstProbes, Reference, Stopped},
    ratio::Limit,
};
use crate::kind::ethernet::counters::CounterDelta;
use crate::kind::ethernet::facts::Heard;
use crate::kind::ethernet::link::{Capabilities, LinkState};
use crate::kind::ethernet::transceiver::Module;
use crate::kind::port::PortIdentity;
use crate::kind::serial::format::LineErrors;
use crate::kind::serial::rules::modem::LineState;
use crate::signal::compare::DamageTally;
use crate::signal::seconds::SecondCounts;
use crate::stats::spells::Spells;

/// A report of format 1. What came into the format later may be missing.
#[derive(Debug, Deserialize)]
pub struct Report1 {
    program: String,
    run: String,
    started_at: String,
    #[serde(default)]
    machine: String,
    port: PortIdentity,
    return_port: Option<PortIdentity>,
    placement: Placement,
    cable: Option<String>,
    #[serde(default)]
    labels: Labels,
    profile: String,
    seed: u64,
    verdict: Verdict,
    totals: Totals1,
    error_ratio: Option<ErrorRatio>,
    loss_ratio: Option<LossRatio>,
    #[serde(default)]
    tried: Tried,
    latency_ns: Latency,
    latency_loaded_ns: Latency,
    damage: DamageTally,
    steps: Vec<StepReport>,
    zero_loss_rates: Vec<ZeroLossRate>,
    seconds_summary: SecondsSummary,
    #[serde(default)]
    spells: Spells,
    seconds: Vec<SecondCounts>,
    counters: CounterDelta,
    #[serde(default)]
    lines: BTreeMap<String, LineState>,
    #[serde(default)]
    line_errors: Option<LineErrors>,
    #[serde(default)]
    line: Option<Box<SerialDetail>>,
    capabilities: Capabilities,
    link: LinkState,
    #[serde(default)]
    module: Option<Module>,
    #[serde(default)]
    fallback_mbps: Option<u32>,
    link_flaps: u64,
    heard: Heard,
    handful: FirstProbes,
    limit: Limit,
    stopped: Option<Stopped>,
    references: Vec<Reference>,
    settings_changed: Vec<String>,
    cannot_show: Vec<String>,
    warnings: Vec<String>,
    cautions: Vec<Caution>,
}

/// Counts of frames and of bytes in one.
#[derive(Debug, Deserialize)]
struct Totals1 {
    #[serde(flatten)]
    frames: FrameTotals,
    #[serde(default)]
    bytes_sent: u64,
    #[serde(default)]
    bytes_returned: u64,
    #[serde(default)]
    bytes_lost: u64,
    #[serde(default)]
    bytes_lost_in_host: u64,
    #[serde(default)]
    bytes_inserted: u64,
    #[serde(default)]
    bytes_damaged: u64,
}

impl Totals1 {
    fn bytes(&self) -> ByteTotals {
        ByteTotals {
            bytes_sent: self.bytes_sent,
            bytes_returned: self.bytes_returned,
            bytes_lost: self.bytes_lost,
            bytes_lost_in_host: self.bytes_lost_in_host,
            bytes_inserted: self.bytes_inserted,
            bytes_damaged: self.bytes_damaged,
            bits_compared: self.frames.bits_compared,
            bit_errors: self.frames.bit_errors,
        }
    }
}

impl From<Report1> for Report {
    fn from(old: Report1) -> Self {
        let (totals, detail) = match old.line {
            Some(line) => (Totals::Bytes(old.totals.bytes()), Detail::Serial(line)),
            None => {
                let detail = EthernetDetail {
                    capabilities: old.capabilities,
                    link: old.link,
                    fallback_mbps: old.fallback_mbps,
                    link_flaps: old.link_flaps,
                    transceiver: old.module,
                    heard: old.heard,
                    loss_ratio: old.loss_ratio,
                    latency_loaded_ns: old.latency_loaded_ns,
                    zero_loss_rates: old.zero_loss_rates,
                    spells: old.spells,
                    counters: old.counters,
                };
                (Totals::Frames(old.totals.frames), Detail::Ethernet(Box::new(detail)))
            }
        };
        Self {
            format: FORMAT,
            program: old.program,
            run: old.run,
            started_at: old.started_at,
            machine: old.machine,
            port: old.port,
            return_port: old.return_port,
            placement: old.placement,
            cable: old.cable,
            labels: old.labels,
            profile: old.profile,
            seed: old.seed,
            verdict: old.verdict,
            totals,
            error_ratio: old.error_ratio,
            tried: old.tried,
            latency_ns: old.latency_ns,
            damage: old.damage,
            steps: old.steps,
            seconds_summary: old.seconds_summary,
            seconds: old.seconds,
            seconds_each: 1,
            lines: old.lines,
            line_errors: old.line_errors,
            first_probes: old.handful,
            limit: old.limit,
            duration_s: None,
            plan_done: None,
            stopped: old.stopped,
            references: old.references,
            settings_changed: old.settings_changed,
            cannot_show: old.cannot_show,
            warnings: old.warnings,
            cautions: old.cautions,
            detail,
        }
    }
}
