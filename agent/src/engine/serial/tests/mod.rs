//! Runs on lines made by hand: too slow, dead, noisy, taken by others. Their clock is virtual.

mod ends;
mod hand_made;

use std::time::Duration;

use turnback_core::{
    base::{labels::Labels, time::SECOND_NS},
    document::run::Report,
    event::{Awaited, Event},
    judge::{Outcome, RuleId, facts::Stopped},
    kind::rig::{AnyRig, builtin_names},
    plan::Profile,
};

use self::hand_made::HandMade;
use super::{Serial, options::LineOptions, plan::ALLOWANCE};
use crate::{
    engine::{cancel::Cancel, options::CheckOptions, run::Run},
    ports::{Line, Port, simulated::serial::SimulatedLine},
};

/// Checks `line` for three seconds with this profile.
fn three_seconds(line: &mut dyn Line, profile: Profile) -> Report {
    let line_options = LineOptions { time: Some(Duration::from_secs(3)), ..LineOptions::default() };
    checked(line, profile, line_options, &Cancel::default())
}

fn checked(line: &mut dyn Line, profile: Profile, line_options: LineOptions, cancel: &Cancel) -> Report {
    let options = options_of(profile, line_options);
    Run::new(Serial::new(line, &options), options, &mut |_| {}, cancel).check().unwrap()
}

fn options_of(profile: Profile, line: LineOptions) -> CheckOptions {
    CheckOptions {
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
        line,
    }
}

#[test]
fn a_run_that_takes_far_longer_than_planned_ends_and_blames_nobody() {
    // Planned are 3 s of data, half a second of listening and 2 s of turnaround.
    let pace = Duration::from_secs(30);
    let mut line = HandMade::slow(pace);
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
    // Thirty speeds and formats of 20 s each; a sweep plans up to 8 s for each.
    let mut line = HandMade::slow(Duration::from_secs(20));
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
    let mut line = HandMade::slow(Duration::from_millis(1));
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
        let mut line = HandMade::slow(Duration::from_millis(1));
        three_seconds(&mut line, profile).serial().unwrap().speeds.len()
    };
    let quick = Profile::named("quick").unwrap();
    assert_eq!(speeds_tried(quick.clone()), 0);
    assert_eq!(speeds_tried(Profile { name: "by another name".into(), ..quick.clone() }), 0);
    assert!(speeds_tried(Profile { serial_sweep: true, ..quick }) > 0);
    assert!(speeds_tried(Profile { name: "quick".into(), ..Profile::named("standard").unwrap() }) > 0);
}
