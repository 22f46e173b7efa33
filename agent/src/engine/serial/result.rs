//! Turns a measurement into evidence and report.

use turnback_core::{
    base::{
        caution::Caution,
        time::{ClockSource, SECOND_NS, clock_pair},
    },
    document::run::{ByteTotals, Detail, HalfDuplex, Latency, Report, SerialDetail, Totals, Tried},
    judge::{
        Verdict,
        facts::{Common, Facts, Silence},
        ratio::ERRORS_MIN,
    },
    kind::Kind,
    kind::serial::{
        facts::{SerialFacts, highest_clean},
        plug::LinePlug,
        rules::modem,
    },
    plan::ProfileKind,
    signal::{seconds::fold, when::When},
};

use super::{SerialRun, measured::SerialMeasured};
use crate::engine::report::{blank, plan_done, summarise, until_proved};

impl SerialRun<'_, '_> {
    pub(super) fn facts(&self, measured: &SerialMeasured) -> SerialFacts {
        let g = measured;
        let lost_in_host = g.errors.map_or(0, |errors| errors.lost_in_host());
        let stopped = self.stopped(g);
        let is_proof = self.options.profile.kind == ProfileKind::Proof;
        let mut facts = SerialFacts {
            common: Common {
                placement: g.placement,
                in_service: self.in_service.clone(),
                damage: g.tally.damage.kind(),
                slowdowns: g.slowdowns,
                limit: self.options.profile.limit(Kind::Serial, stopped),
                stopped,
                references: self.references.clone(),
                plan_done: plan_done(Some(self.data_seconds()), &g.tally.seconds),
                is_proof,
            },
            capabilities: self.kind.line.capabilities(),
            plug: g.plug,
            format: self.kind.format,
            foreign: g.foreign,
            counts: g.tally.counts,
            errors: g.errors,
            since_slowed: g.since_slowed,
            lost_at_slowest: g.lost_at_slowest,
            modem: g.modem.clone(),
            flow: g.flow,
            break_returned: g.break_returned,
            speeds: g.speeds.clone(),
            formats: g.formats.clone(),
            silence: g.silence.map(|silence| Silence {
                from_s: silence.since.unwrap_or(0).saturating_sub(self.origin).div_ceil(SECOND_NS).max(1),
                noise: silence.noise,
            }),
            when: When::of(&g.tally.seconds, lost_in_host + ERRORS_MIN, lost_in_host),
        };
        if is_proof {
            facts.common.plan_done = facts.common.plan_done.map(|most| until_proved(&facts, 1.0, most));
        }
        facts
    }

    pub(super) fn report(&self, measured: SerialMeasured, verdict: Verdict) -> Report {
        let evidence = self.facts(&measured);
        let g = &measured;
        let virtual_time = evidence.capabilities.moves_plug;
        let clock = if virtual_time { ClockSource::Virtual } else { ClockSource::Program };
        let latency = Latency::new(clock_pair(clock, clock), &g.single_byte_trips);
        let blank = blank(&self.options, self.kind.line.identity(), None, self.placement, verdict);
        let (seconds, seconds_each) = fold(&g.tally.seconds);
        Report {
            totals: Totals::Bytes(ByteTotals::new(&g.tally.counts, evidence.lost_in_host())),
            error_ratio: evidence.error_ratio(),
            tried: Tried { units: evidence.blocks_tried(), failed: evidence.blocks_failed() },
            latency_ns: latency,
            damage: g.tally.damage.clone(),
            seconds_summary: summarise(&g.tally.seconds),
            seconds,
            seconds_each,
            lines: modem::lines(&evidence),
            line_errors: evidence.errors,
            detail: Detail::Serial(Box::new(SerialDetail {
                format: self.kind.format,
                plug: measured.plug,
                capabilities: evidence.capabilities,
                foreign_bytes: evidence.foreign,
                counts: evidence.counts,
                counts_since_slowed: evidence.since_slowed,
                characters_per_second: g.characters_per_second,
                share_of_line: g
                    .characters_per_second
                    .filter(|_| evidence.capabilities.paced)
                    .map(|rate| rate / self.kind.format.characters_per_second()),
                turnaround: g.turnaround.clone(),
                half_duplex: (measured.plug == LinePlug::Rs485).then(|| {
                    HalfDuplex::new(evidence.capabilities.half_duplex, evidence.counts.returned > 0, &g.turnaround)
                }),
                highest_clean_bits_per_second: highest_clean(&g.speeds),
                speeds: g.speeds.clone(),
                formats: g.formats.clone(),
                flow_control: evidence.flow,
                break_returned: evidence.break_returned,
                modem_readings: evidence.modem.clone(),
            })),
            first_probes: g.first_probes,
            limit: evidence.common.limit,
            plan_done: evidence.common.plan_done,
            stopped: evidence.common.stopped,
            references: evidence.common.references.clone(),
            settings_changed: self.settings_changed.clone(),
            cannot_show: evidence.cannot_show(),
            warnings: self.warnings.clone(),
            cautions: vec![Caution::SerialLevels, Caution::GroundPotential],
            ..blank
        }
    }
}
