//! What a case tells: moves and how long they take, what is left to do, what a stage shows, remarks, the length.

use super::*;
use crate::base::caution::Caution;
use crate::document::Document;
use crate::document::run::Report;
use crate::judge::Reason;

fn stage(name: &str) -> StageName {
    name.parse().unwrap()
}

fn remark(case: &Case, id: RuleId) -> Option<String> {
    case.verdict.reasons.iter().find(|reason| reason.rule == id).map(|reason| reason.text.clone())
}

/// What is in place stays in place, for a longer run right after one at the same spot and for no other.
#[test]
fn a_longer_run_at_the_same_place_leaves_everything_as_it_is() {
    for (stages, then, hands) in [
        (&["internal+", "at-port+"][..], "soak:at-port", "Leave everything as it is, and do not touch it"),
        (&["internal+", "soak:at-port+"], "soak:at-port", "Leave everything as it is, and do not touch it"),
        (&["internal+", "at-port+", "far-end+"], "soak", "Leave the plug where it is. During the run, move the cable"),
        (&["internal+", "at-port+", "far-end+"], "two-pairs", "Leave the plug where it is. The speed is set for you."),
        (&["internal+", "at-port+", "far-end+"], "soak:at-port", "Put the plug of this case into quay7 itself"),
        (
            &["internal+", "at-port+"],
            "soak",
            "Connect cable Q-12 to quay7 and put the plug of this case on the far end",
        ),
        (&["internal+", "at-port+"], "two-pairs", "Connect cable Q-12 to quay7"),
        (&["internal+", "at-port+"], "at-port", "Take the plug out and look at its contacts. Then put"),
        (&["internal+"], "at-port", "Put the plug of this case into quay7 itself."),
        (&["internal+", "at-port-", "at-port-", "other-plug+"], "soak:at-port", "Put the plug of this case into quay7"),
    ] {
        let mut case = with(&[], stages);
        let told = case.move_to(&stage(then)).hands;
        assert!(told.starts_with(hands), "{stages:?} {then}: {told}");
        // What somebody tried elsewhere left nothing in place here.
        case.stages.last_mut().unwrap().source = Source::Record;
        assert!(!case.move_to(&stage(then)).hands.starts_with("Leave"), "{stages:?} {then}");
    }
    let mut case = with(&[], &["internal+", "at-port+", "at-port+"]);
    assert_eq!(case.move_to(&stage("at-port")).attempt, 3);
    assert_eq!(case.move_to(&stage("soak")).attempt, 1);
    case.options.return_port = Some("quay8".into());
    let hands = |case: &Case, name: &str| case.move_to(&stage(name)).hands;
    assert!(hands(&case, "at-port").starts_with("Take the connectors out"), "{}", hands(&case, "at-port"));
    assert!(hands(&case, "far-end").starts_with("Connect cable"), "{}", hands(&case, "far-end"));
    case.stages.truncate(2);
    assert!(hands(&case, "at-port").starts_with("Take the connectors out"), "{}", hands(&case, "at-port"));
}

/// A run that is only repeated is made by the program, without a caution: nothing is moved.
#[test]
fn a_run_in_place_asks_for_no_hands() {
    let case = with(&[], &["internal+", "at-port+", "far-end-", "soak:at-port+", "soak-"]);
    let next = case.next.unwrap();
    assert!(next.still && next.who == Who::Program && next.cautions.is_empty() && next.look.is_empty(), "{next:?}");
}

/// A link that does not come up is waited for at each speed that is tried, after listening.
#[test]
fn each_stage_takes_its_time() {
    let mut case = with(&[], &["internal+", "at-port-", "at-port-"]);
    let quick = Profile::named("quick").unwrap();
    let listen = quick.listen.as_secs_f64();
    case.options.profile = Some(quick.clone());
    case.medium = Medium::Copper;
    case.options.soak_s = 90;
    case.capabilities.forces_speed = true;
    let times = |case: &Case, name: &str| {
        let next = case.move_to(&stage(name));
        (next.time_s, next.no_link_s)
    };
    let one = Some((listen + 5.0).ceil() as u64);
    let usual = quick.usual_time().as_secs_f64().ceil() as u64;
    assert_eq!(times(&case, "at-port").0, usual);
    assert_eq!(times(&case, "two-pairs"), (90, one));
    assert_eq!(times(&case, "cable-test"), (10, None));
    assert_eq!(times(&case, "soak"), (90, times(&case, "at-port").1));
    assert!(times(&case, "at-port").1 > one, "slower speeds are tried");
    // An exchange is as long as a soak at the port, if there was one.
    assert_eq!((times(&case, "other-plug").0, case.is_long(&stage("other-plug"))), (usual, false));
    add(&mut case, "soak:at-port", result(true, Showing::Fails, 6000));
    assert_eq!((times(&case, "other-plug").0, case.is_long(&stage("other-plug"))), (90, true));
    assert!(case.is_long(&stage("soak")) && !case.is_long(&stage("at-port")));
    case.port.kind = Kind::Serial;
    assert_eq!(times(&case, "at-port").1, None, "no link is waited for");
}

/// One spell tells nothing of the pauses between; and a soak that decided something is not made longer.
#[test]
fn a_soak_is_lengthened_only_by_what_it_can_show() {
    let soak = |shown: StageResult| {
        let mut case = with(&[], &["internal+", "at-port+", "far-end-"]);
        add(&mut case, "soak", shown);
        case.move_to(&stage("soak")).time_s
    };
    let spells =
        |groups| StageResult { seconds_errored: groups, error_groups: groups, ..result(true, Showing::Fails, 900) };
    assert_eq!([soak(spells(1)), soak(spells(2))], [60, 232]);
    assert_eq!(soak(result(true, Showing::Passes, 0)), 60);
    let mut short = with(&[], &["internal+", "at-port+"]);
    add(&mut short, "far-end", StageResult { seconds: 200, ..result(false, Showing::Neither, 0) });
    assert_eq!(short.move_to(&stage("soak")).time_s, 60, "it was no soak");
    let mut near = with(&[], &["internal+"]);
    add(&mut near, "soak:at-port", spells(1));
    assert_eq!(near.move_to(&stage("soak:at-port")).time_s, 60, "a spell at the port is one");
    // A run at 100 Mb/s only tells pairs apart: it is as long as any soak.
    let mut in_vain = with(&[], &["internal+", "at-port+", "far-end+"]);
    add(&mut in_vain, "soak", result(true, Showing::Neither, 2));
    let time = |name: &str| in_vain.move_to(&stage(name)).time_s;
    assert_eq!((time("soak"), time("two-pairs")), (240, 60));
}

/// What to look at, and what is dangerous, at each stage.
#[test]
fn each_stage_says_what_to_look_at_and_what_is_dangerous() {
    let mut case = with(&[], &[]);
    case.medium = Medium::Copper;
    let near = vec![Caution::PowerOverEthernet];
    let far = vec![Caution::PowerOverEthernet, Caution::RingingVoltage, Caution::GroundPotential];
    for (name, look, with_return_port, cautions) in [
        ("internal", "", "", vec![]),
        ("soak:internal", "", "", vec![]),
        ("at-port", "The latch clicks.", "The latch clicks.", near.clone()),
        ("other-plug", "The latch clicks.", "The latch clicks.", near.clone()),
        ("known-good-port", "This port passed with another plug", "This port passed in another test", near),
        ("far-end", "The labels at both ends", "The labels at both ends", far.clone()),
        ("two-pairs", "The labels at both ends", "The labels at both ends", far.clone()),
        ("cable-test", "Nothing is connected at the far end: a plug", "Nothing is connected at the far end.", far),
    ] {
        for (back, look) in [(None, look), (Some("quay8".to_owned()), with_return_port)] {
            case.options.return_port = back;
            let told = case.move_to(&stage(name));
            assert!(told.look.starts_with(look) && told.look.is_empty() == look.is_empty(), "{name}: {}", told.look);
            assert_eq!(told.cautions, cautions, "{name}");
        }
    }
    // What a run saw of the medium is better known than what the port says.
    case.medium = Medium::Unknown;
    add(
        &mut case,
        "far-end",
        StageResult {
            link: LinkState { medium: Medium::Fibre, up: true, ..LinkState::default() },
            ..result(false, Showing::Passes, 0)
        },
    );
    assert_eq!(case.move_to(&stage("far-end")).cautions, [Caution::LaserLight, Caution::ReceiverOverload]);
}

/// A plug is told by its label: the other one must be another, and at every other stage it must be the same.
#[test]
fn a_plug_with_another_label_is_another_plug() {
    let mut case = with(&[], &[]);
    let wrong = |case: &Case, name: &str, label: &str| case.wrong_plug(&stage(name), label);
    assert!(["at-port", "other-plug"].iter().all(|name| wrong(&case, name, "P-1").is_none()), "it has no label");
    case.plug = Some("P-1".into());
    assert_eq!((wrong(&case, "at-port", "P-1"), wrong(&case, "other-plug", "P-2")), (None, None));
    assert!(wrong(&case, "other-plug", "P-1").unwrap().contains("needs another plug"));
    assert!(wrong(&case, "at-port", "P-2").unwrap().contains("about plug P-1, and P-2 is another"));
    assert!(wrong(&case, "known-good-port", "P-2").is_some());
}

/// A stage is shown as it is seen among the others.
#[test]
fn a_stage_shows_what_it_says_among_the_others() {
    let mut case = with(&[], &["internal+", "at-port+"]);
    add(&mut case, "far-end", StageResult { fallback_mbps: Some(100), ..result(false, Showing::Passes, 0) });
    for (showing, words) in [
        (Showing::Fails, "fails"),
        (Showing::Neither, "undecided"),
        (Showing::NotTested, "not tested"),
        (Showing::HostFails, "this computer fails"),
    ] {
        add(&mut case, "soak", result(true, showing, 500));
        assert_eq!(case.shows(case.stages.last().unwrap()).as_deref(), Some(words));
        case.stages.pop();
    }
    let shown = |case: &Case, n: usize| case.shows(&case.stages[n]);
    assert_eq!(shown(&case, 1).as_deref(), Some("passes"));
    assert_eq!(shown(&case, 2).as_deref(), Some("passes at 100 Mb/s only"));
    case.stages[2].ended = Ended::SetAside;
    assert_eq!(shown(&case, 2), None);
}

#[test]
fn the_state_of_a_case_has_a_word_for_people_and_one_for_documents() {
    for (state, name, words) in [
        (CaseState::Open, "open", "open"),
        (CaseState::Decided, "decided", "decided"),
        (CaseState::Exhausted, "exhausted", "undecided, no stage left"),
        (CaseState::Closed, "closed", "closed"),
    ] {
        assert_eq!(serde_json::to_value(state).unwrap(), name);
        assert_eq!((state.name(), state.in_words(), CaseState::said(name)), (name, words, words));
    }
    assert_eq!(CaseState::said("of-next-year"), "of-next-year");
}

/// The word of a technician: an outcome without a figure.
#[test]
fn an_answer_has_an_outcome_and_no_figure() {
    for (showing, outcome, said) in
        [(Showing::Passes, Outcome::Pass, "it passes"), (Showing::Fails, Outcome::Fault, "it fails")]
    {
        let answer = StageResult::answered(showing);
        assert_eq!((answer.outcome, answer.showing), (outcome, showing));
        assert!(answer.text.ends_with(said), "{}", answer.text);
        let figures =
            [answer.tried.units, answer.tried.failed, answer.bits_compared, answer.bit_errors, answer.seconds];
        let more = [answer.seconds_errored, answer.error_groups, answer.link_flaps];
        assert!(figures.iter().chain(&more).all(|figure| *figure == 0) && answer.limit + answer.confidence == 0.0);
        assert_eq!(answer.units(), "blocks");
        assert_eq!(StageResult { size_bytes_min: Some(64), ..answer }.units(), "frames");
    }
}

fn stored(text: &str) -> Report {
    match Document::read(text) {
        Ok(Document::Run(report)) => *report,
        other => panic!("the fixture is a run: {other:?}"),
    }
}

/// What a run's verdict says of the line as far as its loop goes: nothing where this computer may be to blame.
#[test]
fn a_stage_keeps_of_its_run_what_it_says_of_the_line() {
    let report = stored(include_str!("../../../../../../../tests/fixtures/format1/ethernet-run.json"));
    let shown = |outcome, location: &[Location], rule: RuleId| {
        let mut report = report.clone();
        report.verdict.outcome = outcome;
        report.verdict.location = location.to_vec();
        report.verdict.reasons = vec![Reason { rule, text: "Seen.".into() }];
        let result = StageResult::new(&report);
        assert_eq!((result.outcome, result.text.as_str()), (outcome, "Seen."));
        result.showing
    };
    use Location::{Host, Plug, Port};
    assert_eq!(shown(Outcome::Pass, &[], RuleId::LimitProved), Showing::Passes);
    assert_eq!(shown(Outcome::Fault, &[Port, Plug], RuleId::BitErrors), Showing::Fails);
    assert_eq!(shown(Outcome::Fault, &[Host], RuleId::DamagedAfterCheck), Showing::HostFails);
    assert_eq!(shown(Outcome::Fault, &[Host, Plug], RuleId::DamagedAfterCheck), Showing::Neither);
    assert_eq!(shown(Outcome::Undecided, &[], RuleId::TooFewBits), Showing::Neither);
    assert_eq!(shown(Outcome::NotTested, &[], RuleId::InService), Showing::NotTested);
    // Whoever does a stage was told to fit the plug.
    assert_eq!(shown(Outcome::Undecided, &[], RuleId::LoopOpen), Showing::Fails);
    // Inverted by its bits, or by the level at which the line rests.
    let mut inverted = report.clone();
    assert!(!StageResult::new(&inverted).inverted);
    inverted.verdict.reasons.push(Reason { rule: RuleId::LineInverted, text: "Seen.".into() });
    assert!(StageResult::new(&inverted).inverted);
    let mut inverted = report.clone();
    (inverted.damage.errored_probes, inverted.damage.inverted_probes, inverted.damage.bit_errors) = (10, 10, 9000);
    assert!(StageResult::new(&inverted).inverted);
    // One failed second is one.
    let kept = StageResult::new(&report);
    assert!(kept.seconds >= kept.seconds_errored && kept.link_flaps == report.ethernet().unwrap().link_flaps);
    let mut once = report.clone();
    let clean = once.seconds.iter().position(|second| second.sent > 0).unwrap();
    once.seconds.iter_mut().for_each(|second| (second.returned, second.damaged) = (second.sent, 0));
    once.seconds[clean].damaged = 1;
    assert_eq!(StageResult::new(&once).seconds_errored, 1);
    let serial = stored(include_str!("../../../../../../../tests/fixtures/format1/serial-run.json"));
    assert_eq!(StageResult::new(&serial).link_flaps, 0);
}

#[test]
fn remarks_add_what_the_stages_leave_open() {
    let seen = with(&[], &["internal+", "at-port+"]);
    assert_eq!((remark(&seen, RuleId::FromRecords), remark(&seen, RuleId::LeftOut)), (None, None));
    let mut taken = seen.clone();
    taken.stages[1].source = Source::Record;
    taken.settle();
    assert_eq!(remark(&taken, RuleId::FromRecords).unwrap(), "Taken from records: at-port of 2026-03-01T08:00:00Z.");
    let mut skipped = seen.clone();
    skip(&mut skipped, "far-end");
    assert_eq!(remark(&skipped, RuleId::LeftOut).unwrap(), "Skipped by the technician: far-end.");
    // Done after all: nothing was left out.
    add(&mut skipped, "far-end", result(false, Showing::Passes, 0));
    assert_eq!(remark(&skipped, RuleId::LeftOut), None);
    let mut aside = seen.clone();
    aside.stages[1].ended = Ended::SetAside;
    aside.settle();
    assert_eq!(remark(&aside, RuleId::LeftOut).unwrap(), "Set aside by the technician and not done again: at-port.");
    // Seconds of all runs that showed it.
    let mut spells = with(&[], &["internal+", "at-port+"]);
    for flaps in [2, 5] {
        add(
            &mut spells,
            "far-end",
            StageResult { link_flaps: flaps, seconds_errored: 1, ..result(false, Showing::Fails, 500) },
        );
    }
    let told = remark(&spells, RuleId::ComesAndGoes).unwrap();
    assert!(told.ends_with("It was there in 7 of 10 s of the runs that showed it."), "{told}");
    // At one place only: the port itself.
    let mixed = remark(&with(&[], &["internal+", "at-port-", "at-port+"]), RuleId::ComesAndGoes);
    assert_eq!(mixed.as_deref(), Some("The failure comes and goes: one place both passed and failed."));
    // Two pairs are spoken of where the port itself is slow.
    let mut slow = with(&[], &["internal+", "at-port+"]);
    add(&mut slow, "far-end", StageResult { fallback_mbps: Some(100), ..result(false, Showing::Passes, 0) });
    assert_eq!(remark(&slow, RuleId::TwoPairs), None);
}

/// Round trips are compared at the same clock, speed and size; on copper the length is held against 100 m.
#[test]
fn a_length_is_told_only_from_round_trips_that_compare() {
    let timed = |min, speed_mbps, size| {
        let passes = result(false, Showing::Passes, 0);
        StageResult {
            latency_ns: Latency { clock: "adapter".into(), count: 9, min, ..Latency::default() },
            link: LinkState { speed_mbps: Some(speed_mbps), ..passes.link },
            size_bytes_min: Some(size),
            ..passes
        }
    };
    let told = |medium, far: StageResult| {
        let mut case = with(&[], &["internal+"]);
        let near = timed(Some(20_000), 1000, 64);
        add(&mut case, "at-port", StageResult { link: LinkState { medium, ..near.link }, ..near });
        add(&mut case, "far-end", far);
        // What is too long stands in the answer itself, and not once more beside it.
        let passes = &case.verdict.reasons[0].text;
        match passes.strip_prefix("Every stage passes. There is no fault now.").map(str::trim_start) {
            None | Some("") => remark(&case, RuleId::CableLength),
            Some(told) => {
                assert_eq!((told.contains("more than the 100 m"), remark(&case, RuleId::CableLength)), (true, None));
                Some(told.to_owned())
            }
        }
    };
    let copper = |growth: u64| told(Medium::Copper, timed(Some(20_000 + growth), 1000, 64)).unwrap();
    // By hand: 480 ns at a velocity factor of 0.68 are 48.9 m; from 464 ns at 0.64 to 496 ns at 0.72.
    assert!(copper(480).contains("that is 49 m of cable, or 45 to 54 m"), "{}", copper(480));
    assert!(copper(480).ends_with("within the 100 m for a copper channel."));
    assert!(copper(940).ends_with("at the limit of 100 m for a copper channel."), "103 m at most");
    assert!(copper(1100).ends_with("more than the 100 m that a copper channel may have."), "104 m at least");
    let mut long = with(&[], &["internal+"]);
    for (name, min) in [("at-port", 20_000), ("far-end", 21_100)] {
        add(&mut long, name, timed(Some(min), 1000, 64));
    }
    assert!(long.verdict.reasons[0].text.ends_with("may have."), "{:?}", long.verdict.reasons);
    // Glass: 9784 ns at 0.674 and 9816 ns at 0.688 are 989 and 1012 m.
    let fibre = told(Medium::Fibre, timed(Some(29_800), 1000, 64)).unwrap();
    assert!(fibre.contains("or 988 to 1 012 m") && fibre.ends_with("not known exactly."), "{fibre}");
    // Another speed, another size, another clock, or none.
    assert_eq!(told(Medium::Copper, timed(Some(21_000), 100, 64)), None);
    assert_eq!(told(Medium::Copper, timed(Some(21_000), 1000, 1518)), None);
    assert_eq!(told(Medium::Copper, timed(None, 1000, 64)), None);
    let mut other_clock = timed(Some(21_000), 1000, 64);
    other_clock.latency_ns.clock = "kernel".into();
    assert_eq!(told(Medium::Copper, other_clock), None);
    // A rig's own clock is fine; a run that decided nothing has no round trip to speak of.
    let mut rig = with(&[], &["internal+"]);
    for (name, min) in [("at-port", 20_000), ("far-end", 20_480)] {
        let mut run = timed(Some(min), 1000, 64);
        run.latency_ns.clock = "virtual".into();
        add(&mut rig, name, run);
    }
    let told_of_rig = remark(&rig, RuleId::CableLength).unwrap();
    assert!(told_of_rig.contains("49 m of cable, or 46 to 52 m"), "{told_of_rig}");
    let mut unclear = with(&[], &["internal+"]);
    let near = timed(Some(20_000), 1000, 64);
    add(&mut unclear, "at-port", StageResult { showing: Showing::Neither, rule: RuleId::HostLimited, ..near });
    add(&mut unclear, "far-end", timed(Some(20_480), 1000, 64));
    assert_eq!(remark(&unclear, RuleId::CableLength), None);
    // A serial line has bits longer than that.
    let mut serial = with(&[], &["internal+"]);
    serial.port.kind = Kind::Serial;
    for (name, min) in [("at-port", 20_000), ("far-end", 21_000)] {
        add(&mut serial, name, timed(Some(min), 1000, 64));
    }
    assert_eq!(remark(&serial, RuleId::CableLength), None);
    // The length of a cable that is not blamed is left out where a fault stands elsewhere.
    let mut port = with(&[], &[]);
    add(&mut port, "at-port", timed(Some(20_000), 1000, 64));
    add(&mut port, "far-end", timed(Some(20_480), 1000, 64));
    (0..2).for_each(|_| add(&mut port, "internal", result(false, Showing::Fails, 5000)));
    assert_eq!(port.verdict.location, [Location::Port]);
    assert_eq!(remark(&port, RuleId::CableLength), None);
}

/// An exchange that failed is expected to fail again, whatever the case's own plug shows; a stage that decided nothing
/// is no guide; and a soak is as many runs as it is longer.
#[test]
fn what_is_expected_is_what_the_place_showed() {
    let outlook = |stages: &[&str]| with(&[], stages).outlook().steady.stages;
    let (plug, port) = (
        outlook(&["internal+", "at-port-", "at-port-", "other-plug+", "known-good-port-"]),
        outlook(&["internal+", "at-port-", "at-port-", "other-plug-", "known-good-port+"]),
    );
    let follow = |stages: &[&str], bad: fn(&StageName) -> bool| {
        let mut case = with(&[], stages);
        let before = case.stages.len();
        lead(&mut case, bad);
        (case.stages.len() - before) as u32
    };
    let told = follow(&["internal+", "at-port-", "at-port-", "other-plug+", "known-good-port-"], |s| {
        *s != StageName::OtherPlug
    });
    assert_eq!(plug, told);
    let told = follow(&["internal+", "at-port-", "at-port-", "other-plug-", "known-good-port+"], |s| {
        *s != StageName::KnownGoodPort
    });
    assert_eq!(port, told);
    // A run that this computer spoilt is followed by the same one, which passes.
    let mut spoilt = with(&[], &["internal+", "at-port+"]);
    add(&mut spoilt, "far-end", StageResult { rule: RuleId::HostLimited, ..result(false, Showing::Neither, 0) });
    assert_eq!(spoilt.outlook().steady.stages, 2, "the far end and its soak");
}
