//! The way of a check: refuse a port in service, find the link, listen, a handful of probes, then the plan, then, if it
//! failed, the same from another place where that needs no hand; and put everything back.

use std::time::Duration;

use thiserror::Error;
use turnback_core::{
    caution::Caution,
    counters::{CounterDelta, Counters, difference},
    event::{Event, Progress},
    evidence::{Basis, Evidence, Limit, Reference, Stopped},
    link::{LinkState, Medium, Placement, PortSetting},
    pattern::Pattern,
    plan::{Kind, PlanError, Profile, Rate, SIZE_MIN, Step},
    probe::ethernet::{FCS_BYTES, FRAME_BYTES_MIN},
    report::{self, DelayVariationReport, Latency, Report, StepReport, Totals, ZeroLossRate},
    rng::Rng,
    stats::{
        proof::{Decision, Looks, Proof},
        ratio::upper_bound,
    },
    stream::StreamSpec,
    time::{Nanos, SECOND_NS, clock_pair},
    verdict::{
        Outcome, judge,
        ratio::{bit_error_ratio, bits_to_frames},
    },
};

use super::{
    cancel::Cancel,
    gather::{Gathered, summarise},
    runner::{Glimpse, StepAmount, StepOrder, StepResult, StepRunner},
};
use crate::ports::{FramePort, Interface, Port, PortError, Way};

/// What a check is to do, beside its profile.
#[derive(Clone, Debug)]
pub struct CheckOptions {
    /// What to send, how long, and what a pass must prove.
    pub profile: Profile,
    /// Where the plug is; none: where the port knows it to be, else at the port.
    pub placement: Option<Placement>,
    /// Label of the cable.
    pub cable: Option<String>,
    /// Force this speed, Mb/s.
    pub speed_mbps: Option<u32>,
    /// Seed of the run tag.
    pub seed: u64,
    /// Id of the run.
    pub run: String,
    /// When it began, in words.
    pub started_at: String,
    /// Test although the port is in service, where that may be said at all.
    pub although_in_service: bool,
    /// Confirm a failure from another place where that needs no hand.
    pub confirm: bool,
}

/// A check could not be made at all.
#[derive(Debug, Error)]
pub enum CheckError {
    /// The port failed.
    #[error(transparent)]
    Port(#[from] PortError),
    /// The plan does not fit the port.
    #[error(transparent)]
    Plan(#[from] PlanError),
    /// The port does not offer what was asked.
    #[error("{port} cannot {what}")]
    NotOffered {
        /// The port.
        port: String,
        /// What was asked.
        what: String,
    },
}

/// Checks a port. `say` is told what happens as it happens; `cancel` ends the run with a report of what was done.
///
/// # Errors
/// When nothing could be measured for a reason that is no verdict: no such port, missing rights, a plan that does not fit.
pub fn check<'a>(
    port: &'a mut dyn Port,
    return_port: Option<&'a mut dyn Port>,
    options: CheckOptions,
    say: &'a mut dyn FnMut(Event),
    cancel: &'a Cancel,
) -> Result<Report, CheckError> {
    let (port, return_port) = match (port.way(), return_port.map(|port| port.way())) {
        (Way::Frames(port), None) => (port, None),
        (Way::Frames(port), Some(Way::Frames(other))) => (port, Some(other)),
        (Way::Bytes(port), None) => {
            return Err(CheckError::NotOffered { port: port.identity().name, what: "be tested yet".into() });
        }
        (Way::Bytes(port), Some(_)) | (Way::Frames(_), Some(Way::Bytes(port))) => {
            let what = "be tested together with a return port: both must be Ethernet interfaces of this machine";
            return Err(CheckError::NotOffered { port: port.identity().name, what: what.into() });
        }
    };
    let mut run = Run::new(port, return_port, options, say, cancel)?;
    let done = run.carry_out();
    run.put_back();
    done?;
    Ok(run.report())
}

struct Run<'a> {
    port: &'a mut dyn FramePort,
    return_port: Option<&'a mut dyn FramePort>,
    options: CheckOptions,
    say: &'a mut dyn FnMut(Event),
    cancel: &'a Cancel,
    placement: Placement,
    gathered: Gathered,
    in_service: Vec<String>,
    link: LinkState,
    fallback_mbps: Option<u32>,
    bad_frames_delivered: bool,
    settings_changed: Vec<String>,
    warnings: Vec<String>,
    runners: Vec<Box<dyn StepRunner>>,
    tag: u64,
    origin: Nanos,
    counters_after: Counters,
    step_number: u32,
    /// Delay variation of the coming step's size, by direction.
    variations: Vec<Option<DelayVariationReport>>,
}

impl<'a> Run<'a> {
    fn new(
        port: &'a mut dyn FramePort,
        return_port: Option<&'a mut dyn FramePort>,
        options: CheckOptions,
        say: &'a mut dyn FnMut(Event),
        cancel: &'a Cancel,
    ) -> Result<Self, CheckError> {
        let placement = match (&return_port, options.placement) {
            (Some(_), _) => Placement::ReturnPort,
            (None, Some(placement)) => placement,
            (None, None) => port.plug_is_at().unwrap_or(Placement::AtPort),
        };
        let tag = Rng::new(options.seed).branch(0x0074_6167).draw();
        Ok(Self {
            origin: port.now(),
            port,
            return_port,
            say,
            cancel,
            placement,
            gathered: Gathered::default(),
            in_service: Vec::new(),
            link: LinkState::default(),
            fallback_mbps: None,
            bad_frames_delivered: false,
            settings_changed: Vec::new(),
            warnings: Vec::new(),
            runners: Vec::new(),
            tag,
            counters_after: Counters::default(),
            step_number: 0,
            variations: Vec::new(),
            options,
        })
    }

    fn carry_out(&mut self) -> Result<(), CheckError> {
        (self.say)(Event::RunStarted {
            run: self.options.run.clone(),
            port: self.port.identity().name,
            profile: self.options.profile.name.clone(),
        });
        if self.find_service()? {
            return Ok(());
        }
        self.take_place(self.placement)?;
        self.bring_up()?;
        self.find_link()?;
        self.fit_plan()?;
        self.gathered.counters_before = self.counters()?;
        if self.link.up {
            self.open_runners()?;
            match self.measure() {
                // Between two steps nobody watches the port: its end is noticed by whatever asks it next.
                Err(CheckError::Port(PortError::Gone(_))) => self.gathered.stopped = Some(Stopped::PortGone),
                done => done?,
            }
        }
        self.counters_after = self.counters().unwrap_or_else(|_| self.gathered.counters_before.clone());
        self.confirm()
    }

    /// True when the port is in service and must be left alone.
    fn find_service(&mut self) -> Result<bool, CheckError> {
        let mut reasons = self.port.in_service()?;
        if let Some(other) = &mut self.return_port {
            reasons.extend(other.in_service()?);
        }
        let passed_over = |r: &crate::ports::ServiceReason| self.options.although_in_service && r.may_be_overridden;
        self.in_service = reasons.iter().filter(|r| !passed_over(r)).map(|r| r.text.clone()).collect();
        for reason in reasons.iter().filter(|r| passed_over(r)) {
            self.warnings.push(format!("tested although in service, as asked: {}", reason.text));
        }
        Ok(!self.in_service.is_empty())
    }

    fn take_place(&mut self, placement: Placement) -> Result<(), CheckError> {
        let moved = self.port.place(placement);
        if placement == Placement::Internal && !moved {
            return Err(self.not_offered("loop inside the chip (its driver offers no `loopback` feature); use a plug"));
        }
        Ok(())
    }

    fn bring_up(&mut self) -> Result<(), CheckError> {
        self.port.apply(PortSetting::Up(true))?;
        if let Some(other) = &mut self.return_port {
            other.apply(PortSetting::Up(true))?;
        }
        // Single wrong bits say more than a dropped frame.
        if self.port.capabilities().delivers_bad_frames && self.return_port.is_none() {
            self.bad_frames_delivered = self.port.apply(PortSetting::DeliverBadFrames(true))?;
        }
        if let Some(mbps) = self.options.speed_mbps
            && !self.port.apply(PortSetting::ForcedSpeed(mbps))?
        {
            return Err(self.not_offered(&format!("be forced to {mbps} Mb/s")));
        }
        Ok(())
    }

    fn not_offered(&self, what: &str) -> CheckError {
        CheckError::NotOffered { port: self.port.identity().name, what: what.to_owned() }
    }

    /// Waits for the link; gigabit copper that cannot link to itself is tried at 100 Mb/s.
    fn find_link(&mut self) -> Result<(), CheckError> {
        self.link = self.wait_for_link()?;
        let capabilities = self.port.capabilities();
        let copper = matches!(self.link.medium, Medium::Copper);
        let looped = !matches!(self.placement, Placement::Internal | Placement::ReturnPort);
        if !self.link.up && copper && looped && self.options.speed_mbps.is_none() && capabilities.forces_speed {
            let setting = PortSetting::ForcedSpeed(FALLBACK_MBPS);
            if self.port.apply(setting)? {
                (self.say)(Event::SettingChanged { setting });
                let link = self.wait_for_link()?;
                if link.up {
                    self.fallback_mbps = Some(FALLBACK_MBPS);
                }
                self.link = link;
            }
        }
        (self.say)(Event::LinkRead { link: self.link });
        Ok(())
    }

    fn wait_for_link(&mut self) -> Result<LinkState, CheckError> {
        // Copper takes up to about four seconds to negotiate (common practice, no source).
        let mut waited = Duration::ZERO;
        loop {
            let mut link = self.port.link()?;
            if let Some(other) = &mut self.return_port {
                link.up &= other.link()?.up;
            }
            if link.up || waited >= LINK_PATIENCE || self.cancel.is_cancelled() {
                return Ok(link);
            }
            self.port.pause(LINK_POLL);
            waited += LINK_POLL;
        }
    }

    fn fit_plan(&mut self) -> Result<(), CheckError> {
        let mut most = self.port.capabilities().frame_bytes_max;
        if let Some(other) = &self.return_port {
            most = most.min(other.capabilities().frame_bytes_max);
        }
        let left_out = self.options.profile.fit(most)?;
        if !left_out.is_empty() {
            let sizes: Vec<_> = left_out.iter().map(u32::to_string).collect();
            self.warnings.push(format!(
                "sizes {} left out: this port takes up to {} bytes with FCS; raise its MTU to test them",
                sizes.join(", "),
                most + FCS_BYTES
            ));
        }
        if let Rate::Share(_) = self.options.profile.rate
            && self.line_bps().is_none()
        {
            return Err(PlanError::Range {
                name: "rate",
                given: self.options.profile.rate.to_string(),
                allowed: "this port has no line rate to take a share of; give frames a second".into(),
            }
            .into());
        }
        Ok(())
    }

    fn line_bps(&self) -> Option<u64> {
        self.port.capabilities().has_line_rate.then_some(())?;
        self.link.speed_mbps.map(|mbps| u64::from(mbps) * 1_000_000)
    }

    fn open_runners(&mut self) -> Result<(), CheckError> {
        let here = self.port.interface();
        match &mut self.return_port {
            None => self.runners.push(self.port.open(None)?),
            Some(other) => {
                let there: Option<Interface> = other.interface();
                let (Some(here), Some(there)) = (here, there) else {
                    return Err(CheckError::NotOffered {
                        port: self.port.identity().name,
                        what: "be tested together with a return port: both must be Ethernet interfaces of this machine"
                            .into(),
                    });
                };
                self.runners.push(self.port.open(Some(there))?);
                self.runners.push(other.open(Some(here))?);
            }
        }
        Ok(())
    }

    fn measure(&mut self) -> Result<(), CheckError> {
        let listen = self.options.profile.listen;
        for runner in &mut self.runners {
            let (foreign, own) = runner.listen(listen)?;
            self.gathered.heard.foreign_before += foreign;
            self.gathered.heard.own_host += own;
        }
        (self.say)(Event::Listened { foreign: self.gathered.heard.foreign_before });
        if self.gathered.heard.foreign_before > 0 || !self.handful()? {
            return Ok(());
        }
        match self.options.profile.kind {
            Kind::Steps => self.steps(),
            Kind::Soak => self.soak(),
            Kind::Proof => self.proof(),
            Kind::RateSearch => self.rate_search(),
        }
    }

    /// A few single probes. Only when some come back, and nothing foreign with them, is the throttle opened.
    fn handful(&mut self) -> Result<bool, CheckError> {
        let mut lost_so_far = 0;
        for attempt in 0..HANDFUL_ATTEMPTS {
            let step = Step { size_bytes: SIZE_MIN, pattern: Pattern::Prbs31, time: Duration::ZERO, rate: Rate::Full };
            let before = self.gathered.tally.counts;
            self.run_once(&step, StepAmount::Single(HANDFUL_PROBES), None, false)?;
            let counts = self.gathered.tally.counts;
            self.gathered.handful.sent += counts.sent - before.sent;
            self.gathered.handful.returned += counts.returned - before.returned;
            (self.say)(Event::HandfulDone {
                sent: self.gathered.handful.sent,
                returned: self.gathered.handful.returned,
            });
            if self.must_stop() {
                return Ok(false);
            }
            if self.gathered.handful.returned > 0 {
                self.gathered.lost_before_ready = lost_so_far;
                return Ok(true);
            }
            lost_so_far += counts.lost - before.lost;
            if attempt + 1 < HANDFUL_ATTEMPTS {
                self.port.pause(HANDFUL_PAUSE);
            }
        }
        Ok(false)
    }

    fn must_stop(&self) -> bool {
        self.gathered.stopped.is_some() || self.cancel.is_cancelled()
    }

    fn steps(&mut self) -> Result<(), CheckError> {
        let steps = self.options.profile.steps();
        let count = steps.len() as u32;
        for (number, step) in steps.iter().enumerate() {
            if self.must_stop() {
                break;
            }
            self.step_started(step, Some(count));
            let left: Duration = steps[number + 1..].iter().map(|s| s.time).sum();
            self.latency(step)?;
            self.flow_slowing(step, step.time, Some(left))?;
            self.step_done();
        }
        Ok(())
    }

    fn soak(&mut self) -> Result<(), CheckError> {
        let steps = self.options.profile.steps();
        let total = self.options.profile.time;
        let mut left = total;
        // Slices bound what one slice's lost probes can hide, and let sizes and patterns take turns.
        for (number, step) in steps.iter().cycle().enumerate() {
            if left.is_zero() || self.must_stop() {
                break;
            }
            let slice = left.min(SOAK_SLICE);
            left -= slice;
            if number < steps.len() {
                self.step_started(step, None);
                self.latency(step)?;
            }
            self.flow_slowing(step, slice, Some(left))?;
        }
        self.step_done();
        Ok(())
    }

    /// Runs until the target is proved or refuted; how looking often is paid for is told in [`proof`](turnback_core::stats::proof).
    fn proof(&mut self) -> Result<(), CheckError> {
        let steps = self.options.profile.steps();
        let end = self.port.now() + self.options.profile.time.as_nanos() as u64;
        let mut slice = PROOF_FIRST_SLICE;
        for (number, step) in steps.iter().cycle().enumerate() {
            let now = self.port.now();
            if now >= end || self.must_stop() {
                break;
            }
            if number < steps.len() {
                self.step_started(step, None);
                self.latency(step)?;
            }
            let counts_before = self.gathered.tally.counts;
            self.flow_slowing(step, slice.min(Duration::from_nanos(end - now)), None)?;
            let Decision::Continue { bits_needed } = self.proof_so_far()? else { break };
            // The next look is when the proof could first succeed, if nothing more fails; never over a minute away.
            let elapsed = (self.port.now() - now).max(1) as f64 / SECOND_NS as f64;
            let bits = self.gathered.tally.counts.bits_compared - counts_before.bits_compared;
            let wanted = bits_needed.map_or(f64::MAX, |needed| needed as f64 * elapsed / bits.max(1) as f64);
            slice = Duration::from_secs_f64((wanted * 1.02).clamp(0.2, PROOF_SLICE_MAX.as_secs_f64()));
        }
        self.step_done();
        Ok(())
    }

    /// Whether the counts so far prove or refute the target; bits needed are bits whatever is counted.
    fn proof_so_far(&self) -> Result<Decision, CheckError> {
        let evidence = self.evidence();
        let Some(ratio) = bit_error_ratio(&evidence) else { return Ok(Decision::Continue { bits_needed: None }) };
        let (limit, bits_per_trial) = match ratio.basis {
            Basis::Bits => (ratio.limit, 1.0),
            Basis::Frames => (bits_to_frames(ratio.limit, evidence.frame_bits), evidence.frame_bits),
        };
        let decided = Proof::new(limit, ratio.confidence, Looks::Repeated)
            .and_then(|proof| proof.decide(ratio.errors, ratio.trials))
            .map_err(|e| PlanError::Range {
                name: "confidence",
                given: ratio.confidence.to_string(),
                allowed: e.to_string(),
            })?;
        Ok(match decided {
            // Bits alone do not pass a line that loses frames.
            Decision::Proved if judge(&evidence).outcome != Outcome::Pass => Decision::Continue { bits_needed: None },
            Decision::Continue { bits_needed: Some(trials) } => {
                Decision::Continue { bits_needed: Some((trials as f64 * bits_per_trial) as u64) }
            }
            other => other,
        })
    }

    /// RFC 2544 26.1: lower the rate when frames are lost, raise it otherwise; any search that ends with the highest rate
    /// without loss. Here a bisection between the highest rate without and the lowest with loss, to one part in a hundred.
    fn rate_search(&mut self) -> Result<(), CheckError> {
        let steps = self.options.profile.steps();
        let count = steps.len() as u32;
        for step in &steps {
            if self.must_stop() {
                break;
            }
            self.step_started(step, Some(count));
            let mut found = ZeroLossRate {
                size_bytes: step.size_bytes,
                frames_per_second: None,
                lossy_frames_per_second: None,
                limited_by_host: false,
                trials: 0,
            };
            let mut rate = step.rate.frames_per_second(step.size_bytes, self.line_bps());
            while found.trials < SEARCH_TRIALS_MAX && !self.must_stop() {
                let results = self.run_once(step, StepAmount::Flow(step.time), rate, true)?;
                found.trials += 1;
                let lost: u64 = results.iter().map(|(r, _)| r.tally.counts.lost).sum();
                let in_host: u64 = results.iter().map(|(_, l)| l.in_host + l.never_left).sum();
                let reached: f64 = results
                    .iter()
                    .map(|(r, _)| r.tally.counts.sent as f64 / r.seconds.max(1e-9))
                    .fold(f64::MAX, f64::min);
                if lost == 0 {
                    found.frames_per_second = Some(found.frames_per_second.unwrap_or(0.0).max(reached));
                } else {
                    found.lossy_frames_per_second =
                        Some(found.lossy_frames_per_second.unwrap_or(f64::MAX).min(reached));
                    found.limited_by_host = in_host > 0;
                }
                rate = match (found.frames_per_second, found.lossy_frames_per_second) {
                    // No loss at the highest rate there is.
                    (_, None) => break,
                    (Some(good), Some(bad)) if bad - good <= bad * SEARCH_RESOLUTION => break,
                    (good, Some(bad)) => Some((good.unwrap_or(0.0) + bad) / 2.0),
                };
            }
            self.gathered.zero_loss_rates.push(found);
            self.step_done();
        }
        Ok(())
    }

    fn latency(&mut self, step: &Step) -> Result<(), CheckError> {
        let probes = self.options.profile.latency_probes;
        self.variations.clear();
        if probes > 0 {
            let results = self.run_once(step, StepAmount::Single(probes), None, false)?;
            self.variations = results.iter().map(|(r, _)| DelayVariationReport::new(&r.tally.single_trips)).collect();
        }
        Ok(())
    }

    /// A step in full flow; when this computer loses probes it is run again, slower, until it does not.
    fn flow_slowing(&mut self, step: &Step, time: Duration, left: Option<Duration>) -> Result<(), CheckError> {
        let mut rate = step.rate.frames_per_second(step.size_bytes, self.line_bps());
        for _ in 0..=SLOWDOWNS_MAX {
            let results = self.run_with_left(step, StepAmount::Flow(time), rate, true, left)?;
            // What a link that dropped did not take is not this computer's doing.
            let in_host: u64 =
                results.iter().map(|(r, l)| l.in_host + if r.link_flaps == 0 { l.never_left } else { 0 }).sum();
            if in_host == 0 || self.must_stop() {
                return Ok(());
            }
            let reached =
                results.iter().map(|(r, _)| r.tally.counts.sent as f64 / r.seconds.max(1e-9)).fold(f64::MAX, f64::min);
            let slower = rate.unwrap_or(reached).min(reached) / 2.0;
            self.gathered.slowdowns += 1;
            for report in self.gathered.steps.iter_mut().rev().take(results.len()) {
                report.repeated_slower = true;
            }
            (self.say)(Event::Slowed { frames_per_second: slower });
            rate = Some(slower);
        }
        Ok(())
    }

    fn run_once(
        &mut self,
        step: &Step,
        amount: StepAmount,
        rate: Option<f64>,
        reported: bool,
    ) -> Result<Vec<(StepResult, turnback_core::evidence::Losses)>, CheckError> {
        self.run_with_left(step, amount, rate, reported, None)
    }

    /// Runs a step in every direction at once and books the results.
    fn run_with_left(
        &mut self,
        step: &Step,
        amount: StepAmount,
        rate: Option<f64>,
        reported: bool,
        left: Option<Duration>,
    ) -> Result<Vec<(StepResult, turnback_core::evidence::Losses)>, CheckError> {
        let before = self.counters()?;
        let link_before = self.port.link()?;
        let order = StepOrder {
            spec: StreamSpec {
                lane: 0,
                tag: self.tag,
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
        let mut watch = Watcher {
            cancel: self.cancel,
            port: &mut *self.port,
            say: &mut *self.say,
            so_far: self.gathered.tally.counts,
            origin: self.origin,
            step_time: match amount {
                StepAmount::Flow(time) => Some(time),
                StepAmount::Single(_) => None,
            },
            left,
            started: None,
            limit: Limit {
                bit_error_ratio: self.options.profile.target_ber,
                confidence: self.options.profile.confidence,
            },
            down_since: None,
            flaps: 0,
            was_up: link_before.up,
        };
        let mut runners = std::mem::take(&mut self.runners);
        let results = run_all(&mut runners, &order, &mut |glimpse| watch.look(glimpse));
        let flaps = watch.flaps;
        self.runners = runners;
        let mut results = results?;
        let after = self.counters().unwrap_or_else(|_| before.clone());
        let delta = difference(&before, &after);
        let changes = |l: &LinkState| l.carrier_changes.unwrap_or(0);
        // Carrier may go and come between two looks; the kernel counts both ways.
        let counted = self.port.link().map(|l| changes(&l).saturating_sub(changes(&link_before)) / 2).unwrap_or(0);
        if let Some(first) = results.first_mut() {
            first.link_flaps = first.link_flaps.max(flaps).max(counted);
        }
        let single = matches!(amount, StepAmount::Single(_));
        // With two directions the counters of both ports are summed: each direction may claim them, which can only move
        // blame from the wire to this computer.
        let booked = results
            .into_iter()
            .map(|result| {
                let losses = self.gathered.add(&result, order.spec.frame_bytes, &delta, single);
                (result, losses)
            })
            .collect::<Vec<_>>();
        if reported {
            let directions: Vec<_> = self.runners.iter().map(|r| r.direction()).collect();
            for (number, ((result, losses), direction)) in booked.iter().zip(directions).enumerate() {
                let variation = self.variations.get(number).copied().flatten();
                let fresh = step_report(step, direction, rate, result, losses.in_host, variation);
                self.report_step(fresh);
            }
        }
        Ok(booked)
    }

    fn report_step(&mut self, fresh: StepReport) {
        let sliced = matches!(self.options.profile.kind, Kind::Soak | Kind::Proof);
        let same = |s: &&mut StepReport| {
            sliced
                && s.direction == fresh.direction
                && s.size_bytes == fresh.size_bytes
                && s.pattern == fresh.pattern
                && !s.repeated_slower
        };
        match self.gathered.steps.iter_mut().rev().find(same) {
            // Slices of one long step are one row.
            Some(row) => {
                row.frames_sent += fresh.frames_sent;
                row.frames_returned += fresh.frames_returned;
                row.frames_lost += fresh.frames_lost;
                row.frames_lost_in_host += fresh.frames_lost_in_host;
                row.frames_damaged += fresh.frames_damaged;
                row.bit_errors += fresh.bit_errors;
                row.seconds += fresh.seconds;
                row.frames_per_second = row.frames_sent as f64 / row.seconds.max(1e-9);
                row.bits_per_second = row.frames_per_second * f64::from(row.size_bytes) * 8.0;
            }
            None => self.gathered.steps.push(fresh),
        }
    }

    /// After a failure, the same from another place where no hand is needed: inside the chip, and at the port on a rig that
    /// moves its plug by itself.
    fn confirm(&mut self) -> Result<(), CheckError> {
        if !self.options.confirm
            || self.return_port.is_some()
            || self.cancel.is_cancelled()
            || self.gathered.stopped.is_some()
        {
            return Ok(());
        }
        let mut places = Vec::new();
        let capabilities = self.port.capabilities();
        if capabilities.internal_loop && self.placement != Placement::Internal {
            places.push(Placement::Internal);
        }
        if capabilities.moves_plug && self.placement == Placement::FarEnd {
            places.push(Placement::AtPort);
        }
        for place in places {
            let verdict = judge(&self.evidence());
            let open = verdict.outcome == Outcome::Fault && verdict.location.len() > 1
                || verdict.reasons.first().is_some_and(|r| r.rule == "nothing-returned");
            if !open {
                break;
            }
            (self.say)(Event::Confirming { placement: place.to_string() });
            let reference = self.try_at(place)?;
            self.gathered.references.extend(reference);
        }
        Ok(())
    }

    /// A short run with the signal turned back at `place`, whose counts stay out of this run's.
    fn try_at(&mut self, place: Placement) -> Result<Option<Reference>, CheckError> {
        if !self.port.place(place) {
            return Ok(None);
        }
        let kept = (std::mem::take(&mut self.gathered), self.link, self.fallback_mbps);
        self.gathered.counters_before = kept.0.counters_before.clone();
        self.gathered.slowdowns = kept.0.slowdowns;
        let tried = self.try_here();
        let there = Evidence { placement: place, ..self.evidence() };
        self.gathered = kept.0;
        self.link = kept.1;
        self.fallback_mbps = kept.2;
        if place == Placement::Internal {
            self.port.apply(PortSetting::InternalLoop(false))?;
        }
        self.port.place(self.placement);
        tried?;
        let ratio = bit_error_ratio(&there);
        let trials = ratio.map_or(0, |r| r.trials);
        // Lost frames are among the failed ones already where frames are counted.
        let lost = if there.basis() == Basis::Bits { there.losses.wire() } else { 0 };
        let failures = ratio.map_or(0, |r| r.errors) + lost + there.counts.truncated + there.counts.lengthened;
        Ok(Some(Reference {
            placement: place,
            trials,
            failures: failures.min(trials),
            link_up: there.link.up,
            returned_any: there.counts.returned > 0,
        }))
    }

    fn try_here(&mut self) -> Result<(), CheckError> {
        self.link = self.wait_for_link()?;
        if !self.link.up {
            return Ok(());
        }
        if self.runners.is_empty() {
            self.open_runners()?;
        }
        if self.handful()? {
            let size_bytes = self.options.profile.sizes_bytes.iter().copied().max().unwrap_or(SIZE_MIN);
            let step =
                Step { size_bytes, pattern: Pattern::Prbs31, time: CONFIRM_TIME, rate: self.options.profile.rate };
            self.flow_slowing(&step, CONFIRM_TIME, None)?;
        }
        Ok(())
    }

    fn counters(&mut self) -> Result<Counters, CheckError> {
        let mut counters = self.port.counters()?;
        if let Some(other) = &mut self.return_port {
            counters.add(&other.counters()?);
        }
        Ok(counters)
    }

    fn step_started(&mut self, step: &Step, of: Option<u32>) {
        self.step_number += 1;
        (self.say)(Event::StepStarted {
            step: self.step_number,
            of,
            size_bytes: step.size_bytes,
            pattern: step.pattern.to_string(),
        });
    }

    fn step_done(&mut self) {
        if let Some(last) = self.gathered.steps.last() {
            (self.say)(Event::StepDone {
                step: self.step_number,
                frames_sent: last.frames_sent,
                frames_lost: last.frames_lost,
                bit_errors: last.bit_errors,
            });
        }
    }

    fn put_back(&mut self) {
        self.runners.clear();
        self.settings_changed.extend(self.port.put_back());
        if let Some(other) = &mut self.return_port {
            self.settings_changed.extend(other.put_back());
        }
        for setting in &self.settings_changed {
            (self.say)(Event::SettingPutBack { setting: setting.clone() });
        }
    }

    fn evidence(&self) -> Evidence {
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

    fn report(self) -> Report {
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
            port: self.port.identity(),
            return_port: self.return_port.as_ref().map(|p| p.identity()),
            placement: self.placement,
            cable: self.options.cable.clone(),
            profile: self.options.profile.name.clone(),
            seed: self.options.seed,
            verdict,
            totals: Totals::new(&tally.counts, &self.gathered.losses),
            error_ratio,
            loss_ratio,
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
            link_flaps: evidence.link_flaps,
            heard: evidence.heard,
            handful: evidence.handful,
            limit: evidence.limit,
            stopped: evidence.stopped,
            references: evidence.references.clone(),
            settings_changed: self.settings_changed.clone(),
            cannot_show: report::cannot_show(&evidence),
            warnings,
            cautions: cautions(&self.link),
        }
    }
}

fn step_report(
    step: &Step,
    direction: String,
    rate: Option<f64>,
    result: &StepResult,
    in_host: u64,
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
        frames_lost_in_host: in_host,
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

/// Cautions that belong to a medium.
fn cautions(link: &LinkState) -> Vec<Caution> {
    match link.medium {
        Medium::Copper => vec![Caution::PowerOverEthernet],
        Medium::Fibre => vec![Caution::LaserLight, Caution::ReceiverOverload],
        Medium::DirectAttach | Medium::Virtual | Medium::Unknown => Vec::new(),
    }
}

/// Runs the order on every runner at once; the first one's glimpses are shown, any stop ends all.
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

/// Looks after a running step: foreign frames, the link, the person's wish to end; and says how far it is.
struct Watcher<'a> {
    cancel: &'a Cancel,
    port: &'a mut dyn FramePort,
    say: &'a mut dyn FnMut(Event),
    so_far: turnback_core::stream::tally::Counts,
    origin: Nanos,
    step_time: Option<Duration>,
    left: Option<Duration>,
    started: Option<Nanos>,
    limit: Limit,
    down_since: Option<Nanos>,
    flaps: u64,
    was_up: bool,
}

impl Watcher<'_> {
    fn look(&mut self, glimpse: Glimpse) -> Option<Stopped> {
        let started = *self.started.get_or_insert(glimpse.now);
        if self.cancel.is_cancelled() {
            return Some(Stopped::ByUser);
        }
        if glimpse.foreign > 0 {
            return Some(Stopped::ForeignTraffic);
        }
        if let Some(stopped) = self.look_at_link(glimpse) {
            return Some(stopped);
        }
        let elapsed_in_step = glimpse.now.saturating_sub(started) as f64 / SECOND_NS as f64;
        let errors = self.so_far.bit_errors + glimpse.bit_errors;
        let bits = self.so_far.bits_compared + glimpse.bits_compared;
        let proved_below = upper_bound(errors.min(bits), bits, self.limit.confidence).ok();
        let needed = -(1.0 - self.limit.confidence).ln() / self.limit.bit_error_ratio;
        (self.say)(Event::Progress(Progress {
            elapsed_s: glimpse.now.saturating_sub(self.origin) as f64 / SECOND_NS as f64,
            left_s: self
                .step_time
                .zip(self.left)
                .map(|(step, left)| (step.as_secs_f64() - elapsed_in_step).max(0.0) + left.as_secs_f64()),
            frames_sent: self.so_far.sent + glimpse.sent,
            frames_per_second: if elapsed_in_step > 0.0 { glimpse.sent as f64 / elapsed_in_step } else { 0.0 },
            errors,
            proved_below,
            bits_needed: Some((needed - bits as f64).max(0.0)).filter(|n| *n > 0.0),
        }));
        None
    }

    fn look_at_link(&mut self, glimpse: Glimpse) -> Option<Stopped> {
        let now = glimpse.now;
        let up = match glimpse.link_up.map_or_else(|| self.port.link().map(|link| link.up), Ok) {
            Ok(up) => up,
            Err(PortError::Gone(_)) => return Some(Stopped::PortGone),
            Err(_) => return None,
        };
        self.flaps += u64::from(up && !self.was_up);
        self.was_up = up;
        if up {
            self.down_since = None;
            return None;
        }
        let since = *self.down_since.get_or_insert(now);
        (now.saturating_sub(since) > LINK_LOST_AFTER.as_nanos() as u64).then_some(Stopped::LinkLost)
    }
}

const FALLBACK_MBPS: u32 = 100;
const LINK_PATIENCE: Duration = Duration::from_secs(5);
const LINK_POLL: Duration = Duration::from_millis(50);
const LINK_LOST_AFTER: Duration = Duration::from_secs(5);
const HANDFUL_PROBES: u32 = 8;
const HANDFUL_ATTEMPTS: u32 = 3;
const HANDFUL_PAUSE: Duration = Duration::from_millis(200);
const SLOWDOWNS_MAX: u32 = 5;
const SOAK_SLICE: Duration = Duration::from_secs(60);
const PROOF_FIRST_SLICE: Duration = Duration::from_secs(1);
const PROOF_SLICE_MAX: Duration = Duration::from_secs(60);
const CONFIRM_TIME: Duration = Duration::from_secs(1);
/// A bisection to one part in a hundred needs seven halvings; the rest is for a first rate far too high.
const SEARCH_TRIALS_MAX: u32 = 16;
const SEARCH_RESOLUTION: f64 = 0.01;
const _: () = assert!(SIZE_MIN as usize == FRAME_BYTES_MIN + FCS_BYTES);
