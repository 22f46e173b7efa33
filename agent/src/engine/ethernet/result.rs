//! What a run found: evidence, verdict and report.

use turnback_core::{
    base::{placement::Placement, time::clock_pair},
    document::run::{self, Latency, PortIdentity, Report, SecondsSummary, Totals, Tried},
    event::Event,
    judge::{
        Verdict,
        facts::{Common, FirstProbes, Limit, Stopped},
        judge,
    },
    kind::ethernet::{
        counters::{CounterDelta, Counters},
        facts::{EthernetFacts, Heard},
        link::{Capabilities, LinkState},
    },
    plan::Profile,
    signal::compare::DamageTally,
    stats::latency::LatencyHistogram,
};

use super::{CheckOptions, Run};
use crate::{engine::ethernet::measured::summarise, error_chain::with_causes, ports::PortError};

impl Run<'_> {
    pub(super) fn evidence(&self) -> EthernetFacts {
        let mut counts = self.gathered.tally.counts;
        let mut losses = self.gathered.losses.with_late(counts.late);
        let not_ready = self.gathered.lost_before_ready.min(losses.on_wire);
        losses.on_wire -= not_ready;
        counts.lost -= not_ready;
        counts.sent -= not_ready;
        let delta = self.gathered.delta(&self.counters_after);
        // Link statistics of a real adapter count what it sent; a driver that counts at hand-over says nothing new.
        let transmitted = (self.counters_after != Counters::default()).then_some(delta.grown.link.tx_packets);
        EthernetFacts {
            common: Common {
                placement: self.placement,
                in_service: self.in_service.clone(),
                damage: self.gathered.tally.damage.kind(),
                slowdowns: self.gathered.slowdowns,
                limit: limit(&self.options.profile),
                stopped: self.gathered.stopped.or(self.cancel.is_cancelled().then_some(Stopped::ByUser)),
                references: self.gathered.references.clone(),
            },
            capabilities: self.port.capabilities(),
            link: self.link,
            fallback_mbps: self.fallback_mbps,
            bad_frames_delivered: self.bad_frames_delivered,
            link_flaps: self.gathered.link_flaps,
            heard: self.gathered.heard,
            counts,
            losses,
            frame_bits: self.gathered.frame_bits(),
            transmitted,
            shortest_trip_ns: [&self.gathered.tally.latency, &self.gathered.tally.latency_loaded]
                .into_iter()
                .filter_map(LatencyHistogram::min_ns)
                .min(),
            spells: self.gathered.spells(&limit(&self.options.profile)),
        }
    }

    pub(super) fn report(self) -> Report {
        let evidence = self.evidence();
        let verdict = judge(&evidence);
        (self.say)(Event::RunEnded { verdict: verdict.clone() });
        let (error_ratio, loss_ratio) = run::ratios(&evidence);
        let delta: CounterDelta = self.gathered.delta(&self.counters_after);
        let not_ready = self.gathered.lost_before_ready;
        let mut warnings = self.warnings.clone();
        if not_ready > 0 {
            warnings.push(format!(
                "the first {not_ready} probes were lost before the port was ready: counted as lost, left out of the judgement"
            ));
        }
        let tally = &self.gathered.tally;
        let clock = |(sent, received)| clock_pair(sent, received);
        let return_port = self.return_port.as_ref().map(|p| p.identity());
        Report {
            totals: Totals::new(&tally.counts, &self.gathered.losses.with_late(tally.counts.late)),
            error_ratio,
            loss_ratio,
            tried: Tried { units: evidence.frames_tried(), failed: evidence.frames_failed() },
            latency_ns: Latency::new(clock(self.gathered.clocks.0), &tally.latency),
            latency_loaded_ns: Latency::new(clock(self.gathered.clocks.1), &tally.latency_loaded),
            damage: tally.damage.clone(),
            steps: self.gathered.steps.clone(),
            zero_loss_rates: self.gathered.zero_loss_rates.clone(),
            seconds_summary: summarise(&tally.seconds),
            spells: evidence.spells,
            seconds: tally.seconds.clone(),
            counters: delta,
            capabilities: evidence.capabilities,
            link: self.link,
            module: self.module.clone(),
            fallback_mbps: evidence.fallback_mbps,
            link_flaps: evidence.link_flaps,
            heard: evidence.heard,
            handful: self.gathered.handful,
            stopped: evidence.common.stopped,
            references: evidence.common.references.clone(),
            settings_changed: self.settings_changed.clone(),
            cannot_show: run::cannot_show(&evidence.capabilities, evidence.fallback_mbps),
            warnings,
            cautions: self.link.medium.cautions(),
            ..blank(&self.options, self.port.identity(), return_port, self.placement, verdict)
        }
    }
}

/// The report of a run that the host did not let begin, or go on: missing rights, a port that is locked or gone.
pub fn refused(
    options: &CheckOptions,
    port: PortIdentity,
    return_port: Option<PortIdentity>,
    error: &PortError,
) -> Report {
    let placement = match return_port {
        Some(_) => Placement::ReturnPort,
        None => options.placement.unwrap_or(Placement::AtPort),
    };
    let next = error.hint().unwrap_or_else(|| "see to what is named here, then repeat".into());
    blank(options, port, return_port, placement, Verdict::refused(with_causes(error), next))
}

/// A report in which nothing is measured yet.
pub(in crate::engine) fn blank(
    options: &CheckOptions,
    port: PortIdentity,
    return_port: Option<PortIdentity>,
    placement: Placement,
    verdict: Verdict,
) -> Report {
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
        totals: Totals::default(),
        error_ratio: None,
        loss_ratio: None,
        tried: Tried::default(),
        latency_ns: Latency::default(),
        latency_loaded_ns: Latency::default(),
        damage: DamageTally::default(),
        steps: Vec::new(),
        zero_loss_rates: Vec::new(),
        seconds_summary: SecondsSummary::default(),
        spells: Default::default(),
        seconds: Vec::new(),
        counters: CounterDelta::default(),
        lines: Default::default(),
        line_errors: None,
        line: None,
        capabilities: Capabilities::default(),
        link: LinkState::default(),
        module: None,
        fallback_mbps: None,
        link_flaps: 0,
        heard: Heard::default(),
        handful: FirstProbes::default(),
        limit: limit(&options.profile),
        stopped: None,
        references: Vec::new(),
        settings_changed: Vec::new(),
        cannot_show: Vec::new(),
        warnings: Vec::new(),
        cautions: Vec::new(),
    }
}

fn limit(profile: &Profile) -> Limit {
    Limit { bit_error_ratio: profile.target_ber, confidence: profile.confidence }
}
