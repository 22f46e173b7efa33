//! The head that every report has, and what both kinds of port summarise in the same way.

use turnback_core::{
    base::{figure::sentence, placement::Placement},
    document::run::{self, ByteTotals, Detail, FrameTotals, Latency, Report, SecondsSummary, Totals, Tried},
    judge::{
        Verdict,
        facts::{Facts, FirstProbes, PlanDone},
        ratio::Basis,
    },
    kind::{Kind, port::PortIdentity},
    signal::{compare::DamageTally, seconds::SecondCounts},
    stats::availability::{Availability, Second},
};

use super::options::CheckOptions;
use crate::{error_chain::with_causes, ports::PortError};

/// The report of a run that could not begin or go on: missing rights, a port that is locked or gone.
pub fn refused(
    options: &CheckOptions,
    port: PortIdentity,
    return_port: Option<PortIdentity>,
    error: &PortError,
) -> Report {
    let placement = match return_port {
        Some(_) => Placement::ReturnPort,
        None => options.placement.unwrap_or_default(),
    };
    let next = error.hint().unwrap_or_else(|| "see to what is named here, then test again".into());
    let [text, next] = [&with_causes(error), &next].map(|told| sentence(told, &port.name));
    blank(options, port, return_port, placement, Verdict::refused(text, next))
}

/// A report in which nothing is measured yet: its head alone.
pub(super) fn blank(
    options: &CheckOptions,
    port: PortIdentity,
    return_port: Option<PortIdentity>,
    placement: Placement,
    verdict: Verdict,
) -> Report {
    let limit = options.profile.limit(port.kind, None);
    let (totals, detail) = match port.kind {
        Kind::Ethernet => (Totals::Frames(FrameTotals::default()), Detail::Ethernet(Box::default())),
        Kind::Serial => (Totals::Bytes(ByteTotals::default()), Detail::Serial(Box::default())),
    };
    Report {
        format: run::FORMAT,
        program: concat!("turnback ", env!("CARGO_PKG_VERSION")).into(),
        run: options.run.clone(),
        started_at: options.started_at.clone(),
        machine: options.machine.clone(),
        port,
        return_port,
        placement,
        cable: options.cable.clone(),
        labels: options.labels.clone(),
        profile: options.profile.name.clone(),
        seed: options.seed,
        verdict,
        totals,
        error_ratio: None,
        tried: Tried::default(),
        latency_ns: Latency::default(),
        damage: DamageTally::default(),
        steps: Vec::new(),
        seconds_summary: SecondsSummary::default(),
        seconds: Vec::new(),
        seconds_each: 1,
        lines: Default::default(),
        line_errors: None,
        first_probes: FirstProbes::default(),
        limit,
        duration_s: None,
        plan_done: None,
        stopped: None,
        references: Vec::new(),
        settings_changed: Vec::new(),
        cannot_show: Vec::new(),
        warnings: Vec::new(),
        cautions: Vec::new(),
        detail,
    }
}

/// How long the plan was to send, and how many of `seconds` something was sent in; none for a search.
pub(super) fn plan_done(planned_s: Option<f64>, seconds: &[SecondCounts]) -> Option<PlanDone> {
    let done_s = seconds.iter().filter(|second| second.sent > 0).count() as f64;
    Some(PlanDone { asked_s: planned_s?, done_s })
}

/// The same of a proof, which was to send until its limit was proved: that takes so long, at the rate of until now and
/// if nothing more fails, but no longer than it may.
pub(super) fn until_proved<F: Facts>(facts: &F, unit_bits: f64, most: PlanDone) -> PlanDone {
    let needed_s = facts.error_ratio().filter(|ratio| ratio.trials > 0).and_then(|ratio| {
        let bits = if ratio.basis == Basis::Bits { 1.0 } else { unit_bits };
        let needed = facts.common().limit.units_needed(ratio.errors, ratio.trials, bits)?;
        Some(needed as f64 / ratio.trials as f64 * most.done_s)
    });
    PlanDone { asked_s: needed_s.map_or(most.asked_s, |more| most.asked_s.min(most.done_s + more)), ..most }
}

/// Sorts the seconds of a run; the rules are in [`turnback_core::stats::availability`].
pub(super) fn summarise(seconds: &[SecondCounts]) -> SecondsSummary {
    let mut availability = Availability::new();
    for counts in seconds.iter().filter(|s| s.sent > 0 || s.without_link) {
        if let Ok(second) = Second::new(counts.sent, counts.failed()) {
            availability.push(second.with_defect(counts.without_link));
        }
    }
    SecondsSummary::new(&availability.totals())
}
