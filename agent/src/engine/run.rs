//! The stages that every run has, whatever kind of port it tests.
//!
//! A run refuses a port in service, makes its settings and waits for the link, listens, sends the first probes, carries
//! out the plan's steps, confirms a failure from another place, and restores every setting. [`PortKind`] is what only
//! one kind knows of it.

use turnback_core::{
    base::{
        placement::Placement,
        rng::Rng,
        time::{Nanos, SECOND_NS},
    },
    document::run::Report,
    event::Event,
    judge::{
        RuleId, Verdict,
        facts::{Reference, Stopped},
    },
};

use super::{
    cancel::Cancel,
    options::{CheckError, CheckOptions},
};
use crate::ports::{Port, PortError, ServiceReason};

/// What only one kind of port knows of a run.
pub(super) trait PortKind: Sized {
    /// What one measurement of this kind holds.
    type Measured: Measured;
    /// Why a run inside the chip cannot be made where the port offers no loop there.
    const NO_INTERNAL_LOOP: &'static str;

    /// The port under test.
    fn port(&self) -> &dyn Port;
    /// Every port of the run, the one under test first.
    fn ports(&mut self) -> Vec<&mut dyn Port>;
    /// Where the signal is turned back: as asked, else where the port knows its plug to be, else at the port.
    fn placement(&self, asked: Option<Placement>) -> Placement {
        asked.or(self.port().plug_is_at()).unwrap_or_default()
    }
    /// A measurement of nothing yet, with the signal turned back at `placement`.
    fn measure_at(&self, placement: Placement) -> Self::Measured;

    /// Makes the settings and waits for the link. False when there is no link to send over.
    fn set_up(run: &mut Run<'_, Self>, measured: &mut Self::Measured) -> Result<bool, CheckError>;
    /// Listens without sending. True when something else talks.
    fn listen(run: &mut Run<'_, Self>, measured: &mut Self::Measured) -> Result<bool, CheckError>;
    /// Sends a few single probes. True when some came back and the steps may begin.
    fn first_probes(run: &mut Run<'_, Self>, measured: &mut Self::Measured) -> Result<bool, CheckError>;
    /// Carries out the steps of the plan.
    fn steps(run: &mut Run<'_, Self>, measured: &mut Self::Measured) -> Result<(), CheckError>;
    /// Reads what has to be read before anything is blamed. Called after the steps, however they ended.
    fn conclude(run: &mut Run<'_, Self>, measured: &mut Self::Measured) -> Result<(), CheckError>;
    /// Switches the loop inside the chip; false when the port does not offer it.
    fn switch_internal_loop(run: &mut Run<'_, Self>, on: bool) -> Result<bool, CheckError>;
    /// Measures with the signal turned back where `measured` says, as the run itself did, and for as long as its
    /// failures ask for: they are in `failed`.
    fn trial(run: &mut Run<'_, Self>, measured: &mut Self::Measured, failed: &Self::Measured)
    -> Result<(), CheckError>;
    /// What a trial says of its place; none when it says nothing.
    fn reference(run: &Run<'_, Self>, measured: &Self::Measured) -> Option<Reference>;
    /// Ends what is still open, so that settings can be restored.
    fn close(&mut self) {}

    /// Judges a measurement.
    fn judge(run: &Run<'_, Self>, measured: &Self::Measured) -> Verdict;
    /// The report of a run.
    fn report(run: &Run<'_, Self>, measured: Self::Measured, verdict: Verdict) -> Report;
}

/// What one stretch of sending and receiving brought: the run's own, or that of a short trial from another place.
pub(super) trait Measured {
    /// Why it ended before it was done.
    fn stopped(&self) -> Option<Stopped>;
    /// Ends it; the first reason stands.
    fn stop(&mut self, why: Stopped);
}

/// One run of a check on a port of kind `K`.
pub(super) struct Run<'a, K> {
    /// What only this kind of port has.
    pub(super) kind: K,
    pub(super) options: CheckOptions,
    pub(super) say: &'a mut dyn FnMut(Event),
    pub(super) cancel: &'a Cancel,
    /// Where the signal is turned back.
    pub(super) placement: Placement,
    /// Start of the run on the port's clock.
    pub(super) origin: Nanos,
    /// When the run ends though it is not done, on the port's clock; none where its steps cannot take longer than
    /// planned.
    pub(super) ends_by: Option<Nanos>,
    /// Reasons why the port is in service.
    pub(super) in_service: Vec<String>,
    /// What trials from other places found.
    pub(super) references: Vec<Reference>,
    pub(super) settings_changed: Vec<String>,
    pub(super) warnings: Vec<String>,
}

impl<'a, K: PortKind> Run<'a, K> {
    pub(super) fn new(kind: K, options: CheckOptions, say: &'a mut dyn FnMut(Event), cancel: &'a Cancel) -> Self {
        Self {
            placement: kind.placement(options.placement),
            origin: kind.port().now(),
            ends_by: None,
            in_service: Vec::new(),
            references: Vec::new(),
            settings_changed: Vec::new(),
            warnings: Vec::new(),
            kind,
            options,
            say,
            cancel,
        }
    }

    /// Carries out the run and restores every setting, whatever came of it.
    pub(super) fn check(mut self) -> Result<Report, CheckError> {
        let mut measured = self.kind.measure_at(self.placement);
        let done = self.carry_out(&mut measured);
        let duration_s = self.kind.port().now().saturating_sub(self.origin) as f64 / SECOND_NS as f64;
        self.restore();
        done?;
        let verdict = K::judge(&self, &measured);
        let unbalanced = verdict.reasons.iter().find(|reason| reason.rule == RuleId::CountsDoNotBalance);
        debug_assert!(unbalanced.is_none(), "{unbalanced:?}");
        (self.say)(Event::RunEnded { verdict: verdict.clone() });
        Ok(Report { duration_s: Some(duration_s), ..K::report(&self, measured, verdict) })
    }

    fn carry_out(&mut self, measured: &mut K::Measured) -> Result<(), CheckError> {
        let mut names = self.kind.ports().into_iter().map(|port| port.identity().name);
        let (port, return_port) = (names.next().unwrap_or_default(), names.next());
        (self.say)(Event::RunStarted {
            run: self.options.run.clone(),
            port,
            return_port,
            profile: self.options.profile.name.clone(),
        });
        if self.find_service()? {
            return Ok(());
        }
        let done = self.measure(measured);
        unless_gone(done, measured)?;
        let done = K::conclude(self, measured);
        unless_gone(done, measured)?;
        let done = self.confirm(measured);
        unless_gone(done, measured)
    }

    fn measure(&mut self, measured: &mut K::Measured) -> Result<(), CheckError> {
        if !K::set_up(self, measured)? || K::listen(self, measured)? || !K::first_probes(self, measured)? {
            return Ok(());
        }
        K::steps(self, measured)
    }

    /// Asks whether a port of the run is in service. True when it must be left alone.
    pub(super) fn find_service(&mut self) -> Result<bool, CheckError> {
        let mut reasons = Vec::new();
        for port in self.kind.ports() {
            reasons.extend(port.in_service()?);
        }
        let overridden = |reason: &ServiceReason| self.options.although_in_service && reason.may_be_overridden;
        let (passed_over, stands): (Vec<_>, Vec<_>) = reasons.into_iter().partition(overridden);
        self.in_service = stands.into_iter().map(|reason| reason.text).collect();
        for reason in passed_over {
            self.warnings.push(format!("tested although in service, as asked: {}", reason.text));
        }
        Ok(!self.in_service.is_empty())
    }

    /// Has the signal turned back where the run is to be made.
    pub(super) fn take_place(&mut self) -> Result<(), CheckError> {
        if !self.turn_back_at(self.placement)? && self.placement == Placement::Internal {
            return Err(self.not_offered(K::NO_INTERNAL_LOOP));
        }
        Ok(())
    }

    /// Has the signal turned back at `placement` where that needs no hand; false where it does.
    pub(super) fn turn_back_at(&mut self, placement: Placement) -> Result<bool, CheckError> {
        match placement {
            Placement::Internal => K::switch_internal_loop(self, true),
            _ => Ok(self.move_plug(placement)),
        }
    }

    /// Moves the plug of the port under test where that needs no hand; false where it does.
    pub(super) fn move_plug(&mut self, placement: Placement) -> bool {
        self.kind.ports().first_mut().is_some_and(|port| port.place(placement))
    }

    pub(super) fn not_offered(&self, what: &str) -> CheckError {
        CheckError::NotOffered { port: self.kind.port().identity().name, what: what.to_owned() }
    }

    /// Whether a measurement has to end now: it was stopped, somebody asked, or the run's time is over.
    pub(super) fn must_stop(&self, measured: &mut K::Measured) -> bool {
        if self.time_is_over() {
            measured.stop(Stopped::TookTooLong);
        }
        measured.stopped().is_some() || self.cancel.is_cancelled()
    }

    /// Whether the run has taken its planned time and the allowance on top.
    pub(super) fn time_is_over(&self) -> bool {
        self.ends_by.is_some_and(|end| self.kind.port().now() >= end)
    }

    /// Why a measurement did not come to its end.
    pub(super) fn stopped(&self, measured: &K::Measured) -> Option<Stopped> {
        measured.stopped().or(self.cancel.is_cancelled().then_some(Stopped::ByUser))
    }

    /// Restores every setting of every port and tells so.
    fn restore(&mut self) {
        self.kind.close();
        let restored: Vec<String> = self.kind.ports().into_iter().flat_map(|port| port.restore()).collect();
        restored.into_iter().for_each(|setting| self.tell_restored(setting));
    }

    pub(super) fn tell_restored(&mut self, setting: String) {
        (self.say)(Event::SettingRestored { setting: setting.clone() });
        self.settings_changed.push(setting);
    }
}

/// Turns a port that vanished into the reason why the measurement ended: that is no error of the run.
fn unless_gone(done: Result<(), CheckError>, measured: &mut impl Measured) -> Result<(), CheckError> {
    match done {
        Err(CheckError::Port(PortError::Gone(_))) => {
            measured.stop(Stopped::PortGone);
            Ok(())
        }
        other => other,
    }
}

/// The number in every probe of a run, by which it is told from those of other runs.
pub(super) fn tag(seed: u64) -> u64 {
    Rng::new(seed).branch(0x0074_6167).draw()
}
