//! The way of a check: refuse a port in service, find the link, listen, a handful of probes, then the plan, then, if it
//! failed, the same from another place where that needs no hand; and put everything back.

mod confirm;
mod first_probes;
mod link;
pub mod measured;
mod prepare;
mod proof;
mod rate_search;
pub(super) mod result;
mod slowing;
mod step;
mod steps;
mod watch;

pub use result::refused;

use std::time::Duration;

use thiserror::Error;
use turnback_core::{
    base::{labels::Labels, placement::Placement, rng::Rng, time::Nanos},
    document::run::{DelayVariationReport, Report},
    event::Event,
    judge::facts::Stopped,
    kind::ethernet::{counters::Counters, link::LinkState, transceiver::Module},
    plan::{Kind, PlanError, Profile},
};

use super::{
    cancel::Cancel,
    ethernet::measured::Gathered,
    serial::{self, LineOptions},
};
use crate::ports::{FramePort, Port, PortError, Way, runner::StepRunner};

/// What a check is to do, beside its profile.
#[derive(Clone, Debug)]
pub struct CheckOptions {
    /// What to send, how long, and what a pass must prove.
    pub profile: Profile,
    /// Where the plug is; none: where the port knows it to be, else at the port.
    pub placement: Option<Placement>,
    /// Label of the cable.
    pub cable: Option<String>,
    /// Other labels, and the operator's note.
    pub labels: Labels,
    /// Name of this machine.
    pub machine: String,
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
    /// What only a serial port has.
    pub line: LineOptions,
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
        (Way::Bytes(port), None) => return serial::check(port, options, say, cancel),
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
    module: Option<Module>,
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
            module: None,
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
        self.fit_sizes()?;
        self.take_place(self.placement)?;
        self.bring_up()?;
        self.find_link()?;
        self.fit_rate()?;
        self.gathered.counters_before = self.counters()?;
        if self.link.up {
            self.open_runners()?;
            match self.measure() {
                // Between two steps nobody watches the port: its end is noticed by whatever asks it next.
                Err(CheckError::Port(PortError::Gone(_))) => self.gathered.stopped = Some(Stopped::PortGone),
                done => done?,
            }
            self.hear_late()?;
            self.tell_gone_from_reconfigured();
        }
        // Settings are still as the run had them, and no probe is under way that a slow answer could disturb.
        self.module = self.port.module();
        self.counters_after = self.counters().unwrap_or_else(|_| self.gathered.counters_before.clone());
        self.confirm()
    }

    /// An interface is switched off before it is taken away, and the first is heard first.
    fn tell_gone_from_reconfigured(&mut self) {
        let gone = |port: &mut dyn FramePort| matches!(port.link(), Err(PortError::Gone(_)));
        if self.gathered.stopped == Some(Stopped::Reconfigured)
            && (gone(self.port) || self.return_port.as_mut().is_some_and(|port| gone(*port)))
        {
            self.gathered.stopped = Some(Stopped::PortGone);
        }
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

    /// What is missing may be late: before anybody is blamed for it, it is waited for once more. Where not even the first probes
    /// came back they were waited for already.
    fn hear_late(&mut self) -> Result<(), CheckError> {
        for runner in &mut self.runners {
            let losses = self.gathered.losses.with_late(self.gathered.tally.counts.late);
            let missing = losses.on_wire.saturating_sub(self.gathered.lost_before_ready);
            let over = self.gathered.stopped.is_some() || self.cancel.is_cancelled();
            if over || missing == 0 || self.gathered.handful.returned == 0 {
                break;
            }
            self.gathered.tally.counts.late += runner.late(self.tag, missing, LATE_PATIENCE)?;
        }
        Ok(())
    }

    fn must_stop(&self) -> bool {
        self.gathered.stopped.is_some() || self.cancel.is_cancelled()
    }

    fn counters(&mut self) -> Result<Counters, CheckError> {
        let mut counters = self.port.counters()?;
        if let Some(other) = &mut self.return_port {
            counters.add(&other.counters()?);
        }
        Ok(counters)
    }

    fn put_back(&mut self) {
        self.runners.clear();
        let mut told = self.port.put_back();
        if let Some(other) = &mut self.return_port {
            told.extend(other.put_back());
        }
        told.into_iter().for_each(|setting| self.note_put_back(setting));
    }

    fn note_put_back(&mut self, setting: String) {
        (self.say)(Event::SettingPutBack { setting: setting.clone() });
        self.settings_changed.push(setting);
    }
}

/// How long late echoes are waited for at the end (RFC 2544 23: two seconds for residual frames).
const LATE_PATIENCE: Duration = Duration::from_secs(2);
