//! Cases built stage by stage: what the rules conclude, and which stage they ask for next.

use proptest::prelude::*;

use super::*;
use crate::base::rng::Rng;
use crate::document::case::ahead::Ahead;
use crate::document::case::name::Spot;
use crate::document::case::stage::{Ended, Showing, Source, Stage, StageResult};
use crate::document::case::{CaseLine, CaseOptions, Who};
use crate::document::run::{Latency, Tried};
use crate::judge::facts::Facts;
use crate::judge::{remarks as remarks_on_a_run, rules as rules_of_a_run};
use crate::kind::ethernet::cable_test::{CableTest, Pair, PairResult, PairStatus};
use crate::kind::ethernet::facts::EthernetFacts;
use crate::kind::ethernet::link::{Capabilities, LinkState, Medium};
use crate::kind::serial::facts::SerialFacts;
use crate::kind::serial::format::LineCapabilities;
use crate::kind::{Kind, port::PortIdentity};
use crate::plan::Profile;

mod cable;
mod port;
mod told;

/// Whatever has a name is said by some rule or remark, or by one of those few places that judge nothing.
#[test]
fn every_name_is_used() {
    fn of_a_run<F: Facts>() -> impl Iterator<Item = RuleId> {
        rules_of_a_run::<F>()
            .into_iter()
            .map(|r| r.id.clone())
            .chain(remarks_on_a_run::<F>().into_iter().map(|r| r.id.clone()))
    }
    let of_a_case = rules().into_iter().map(|rule| rule.id.clone());
    let on_a_case = remarks::REMARKS.iter().map(|(id, _)| id.clone());
    let judging_nothing = [RuleId::Refused, RuleId::Answered, RuleId::NoRule, RuleId::CableTestContradicts];
    let used: Vec<RuleId> = of_a_run::<EthernetFacts>()
        .chain(of_a_run::<SerialFacts>())
        .chain(of_a_case)
        .chain(on_a_case)
        .chain(judging_nothing)
        .collect();
    // Those of the bench follow; the tests of the bench ask for each of them.
    for id in RuleId::ALL.iter().filter(|id| **id < RuleId::CardTestsMissing) {
        assert!(used.contains(id), "no rule or remark is called `{id}`");
    }
}

fn case(segments: &[&str]) -> Case {
    let nothing = Conclusion::undecided("");
    let mut case = Case {
        format: crate::document::case::FORMAT,
        program: "turnback".into(),
        case: "01".into(),
        opened_at: "2026-03-01T08:00:00Z".into(),
        changed_at: "2026-03-01T08:00:00Z".into(),
        port: PortIdentity::named("quay7", Kind::Ethernet),
        cable: "Q-12".into(),
        segments: segments.iter().map(|label| (*label).to_owned()).collect(),
        plug: None,
        capabilities: Capabilities { internal_loop: true, ..Capabilities::default() },
        medium: Medium::Unknown,
        offers_cable_test: false,
        line: None,
        stages: Vec::new(),
        state: CaseState::Open,
        verdict: Verdict { outcome: nothing.outcome, ..Verdict::unjudged() },
        next: None,
        again: None,
        options: CaseOptions::default(),
        closed: None,
        laid_down: false,
    };
    case.settle();
    case
}

/// A stage of a thousand frames a second for five seconds (a minute for a soak), so many of them failed.
fn result(long: bool, showing: Showing, failed: u64) -> StageResult {
    let seconds = if long { 60 } else { 5 };
    StageResult {
        showing,
        rule: match showing {
            Showing::Fails => RuleId::BitErrors,
            Showing::Neither => RuleId::TooFewBits,
            _ => RuleId::LimitProved,
        },
        text: "As counted.".into(),
        tried: Tried { units: 1000 * seconds, failed },
        link: LinkState { up: true, speed_mbps: Some(1000), medium: Medium::Copper, ..LinkState::default() },
        seconds,
        seconds_errored: if failed == 0 { 0 } else { seconds },
        error_groups: u64::from(failed > 0),
        limit: 1e-6,
        confidence: 0.95,
        ..StageResult::answered(showing)
    }
}

fn add(case: &mut Case, name: &str, result: StageResult) {
    let name: StageName = name.parse().unwrap();
    case.stages.push(Stage {
        attempt: 1,
        placement: name.spot().map(|spot| spot.placement()),
        segment: None,
        plug: None,
        on_port: None,
        run: None,
        started_at: "2026-03-01T08:00:00Z".into(),
        source: Source::Run,
        ended: Ended::Done,
        why: None,
        result: Some(result),
        pairs: None,
        name,
    });
    case.settle();
    case.verdict.assert_reads_well();
}

/// Adds stages: `+` passes, `-` fails in one frame of ten, in every second.
fn with(segments: &[&str], stages: &[&str]) -> Case {
    let mut case = case(segments);
    for stage in stages {
        let (name, shows) = stage.split_at(stage.len() - 1);
        let long = name.starts_with("soak");
        let seconds = if long { 60 } else { 5 };
        let result = match shows {
            "+" => result(long, Showing::Passes, 0),
            _ => result(long, Showing::Fails, 100 * seconds),
        };
        add(&mut case, name, result);
    }
    case
}

fn next(case: &Case) -> String {
    case.next.as_ref().map_or("-".to_owned(), |next| next.stage.to_string())
}

fn says(case: &Case) -> (Outcome, Vec<Location>, Option<&str>, CaseState) {
    (case.verdict.outcome, case.verdict.location.clone(), case.verdict.segment.as_deref(), case.state)
}

/// The table of places (common practice, no source): what each pattern of passes and failures leads to next.
#[test]
fn a_case_goes_from_the_inside_out() {
    let s3 = &["riser", "duct", "tail"];
    let s4 = &["a", "b", "c", "d"];
    let s6 = &["a", "b", "c", "d", "e", "f"];
    let table: [(&[&str], &[&str], &str); 18] = [
        (&[], &[], "internal"),
        (&[], &["internal+"], "at-port"),
        (&[], &["internal-"], "internal"),
        (&[], &["internal+", "at-port+"], "far-end"),
        (&[], &["internal+", "at-port-"], "at-port"),
        (&[], &["internal+", "at-port-", "at-port-"], "other-plug"),
        (&[], &["internal+", "at-port-", "at-port-", "other-plug+"], "known-good-port"),
        (&[], &["internal+", "at-port-", "at-port-", "other-plug-"], "known-good-port"),
        (&[], &["internal+", "at-port-", "at-port+"], "soak:at-port"),
        (&[], &["internal+", "at-port-", "at-port+", "at-port+"], "far-end"),
        (&[], &["internal+", "at-port+", "far-end+"], "soak"),
        (s3, &["internal+", "at-port+"], "far-end:riser"),
        (s3, &["internal+", "at-port+", "far-end:riser+"], "far-end:duct"),
        (s3, &["internal+", "at-port+", "far-end:riser+", "far-end:duct-"], "soak:far-end:riser"),
        (s4, &["internal+", "at-port+"], "far-end"),
        (s6, &["internal+", "at-port+"], "far-end"),
        (s6, &["internal+", "at-port+", "far-end-"], "far-end:c"),
        (s6, &["internal+", "at-port+", "far-end-", "far-end:c+"], "far-end:e"),
    ];
    for (segments, stages, expected) in table {
        assert_eq!(next(&with(segments, stages)), expected, "{stages:?}");
    }
}

/// What it takes to blame what is between two places that have been visited: each five times, then in a row in place.
fn proof(low: &str, high: &str) -> Vec<String> {
    let stage = |name: &str, long: bool, shows: &str| {
        let name = match (name, long) {
            ("far-end", true) => "soak".to_owned(),
            (name, true) => format!("soak:{name}"),
            (name, false) => name.to_owned(),
        };
        format!("{name}{shows}")
    };
    let mut stages = vec![stage(low, true, "+"), stage(high, true, "-")];
    stages.extend([high, high, high].map(|high| stage(high, false, "-")));
    stages.extend([low, low, low].map(|low| stage(low, false, "+")));
    stages
}

/// The stages, and what it takes after them.
fn proved(segments: &[&str], stages: &[&str], low: &str, high: &str) -> Case {
    let proof = proof(low, high);
    let all: Vec<&str> = stages.iter().copied().chain(proof.iter().map(String::as_str)).collect();
    for cut in stages.len()..all.len() {
        let case = with(segments, &all[..cut]);
        assert_eq!((case.state, next(&case).as_str()), (CaseState::Open, &all[cut][..all[cut].len() - 1]), "{all:?}");
    }
    with(segments, &all)
}

#[test]
fn the_segment_between_the_last_pass_and_the_first_failure_is_named() {
    let stages = ["internal+", "at-port+", "far-end:riser+", "far-end:duct-"];
    let case = proved(&["riser", "duct", "tail"], &stages, "far-end:riser", "far-end:duct");
    assert_eq!(says(&case), (Outcome::Fault, vec![Location::Cable], Some("duct"), CaseState::Decided));
    assert!(case.verdict.next.contains("duct"), "{}", case.verdict.next);
    // One piece of cable has no segment to name.
    let case = proved(&[], &["internal+", "at-port+", "far-end-"], "at-port", "far-end");
    assert_eq!(says(&case), (Outcome::Fault, vec![Location::Cable], None, CaseState::Decided));
}

/// A passing segment clears port and plug as well as the port itself does.
#[test]
fn a_passing_segment_clears_a_port_that_was_skipped() {
    let mut case = case(&["riser", "duct"]);
    skip(&mut case, "internal");
    skip(&mut case, "at-port");
    add(&mut case, "far-end:riser", result(false, Showing::Passes, 0));
    assert!(case.verdict.reasons[0].text.contains("far-end:riser passes"), "{:?}", case.verdict.reasons);
    lead(&mut case, |stage| stage.spot() == Some(Spot::FarEnd(None)));
    assert_eq!(says(&case), (Outcome::Fault, vec![Location::Cable], Some("duct"), CaseState::Decided));
}

fn skip(case: &mut Case, name: &str) {
    add(case, name, result(false, Showing::Passes, 0));
    let stage = case.stages.last_mut().unwrap();
    (stage.ended, stage.result) = (Ended::Skipped, None);
    case.settle();
}

/// Whoever begins at the port is not sent back into the chip by a pass, but is by a failure.
#[test]
fn a_pass_at_the_port_covers_the_chip() {
    for (showing, next) in [(Showing::Passes, "far-end:lead"), (Showing::Fails, "internal")] {
        let mut case = case(&["lead", "tail"]);
        add(&mut case, "at-port", result(false, showing, u64::from(showing == Showing::Fails) * 5000));
        case.settle();
        assert_eq!(case.next.map(|next| next.stage.to_string()).as_deref(), Some(next), "{showing:?}");
    }
}

/// What would prove it was skipped: the segment that one failure points to is not condemned.
#[test]
fn a_segment_is_not_condemned_when_its_proof_was_skipped() {
    let mut case = with(&["lead", "tail"], &["internal+", "at-port+", "far-end:lead-"]);
    while let Some(next) = case.next.clone() {
        skip(&mut case, &next.stage.to_string());
    }
    assert_eq!(says(&case), (Outcome::Undecided, vec![], None, CaseState::Exhausted));
    let text = &case.verdict.reasons[0].text;
    assert!(text.starts_with("It points to segment lead, which is not proved."), "{text}");
    assert!(case.again.is_some() && case.verdict.next.contains("left out"), "{}", case.verdict.next);
}

/// Stages that were corrected or done out of order: a pass of the far end leaves nothing nearer to try.
#[test]
fn a_pass_of_the_far_end_covers_the_places_before_it() {
    let case = with(&["lead", "tail"], &["far-end+", "at-port+"]);
    assert_eq!(case.next.map(|next| next.stage.to_string()).as_deref(), Some("soak"));
    assert_eq!(case.verdict.reasons[0].rule, RuleId::AllPass);
}

/// Overnight the plug is somewhere else: nobody is told to leave it as it is.
#[test]
fn a_case_that_was_laid_down_tells_all_that_belongs_where() {
    let mut case = with(&[], &["internal+", "at-port-"]);
    let mut seen = false;
    while let Some(next) = case.next.clone() {
        if next.still {
            seen = true;
            assert!(next.hands.starts_with("Leave everything"), "{}", next.hands);
            case.laid_down = true;
            case.settle();
            let again = case.next.clone().unwrap();
            assert_eq!((&again.stage, again.still), (&next.stage, false));
            assert!(again.hands.contains("plug") && !again.hands.contains("Leave everything"), "{}", again.hands);
            case.laid_down = false;
        }
        let fails = next.stage != StageName::OtherPlug;
        let (showing, failed) = if fails { (Showing::Fails, 500) } else { (Showing::Passes, 0) };
        add(&mut case, &next.stage.to_string(), result(false, showing, failed));
    }
    assert!(seen, "no stage was repeated in place");
}

/// A port that begins to fail between two stages looks like a cable, until the plug is back in the port.
#[test]
fn a_port_that_fails_later_is_no_cable() {
    let case = with(&[], &["internal+", "at-port+", "far-end-", "soak:at-port-"]);
    assert_ne!(case.verdict.location, [Location::Cable]);
    assert_eq!(case.state, CaseState::Open);
    assert_eq!(says(&with(&[], &["internal+", "at-port+", "far-end-"])).3, CaseState::Open);
}

/// A search always ends between some pass and some failure; it is what comes again that proves.
#[test]
fn halving_alone_proves_nothing() {
    let s6 = &["a", "b", "c", "d", "e", "f"];
    let stages = ["internal+", "at-port+", "far-end-", "far-end:c+", "far-end:e-", "far-end:d-"];
    assert_eq!((with(s6, &stages).verdict.segment.as_deref(), with(s6, &stages).state), (Some("d"), CaseState::Open));
    let case = proved(s6, &stages, "far-end:c", "far-end:d");
    assert_eq!(says(&case), (Outcome::Fault, vec![Location::Cable], Some("d"), CaseState::Decided));
}

#[test]
fn port_and_plug_are_told_apart() {
    let ends = |bad: fn(&StageName) -> bool| {
        let mut case = with(&[], &["internal+"]);
        let mut stages = 0;
        lead(&mut case, |stage| {
            stages += 1;
            bad(stage)
        });
        assert!(stages <= 11, "{stages}");
        says(&case).1
    };
    assert_eq!(ends(|stage| *stage != StageName::OtherPlug), [Location::Plug]);
    assert_eq!(ends(|stage| *stage != StageName::KnownGoodPort), [Location::Port]);
    // Neither fails without the other.
    let together = ends(|stage| !matches!(stage, StageName::OtherPlug | StageName::KnownGoodPort));
    assert_eq!(together, [Location::Port, Location::Plug]);
    // All fail alike: two bad plugs, or a disturbance of them all. Nobody is blamed.
    assert_eq!(ends(|_| true), []);
    let mut alike = with(&[], &["internal+"]);
    lead(&mut alike, |_| true);
    for exchange in [StageName::OtherPlug, StageName::KnownGoodPort] {
        assert_eq!(alike.stages.iter().filter(|stage| stage.name == exchange).count(), 2, "{exchange}");
    }
    let inside = with(&[], &["internal-", "internal-"]);
    assert_eq!(says(&inside), (Outcome::Fault, vec![Location::Port], None, CaseState::Decided));
}

/// With a return port, that port and its cord are what a case calls the plug: each exchange names what is exchanged.
#[test]
fn a_return_port_takes_the_place_of_the_plug() {
    let mut case = case(&["riser", "duct"]);
    case.options.return_port = Some("quay8".into());
    let hands = |case: &Case, stage: &str| case.move_to(&stage.parse().unwrap()).hands;
    for (stage, told) in [
        ("at-port", "Connect quay7 straight to quay8 with one short cord."),
        ("far-end:riser", "the far end of its segment riser to quay8; disconnect what follows"),
        ("far-end", "Connect cable Q-12 to quay7 and its far end to quay8."),
        ("other-plug", "in place of quay8"),
        ("known-good-port", "Leave the cord that failed in quay8."),
        ("cable-test", "take its far end out of quay8"),
    ] {
        let hands = hands(&case, stage);
        assert!(hands.contains(told) && !hands.contains("plug"), "{stage}: {hands}");
    }
    for (stage, asked) in [("other-plug", true), ("known-good-port", true), ("at-port", false), ("soak", false)] {
        assert_eq!(case.needs_another_port(&stage.parse().unwrap()), asked, "{stage}");
    }
    case.settle();
    let said = case.verdict.reasons.iter().find(|reason| reason.rule == RuleId::ReturnPort).unwrap();
    assert!(said.text.starts_with("quay8 and the cord to it take the place of the plug"), "{}", said.text);
    case.options.return_port = None;
    assert!(!case.needs_another_port(&StageName::OtherPlug));
    case.capabilities.moves_plug = true;
    assert!(!case.needs_another_port(&StageName::KnownGoodPort), "a rig has such a port in itself");
}

/// Two failures on the known-good port condemn no plug that also passed there, or where another plug failed as well.
#[test]
fn a_plug_is_not_condemned_by_failures_that_others_share() {
    let start = ["internal+", "at-port-", "at-port-"];
    for more in [
        &["other-plug+", "known-good-port-"][..],
        &["other-plug+", "known-good-port-", "known-good-port-"],
        &["other-plug-", "known-good-port-", "known-good-port-"],
        &["other-plug+", "known-good-port-", "known-good-port+", "known-good-port-"],
    ] {
        let case = with(&[], &[start.as_slice(), more].concat());
        assert_ne!(case.state, CaseState::Decided, "{more:?}: {:?}", case.verdict);
    }
}

/// What the exchanges point to, and nobody where one of them fails as often as it passes.
#[test]
fn an_exchange_points_only_where_it_mostly_shows_one_thing() {
    let table: [(&[&str], &[Location]); 6] = [
        (&["other-plug+", "known-good-port-"], &[Location::Plug]),
        (&["other-plug-", "known-good-port+"], &[Location::Port]),
        (&["other-plug+", "known-good-port+"], &[Location::Port, Location::Plug]),
        (&["other-plug-", "known-good-port-"], &[]),
        (&["other-plug+", "other-plug-", "known-good-port-"], &[]),
        (&["other-plug+", "known-good-port-", "known-good-port+"], &[]),
    ];
    for (exchanges, blamed) in table {
        let case = with(&[], &[&["internal+", "at-port-", "at-port-"], exchanges].concat());
        assert_eq!((case.verdict.location.as_slice(), case.state), (blamed, CaseState::Open), "{exchanges:?}");
    }
}

/// An exchange is as long as the soak from half of its time on: a shorter pass says nothing of what comes and goes.
#[test]
fn a_short_pass_of_an_exchange_says_nothing_of_what_comes_and_goes() {
    for (seconds, then) in [(29, "other-plug"), (30, "known-good-port")] {
        let mut case = with(&[], &["internal+", "at-port-"]);
        let flickers = StageResult { seconds_errored: 5, error_groups: 3, ..result(true, Showing::Fails, 5000) };
        add(&mut case, "soak:at-port", flickers);
        assert_eq!(next(&case), "other-plug");
        add(&mut case, "other-plug", StageResult { seconds, ..result(true, Showing::Passes, 0) });
        assert_eq!(next(&case), then, "{seconds} s");
    }
}

/// Without a soak, which was declined, a third failure is what lets port and plug be told apart.
#[test]
fn three_failures_that_come_and_go_are_as_good_as_a_soak() {
    for (shown, then) in [(&["at-port-"][..], "-"), (&["at-port-", "at-port-"], "other-plug")] {
        let mut case = with(&[], &["internal+", "at-port-", "at-port+"]);
        skip(&mut case, "soak:at-port");
        for name in shown {
            add(&mut case, &name[..name.len() - 1], result(false, Showing::Fails, 500));
        }
        assert_eq!(next(&case), then, "{shown:?}");
    }
}

/// What this computer spoils is tried three times.
#[test]
fn a_stage_that_decides_nothing_is_tried_three_times() {
    let spoilt = || StageResult { rule: RuleId::HostLimited, ..result(false, Showing::Neither, 0) };
    let mut case = with(&[], &["internal+"]);
    for then in ["at-port", "at-port", "-"] {
        add(&mut case, "at-port", spoilt());
        assert_eq!(next(&case), then);
    }
    // Inside the chip twice: then the other stages go on.
    let mut case = with(&[], &[]);
    for then in ["internal", "at-port"] {
        add(&mut case, "internal", spoilt());
        assert_eq!(next(&case), then);
    }
    // A port that was not free is tried once more.
    let mut case = with(&[], &["internal+"]);
    for then in ["at-port", "-"] {
        add(&mut case, "at-port", result(false, Showing::NotTested, 0));
        assert_eq!((case.verdict.outcome, next(&case).as_str()), (Outcome::NotTested, then));
    }
}

/// The technician's word on a port elsewhere takes part without counts.
#[test]
fn the_word_of_a_technician_tells_port_and_plug_apart() {
    let mut asked_again = 0;
    for (bad, blamed) in [(StageName::OtherPlug, Location::Port), (StageName::KnownGoodPort, Location::Plug)] {
        let mut case = with(&[], &["internal+", "at-port-", "at-port-"]);
        while let Some(next) = case.next.clone() {
            let fails = next.stage == bad || !matches!(next.stage, StageName::OtherPlug | StageName::KnownGoodPort);
            if next.stage == StageName::KnownGoodPort {
                asked_again += u32::from(case.stages.last().unwrap().source == Source::Answer);
                // A word leaves nothing in place here: a run would be made on the port that is in question.
                assert!(!next.still && next.hands.contains("port"), "{}", next.hands);
                let showing = if fails { Showing::Fails } else { Showing::Passes };
                add(&mut case, "known-good-port", StageResult::answered(showing));
                case.stages.last_mut().unwrap().source = Source::Answer;
                case.settle();
            } else {
                let showing = if fails { Showing::Fails } else { Showing::Passes };
                add(&mut case, &next.stage.to_string(), result(false, showing, if fails { 500 } else { 0 }));
            }
        }
        assert_eq!(says(&case), (Outcome::Fault, vec![blamed], None, CaseState::Decided), "{bad}");
    }
    assert!(asked_again > 0, "no word was asked for twice in a row");
}

/// The adapter's own counts name the port: once is an occasion to look again, twice condemns it.
#[test]
fn a_silent_port_is_condemned_the_second_time_only() {
    let silent = || StageResult {
        rule: RuleId::NotTransmitted,
        location: vec![Location::Port],
        tried: Tried { units: 5000, failed: 5000 },
        ..result(false, Showing::Fails, 5000)
    };
    let mut case = with(&[], &["internal+"]);
    add(&mut case, "at-port", silent());
    assert_eq!((case.state, next(&case).as_str()), (CaseState::Open, "at-port"));
    let mut passed = case.clone();
    add(&mut case, "at-port", silent());
    assert_eq!(says(&case), (Outcome::Fault, vec![Location::Port], None, CaseState::Decided));
    // Not where it passed in between.
    add(&mut passed, "at-port", result(false, Showing::Passes, 0));
    add(&mut passed, "at-port", silent());
    assert_ne!(passed.verdict.location, [Location::Port]);
}

/// So many passes after a failure, a soak counting as two, and it does not come back.
#[test]
fn what_does_not_come_back_blames_nobody() {
    let mut case = with(&[], &["internal+", "at-port+", "far-end-"]);
    add(&mut case, "soak:at-port", result(true, Showing::Passes, 0));
    add(&mut case, "soak", result(true, Showing::Passes, 0));
    add(&mut case, "far-end", result(false, Showing::Passes, 0));
    assert_eq!(case.state, CaseState::Open, "three passes since");
    add(&mut case, "far-end", result(false, Showing::Passes, 0));
    assert_eq!(says(&case), (Outcome::Undecided, vec![], None, CaseState::Exhausted));
}

/// Four failures a run: sixteen in four runs against none are `2^-16`, and that is not beyond one in a million.
#[test]
fn what_is_not_beyond_chance_after_eight_turns_blames_nobody() {
    let mut case = with(&[], &["internal+"]);
    lead_with(&mut case, |next| match next.stage.spot() {
        Some(Spot::FarEnd(_)) => StageResult { seconds_errored: 4, ..result(next.time_s >= 30, Showing::Fails, 4) },
        _ => result(next.time_s >= 30, Showing::Passes, 0),
    });
    assert_eq!(says(&case), (Outcome::Undecided, vec![], None, CaseState::Exhausted));
    let told = &case.verdict.reasons[0].text;
    assert!(told.contains("Chance can still explain it after 8 changes of place") && case.stages.len() == 9, "{told}");
}

/// An active device at the far end drops, delays and doubles frames: nothing is said of the cable.
#[test]
fn an_active_device_at_the_far_end_condemns_nothing() {
    for rule in [RuleId::NotAPlainLoop, RuleId::EchoesLate] {
        let active = || StageResult { rule: rule.clone(), ..result(false, Showing::Neither, 0) };
        let fails = || result(false, Showing::Fails, 500);
        for shown in [&[active(), active()][..], &[fails(), active(), active()], &[active(), fails(), fails()]] {
            let mut case = with(&["riser", "duct"], &["internal+", "at-port+", "far-end:riser+"]);
            let mut shown = shown.iter().cloned();
            while let Some(next) = case.next.clone() {
                let result = if next.stage.spot() == Some(Spot::FarEnd(None)) {
                    shown.next().unwrap_or_else(fails)
                } else {
                    result(next.time_s >= 30, Showing::Passes, 0)
                };
                add(&mut case, &next.stage.to_string(), result);
            }
            assert_eq!(says(&case), (Outcome::Undecided, vec![], None, CaseState::Exhausted), "{rule}");
            assert!(case.verdict.next.contains("really on cable Q-12"), "{}", case.verdict.next);
        }
    }
}

/// Frames damaged behind a right frame check: a device in place of the plug looks the same, until another plug shows it
/// too.
#[test]
fn damage_behind_the_check_is_this_computer_once_two_plugs_show_it() {
    let damaged = || StageResult { rule: RuleId::DamagedAfterCheck, ..result(false, Showing::Neither, 50) };
    let start = || {
        let mut case = with(&["riser"], &["internal+"]);
        add(&mut case, "at-port", damaged());
        assert_eq!((case.verdict.outcome, next(&case).as_str()), (Outcome::Undecided, "other-plug"));
        case
    };
    let mut case = start();
    add(&mut case, "other-plug", damaged());
    assert_eq!(says(&case), (Outcome::Fault, vec![Location::Host], None, CaseState::Decided));
    let mut case = start();
    add(&mut case, "other-plug", result(false, Showing::Passes, 0));
    assert_eq!(says(&case), (Outcome::Undecided, vec![], None, CaseState::Exhausted));
    assert!(case.verdict.next.contains("is no plug"), "{}", case.verdict.next);
    let mut case = start();
    skip(&mut case, "other-plug");
    assert_eq!(says(&case), (Outcome::Undecided, vec![], None, CaseState::Exhausted));
    // Inside the chip nothing but this computer takes part; a stage that was set aside says nothing.
    let mut case = with(&[], &[]);
    let inside = StageResult { location: vec![Location::Host], ..result(false, Showing::HostFails, 50) };
    add(&mut case, "internal", inside);
    assert_eq!(says(&case), (Outcome::Fault, vec![Location::Host], None, CaseState::Decided));
    case.stages[0].ended = Ended::SetAside;
    case.settle();
    assert_eq!(case.verdict.outcome, Outcome::Undecided);
    // Behind the first segment it is what is in the loop there.
    let mut case = with(&[], &["internal+", "at-port+"]);
    lead_with(&mut case, |_| damaged());
    assert!(case.verdict.location.is_empty() && case.verdict.next.contains("media converter"), "{:?}", case.verdict);
}

/// A slow computer drops bytes that nobody counts: its runs decide nothing by themselves, and are good beside others
/// that fail.
#[test]
fn what_this_computer_drops_uncounted_hides_no_other_fault() {
    let drops = || StageResult { rule: RuleId::LostAtFullPace, ..result(false, Showing::Neither, 0) };
    let start = || {
        let mut case = with(&[], &["internal+"]);
        add(&mut case, "at-port", drops());
        assert_eq!(next(&case), "at-port", "once more, without other work");
        add(&mut case, "at-port", drops());
        assert_eq!(next(&case), "far-end", "it may fail there in another way");
        case
    };
    let mut case = start();
    lead_with(&mut case, |_| drops());
    assert_eq!(says(&case), (Outcome::Undecided, vec![], None, CaseState::Exhausted));
    assert!(case.verdict.next.contains("this computer"), "{}", case.verdict.next);
    let mut case = start();
    lead_with(&mut case, |next| match next.stage.spot() {
        Some(Spot::FarEnd(None)) => result(next.time_s >= 30, Showing::Fails, 500),
        _ => drops(),
    });
    assert_eq!(says(&case), (Outcome::Fault, vec![Location::Cable], None, CaseState::Decided));
    // With damage of its own it is no pass, and without any block at the slowest pace neither.
    for tried in [Tried { units: 5000, failed: 1 }, Tried { units: 0, failed: 0 }] {
        let mut case = with(&[], &["internal+"]);
        lead_with(&mut case, |next| match next.stage.spot() {
            Some(Spot::FarEnd(None)) => result(next.time_s >= 30, Showing::Fails, 500),
            _ => StageResult { tried, ..drops() },
        });
        assert!(case.verdict.outcome == Outcome::Undecided, "{:?}", case.verdict);
    }
}

/// Every bit inverted is a converter or a wrong polarity before it is a worn contact.
#[test]
fn inverted_bits_point_to_the_polarity_first() {
    let mut case = with(&[], &["internal+"]);
    lead_with(&mut case, |_| StageResult { inverted: true, ..result(false, Showing::Fails, 5000) });
    assert!(case.verdict.next.starts_with("The signal looks inverted"), "{}", case.verdict.next);
}

/// What a pass says of the soak is what the soak proved.
#[test]
fn a_pass_claims_no_more_than_the_soak_proved() {
    let start = || with(&[], &["internal+", "at-port+", "far-end+"]);
    let mut case = start();
    add(&mut case, "soak", result(true, Showing::Passes, 0));
    assert_eq!(case.verdict.outcome, Outcome::Pass);
    assert!(case.verdict.sureness.contains("mean of 60 s while the cable was moved"), "{}", case.verdict.sureness);
    // Too few bits: asked for again, four times as long; then undecided.
    let mut case = start();
    add(&mut case, "soak", result(true, Showing::Neither, 2));
    assert_eq!((case.verdict.outcome, next(&case).as_str()), (Outcome::Undecided, "soak"));
    assert_eq!(case.next.as_ref().unwrap().time_s, 240);
    add(&mut case, "soak", result(true, Showing::Neither, 2));
    assert_eq!(says(&case), (Outcome::Undecided, vec![], None, CaseState::Exhausted));
    // And a quarter of an hour at most.
    for (lasted, next_s) in [(224, 896), (225, 900), (226, 900)] {
        let mut case = start();
        add(&mut case, "soak", StageResult { seconds: lasted, ..result(true, Showing::Neither, 2) });
        assert_eq!(case.next.as_ref().unwrap().time_s, next_s);
    }
    // Errors that all came in five seconds: the mean passes, the cable does not.
    let crowded = || StageResult { seconds_errored: 5, ..result(true, Showing::Passes, 33) };
    let mut case = start();
    add(&mut case, "soak", crowded());
    assert_eq!((case.verdict.outcome, next(&case).as_str()), (Outcome::Undecided, "soak"));
    add(&mut case, "soak", crowded());
    assert_eq!(says(&case), (Outcome::Undecided, vec![], None, CaseState::Exhausted));
    // As many, spread as chance spreads them: 60 (1 - exp(-33/60)) = 25 seconds.
    let mut case = start();
    add(&mut case, "soak", StageResult { seconds_errored: 25, ..result(true, Showing::Passes, 33) });
    assert_eq!(case.verdict.outcome, Outcome::Pass);
    // In an hour 3600 errors fall into 3600 (1 - 1/e) = 2276 seconds, and nine tenths of these less one are 2047.07.
    // In a minute 33 leave a share of 0.577 clean; the one-sided 95 % bound on 42 clean ones of 60 is 0.588, on 41 it is
    // 0.571 (scipy 1.17, beta.ppf).
    for (seconds, failed, edge) in [(3600, 3600, 2048), (60, 33, 19)] {
        for seconds_errored in [edge - 1, edge] {
            let mut case = start();
            add(&mut case, "soak", StageResult { seconds, seconds_errored, ..result(true, Showing::Passes, failed) });
            assert_eq!(case.verdict.outcome == Outcome::Pass, seconds_errored == edge, "{seconds_errored} s");
        }
    }
    // Skipped: the claim is only of what was done.
    let mut case = start();
    skip(&mut case, "soak");
    assert!(case.verdict.sureness.contains("may have been away"), "{}", case.verdict.sureness);
}

/// A failure that pauses for long is soaked for several of its pauses.
#[test]
fn soaks_are_lengthened_where_it_pays() {
    let spells = StageResult { seconds: 60, seconds_errored: 2, error_groups: 2, ..result(true, Showing::Fails, 900) };
    let mut case = with(&[], &["internal+", "at-port+", "far-end-"]);
    add(&mut case, "soak", spells);
    let next = case.next.clone().unwrap();
    // Two spells in 58 clean seconds: eight pauses of 29 s.
    assert_eq!((next.stage.to_string().as_str(), next.time_s), ("soak:at-port", 232));
}

/// A soak sends its sizes in turn. What only the large ones meet is there all the time that they are sent.
#[test]
fn a_fault_of_large_frames_only_is_placed() {
    let bad = |long| {
        let seconds = if long { 60 } else { 6 };
        StageResult {
            seconds_errored: seconds / 3,
            error_groups: if long { 3 } else { 1 },
            seconds_by_chance: Some(seconds as f64 / 3.0),
            ..result(long, Showing::Fails, 30 * seconds)
        }
    };
    let mut case = with(&["riser", "duct"], &["internal+", "at-port+", "far-end:riser+"]);
    lead_with(&mut case, |next| {
        let long = next.time_s >= 30;
        match next.stage.spot() {
            Some(Spot::FarEnd(None)) => bad(long),
            _ => result(long, Showing::Passes, 0),
        }
    });
    assert_eq!(says(&case), (Outcome::Fault, vec![Location::Cable], Some("duct"), CaseState::Decided));
    assert!(case.stages.len() <= 15, "{} stages", case.stages.len());
}

/// A short run sends each size once, so half of its seconds may hold small frames only, which seldom meet an error.
#[test]
fn a_second_of_small_frames_is_no_pause() {
    for (by_chance, wanted) in [(Some(4.5), "other-plug"), (Some(8.0), "soak:at-port"), (None, "soak:at-port")] {
        let mut case = with(&[], &["internal+"]);
        for _ in 0..2 {
            let half = StageResult {
                seconds: 8,
                seconds_errored: 4,
                error_groups: 1,
                seconds_by_chance: by_chance,
                ..result(false, Showing::Fails, 400)
            };
            add(&mut case, "at-port", half);
        }
        assert_eq!(next(&case), wanted, "{by_chance:?}");
    }
}

/// At a low rate a short run proves nothing: it is made as a soak instead of again and again.
#[test]
fn short_runs_that_decide_nothing_are_not_repeated() {
    let mut case = with(&["riser"], &[]);
    lead_with(&mut case, |next| {
        let long = next.time_s >= 30;
        match (long, next.stage.spot()) {
            (false, _) => result(false, Showing::Neither, 0),
            (true, Some(Spot::FarEnd(None))) => result(true, Showing::Fails, 6000),
            (true, _) => result(true, Showing::Passes, 0),
        }
    });
    assert_eq!(says(&case), (Outcome::Fault, vec![Location::Cable], Some("riser"), CaseState::Decided));
    let short = case.stages.iter().filter(|stage| matches!(stage.name, StageName::At(Spot::FarEnd(_)))).count();
    assert_eq!(short, 1);
}

/// Steady errors at a ratio near the limit pass and fail by chance: they do not come and go.
#[test]
fn steady_errors_at_a_low_rate_do_not_come_and_go() {
    let told = |case: &Case| case.verdict.reasons.iter().any(|r| r.rule == RuleId::ComesAndGoes);
    let shows = |passing: u64| {
        let mut case = with(&[], &["internal+", "at-port+"]);
        add(&mut case, "far-end", StageResult { seconds_errored: 5, ..result(false, Showing::Fails, 12) });
        add(&mut case, "far-end", result(false, Showing::Passes, passing));
        case
    };
    assert!(!told(&shows(9)), "9 of 5000 and 12 of 5000 are alike");
    assert!(told(&shows(0)), "none of 5000 and 12 of 5000 are not: 2^-12");
    // 12 or more of 15 on one of two equal sides: 576 / 2^15 is 0.018; 12 or more of 14: 106 / 2^14 is 0.0065.
    assert!(!told(&shows(3)) && told(&shows(2)));
}

/// Failures thrown at the seconds at random, which is what chance does, are hardly ever crowded.
#[test]
fn chance_alone_seldom_looks_crowded() {
    let (mut rng, mut looked, tries) = (Rng::new(5), 0, 4000);
    for n in 0..tries {
        let failed = [3, 5, 10, 33, 100][n % 5];
        let mut boxes = [false; 60];
        (0..failed).for_each(|_| boxes[rng.below(60) as usize] = true);
        let errored = boxes.iter().filter(|hit| **hit).count() as u64;
        let mut case = with(&[], &["internal+", "at-port+", "far-end+"]);
        add(&mut case, "soak", StageResult { seconds_errored: errored, ..result(true, Showing::Passes, failed) });
        looked += usize::from(case.verdict.outcome != Outcome::Pass);
    }
    assert!(looked * 100 <= tries, "{looked} of {tries}");
}

/// A closed case asks for nothing; taken up again it goes on where it was.
#[test]
fn a_closed_case_asks_for_nothing() {
    let mut case = with(&[], &["internal+", "at-port+"]);
    case.closed = Some("the cable was replaced".into());
    case.settle();
    assert_eq!((case.state, case.next.is_none()), (CaseState::Closed, true));
    assert!(case.verdict.next.contains("the cable was replaced"), "{}", case.verdict.next);
    case.closed = None;
    case.settle();
    assert_eq!(next(&case), "far-end");
    // What it only pointed to does not become a verdict by that.
    let mut case = with(&[], &["internal-"]);
    assert_eq!(says(&case), (Outcome::Fault, vec![Location::Port], None, CaseState::Open));
    case.closed = Some("the driver was updated".into());
    case.settle();
    assert_eq!(says(&case), (Outcome::Undecided, vec![], None, CaseState::Closed));
    assert!(case.verdict.reasons[0].text.starts_with("It pointed to the port, which was not settled."));
    let mut settled = with(&[], &["internal-", "internal-"]);
    settled.closed = Some("noted".into());
    settled.settle();
    assert_eq!(settled.verdict.outcome, Outcome::Fault);
}

/// Stages may be done one by one, and not from the inside out.
#[test]
fn a_stage_that_failed_is_told_though_a_nearer_one_is_asked_for() {
    let case = with(&[], &["far-end-"]);
    assert_eq!(next(&case), "internal");
    assert!(case.verdict.reasons[0].text.starts_with("far-end fails: As counted. Nothing is known yet"), "{case:#?}");
}

/// A hand that was told to move the cable may have pulled it.
#[test]
fn a_single_drop_in_a_soak_is_asked_about_and_soaked_again() {
    for rule in [RuleId::LinkFlapped, RuleId::SilentOnce] {
        let mut case = with(&[], &["internal+", "at-port+", "far-end+"]);
        let once = StageResult { rule, seconds_errored: 2, error_groups: 1, ..result(true, Showing::Neither, 900) };
        add(&mut case, "soak", once.clone());
        assert_eq!((case.verdict.outcome, next(&case)), (Outcome::Undecided, "soak".into()), "{:#?}", case.verdict);
        assert!(case.next.as_ref().is_some_and(|next| next.why.contains("taken out for a moment")), "{:#?}", case.next);
        add(&mut case, "soak", once);
        assert_ne!(case.verdict.outcome, Outcome::Pass, "{:#?}", case.verdict);
    }
}

/// A contact that was open and closed again when somebody seated it is not forgotten.
#[test]
fn what_returned_nothing_and_then_something_is_no_plain_pass() {
    let mut case = with(&[], &["internal+", "at-port+"]);
    let silent = StageResult { rule: RuleId::NothingReturned, ..result(false, Showing::Neither, 5000) };
    add(&mut case, "far-end", silent);
    add(&mut case, "far-end", result(false, Showing::Passes, 0));
    add(&mut case, "soak", result(true, Showing::Passes, 0));
    assert_eq!(says(&case), (Outcome::Undecided, vec![], None, CaseState::Exhausted), "{:#?}", case.verdict);
    assert!(case.verdict.reasons[0].text.starts_with("Everything passes now, though it failed before."));
    // As long as the far end has not passed, nothing is said to pass now.
    let mut case = with(&["a", "b"], &["internal+", "at-port+"]);
    for _ in 0..2 {
        add(
            &mut case,
            "far-end:a",
            StageResult { rule: RuleId::NothingReturned, ..result(false, Showing::Neither, 9) },
        );
        assert!(!case.verdict.reasons[0].text.contains("passes now"), "{:#?}", case.verdict);
    }
}

/// Whoever is told beforehand how much is left must not be surprised: it is what follows if nothing fails, and no more
/// than was said if something does.
#[test]
fn what_is_left_to_do_is_told_beforehand() {
    let none = Ahead::default();
    let over = with(&[], &["internal+", "at-port+", "far-end+", "soak+"]).outlook();
    assert_eq!((over.steady, over.most), (none, none));
    let outlook = with(&[], &["internal+", "at-port+"]).outlook();
    assert_eq!(outlook.steady, Ahead { stages: 2, time_s: 60 }, "the far end and its soak");
    // A failure is repeated at both places before anything is blamed.
    let failed = with(&[], &["internal+", "at-port+", "far-end-"]).outlook();
    assert_eq!(failed.steady.stages, 8);
    assert!(outlook.most.stages > failed.steady.stages && outlook.most.time_s > outlook.steady.time_s, "{outlook:?}");
    // Each way is followed to its end, stage by stage, from the first on.
    for segments in [&[][..], &["riser", "duct", "tail"]] {
        let mut new = case(segments);
        (new.offers_cable_test, new.capabilities.forces_speed, new.medium) = (true, true, Medium::Copper);
        new.capabilities.speed_max_mbps = Some(1000);
        new.settle();
        let told = new.outlook();
        for fails in ["", "internal", "at-port", "far-end", "far-end:duct", "far-end:tail", "soak"] {
            let mut case = new.clone();
            let mut seen = Ahead::default();
            while let Some(next) = case.next.clone() {
                let name = next.stage.to_string();
                // Steadily, wherever the plug comes to the same place.
                let failing = !fails.is_empty() && name.ends_with(fails);
                let shows = if failing { Showing::Fails } else { Showing::Passes };
                seen = Ahead { stages: seen.stages + 1, time_s: seen.time_s + next.time_s };
                let long = next.time_s >= 30;
                if next.stage == StageName::CableTest {
                    measure(&mut case, [65.0; 4]);
                } else {
                    add(&mut case, &name, result(long, shows, if failing { 500 } else { 0 }));
                }
            }
            assert!(
                seen.stages <= told.most.stages && seen.time_s <= told.most.time_s,
                "{segments:?}, {fails}: {seen:?} of {told:?}"
            );
            assert!(!fails.is_empty() || seen == told.steady, "{segments:?}: {seen:?} of {told:?}");
        }
    }
}

/// At 300 bits a second the limit takes 27 minutes to prove, whatever the profile says of Ethernet.
#[test]
fn a_stage_on_a_slow_serial_line_takes_as_long_as_its_line_needs() {
    let mut case = with(&[], &[]);
    case.port.kind = Kind::Serial;
    case.options.profile = Some(Profile::named("quick").unwrap());
    let first = |case: &mut Case, line: Option<&str>| {
        case.options.line = line.map(str::to_owned);
        case.settle();
        case.next.as_ref().unwrap().time_s
    };
    // By hand: 389 445 bits (see `plan::line`) at 240 data bits a second, and some seconds before them.
    assert!((1623..1645).contains(&first(&mut case, Some("300,8N1"))));
    assert!((4..15).contains(&first(&mut case, None)), "115200,8N1 where nothing is known");
    let capabilities = LineCapabilities { paced: true, ..LineCapabilities::default() };
    case.line = Some(CaseLine { format: "300,8N1".parse().unwrap(), capabilities });
    assert!((1623..1645).contains(&first(&mut case, None)), "the format that the port knows of");
}

#[test]
fn what_may_not_be_tried_stays_open_between_the_two() {
    let mut case = with(&[], &["internal+", "at-port-", "at-port-"]);
    for name in ["other-plug", "known-good-port"] {
        let mut left_out = case.stages[0].clone();
        left_out.name = name.parse().unwrap();
        (left_out.ended, left_out.result) = (Ended::Skipped, None);
        case.stages.push(left_out);
        case.settle();
    }
    assert_eq!(says(&case), (Outcome::Fault, vec![Location::Port, Location::Plug], None, CaseState::Exhausted));
    assert!(case.verdict.reasons.iter().any(|r| r.rule == RuleId::LeftOut), "{:?}", case.verdict.reasons);
}

#[test]
fn a_contact_that_seating_mends_is_no_pass() {
    let case = with(&[], &["internal+", "at-port-", "at-port+", "soak:at-port+", "far-end+", "soak+"]);
    assert_eq!(says(&case), (Outcome::Undecided, vec![], None, CaseState::Exhausted));
    assert!(case.verdict.next.contains("contacts"), "{}", case.verdict.next);
}

#[test]
fn a_nearer_place_that_fails_behind_one_that_passes_is_never_averaged() {
    let s2 = &["riser", "duct"];
    let mut stages = vec!["internal+", "at-port+", "far-end:riser-", "far-end+"];
    let case = with(s2, &stages);
    assert_eq!((case.verdict.outcome, next(&case).as_str()), (Outcome::Undecided, "far-end:riser"));
    stages.extend(["far-end:riser-", "far-end+"]);
    assert_eq!(says(&with(s2, &stages)), (Outcome::Undecided, vec![], None, CaseState::Exhausted));
}

/// The port's own errors explain those at the far end, unless they are more beyond chance: 10 and 12 of 5000 are not
/// (their difference is half a standard deviation), 10 and 500 are.
#[test]
fn more_errors_behind_the_cable_count_only_beyond_chance() {
    let lead = |far: u64| {
        let mut case = case(&[]);
        add(&mut case, "internal", result(false, Showing::Passes, 0));
        add(&mut case, "at-port", result(false, Showing::Passes, 10));
        add(&mut case, "far-end", result(false, Showing::Fails, far));
        for _ in 0..4 {
            add(&mut case, "soak:at-port", result(true, Showing::Passes, 120));
            add(&mut case, "soak", result(true, Showing::Fails, far * 12));
        }
        case
    };
    assert_eq!(lead(12).verdict.outcome, Outcome::Undecided);
    assert_eq!(says(&lead(500)), (Outcome::Fault, vec![Location::Cable], None, CaseState::Decided));
}

#[test]
fn a_link_at_100_only_behind_the_cable_has_lost_pairs() {
    let mut case = case(&[]);
    add(&mut case, "internal", result(false, Showing::Passes, 0));
    add(&mut case, "at-port", result(false, Showing::Passes, 0));
    let slow = |long| StageResult { fallback_mbps: Some(100), ..result(long, Showing::Passes, 0) };
    add(&mut case, "far-end", slow(false));
    add(&mut case, "soak:at-port", result(true, Showing::Passes, 0));
    add(&mut case, "soak", slow(true));
    assert_eq!(says(&case), (Outcome::Fault, vec![Location::Cable], None, CaseState::Decided));
    assert!(case.verdict.reasons.iter().any(|r| r.rule == RuleId::PairsLost), "{:?}", case.verdict.reasons);
}

/// Gigabit copper that hears itself finds no master and slave: known, and not held against it.
#[test]
fn a_port_that_links_to_itself_at_100_only_passes() {
    let mut case = case(&[]);
    let slow = |long| StageResult { fallback_mbps: Some(100), ..result(long, Showing::Passes, 0) };
    add(&mut case, "internal", result(false, Showing::Passes, 0));
    add(&mut case, "at-port", slow(false));
    add(&mut case, "far-end", slow(false));
    add(&mut case, "soak", slow(true));
    assert_eq!(says(&case), (Outcome::Pass, vec![], None, CaseState::Decided));
    assert!(case.verdict.reasons.iter().any(|r| r.rule == RuleId::TwoPairs), "{:?}", case.verdict.reasons);
}

/// Stages that were cut off or set aside count for nothing.
#[test]
fn only_what_is_done_counts() {
    let mut case = with(&[], &["internal+", "at-port+", "far-end-"]);
    for ended in [Ended::SetAside, Ended::CutOff, Ended::Begun] {
        case.stages[2].ended = ended;
        case.settle();
        assert_eq!((case.verdict.outcome, next(&case).as_str()), (Outcome::Undecided, "far-end"), "{ended:?}");
    }
}

#[test]
fn software_clocks_say_that_they_know_no_length() {
    let mut case = case(&[]);
    let timed = |clock: &str, min| StageResult {
        latency_ns: Latency { clock: clock.into(), count: 9, min: Some(min), ..Latency::default() },
        ..result(false, Showing::Passes, 0)
    };
    add(&mut case, "at-port", timed("kernel", 20_000));
    add(&mut case, "far-end", timed("kernel", 21_000));
    let told = |case: &Case| case.verdict.reasons.iter().find(|r| r.rule == RuleId::CableLength).unwrap().text.clone();
    assert!(told(&case).contains("say nothing about the length"), "{}", told(&case));
    case.stages.clear();
    // 967 ns: 92.8 m at velocity factor 0.64, 104.4 m at 0.72 (computed), each a little wider for the clock's steps.
    add(&mut case, "at-port", timed("adapter", 20_000));
    add(&mut case, "far-end", timed("adapter", 20_967));
    let text = told(&case);
    assert!(text.contains("or 91 to 106 m") && text.contains("at the limit of 100 m"), "{text}");
    case.stages.clear();
    add(&mut case, "at-port", timed("adapter", 20_000));
    add(&mut case, "far-end", timed("adapter", 20_000));
    assert!(
        case.verdict.reasons.iter().all(|r| r.rule != RuleId::CableLength),
        "a cable of 0 m: {:?}",
        case.verdict.reasons
    );
}

#[test]
fn every_move_beyond_the_chip_carries_a_caution() {
    for stages in [&["internal+"][..], &["internal+", "at-port+"], &["internal+", "at-port-", "at-port-"]] {
        let next = with(&[], stages).next.unwrap();
        assert!(!next.cautions.is_empty(), "{}", next.stage);
    }
    assert!(case(&[]).next.unwrap().cautions.is_empty());
}

#[test]
fn a_case_reads_back_as_it_was_written() {
    let case = with(&["riser", "duct"], &["internal+", "at-port+", "far-end:riser-"]);
    let text = serde_json::to_string(&case).unwrap();
    assert_eq!(serde_json::from_str::<Case>(&text).unwrap(), case);
}

/// A soak that was bad for a spell is no pass, though all runs after it are; a second one at the same place is a
/// failure.
#[test]
fn spells_are_no_pass() {
    let spells = |long| StageResult {
        rule: RuleId::ComesAndGoes,
        text: "Bad for a second.".into(),
        seconds_errored: 1,
        ..result(long, Showing::Neither, 900)
    };
    let pass = |long| result(long, Showing::Passes, 0);
    let mut case = case(&[]);
    for (name, result) in [("internal", pass(false)), ("at-port", pass(false)), ("far-end", pass(false))] {
        add(&mut case, name, result);
    }
    add(&mut case, "soak", spells(true));
    assert_eq!((case.verdict.outcome, next(&case).as_str()), (Outcome::Undecided, "soak"));
    let mut once = case.clone();
    add(&mut once, "soak", pass(true));
    assert_eq!(says(&once), (Outcome::Undecided, vec![], None, CaseState::Exhausted));
    assert!(once.verdict.reasons[0].text.contains("Bad for a second."), "{:?}", once.verdict.reasons);
    assert_eq!(once.again, Some("soak".parse().unwrap()));
    add(&mut case, "soak", spells(true));
    assert_ne!(case.verdict.outcome, Outcome::Pass);
    assert_eq!(next(&case), "soak:at-port");
    // At the port as well.
    let mut near = with(&[], &["internal+"]);
    add(&mut near, "at-port", spells(false));
    assert_eq!(next(&near), "soak:at-port");
    add(&mut near, "soak:at-port", pass(true));
    add(&mut near, "far-end", pass(false));
    add(&mut near, "soak", pass(true));
    assert_eq!(says(&near), (Outcome::Undecided, vec![], None, CaseState::Exhausted));
}

/// A case whose far end fails (or passes) for good, on an adapter that can measure pairs.
fn with_cable_test(far: &StageResult) -> Case {
    let mut case = case(&[]);
    case.offers_cable_test = true;
    case.capabilities.forces_speed = true;
    let pass = |long| result(long, Showing::Passes, 0);
    let far = |long| if long { StageResult { seconds: 60, ..far.clone() } } else { far.clone() };
    let stages =
        [("internal", pass(false)), ("at-port", pass(false)), ("far-end", far(false)), ("soak:at-port", pass(true))];
    for (name, result) in stages {
        add(&mut case, name, result);
    }
    add(&mut case, "soak", far(true));
    for _ in 0..3 {
        add(&mut case, "far-end", far(false));
    }
    for _ in 0..3 {
        add(&mut case, "at-port", pass(false));
    }
    case
}

/// Adds a cable test: the distance at which each of the pairs A to D reads open.
fn measure(case: &mut Case, ends_at_m: [f64; 4]) {
    add(case, "cable-test", result(false, Showing::Passes, 0));
    let pairs = [Pair::A, Pair::B, Pair::C, Pair::D].into_iter().zip(ends_at_m);
    let pairs = pairs.map(|(pair, m)| PairResult { pair, status: PairStatus::Open, fault_distance_m: Some(m) });
    let stage = case.stages.last_mut().unwrap();
    (stage.result, stage.pairs) = (None, Some(CableTest { pairs: pairs.collect() }));
    case.settle();
}

fn slow() -> StageResult {
    StageResult { fallback_mbps: Some(100), ..result(true, Showing::Passes, 0) }
}

#[test]
fn a_cable_test_strengthens_or_contradicts_and_never_blames() {
    let mut case = with_cable_test(&slow());
    assert_eq!((next(&case).as_str(), case.verdict.location.as_slice()), ("cable-test", &[Location::Cable][..]));
    let whole = case.clone();
    measure(&mut case, [65.0, 65.0, 65.0, 36.0]);
    assert_eq!(says(&case), (Outcome::Fault, vec![Location::Cable], None, CaseState::Decided));
    let told = &case.verdict.reasons[0].text;
    assert!(told.contains("pair 4 (brown, pins 7 and 8) open at about 36 m"), "{told}");
    // A break in the last metres, where the commonest one is, reads as the end: no contradiction.
    // Nor is one in the first lead's own connector, next to the port.
    for ends in [[65.0, 65.0, 65.0, 63.5], [65.0, 65.0, 65.0, 0.0]] {
        let mut at_connector = whole.clone();
        measure(&mut at_connector, ends);
        assert_eq!(says(&at_connector), (Outcome::Fault, vec![Location::Cable], None, CaseState::Decided), "{ends:?}");
    }
    // With segments that pass in between it is.
    let stages = ["internal+", "at-port+", "far-end:riser+", "far-end:duct-"];
    let mut beyond = proved(&["riser", "duct", "tail"], &stages, "far-end:riser", "far-end:duct");
    let mut a_metre_on = beyond.clone();
    measure(&mut a_metre_on, [65.0, 65.0, 65.0, 1.0]);
    assert_eq!(a_metre_on.verdict.outcome, Outcome::Fault);
    measure(&mut beyond, [65.0, 65.0, 65.0, 0.5]);
    assert_eq!((beyond.verdict.outcome, next(&beyond).as_str()), (Outcome::Undecided, "cable-test"));
    // Pairs 1 and 4 are lost, and one is broken that carries 100 Mb/s: repeated, then undecided.
    let ends = [20.0, 65.0, 65.0, 65.0];
    let mut contrary = whole.clone();
    measure(&mut contrary, ends);
    assert_eq!((contrary.verdict.outcome, next(&contrary).as_str()), (Outcome::Undecided, "cable-test"), "{ends:?}");
    assert_eq!(contrary.verdict.reasons[0].rule, RuleId::CableTestContradicts);
    measure(&mut contrary, ends);
    assert_eq!(says(&contrary), (Outcome::Undecided, vec![], None, CaseState::Exhausted), "{ends:?}");

    // Everything passes at full speed, and a pair reads open.
    let mut passing = with_cable_test(&result(true, Showing::Passes, 0));
    assert_eq!((passing.verdict.outcome, passing.next.as_ref()), (Outcome::Pass, None));
    measure(&mut passing, [65.0, 65.0, 65.0, 36.0]);
    assert_eq!((passing.verdict.outcome, next(&passing).as_str()), (Outcome::Undecided, "cable-test"));
    assert!(passing.verdict.sureness.contains("both cannot be true"), "{}", passing.verdict.sureness);
    measure(&mut passing, [65.0, 65.0, 65.0, 65.0]);
    assert_eq!(says(&passing), (Outcome::Pass, vec![], None, CaseState::Decided));
}

/// A pass on two pairs says which are left, and asks the adapter where it can tell; what it then finds in a pair that no
/// stage used is no contradiction, and no proof.
#[test]
fn a_pass_on_two_pairs_asks_for_the_others() {
    let at_100 = || {
        let mut passes = result(true, Showing::Passes, 0);
        (passes.link.speed_mbps, passes.fallback_mbps) = (Some(100), Some(100));
        passes
    };
    let passed = |offers_cable_test| {
        let mut case = case(&[]);
        case.offers_cable_test = offers_cable_test;
        for name in ["internal", "at-port", "far-end", "soak"] {
            add(&mut case, name, at_100());
        }
        case
    };
    let without = passed(false);
    assert_eq!(says(&without), (Outcome::Pass, vec![], None, CaseState::Decided));
    assert!(without.verdict.next.starts_with("Pairs 1 and 4"), "{}", without.verdict.next);
    let mut open = passed(true);
    assert_eq!(next(&open), "cable-test");
    let mut whole = open.clone();
    measure(&mut whole, [65.0; 4]);
    assert_eq!(says(&whole), (Outcome::Pass, vec![], None, CaseState::Decided));
    for _ in 0..2 {
        assert_eq!(next(&open), "cable-test");
        measure(&mut open, [65.0, 65.0, 65.0, 36.0]);
    }
    assert_eq!(says(&open), (Outcome::Undecided, vec![], None, CaseState::Exhausted));
    let Verdict { sureness, next, .. } = &open.verdict;
    assert!(!sureness.contains("both cannot be true") && next.starts_with("Run this cable between two"), "{sureness}");
}

/// Pairs of 100 Mb/s and of 1000 Mb/s: IEEE Std 802.3 25 and 40, from memory.
#[test]
fn errors_at_four_pairs_are_tried_at_two() {
    let mut case = with_cable_test(&result(true, Showing::Fails, 6000));
    assert_eq!(next(&case), "two-pairs");
    let mut bad = case.clone();
    add(&mut case, "two-pairs", result(true, Showing::Passes, 0));
    let told = |case: &Case| case.verdict.reasons.iter().find(|r| r.rule == RuleId::WhichPairs).unwrap().text.clone();
    assert!(told(&case).contains("pairs 1 and 4"), "{}", told(&case));
    assert_eq!(next(&case), "cable-test");
    // Noise throws no pulse back: all alike is no contradiction.
    measure(&mut case, [65.0; 4]);
    assert_eq!(says(&case), (Outcome::Fault, vec![Location::Cable], None, CaseState::Decided));
    add(&mut bad, "two-pairs", result(true, Showing::Fails, 900));
    assert!(told(&bad).contains("one or both of pairs 2 and 3"), "{}", told(&bad));
    // Not where the speed cannot be set, nor the pairs be measured.
    let mut neither = bad.clone();
    neither.stages.retain(|s| s.name != "two-pairs".parse().unwrap());
    (neither.offers_cable_test, neither.capabilities.forces_speed) = (false, false);
    neither.settle();
    assert_eq!(says(&neither), (Outcome::Fault, vec![Location::Cable], None, CaseState::Decided));
}

/// What a person types belongs to the program that is typed at.
#[test]
fn no_word_of_a_case_is_an_option() {
    let table: [&[&str]; 5] = [
        &["internal+", "at-port+", "far-end+", "soak+"],
        &["internal+", "at-port-", "at-port-"],
        &["internal+", "at-port+", "far-end-", "soak:at-port+", "soak+", "soak+", "soak+"],
        &["internal+", "at-port+", "far-end-", "soak:at-port+", "soak-"],
        &["internal+", "at-port-", "at-port+", "soak:at-port+", "far-end+", "soak+"],
    ];
    for stages in table {
        let case = with(&[], stages);
        let words = serde_json::to_string(&(&case.verdict, &case.next)).unwrap();
        assert!(!words.contains("--") && !words.contains("turnback "), "{words}");
    }
}

proptest! {
    /// Whatever the stages show, a case led on by its own wishes ends, and never blames both nothing and something.
    #[test]
    fn every_case_comes_to_an_end(shows in proptest::collection::vec(0_u8..5, 60), segments in 0_usize..7) {
        let labels: Vec<String> = (0..segments).map(|n| format!("s{n}")).collect();
        let labels: Vec<&str> = labels.iter().map(String::as_str).collect();
        let mut case = case(&labels);
        for shows in shows {
            let Some(next) = case.next.clone() else { break };
            let long = matches!(next.stage, StageName::Soak(_));
            use Showing::{Fails, Neither, NotTested, Passes};
            let showing = [Passes, Fails, Neither, NotTested, Passes][shows as usize];
            let failed = if showing == Fails { 400 } else { 0 };
            add(&mut case, &next.stage.to_string(), result(long, showing, failed));
            prop_assert_eq!(case.verdict.outcome == Outcome::Fault, !case.verdict.location.is_empty());
            prop_assert!(case.state == CaseState::Open || !case.verdict.next.is_empty());
        }
        prop_assert!(case.next.is_none(), "still open after 60 stages");
    }
}

#[test]
fn the_spots_of_a_line_have_one_name_each() {
    let case = case(&["riser", "duct"]);
    let line = Line::new(&case);
    assert_eq!(line.place(&Spot::FarEnd(Some("duct".into()))), line.place(&Spot::FarEnd(None)));
    assert_eq!(line.spot(1), Spot::FarEnd(Some("riser".into())));
    assert_eq!(line.place(&Spot::FarEnd(Some("tail".into()))), None);
}

#[test]
fn the_program_moves_nothing_but_the_plug_of_a_rig() {
    let mut case = case(&["riser", "duct"]);
    let names = ["internal", "soak:internal", "at-port", "far-end", "far-end:riser", "other-plug", "known-good-port"];
    for (moves_plug, alone) in [(false, 2), (true, names.len())] {
        case.capabilities.moves_plug = moves_plug;
        for (n, name) in names.iter().enumerate() {
            let expected = if n < alone { Who::Program } else { Who::Person };
            assert_eq!(case.move_to(&name.parse().unwrap()).who, expected, "{name}, moves its plug: {moves_plug}");
        }
    }
}

/// Leads a case by its own wishes; `fails` says whether the run of a stage fails.
fn lead(case: &mut Case, mut fails: impl FnMut(&StageName) -> bool) {
    lead_with(case, |next| {
        let long = next.time_s >= 30;
        match fails(&next.stage) {
            true => result(long, Showing::Fails, if long { 6000 } else { 500 }),
            false => result(long, Showing::Passes, 0),
        }
    });
}

/// The same, with the result of each run. No stage is asked for more often than it tells something new.
fn lead_with(case: &mut Case, mut shows: impl FnMut(&Move) -> StageResult) {
    while let Some(next) = case.next.clone() {
        assert!(next.attempt <= ATTEMPTS_MAX, "{} for the {}th time", next.stage, next.attempt);
        let result = shows(&next);
        add(case, &next.stage.to_string(), result);
    }
}

/// A disturbance hits a fifth to half of all runs, wherever the plug is: nothing is bad.
#[test]
fn interference_that_hits_runs_at_random_seldom_blames_anybody() {
    let (mut blamed, mut stages, mut most, cases) = (0, 0, 0, 2000_u64);
    for seed in 0..cases {
        let mut rng = Rng::new(seed);
        let labels = ["a", "b", "c", "d"];
        let mut case = case(&labels[..rng.below(5) as usize]);
        let share = 0.2 + 0.3 * rng.fraction();
        lead(&mut case, |stage| *stage != StageName::At(Spot::Internal) && rng.chance(share));
        blamed += u64::from(case.verdict.outcome == Outcome::Fault);
        stages += case.stages.len();
        most = case.stages.iter().map(|stage| Line::new(&case).attempts(&stage.name)).fold(most, u32::max);
    }
    assert_eq!(most, 10, "attempts at one stage");
    // Five runs that fail against five that pass come by chance in one of 252 series.
    assert!(blamed * 100 <= cases, "{blamed} of {cases}");
    assert!(stages as u64 <= 12 * cases, "{stages} stages in {cases} cases");
}
