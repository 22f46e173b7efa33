//! What a run found: evidence, verdict and report.

use turnback_core::{
    counters::{CounterDelta, Counters},
    event::Event,
    evidence::{Evidence, Limit, Stopped},
    report::{self, Latency, Report, Totals, Tried},
    time::clock_pair,
    verdict::judge,
};

use super::Run;
use crate::engine::gather::summarise;

impl Run<'_> {
    pub(super) fn evidence(&self) -> Evidence {
        let mut counts = self.gathered.tally.counts;
        let mut losses = self.gathered.losses;
        let not_ready = self.gathered.lost_before_ready.min(losses.on_wire);
        losses.on_wire -= not_ready;
        counts.lost -= not_ready;
        counts.sent -= not_ready;
        let delta = self.gathered.delta(&self.counters_after);
        // Link statistics of a real adapter count what it sent; a driver that counts at hand-over says nothing new.
        let transmitted = (self.counters_after != Counters::default()).then_some(delta.grown.link.tx_packets);
        Evidence {
            placement: self.placement,
            capabilities: self.port.capabilities(),
            in_service: self.in_service.clone(),
            link: self.link,
            fallback_mbps: self.fallback_mbps,
            bad_frames_delivered: self.bad_frames_delivered,
            link_flaps: self.gathered.link_flaps,
            heard: self.gathered.heard,
            handful: self.gathered.handful,
            counts,
            losses,
            frame_bits: self.gathered.frame_bits(),
            transmitted,
            damage: self.gathered.tally.damage.kind(),
            slowdowns: self.gathered.slowdowns,
            limit: Limit {
                bit_error_ratio: self.options.profile.target_ber,
                confidence: self.options.profile.confidence,
            },
            stopped: self.gathered.stopped.or(self.cancel.is_cancelled().then_some(Stopped::ByUser)),
            references: self.gathered.references.clone(),
        }
    }

    pub(super) fn report(self) -> Report {
        let evidence = self.evidence();
        let verdict = judge(&evidence);
        (self.say)(Event::RunEnded { verdict: verdict.clone() });
        let (error_ratio, loss_ratio) = report::ratios(&evidence);
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
        Report {
            format: report::FORMAT,
            program: concat!("turnback ", env!("CARGO_PKG_VERSION")).into(),
            run: self.options.run.clone(),
            started_at: self.options.started_at.clone(),
            machine: self.options.machine.clone(),
            port: self.port.identity(),
            return_port: self.return_port.as_ref().map(|p| p.identity()),
            placement: self.placement,
            cable: self.options.cable.clone(),
            labels: self.options.labels.clone(),
            profile: self.options.profile.name.clone(),
            seed: self.options.seed,
            verdict,
            totals: Totals::new(&tally.counts, &self.gathered.losses),
            error_ratio,
            loss_ratio,
            tried: Tried { units: evidence.frames_tried(), failed: evidence.frames_failed() },
            latency_ns: Latency::new(clock(self.gathered.clocks.0), &tally.latency),
            latency_loaded_ns: Latency::new(clock(self.gathered.clocks.1), &tally.latency_loaded),
            damage: tally.damage.clone(),
            steps: self.gathered.steps.clone(),
            zero_loss_rates: self.gathered.zero_loss_rates.clone(),
            seconds_summary: summarise(&tally.seconds),
            seconds: tally.seconds.clone(),
            counters: delta,
            capabilities: evidence.capabilities,
            link: self.link,
            fallback_mbps: evidence.fallback_mbps,
            link_flaps: evidence.link_flaps,
            heard: evidence.heard,
            handful: evidence.handful,
            limit: evidence.limit,
            stopped: evidence.stopped,
            references: evidence.references.clone(),
            settings_changed: self.settings_changed.clone(),
            cannot_show: report::cannot_show(&evidence.capabilities, evidence.fallback_mbps),
            warnings,
            cautions: self.link.medium.cautions(),
        }
    }
}
