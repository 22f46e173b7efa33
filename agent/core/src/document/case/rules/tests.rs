//! Cases built stage by stage: what the rules conclude, and which stage they ask for next.

use proptest::prelude::*;

use super::*;
use crate::document::case::Who;
use crate::document::case::name::Spot;
use crate::document::case::stage::{Ended, Showing, Source, Stage, StageResult};
use crate::document::run::{Latency, Tried};
use crate::judge::facts::Facts;
use crate::judge::{remarks as remarks_on_a_run, rules as rules_of_a_run};
use crate::kind::ethernet::cable_test::{CableTest, Pair, PairResult, PairStatus};
use crate::kind::ethernet::facts::EthernetFacts;
use crate::kind::ethernet::link::{Capabilities, LinkState, Medium};
use crate::kind::serial::facts::SerialFacts;
use crate::kind::{Kind, port::PortIdentity};

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
    for id in RuleId::ALL {
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
        offers_cable_test: false,
        stages: Vec::new(),
        state: CaseState::Open,
        verdict: Verdict {
            outcome: nothing.outcome,
            location: vec![],
            segment: None,
            scope: None,
            sureness: String::new(),
            reasons: vec![],
            next: String::new(),
        },
        next: None,
        again: None,
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
        text: "as counted".into(),
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
    let s6 = &["a", "b", "c", "d", "e", "f"];
    let table: [(&[&str], &[&str], &str); 16] = [
        (&[], &[], "internal"),
        (&[], &["internal+"], "at-port"),
        (&[], &["internal-"], "internal"),
        (&[], &["internal+", "at-port+"], "far-end"),
        (&[], &["internal+", "at-port-"], "at-port"),
        (&[], &["internal+", "at-port-", "at-port-"], "other-plug"),
        (&[], &["internal+", "at-port-", "at-port-", "other-plug+"], "known-good-port"),
        (&[], &["internal+", "at-port-", "at-port-", "other-plug-"], "known-good-port"),
        (&[], &["internal+", "at-port-", "at-port+"], "soak:at-port"),
        (&[], &["internal+", "at-port+", "far-end+"], "soak"),
        (s3, &["internal+", "at-port+"], "far-end:riser"),
        (s3, &["internal+", "at-port+", "far-end:riser+"], "far-end:duct"),
        (s3, &["internal+", "at-port+", "far-end:riser+", "far-end:duct-"], "soak:far-end:riser"),
        (s6, &["internal+", "at-port+"], "far-end"),
        (s6, &["internal+", "at-port+", "far-end-"], "far-end:c"),
        (s6, &["internal+", "at-port+", "far-end-", "far-end:c+"], "far-end:e"),
    ];
    for (segments, stages, expected) in table {
        assert_eq!(next(&with(segments, stages)), expected, "{stages:?}");
    }
}

#[test]
fn the_segment_between_the_last_pass_and_the_first_failure_is_named() {
    let stages =
        ["internal+", "at-port+", "far-end:riser+", "far-end:duct-", "soak:far-end:riser+", "soak:far-end:duct-"];
    let case = with(&["riser", "duct", "tail"], &stages);
    assert_eq!(says(&case), (Outcome::Fault, vec![Location::Cable], Some("duct"), CaseState::Decided));
    assert!(case.verdict.next.contains("duct"), "{}", case.verdict.next);
    // One piece of cable has no segment to name.
    let case = with(&[], &["internal+", "at-port+", "far-end-", "soak:at-port+", "soak-"]);
    assert_eq!(says(&case), (Outcome::Fault, vec![Location::Cable], None, CaseState::Decided));
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
    let mut stages = vec!["internal+", "at-port+", "far-end-", "far-end:c+", "far-end:e-", "far-end:d-"];
    let case = with(s6, &stages);
    assert_eq!((case.verdict.segment.as_deref(), case.state), (Some("d"), CaseState::Open));
    stages.extend(["soak:far-end:c+", "soak:far-end:d-"]);
    assert_eq!(says(&with(s6, &stages)), (Outcome::Fault, vec![Location::Cable], Some("d"), CaseState::Decided));
}

#[test]
fn port_and_plug_are_told_apart() {
    let start = ["internal+", "at-port-", "at-port-"];
    let end = |more: &[&str]| with(&[], &[start.as_slice(), more].concat());
    let plug = end(&["other-plug+", "known-good-port-", "known-good-port-"]);
    assert_eq!(says(&plug), (Outcome::Fault, vec![Location::Plug], None, CaseState::Decided));
    let port = end(&["other-plug-", "known-good-port+"]);
    assert_eq!(says(&port), (Outcome::Fault, vec![Location::Port], None, CaseState::Decided));
    // Two bad plugs blame no port.
    let both = end(&["other-plug-", "known-good-port-", "known-good-port-"]);
    assert_eq!(says(&both), (Outcome::Fault, vec![Location::Plug], None, CaseState::Decided));
    let inside = with(&[], &["internal-", "internal-"]);
    assert_eq!(says(&inside), (Outcome::Fault, vec![Location::Port], None, CaseState::Decided));
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
    assert!(told(&case).contains("say nothing of its length"), "{}", told(&case));
    case.stages.clear();
    // 967 ns: 92.8 m at velocity factor 0.64, 104.4 m at 0.72 (computed), each a little wider for the clock's steps.
    add(&mut case, "at-port", timed("adapter", 20_000));
    add(&mut case, "far-end", timed("adapter", 20_967));
    let text = told(&case);
    assert!(text.contains("(91 to 106 m") && text.contains("at the limit of 100 m"), "{text}");
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
        text: "bad for a second".into(),
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
    assert!(once.verdict.reasons[0].text.contains("bad for a second"), "{:?}", once.verdict.reasons);
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
    assert!(case.verdict.sureness.contains("D (7-8) open at 36.0 m"), "{}", case.verdict.sureness);
    // A break in the last metres, where the commonest one is, reads as the end: no contradiction.
    // Nor is one in the first lead's own connector, next to the port.
    for ends in [[65.0, 65.0, 65.0, 63.5], [65.0, 65.0, 65.0, 0.0]] {
        let mut at_connector = whole.clone();
        measure(&mut at_connector, ends);
        assert_eq!(says(&at_connector), (Outcome::Fault, vec![Location::Cable], None, CaseState::Decided), "{ends:?}");
    }
    // With segments that pass in between it is.
    let stages =
        ["internal+", "at-port+", "far-end:riser+", "far-end:duct-", "soak:far-end:riser+", "soak:far-end:duct-"];
    let mut beyond = with(&["riser", "duct", "tail"], &stages);
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
    measure(&mut passing, [65.0, 65.0, 65.0, 65.0]);
    assert_eq!(says(&passing), (Outcome::Pass, vec![], None, CaseState::Decided));
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
    assert!(told(&bad).contains("pair 2 or 3"), "{}", told(&bad));
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
