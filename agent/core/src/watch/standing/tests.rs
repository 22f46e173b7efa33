//! States at the edges: what each observation, and each absence, makes of a port.

use proptest::prelude::*;

use super::*;
use crate::judge::{Outcome, Reason, RuleId, Verdict, facts::Stopped};

fn fault() -> Observation {
    Observation::Fault("bit-errors: many".into())
}
fn unclear() -> Observation {
    Observation::Inconclusive("nothing-returned: none".into())
}
fn used() -> Observation {
    Observation::InService("in-service: quay3 has the address 192.0.2.1/24".into())
}

/// A run at a place.
fn at(placement: Placement, at_ms: i64) -> Ground {
    Ground { placement, at_ms, ..Ground::default() }
}
fn run(at_ms: i64) -> Ground {
    at(Placement::AtPort, at_ms)
}

/// States after each observation, from the beginning.
fn walk(observations: &[Observation]) -> Vec<State> {
    let mut standing = Standing::default();
    let each = |(n, f): (usize, &Observation)| {
        standing.take(f, &run(n as i64 + 1), &[], Hysteresis::default());
        standing.state
    };
    observations.iter().enumerate().map(each).collect()
}

#[test]
fn a_port_that_somebody_else_uses_is_in_service_whatever_it_carries() {
    let of = |rule: RuleId, outcome: Outcome| {
        let reasons = vec![Reason { rule, text: "heard".into() }];
        let (location, sureness, next) = (Vec::new(), String::new(), String::new());
        Observation::of_verdict(
            &Verdict { outcome, location, segment: None, scope: None, sureness, reasons, next },
            None,
        )
    };
    for (rule, text) in [
        (RuleId::InService, "in-service: heard"),
        (RuleId::ForeignTraffic, "foreign-traffic: heard"),
        (RuleId::ForeignBytes, "foreign-bytes: heard"),
    ] {
        assert_eq!(of(rule, Outcome::NotTested), Observation::InService(text.into()));
    }
    let untested = of(RuleId::NothingSent, Outcome::NotTested);
    assert_eq!(untested, Observation::Inconclusive("nothing-sent: heard".into()));
}

#[test]
fn one_fault_is_a_suspicion_two_are_a_failure_and_two_passes_clear_it() {
    use State::{Failed, Proven, Suspect};
    let walked = walk(&[Observation::Pass, fault(), fault(), Observation::Pass, Observation::Pass]);
    assert_eq!(walked, [Proven, Suspect, Failed, Failed, Proven]);
    // A fault that comes and goes is never cleared by the single passes in between.
    let walked = walk(&[Observation::Pass, fault(), Observation::Pass, fault(), Observation::Pass]);
    assert_eq!(walked, [Proven, Suspect, Suspect, Suspect, Suspect]);
}

#[test]
fn what_decides_nothing_takes_no_proof_away_at_once_and_clears_no_fault() {
    use State::{Proven, Suspect, Undecided};
    assert_eq!(
        walk(&[Observation::Pass, unclear(), unclear(), unclear(), Observation::Pass]),
        [Proven, Proven, Proven, Undecided, Proven]
    );
    assert_eq!(
        walk(&[fault(), unclear(), unclear(), unclear(), unclear()]),
        [Suspect, Suspect, Suspect, Suspect, Suspect]
    );
}

#[test]
fn what_decides_nothing_breaks_a_row_of_passes_and_none_of_faults() {
    use State::{Failed, Proven, Suspect};
    assert_eq!(
        walk(&[fault(), Observation::Pass, unclear(), Observation::Pass, Observation::Pass]),
        [Suspect, Suspect, Suspect, Suspect, Proven]
    );
    assert_eq!(walk(&[fault(), unclear(), fault()]), [Suspect, Suspect, Failed]);
    // A failure stays one too, whatever decides nothing later.
    assert_eq!(walk(&[fault(), fault(), unclear(), unclear(), unclear()]), [Suspect, Failed, Failed, Failed, Failed]);
}

/// A run that was cut short judges nothing, unless it found a fault or a pass by itself.
#[test]
fn a_run_ended_by_service_or_by_hand_is_not_judged_as_measured() {
    let of = |outcome, stopped| {
        let reasons = vec![Reason { rule: RuleId::TooFewBits, text: "heard".into() }];
        let (location, sureness, next) = (Vec::new(), String::new(), String::new());
        let verdict = Verdict { outcome, location, segment: None, scope: None, sureness, reasons, next };
        Observation::of_verdict(&verdict, stopped)
    };
    let text = || "too-few-bits: heard".to_owned();
    for outcome in [Outcome::Pass, Outcome::Fault, Outcome::Undecided, Outcome::NotTested] {
        for why in [Stopped::TakenIntoService, Stopped::ForeignTraffic] {
            assert_eq!(of(outcome, Some(why)), Observation::InService(text()), "{outcome:?} {why:?}");
        }
    }
    let by_hand = |outcome| of(outcome, Some(Stopped::ByUser));
    assert_eq!(by_hand(Outcome::Undecided), Observation::Interrupted);
    assert_eq!(by_hand(Outcome::NotTested), Observation::Interrupted);
    assert_eq!(by_hand(Outcome::Fault), Observation::Fault(text()));
    assert_eq!(by_hand(Outcome::Pass), Observation::Pass);
    assert_eq!(of(Outcome::Undecided, Some(Stopped::LinkLost)), Observation::Inconclusive(text()));
    assert_eq!(of(Outcome::Undecided, None), Observation::Inconclusive(text()));
}

/// What was found is repeated soon, until it is confirmed or cleared.
#[test]
fn what_a_repeat_can_settle_is_repeated() {
    let wants = |observations: &[Observation]| {
        let mut standing = Standing::default();
        for (at, observation) in observations.iter().enumerate() {
            standing.take(observation, &run(at as i64 + 1), &[], Hysteresis::default());
        }
        standing.wants_repeat(Hysteresis::default())
    };
    let pass = || Observation::Pass;
    for (observations, repeated) in [
        (vec![], false),
        (vec![pass()], false),
        (vec![fault()], true),
        (vec![fault(), pass()], true),
        (vec![fault(), pass(), pass()], false),
        (vec![fault(), fault()], false),
        (vec![fault(), fault(), pass()], true),
        (vec![pass(), unclear()], true),
        (vec![pass(), unclear(), pass()], false),
        (vec![unclear()], true),
        (vec![unclear(), unclear()], true),
        (vec![unclear(), unclear(), unclear()], false),
        (vec![fault(), used()], false),
    ] {
        assert_eq!(wants(&observations), repeated, "{observations:?}");
    }
}

#[test]
fn a_skipped_port_goes_on_from_where_it_was() {
    use State::{Failed, Proven, Skipped, Suspect};
    assert_eq!(
        walk(&[fault(), fault(), used(), used(), Observation::Pass, Observation::Pass]),
        [Suspect, Failed, Skipped, Skipped, Failed, Proven]
    );
    assert_eq!(walk(&[fault(), fault(), used(), fault()]), [Suspect, Failed, Skipped, Failed]);
    assert_eq!(walk(&[Observation::Pass, used(), Observation::Pass]), [Proven, Skipped, Proven]);
    assert_eq!(walk(&[Observation::Pass, used(), unclear()]), [Proven, Skipped, State::Undecided]);
}

#[test]
fn an_interrupted_run_says_nothing() {
    let mut standing = Standing::default();
    standing.take(&Observation::Pass, &run(5), &[], Hysteresis::default());
    let before = standing.clone();
    assert_eq!(standing.take(&Observation::Interrupted, &run(9), &[], Hysteresis::default()), None);
    assert_eq!(standing, before);
}

#[test]
fn a_drift_makes_suspect_and_holds_until_it_is_over() {
    let mut standing = Standing::default();
    let drift = ["latency grew".to_owned()];
    standing.take(&Observation::Pass, &run(1), &[], Hysteresis::default());
    let change = standing.take(&Observation::Pass, &run(2), &drift, Hysteresis::default()).unwrap();
    assert_eq!((change.from, change.to), (State::Proven, State::Suspect));
    assert!(change.why.contains("latency grew"));
    assert_eq!(standing.take(&Observation::Pass, &run(3), &drift, Hysteresis::default()), None);
    assert_eq!(standing.take(&Observation::Pass, &run(4), &[], Hysteresis::default()), None);
    let change = standing.take(&Observation::Pass, &run(5), &[], Hysteresis::default()).unwrap();
    assert_eq!(change.to, State::Proven);
    standing.take(&Observation::Pass, &run(6), &[], Hysteresis::default());
    assert_eq!(standing.since_ms, 5, "since when it is proven, not when that was last seen");
    // A pass that drifts makes no failed port less than failed.
    (7..9).for_each(|at| _ = standing.take(&fault(), &run(at), &[], Hysteresis::default()));
    standing.take(&Observation::Pass, &run(9), &drift, Hysteresis::default());
    assert_eq!((standing.state, standing.only_drifts()), (State::Failed, false));
    assert_eq!(standing.rests_on.as_ref().map(|run| run.at_ms), Some(8), "on what failed");
    assert_eq!(standing.why, "passed, but drifts: latency grew");
}

#[test]
fn an_old_proof_is_none() {
    let mut standing = Standing::default();
    standing.take(&Observation::Pass, &run(1000), &[], Hysteresis::default());
    assert_eq!(standing.grow_old(1500, 500), None);
    assert_eq!(standing.proof_ends_ms(500), Some(1500));
    assert_eq!(standing.grow_old(1501, 500).unwrap().to, State::Expired);
    assert_eq!(standing.grow_old(9999, 500), None);
}

fn observations() -> impl Strategy<Value = Observation> {
    prop_oneof![Just(Observation::Pass), Just(fault()), Just(unclear()), Just(used()), Just(Observation::Interrupted)]
}

proptest! {
    /// Whatever comes: failed only after enough faults in a row, proven only upon a pass.
    #[test]
    fn the_rules_hold_for_any_history(history in prop::collection::vec(observations(), 0..60)) {
        let mut standing = Standing::default();
        let rule = Hysteresis::default();
        let mut faults = 0;
        for (at, observation) in history.iter().enumerate() {
            match observation {
                Observation::Fault(_) => faults += 1,
                Observation::Pass | Observation::InService(_) => faults = 0,
                _ => {}
            }
            let change = standing.take(observation, &run(at as i64), &[], rule);
            if let Some(change) = change {
                prop_assert_ne!(change.from, change.to);
                match change.to {
                    State::Proven => prop_assert_eq!(observation, &Observation::Pass),
                    State::Suspect => prop_assert!(matches!(
                        observation,
                        Observation::Fault(_) | Observation::Pass | Observation::Inconclusive(_)
                    )),
                    State::Failed if change.from != State::Skipped => prop_assert!(faults >= rule.faults_to_fail),
                    State::Skipped => prop_assert!(matches!(observation, Observation::InService(_))),
                    _ => {}
                }
            }
        }
    }
}

/// What runs at these places make of a port; each passes, fails or decides nothing.
fn walk_places(runs: &[(Observation, Placement)]) -> Standing {
    let mut standing = Standing::default();
    for (n, (observation, place)) in runs.iter().enumerate() {
        standing.take(observation, &at(*place, n as i64 + 1), &[], Hysteresis::default());
    }
    standing
}

#[test]
fn a_nearer_place_proves_and_clears_only_what_it_covers() {
    use Placement::{AtPort, FarEnd, Internal};
    use State::{ChipProven, Failed, Proven, Suspect, Undecided};
    let pass = |place| (Observation::Pass, place);
    let fails = |place| (fault(), place);
    let nothing = |place| (unclear(), place);
    for (runs, state, rests_on) in [
        // Two passes of the loop inside the chip do not mend what failed with the plug.
        (vec![fails(AtPort), fails(AtPort), pass(Internal), pass(Internal)], Failed, (AtPort, 2)),
        (vec![fails(AtPort), pass(Internal), pass(Internal), pass(Internal)], Suspect, (AtPort, 1)),
        // What failed at the far end may be the cable: the port alone does not clear it, the far end does.
        (vec![fails(FarEnd), fails(FarEnd), pass(AtPort), pass(AtPort)], Failed, (FarEnd, 2)),
        (vec![fails(FarEnd), fails(FarEnd), pass(FarEnd), pass(FarEnd)], Proven, (FarEnd, 4)),
        (vec![fails(AtPort), fails(AtPort), pass(FarEnd), pass(FarEnd)], Proven, (FarEnd, 4)),
        // The chip alone.
        (vec![pass(Internal)], ChipProven, (Internal, 1)),
        (vec![pass(Internal), pass(AtPort)], Proven, (AtPort, 2)),
        (vec![pass(AtPort), pass(Internal)], Proven, (AtPort, 1)),
        (vec![fails(Internal), fails(Internal), pass(Internal), pass(Internal)], ChipProven, (Internal, 4)),
        (vec![pass(AtPort), fails(Internal), pass(Internal), pass(Internal)], ChipProven, (Internal, 4)),
        // A plug that was pulled is not back because the chip passes.
        (vec![pass(AtPort), nothing(AtPort), nothing(AtPort), nothing(AtPort), pass(Internal)], Undecided, (AtPort, 4)),
        (vec![nothing(Internal), pass(Internal)], ChipProven, (Internal, 2)),
        // Two places in a row: the farther one counts.
        (vec![fails(FarEnd), fails(Internal), pass(AtPort), pass(AtPort)], Failed, (Internal, 2)),
    ] {
        let standing = walk_places(&runs);
        let ground = standing.rests_on.as_ref().unwrap();
        assert_eq!((standing.state, (ground.placement, ground.at_ms)), (state, rests_on), "{runs:?}");
    }
}

#[test]
fn a_port_that_is_gone_is_told_at_once_and_what_it_was_is_remembered() {
    use State::{Expired, Failed, Gone, NeverTested, Proven, Skipped, Suspect};
    let after = |observations: &[Observation]| {
        let mut standing = Standing::default();
        for (n, observation) in observations.iter().enumerate() {
            standing.take(observation, &run(n as i64 + 1), &[], Hysteresis::default());
        }
        let before = standing.state;
        let change = standing.vanish(50).expect("it is told");
        assert_eq!((change.from, change.to), (before, Gone));
        assert_eq!(standing.vanish(51), None, "once");
        assert_eq!(standing.grow_old(1_000_000, 1), None);
        let to = standing.return_(60).expect("it is told").to;
        assert_eq!(standing.return_(61), None);
        to
    };
    let pass = || Observation::Pass;
    for (observations, back) in [
        (vec![], NeverTested),
        // It may be another adapter.
        (vec![pass()], Expired),
        (vec![fault()], Suspect),
        (vec![fault(), fault()], Failed),
        (vec![fault(), fault(), used()], Failed),
        (vec![pass(), used()], Expired),
    ] {
        assert_eq!(after(&observations), back, "{observations:?}");
    }
    // In service and then gone: each is told, and neither forgets what was before.
    let mut standing = Standing::default();
    standing.take(&pass(), &run(1), &[], Hysteresis::default());
    standing.vanish(2);
    assert_eq!(standing.take(&used(), &run(3), &[], Hysteresis::default()).unwrap().to, Skipped);
    assert_eq!(standing.take(&pass(), &run(4), &[], Hysteresis::default()).unwrap().to, Proven);
}

#[test]
fn what_an_earlier_program_kept_is_read() {
    let text = r#"{"state": "unknown", "since_ms": 5, "why": "x", "proven_ms": 3, "before_skip": "proven",
        "faults_in_row": 0, "passes_in_row": 1, "inconclusive_in_row": 2}"#;
    let standing: Standing = serde_json::from_str(text).unwrap();
    assert_eq!((standing.state, standing.before), (State::Undecided, Some(State::Proven)));
    let text = text.replace("unknown", "proven").replace(r#""before_skip": "proven""#, r#""before_skip": null"#);
    let standing: Standing = serde_json::from_str(&text).unwrap();
    assert_eq!(standing.proof_ends_ms(10), Some(13));
}

/// The word of a state is the one that documents have, and a list that asks for people names those they must go to.
#[test]
fn a_state_has_one_word_and_says_whether_somebody_has_to_look() {
    for state in State::ALL {
        assert_eq!(serde_json::to_value(state).unwrap(), state.name());
    }
    let asking: Vec<State> = State::ALL.into_iter().filter(|state| state.needs_attention()).collect();
    assert_eq!(asking, [State::Failed, State::Suspect, State::Gone, State::Undecided]);
}

/// The proof of the chip alone is a proof: it is not lost at once, it grows old, and it is not that of another adapter.
#[test]
fn a_chip_that_passed_is_held_like_any_proof() {
    let chip = || walk_places(&[(Observation::Pass, Placement::Internal)]);
    let mut standing = chip();
    standing.take(&unclear(), &at(Placement::Internal, 2), &[], Hysteresis::default());
    assert_eq!(standing.state, State::ChipProven);
    assert_eq!(chip().grow_old(1002, 1000).unwrap().to, State::Expired);
    let mut standing = chip();
    standing.vanish(5);
    assert_eq!(standing.return_(6).unwrap().to, State::Expired);
    // Nothing beyond it is proved.
    assert_eq!((chip().proven_ms, walk_places(&[(Observation::Pass, Placement::AtPort)]).proven_ms), (None, Some(1)));
}

/// A row of runs that decided nothing ends with a fault, and with a port that is out of reach.
#[test]
fn a_row_that_decides_nothing_is_counted_and_ends() {
    let row = |observations: &[Observation]| {
        let runs: Vec<_> = observations.iter().map(|o| (o.clone(), Placement::AtPort)).collect();
        walk_places(&runs).inconclusive_in_row()
    };
    assert_eq!([row(&[]), row(&[unclear()]), row(&[unclear(), unclear()])], [0, 1, 2]);
    for end in [fault(), used(), Observation::Pass] {
        assert_eq!(row(&[unclear(), unclear(), end.clone()]), 0, "{end:?}");
    }
    // A port that was undecided, gone and is there again waits for its turn.
    let mut standing = walk_places(&[(unclear(), Placement::AtPort)]);
    assert!(standing.wants_repeat(Hysteresis::default()));
    standing.vanish(5);
    standing.return_(6);
    assert_eq!((standing.state, standing.wants_repeat(Hysteresis::default())), (State::Undecided, false));
}

/// A pass that did not reach the place of the trouble leaves its reason, unless that was lost from sight meanwhile.
#[test]
fn a_pass_nearer_than_the_trouble_leaves_its_reason() {
    use Placement::{AtPort, Internal};
    let why = |runs: &[(Observation, Placement)]| walk_places(runs).why;
    assert_eq!(why(&[(fault(), AtPort), (Observation::Pass, Internal)]), "bit-errors: many");
    let used_between = [(fault(), AtPort), (used(), AtPort), (Observation::Pass, Internal)];
    assert_eq!(why(&used_between), "passed, but nearer than before");
}

#[test]
fn a_suspicion_by_a_drift_is_told_from_one_by_a_fault() {
    let mut standing = Standing::default();
    standing.take(&Observation::Pass, &run(1), &["latency grew".to_owned()], Hysteresis::default());
    assert_eq!((standing.state, standing.only_drifts()), (State::Suspect, true));
    assert!(!walk_places(&[(fault(), Placement::AtPort)]).only_drifts());
    assert!(!walk_places(&[(Observation::Pass, Placement::AtPort)]).only_drifts());
}

/// What a state rests on is told beside it.
#[test]
fn the_ground_of_a_state_is_its_run() {
    let read = |text: &str| match crate::document::Document::read(text) {
        Ok(crate::document::Document::Run(report)) => *report,
        other => panic!("the fixture is a run: {other:?}"),
    };
    let report = read(include_str!("../../../../../tests/fixtures/format1/ethernet-run.json"));
    let ground = Ground::of(&report, 5);
    assert_eq!((ground.placement, ground.at_ms, ground.run.as_deref()), (report.placement, 5, Some(&report.run[..])));
    assert_eq!(
        (&ground.profile, &ground.location, &ground.next),
        (&report.profile, &report.verdict.location, &report.verdict.next)
    );
    let mbps = report.ethernet().unwrap().link.speed_mbps.unwrap();
    assert_eq!(ground.speed, Some(format!("{mbps} Mb/s")));
}
