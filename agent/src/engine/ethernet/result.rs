//! Turns a measurement into evidence and report.

use turnback_core::{
    base::time::clock_pair,
    document::run::{self, Detail, EthernetDetail, FrameTotals, Latency, LossRatio, Report, Totals, Tried},
    judge::{
        Verdict,
        facts::{Common, Facts},
    },
    kind::Kind,
    kind::ethernet::{
        counters::{CounterDelta, Counters},
        facts::{EthernetFacts, Heard},
    },
    plan::ProfileKind,
    signal::seconds::fold,
    stats::latency::LatencyHistogram,
};

use super::{EthernetRun, measured::EthernetMeasured};
use crate::engine::report::{blank, plan_done, summarise, until_proved};

impl EthernetRun<'_, '_> {
    pub(super) fn facts(&self, measured: &EthernetMeasured) -> EthernetFacts {
        let mut counts = measured.tally.counts;
        let mut losses = measured.losses.with_late(counts.late);
        let not_ready = measured.lost_before_ready.min(losses.on_wire);
        losses.on_wire -= not_ready;
        counts.lost -= not_ready;
        counts.sent -= not_ready;
        let delta = measured.delta();
        let (stopped, capabilities) = (self.stopped(measured), self.kind.port.capabilities());
        let limit = self.options.profile.limit(Kind::Ethernet, stopped);
        let planned = self.options.profile.sends_for().map(|time| time.as_secs_f64());
        let trips: [&LatencyHistogram; 2] = [&measured.tally.latency, &measured.tally.latency_loaded];
        // Link statistics of a real adapter count what it sent; a driver that counts at hand-over says nothing new.
        let transmitted = (measured.counters_after != Counters::default()).then_some(delta.grown.link.tx_packets);
        let is_proof = self.options.profile.kind == ProfileKind::Proof;
        let mut facts = EthernetFacts {
            common: Common {
                placement: measured.placement,
                in_service: self.in_service.clone(),
                damage: measured.tally.damage.kind(),
                slowdowns: measured.slowdowns,
                limit,
                stopped,
                references: self.references.clone(),
                plan_done: plan_done(planned, &measured.tally.seconds),
                is_proof,
            },
            capabilities,
            offers_cable_test: self.kind.offers_cable_test,
            link: measured.link,
            fallback_mbps: measured.fallback_mbps,
            bad_frames_delivered: measured.bad_frames_delivered,
            link_flaps: measured.link_flaps,
            heard: Heard {
                sent_by_host: transmitted.map(|sent| sent.saturating_sub(measured.tally.counts.sent)),
                ..measured.heard
            },
            counts,
            losses,
            frame_bits: measured.frame_bits(capabilities.checks_frames),
            sizes_not_taken: self.kind.sizes_not_taken.clone(),
            sizes_not_returned: measured.sizes_not_returned(&self.options.profile.sizes_bytes),
            transmitted,
            shortest_trip_ns: trips.iter().filter_map(|trips| trips.min_ns()).min(),
            longest_trip_ns: trips.iter().filter_map(|trips| trips.max_ns()).max(),
            silent_from_s: measured.silent_from_s(),
            when: measured.when(),
            spells: measured.spells(&limit),
            spread: measured.spread(),
        };
        if is_proof {
            facts.common.plan_done = facts.common.plan_done.map(|most| until_proved(&facts, facts.frame_bits, most));
        }
        facts
    }

    pub(super) fn report(&self, measured: EthernetMeasured, verdict: Verdict) -> Report {
        let evidence = self.facts(&measured);
        let delta: CounterDelta = measured.delta();
        let not_ready = measured.lost_before_ready;
        let mut warnings = self.warnings.clone();
        if not_ready > 0 {
            warnings.push(format!(
                "the first {not_ready} probes were lost before the port was ready: counted as lost, left out of the \
                 judgement"
            ));
        }
        let tally = &measured.tally;
        let (seconds, seconds_each) = fold(&tally.seconds);
        let clock = |(sent, received)| clock_pair(sent, received);
        let return_port = self.kind.return_port.as_ref().map(|p| p.identity());
        let detail = EthernetDetail {
            capabilities: evidence.capabilities,
            link: measured.link,
            fallback_mbps: evidence.fallback_mbps,
            link_flaps: evidence.link_flaps,
            transceiver: measured.transceiver,
            heard: evidence.heard,
            loss_ratio: LossRatio::new(&evidence),
            latency_loaded_ns: Latency::new(clock(measured.clocks.1), &tally.latency_loaded),
            zero_loss_rates: measured.zero_loss_rates,
            spells: evidence.spells,
            counters: delta,
        };
        Report {
            totals: Totals::Frames(FrameTotals::new(&tally.counts, &measured.losses.with_late(tally.counts.late))),
            error_ratio: evidence.error_ratio(),
            tried: Tried { units: evidence.frames_tried(), failed: evidence.frames_failed() },
            latency_ns: Latency::new(clock(measured.clocks.0), &tally.latency),
            damage: tally.damage.clone(),
            steps: measured.steps,
            seconds_summary: summarise(&tally.seconds),
            seconds,
            seconds_each,
            first_probes: measured.first_probes,
            plan_done: evidence.common.plan_done,
            limit: evidence.common.limit,
            stopped: evidence.common.stopped,
            references: evidence.common.references.clone(),
            settings_changed: self.settings_changed.clone(),
            cannot_show: run::cannot_show(&evidence.capabilities, evidence.fallback_mbps),
            warnings,
            cautions: measured.link.medium.cautions(),
            detail: Detail::Ethernet(Box::new(detail)),
            ..blank(&self.options, self.kind.port.identity(), return_port, self.placement, verdict)
        }
    }
}
