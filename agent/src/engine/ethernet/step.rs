//! Carries out one step: sends in every direction at once, reads the counters before and after, adds the results.

use std::time::Duration;

use turnback_core::{
    document::run::{DelayVariationReport, StepReport},
    judge::{facts::Stopped, ratio::Basis},
    kind::Kind,
    kind::ethernet::{counters::difference, link::LinkState, losses::Losses, probe::FCS_BYTES, stream::StreamSpec},
    plan::{ProfileKind, Step},
    signal::seconds::mark_without_link,
};

use super::{
    CheckError, EthernetRun,
    measured::EthernetMeasured,
    watch::{Echoes, LINK_PATIENCE_IN_SOAK, LINK_PATIENCE_IN_STEPS, Watcher},
};
use crate::ports::{
    PortError,
    runner::{Glimpse, StepAmount, StepOrder, StepResult, StepRunner},
};

impl EthernetRun<'_, '_> {
    /// Carries out a step in every direction at once and adds the results to `measured`. `left` is the time that the
    /// plan needs after it, for the progress shown.
    pub(super) fn run_step(
        &mut self,
        measured: &mut EthernetMeasured,
        step: &Step,
        amount: StepAmount,
        rate: Option<f64>,
        left: Option<Duration>,
    ) -> Result<Vec<(StepResult, Losses)>, CheckError> {
        let before = self.kind.counters()?;
        let link_before = self.kind.port.link()?;
        let order = StepOrder {
            spec: StreamSpec {
                lane: 0,
                tag: self.kind.tag,
                source: [0; 6],
                destination: [0; 6],
                pattern: step.pattern.clone(),
                frame_bytes: step.size_bytes as usize - FCS_BYTES,
                first_sequence: 0,
            },
            amount,
            probes_per_second: rate,
            settle: self.options.profile.settle,
            origin: self.origin,
        };
        let counts_frames = self.facts(measured).basis() == Basis::Frames;
        let frame_bits = counts_frames.then(|| f64::from(step.size_bytes) * 8.0);
        let mut watch = Watcher {
            cancel: self.cancel,
            port: &mut *self.kind.port,
            return_port: match &mut self.kind.return_port {
                Some(port) => Some(&mut **port),
                None => None,
            },
            in_service: Vec::new(),
            say: &mut *self.say,
            so_far: measured.tally.counts,
            lost_inside: measured.losses.inside(),
            origin: self.origin,
            step_time: match amount {
                StepAmount::Flow(time) => Some(time),
                StepAmount::Single(_) => None,
            },
            left,
            started: None,
            limit: self.options.profile.limit(Kind::Ethernet, None),
            frame_bits,
            down_since: measured.down_since,
            outages: Vec::new(),
            flaps: 0,
            was_up: link_before.up,
            echoes: self.kind.echoes.of_next_step(),
            link_patience: match self.options.profile.kind {
                ProfileKind::Steps | ProfileKind::RateSearch => LINK_PATIENCE_IN_STEPS,
                ProfileKind::Soak | ProfileKind::Proof => LINK_PATIENCE_IN_SOAK,
            },
            gives_up: self.kind.gives_up,
            settle: self.options.profile.settle,
            told: None,
            stopped: None,
        };
        let results = run_all(&mut self.kind.runners, &order, &mut |glimpse| watch.look(glimpse));
        let (flaps, outages) = (watch.flaps, std::mem::take(&mut watch.outages));
        measured.down_since = watch.down_since;
        let echoes = std::mem::take(&mut watch.echoes);
        let disturbed = watch.look_for_disturbance();
        self.in_service.extend(watch.in_service);
        self.kind.echoes = echoes;
        let mut results = results?;
        let after = self.kind.counters().unwrap_or_else(|_| before.clone());
        let delta = difference(&before, &after);
        let changes = |l: &LinkState| l.carrier_changes.unwrap_or(0);
        // The carrier may go and come back between two looks. The kernel counts both changes.
        let counted = self.kind.port.link().map(|l| changes(&l).saturating_sub(changes(&link_before)) / 2).unwrap_or(0);
        if let Some(first) = results.first_mut() {
            first.link_flaps = first.link_flaps.max(flaps).max(counted);
            first.stopped = match (first.stopped, disturbed) {
                // What somebody did to the port explains a lost link and frames that cannot be sent.
                (None | Some(Stopped::LinkLost), Some(_)) => disturbed,
                (stopped, _) => stopped,
            };
        }
        let single = matches!(amount, StepAmount::Single(_));
        // With two directions the counters of both ports are summed, and each direction may claim them. That can only
        // move blame from the wire to this computer.
        let booked = results
            .into_iter()
            .map(|result| {
                let losses = measured.add(&result, order.spec.frame_bytes, &delta, single);
                (result, losses)
            })
            .collect::<Vec<_>>();
        if measured.stopped == Some(Stopped::WentSilent) && measured.silent_from_s().is_none() {
            // Something did come back: all damaged, or too late, or this computer lost it. The plan goes on.
            measured.stopped = None;
            self.kind.echoes = Echoes::default();
        }
        for (from, to) in outages {
            mark_without_link(&mut measured.tally.seconds, from, to, self.origin);
        }
        // Single probes are part of the step that follows them.
        if !single {
            let directions: Vec<_> = self.kind.runners.iter().map(|r| r.direction()).collect();
            for (number, ((result, losses), direction)) in booked.iter().zip(directions).enumerate() {
                let variation = self.kind.variations.get(number).copied().flatten();
                let fresh = step_report(step, direction, rate, result, losses, variation);
                self.report_step(measured, fresh);
            }
        }
        Ok(booked)
    }

    pub(super) fn report_step(&self, measured: &mut EthernetMeasured, fresh: StepReport) {
        let sliced = matches!(self.options.profile.kind, ProfileKind::Soak | ProfileKind::Proof);
        let same = |s: &&mut StepReport| {
            sliced
                && s.direction == fresh.direction
                && s.size_bytes == fresh.size_bytes
                && s.pattern == fresh.pattern
                && !s.repeated_slower
        };
        match measured.steps.iter_mut().rev().find(same) {
            // Slices of one long step share a row.
            Some(row) => {
                row.frames_sent += fresh.frames_sent;
                row.frames_returned += fresh.frames_returned;
                row.frames_lost += fresh.frames_lost;
                row.frames_lost_in_host += fresh.frames_lost_in_host;
                row.frames_never_left += fresh.frames_never_left;
                row.frames_damaged += fresh.frames_damaged;
                row.bit_errors += fresh.bit_errors;
                row.seconds += fresh.seconds;
                row.frames_per_second = row.frames_sent as f64 / row.seconds.max(1e-9);
                row.bits_per_second = row.frames_per_second * f64::from(row.size_bytes) * 8.0;
            }
            None => measured.steps.push(fresh),
        }
    }
}

/// Frames a second that were sent, in the slower direction.
pub(super) fn frames_per_second(results: &[(StepResult, Losses)]) -> f64 {
    results.iter().map(|(r, _)| r.tally.counts.sent as f64 / r.seconds.max(1e-9)).fold(f64::MAX, f64::min)
}

fn step_report(
    step: &Step,
    direction: String,
    rate: Option<f64>,
    result: &StepResult,
    losses: &Losses,
    variation: Option<DelayVariationReport>,
) -> StepReport {
    let counts = &result.tally.counts;
    let seconds = result.seconds.max(1e-9);
    StepReport {
        direction,
        size_bytes: step.size_bytes,
        pattern: step.pattern.to_string(),
        frames_sent: counts.sent,
        frames_returned: counts.returned,
        frames_lost: counts.lost,
        frames_lost_in_host: losses.in_host,
        frames_never_left: losses.never_left,
        frames_damaged: counts.damaged,
        bit_errors: counts.bit_errors,
        seconds: result.seconds,
        frames_per_second: counts.sent as f64 / seconds,
        bits_per_second: counts.sent as f64 * f64::from(step.size_bytes) * 8.0 / seconds,
        delay_variation_ns: variation,
        rate_asked: rate,
        repeated_slower: false,
    }
}

/// Runs the order on every runner at once. `watch` sees the glimpses of the first runner and stops all of them.
fn run_all(
    runners: &mut [Box<dyn StepRunner>],
    order: &StepOrder,
    watch: &mut dyn FnMut(Glimpse) -> Option<Stopped>,
) -> Result<Vec<StepResult>, PortError> {
    let lane =
        |number: usize| StepOrder { spec: StreamSpec { lane: number as u8, ..order.spec.clone() }, ..order.clone() };
    let [first, rest @ ..] = runners else { return Ok(Vec::new()) };
    let stop = std::sync::Mutex::new(None);
    std::thread::scope(|scope| {
        let others: Vec<_> = rest
            .iter_mut()
            .enumerate()
            .map(|(number, runner)| {
                let (order, stop) = (lane(number + 1), &stop);
                scope.spawn(move || {
                    runner.run(order, &mut |_| *stop.lock().unwrap_or_else(std::sync::PoisonError::into_inner))
                })
            })
            .collect();
        let mut results = vec![first.run(lane(0), &mut |glimpse| {
            let stopped = watch(glimpse);
            if stopped.is_some() {
                *stop.lock().unwrap_or_else(std::sync::PoisonError::into_inner) = stopped;
            }
            stopped
        })];
        for other in others {
            results.push(other.join().unwrap_or_else(|panic| std::panic::resume_unwind(panic)));
        }
        results.into_iter().collect()
    })
}
