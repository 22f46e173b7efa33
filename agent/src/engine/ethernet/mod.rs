//! Checks a port of frames: what only such a port knows of a run.

mod estimate;
mod first_probes;
mod link;
mod measured;
mod prepare;
mod proof;
mod rate_search;
mod result;
mod slowing;
mod step;
mod steps;
#[cfg(test)]
mod tests;
mod trial;
mod watch;

use std::time::Duration;

use turnback_core::{
    base::placement::Placement,
    document::run::{DelayVariationReport, Report},
    event::{Awaited, Event},
    judge::{
        Verdict,
        facts::{Reference, Stopped},
        judge,
    },
    kind::ethernet::{
        counters::Counters,
        link::{LinkState, PortSetting},
    },
    plan::ProfileKind,
};

use self::{measured::EthernetMeasured, watch::Echoes};
use super::{
    options::CheckError,
    run::{Measured, PortKind, Run, tag},
};
use crate::ports::{
    FramePort, Port, PortError,
    runner::{READ_ON_MAX, StepRunner},
};

/// A run on a port of frames.
type EthernetRun<'r, 'p> = Run<'r, Ethernet<'p>>;

/// What only a run on a port of frames has.
pub(super) struct Ethernet<'a> {
    port: &'a mut dyn FramePort,
    return_port: Option<&'a mut dyn FramePort>,
    runners: Vec<Box<dyn StepRunner>>,
    tag: u64,
    /// The adapter was told to deliver frames that fail its check.
    bad_frames_delivered: bool,
    step_number: u32,
    /// The adapter may have the kernel's cable test.
    offers_cable_test: bool,
    /// Sizes of the plan that the port does not take.
    sizes_not_taken: Vec<u32>,
    /// Delay variation of the coming step's size, by direction.
    variations: Vec<Option<DelayVariationReport>>,
    /// What the last step saw come back, for whoever watches.
    echoes: Echoes,
    /// The plan's steps are carried out, of which the rest is given up once nothing comes back any more.
    gives_up: bool,
}

impl<'a> Ethernet<'a> {
    /// With a return port probes go out of one and into the other, both ways. `seed` decides the run tag.
    pub(super) fn new(port: &'a mut dyn FramePort, return_port: Option<&'a mut dyn FramePort>, seed: u64) -> Self {
        Self {
            offers_cable_test: port.offers_cable_test(),
            port,
            return_port,
            runners: Vec::new(),
            tag: tag(seed),
            bad_frames_delivered: false,
            step_number: 0,
            sizes_not_taken: Vec::new(),
            variations: Vec::new(),
            echoes: Echoes::default(),
            gives_up: false,
        }
    }

    /// Counters of both ports added up.
    fn counters(&mut self) -> Result<Counters, CheckError> {
        let mut counters = self.port.counters()?;
        if let Some(other) = &mut self.return_port {
            counters.add(&other.counters()?);
        }
        Ok(counters)
    }
}

impl PortKind for Ethernet<'_> {
    type Measured = EthernetMeasured;
    const NO_INTERNAL_LOOP: &'static str = "loop inside the chip (its driver offers no `loopback` feature); use a plug";

    fn port(&self) -> &dyn Port {
        &*self.port
    }

    fn ports(&mut self) -> Vec<&mut dyn Port> {
        let mut ports: Vec<&mut dyn Port> = vec![&mut *self.port];
        if let Some(other) = &mut self.return_port {
            ports.push(&mut **other);
        }
        ports
    }

    fn placement(&self, asked: Option<Placement>) -> Placement {
        match self.return_port {
            Some(_) => Placement::ReturnPort,
            None => asked.or(self.port.plug_is_at()).unwrap_or_default(),
        }
    }

    fn measure_at(&self, placement: Placement) -> EthernetMeasured {
        EthernetMeasured { placement, bad_frames_delivered: self.bad_frames_delivered, ..EthernetMeasured::default() }
    }

    fn set_up(run: &mut Run<'_, Self>, measured: &mut EthernetMeasured) -> Result<bool, CheckError> {
        run.fit_sizes()?;
        run.take_place()?;
        run.bring_up(measured)?;
        run.find_link(measured)?;
        measured.counters_before = run.kind.counters()?;
        if measured.link.up {
            run.fit_rate(measured)?;
            run.open_runners(measured)?;
        }
        Ok(measured.link.up)
    }

    fn listen(run: &mut Run<'_, Self>, measured: &mut EthernetMeasured) -> Result<bool, CheckError> {
        for runner in &mut run.kind.runners {
            let strangers = runner.listen(run.options.profile.listen)?;
            measured.heard.foreign_before += strangers.foreign;
            measured.heard.testers += strangers.testers;
            measured.heard.own_host += strangers.own_host;
        }
        (run.say)(Event::Listened { foreign: measured.heard.foreign_before });
        Ok(measured.heard.foreign_before > 0)
    }

    fn first_probes(run: &mut Run<'_, Self>, measured: &mut EthernetMeasured) -> Result<bool, CheckError> {
        run.say_estimate(measured);
        run.first_probes(measured)
    }

    fn steps(run: &mut Run<'_, Self>, measured: &mut EthernetMeasured) -> Result<(), CheckError> {
        match run.options.profile.kind {
            ProfileKind::Steps => run.steps(measured)?,
            ProfileKind::Soak => run.soak(measured)?,
            ProfileKind::Proof => run.proof(measured)?,
            // It sends on until frames are lost.
            ProfileKind::RateSearch => return run.rate_search(measured),
        }
        run.ask_again(measured)
    }

    fn conclude(run: &mut Run<'_, Self>, measured: &mut EthernetMeasured) -> Result<(), CheckError> {
        run.tell_lost_link(measured);
        run.hear_late(measured)?;
        run.tell_gone_from_reconfigured(measured);
        // Settings are still as the run had them, and no probe is under way that a slow answer could disturb.
        measured.transceiver = run.kind.port.transceiver();
        measured.counters_after = run.kind.counters().unwrap_or_else(|_| measured.counters_before.clone());
        run.tell_host_from_line(measured)
    }

    fn switch_internal_loop(run: &mut Run<'_, Self>, on: bool) -> Result<bool, CheckError> {
        run.set(PortSetting::InternalLoop(on))
    }

    fn trial(
        run: &mut Run<'_, Self>,
        measured: &mut EthernetMeasured,
        failed: &EthernetMeasured,
    ) -> Result<(), CheckError> {
        let time = run.trial_time(failed);
        run.trial(measured, time)
    }

    fn reference(run: &Run<'_, Self>, measured: &EthernetMeasured) -> Option<Reference> {
        run.reference(measured)
    }

    fn close(&mut self) {
        self.runners.clear();
    }

    fn judge(run: &Run<'_, Self>, measured: &EthernetMeasured) -> Verdict {
        judge(&run.facts(measured))
    }

    fn report(run: &Run<'_, Self>, measured: EthernetMeasured, verdict: Verdict) -> Report {
        run.report(measured, verdict)
    }
}

impl EthernetRun<'_, '_> {
    /// Waits once more for what is missing: it may be late, and nobody is blamed for that. Where not even the first
    /// probes came back they were waited for already.
    /// Told every second.
    fn hear_late(&mut self, measured: &mut EthernetMeasured) -> Result<(), CheckError> {
        for number in 0..self.kind.runners.len() {
            let end = self.kind.port.now() + READ_ON_MAX.as_nanos() as u64;
            let mut silent_s = 0;
            while silent_s < LATE_PATIENCE_S && self.kind.port.now() < end {
                let losses = measured.losses.with_late(measured.tally.counts.late);
                let missing = losses.on_wire.saturating_sub(measured.lost_before_ready);
                let stopped = measured.stopped.is_some_and(|why| why != Stopped::WentSilent);
                let over = stopped || self.cancel.is_cancelled();
                if over || missing == 0 || measured.first_probes.returned == 0 {
                    return Ok(());
                }
                let left_s = f64::from(LATE_PATIENCE_S - silent_s);
                (self.say)(Event::Waiting { what: Awaited::LateFrames, left_s });
                let came = self.kind.runners[number].late(self.kind.tag, missing, Duration::from_secs(1))?;
                measured.tally.counts.late += came;
                // Where some came, only the last second was silent.
                silent_s = if came > 0 { 1 } else { silent_s + 1 };
            }
        }
        Ok(())
    }

    /// A link that is down when the plan ends is lost, however short a time ago: frames that came back before say
    /// nothing about now. One that came and went has its own name.
    fn tell_lost_link(&mut self, measured: &mut EthernetMeasured) {
        let is_down = |link: LinkState| !link.up;
        if measured.link.up && measured.link_flaps == 0 && self.kind.port.link().is_ok_and(is_down) {
            measured.stop(Stopped::LinkLost);
        }
    }

    /// An interface is switched off before it is taken away, and the first is heard first.
    fn tell_gone_from_reconfigured(&mut self, measured: &mut EthernetMeasured) {
        let gone = |port: &mut dyn FramePort| matches!(port.link(), Err(PortError::Gone(_)));
        if measured.stopped == Some(Stopped::Reconfigured)
            && (gone(self.kind.port) || self.kind.return_port.as_mut().is_some_and(|port| gone(*port)))
        {
            measured.stopped = Some(Stopped::PortGone);
        }
    }
}

/// How long late echoes are waited for at the end, seconds. RFC 2544 23 has two seconds for residual frames. What holds
/// a frame for three would then look like a line that loses it.
const LATE_PATIENCE_S: u32 = 4;
