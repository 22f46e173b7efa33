//! Runs on a line that gives everything back, too slowly: as under a computer that has no time for it. Its clock is
//! virtual.

use std::{collections::VecDeque, time::Duration};

use turnback_core::{
    base::{
        labels::Labels,
        placement::Placement,
        time::{Nanos, SECOND_NS},
    },
    document::run::Report,
    judge::{Outcome, RuleId, facts::Stopped},
    kind::{
        port::PortIdentity,
        rig::{AnyRig, builtin_names},
        serial::format::{LineCapabilities, LineErrors, LineFormat, LineSetting, ModemInputs, ModemOutputs},
    },
    plan::Profile,
};

use super::{Serial, options::LineOptions, plan::ALLOWANCE};
use crate::{
    engine::{cancel::Cancel, options::CheckOptions, run::Run},
    ports::{Line, Port, PortError, Received, ServiceReason, Way, simulated::serial::SimulatedLine},
};

/// Gives back what was sent, in whole, once every `pace`.
struct SlowLine {
    now: Nanos,
    pace: Duration,
    out: VecDeque<u8>,
}

impl SlowLine {
    fn new(pace: Duration) -> Self {
        Self { now: 0, pace, out: VecDeque::new() }
    }
}

impl Port for SlowLine {
    fn identity(&self) -> PortIdentity {
        PortIdentity::default()
    }

    fn in_service(&mut self) -> Result<Vec<ServiceReason>, PortError> {
        Ok(Vec::new())
    }

    fn restore(&mut self) -> Vec<String> {
        Vec::new()
    }

    fn place(&mut self, _: Placement) -> bool {
        false
    }

    fn plug_is_at(&self) -> Option<Placement> {
        None
    }

    fn now(&self) -> Nanos {
        self.now
    }

    fn pause(&mut self, time: Duration) {
        self.now += time.as_nanos() as u64;
    }

    fn way(&mut self) -> Way<'_> {
        Way::Bytes(self)
    }
}

impl Line for SlowLine {
    /// As a pseudo-terminal: bytes do not take their time, and nothing else is offered.
    fn capabilities(&self) -> LineCapabilities {
        LineCapabilities { buffer_bytes: 4096, ..LineCapabilities::default() }
    }

    fn configure(&mut self, format: LineFormat) -> Result<Option<LineFormat>, PortError> {
        Ok(Some(format))
    }

    fn apply(&mut self, _: LineSetting) -> Result<bool, PortError> {
        Ok(false)
    }

    fn drive(&mut self, _: ModemOutputs) -> Result<(), PortError> {
        Ok(())
    }

    fn modem_inputs(&mut self) -> Result<Option<ModemInputs>, PortError> {
        Ok(None)
    }

    fn line_errors(&mut self) -> Result<Option<LineErrors>, PortError> {
        Ok(None)
    }

    fn send_break(&mut self, _: Duration) -> Result<(), PortError> {
        Ok(())
    }

    fn send(&mut self, bytes: &[u8]) -> Result<usize, PortError> {
        self.out.extend(bytes);
        Ok(bytes.len())
    }

    fn receive(&mut self, until: Nanos, each: &mut dyn FnMut(Received<'_>)) -> Result<(), PortError> {
        if self.out.is_empty() {
            self.now = self.now.max(until);
        } else {
            // The program is kept from its processor until long after it wanted to look again.
            self.now += self.pace.as_nanos() as u64;
            each(Received::Bytes(self.out.make_contiguous()));
            self.out.clear();
        }
        Ok(())
    }

    fn unsent(&mut self) -> Result<usize, PortError> {
        Ok(0)
    }

    fn discard(&mut self) -> Result<(), PortError> {
        self.out.clear();
        Ok(())
    }
}

/// Checks `line` for three seconds with this profile.
fn three_seconds(line: &mut dyn Line, profile: Profile) -> Report {
    let options = CheckOptions {
        profile,
        placement: None,
        cable: None,
        labels: Labels::default(),
        machine: String::new(),
        speed_mbps: None,
        seed: 1,
        run: String::new(),
        started_at: String::new(),
        although_in_service: false,
        confirm: true,
        line: LineOptions { time: Some(Duration::from_secs(3)), ..LineOptions::default() },
    };
    Run::new(Serial::new(line, &options), options, &mut |_| {}, &Cancel::default()).check().unwrap()
}

#[test]
fn a_run_that_takes_far_longer_than_planned_ends_and_blames_nobody() {
    // Eighty turnarounds of two seconds each would take 160 s. Planned are 3 s of data, half a second of listening and
    // 2 s of turnaround.
    let pace = Duration::from_secs(2);
    let mut line = SlowLine::new(pace);
    let report = three_seconds(&mut line, Profile::named("quick").unwrap());
    assert_eq!(report.stopped, Some(Stopped::TookTooLong));
    assert_eq!(
        (report.verdict.outcome, report.verdict.location.len()),
        (Outcome::Undecided, 0),
        "{:?}",
        report.verdict
    );
    assert_eq!(report.verdict.reasons[0].rule, RuleId::TookTooLong);
    let most = Duration::from_secs(6) + ALLOWANCE + 2 * pace;
    assert!(line.now <= most.as_nanos() as u64, "{} s", line.now / SECOND_NS);
}

#[test]
fn a_run_cut_off_among_other_speeds_blames_no_format() {
    // Thirty speeds and formats with two turns of 9 s each; a sweep plans up to 8 s for each.
    let mut line = SlowLine::new(Duration::from_secs(9));
    let report = three_seconds(&mut line, Profile { latency_probes: 0, ..Profile::named("standard").unwrap() });
    assert_eq!(report.stopped, Some(Stopped::TookTooLong));
    assert_eq!(
        (report.verdict.outcome, report.verdict.location.len()),
        (Outcome::Undecided, 0),
        "{:?}",
        report.verdict
    );
    let tried = report.serial().unwrap();
    assert!(!tried.speeds.is_empty());
    assert!(tried.speeds.iter().chain(&tried.formats).all(|trial| trial.failures() == 0));
}

#[test]
fn a_line_that_keeps_up_is_not_cut_off() {
    let mut line = SlowLine::new(Duration::from_millis(1));
    let report = three_seconds(&mut line, Profile::named("standard").unwrap());
    assert_eq!((report.stopped, report.verdict.outcome), (None, Outcome::Pass), "{:?}", report.verdict);
}

/// The allowance must not cut off a run on a bad line, whose fault would not be found: it has to end well before.
#[test]
fn a_run_on_a_bad_line_is_not_cut_off() {
    for (name, _) in builtin_names() {
        let Some(AnyRig::Serial(rig)) = AnyRig::builtin(name) else { continue };
        for seed in 1..=3 {
            let mut line = SimulatedLine::new(name.to_owned(), &rig, seed);
            let report = three_seconds(&mut line, Profile::named("quick").unwrap());
            let took = Duration::from_nanos(line.now());
            assert_eq!(report.stopped, None, "{name} {seed}");
            // Half a second of listening, 2 s of modem lines, up to 4 s of turnarounds, 3 s of data.
            assert!(took <= Duration::from_secs(10) + ALLOWANCE * 3 / 4, "{name} {seed}: {took:?}");
        }
    }
}

#[test]
fn whether_other_speeds_are_tried_is_the_profiles_choice_and_not_its_names() {
    let speeds_tried = |profile: Profile| {
        let mut line = SlowLine::new(Duration::from_millis(1));
        three_seconds(&mut line, profile).serial().unwrap().speeds.len()
    };
    let quick = Profile::named("quick").unwrap();
    assert_eq!(speeds_tried(quick.clone()), 0);
    assert_eq!(speeds_tried(Profile { name: "by another name".into(), ..quick.clone() }), 0);
    assert!(speeds_tried(Profile { serial_sweep: true, ..quick }) > 0);
    assert!(speeds_tried(Profile { name: "quick".into(), ..Profile::named("standard").unwrap() }) > 0);
}
