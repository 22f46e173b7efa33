//! Cases led through the agent: on the demo's rigs, and on a port whose plug a hand moves.

use turnback_core::{
    base::labels::Labels,
    judge::Location,
    kind::ethernet::{cable_test::Reading, sim},
};

use super::*;
use crate::{
    daemon::host::{Order, RunEnd, demo, this_machine},
    ports::{Port, simulated::ethernet::SimulatedPort},
    testing::ByHand,
    work::isolate::runner::{Opening, open_case},
};

fn opening(segments: &[&str]) -> Opening {
    Opening { cable: "Q-12".into(), segments: segments.iter().map(|s| (*s).to_owned()).collect(), plug: None }
}

fn perform(stage: &str) -> StageOrder {
    StageOrder { stage: stage.to_owned(), ..StageOrder::default() }
}

fn next_of(logbook: &mut Memory, id: &str) -> Option<NextView> {
    view(&stored(logbook, id).unwrap(), None, true, || vec!["quay1".into()]).next
}

/// Carries out a stage as the supervisor does, on the port that `open` gives for a name.
fn carry_out(logbook: &mut Memory, id: &str, order: &StageOrder, open: &mut dyn FnMut(&str) -> Box<dyn Port>) {
    let (case, asked) = match begin(stored(logbook, id).unwrap(), order, None, ("desk", 5)).unwrap() {
        Begun::Asked(case, asked) => (case, asked),
        Begun::Answered(case) => return logbook.put(&case.into()).unwrap(),
    };
    logbook.put(&case.into()).unwrap();
    let run = asked.run.clone();
    let order = Order {
        run: asked.run,
        port: asked.port.clone(),
        labels: Default::default(),
        profile: asked.profile,
        placement: asked.placement,
        cable: asked.cable,
        seed: 7,
        stage: asked.stage,
        record: Labels::default(),
    };
    let started_at = "2026-05-01T10:00:00+00:00".to_owned();
    let mut port = open(&asked.port);
    let told = match this_machine::end(this_machine::carry_out(
        &order,
        &mut *port,
        started_at,
        &mut |_| {},
        &Cancel::default(),
    )) {
        RunEnd::Report(report) => Told::Measured(Measurement::Report(report)),
        RunEnd::Pairs(pairs) => Told::Measured(Measurement::Pairs(pairs)),
        RunEnd::Failed(why) | RunEnd::Busy(why) => Told::CutOff(why),
        RunEnd::Impossible(why) => Told::Impossible(why),
    };
    end(logbook, id, &run, told).unwrap();
}

/// Walks a case as the page does, each stage through the queue's own order.
#[test]
fn the_chafed_segment_is_found_through_the_agent() {
    let port = || demo::open("quay2", std::time::Duration::from_secs(600), 7).unwrap();
    // Nobody named the segments: the rig knows them.
    let case = open_case(&mut *port(), opening(&[])).unwrap();
    let (id, mut logbook) = (case.case.clone(), Memory::default());
    logbook.put(&case.into()).unwrap();
    for _ in 0..20 {
        let Some(next) = next_of(&mut logbook, &id) else { break };
        assert_eq!(next.known_good, None, "a rig has a port of its own");
        carry_out(&mut logbook, &id, &perform(&next.stage), &mut |_| port());
    }
    let case = stored(&logbook, &id).unwrap();
    let shown = view(&case, None, true, Vec::new);
    assert_eq!(shown.state, "decided", "{shown:#?}");
    assert_eq!(case.verdict.location, [Location::Cable], "{:#?}", case.verdict);
    assert_eq!(case.verdict.segment.as_deref(), Some("crane-rail"));
    assert!(begin(case.clone(), &perform("at-port"), None, ("desk", 5)).is_err(), "it is over");
    assert!(skip(case.clone(), "at-port", "").is_err());
    // Whoever does not stand by a stage has the case opened again.
    let again = set_aside(case, "far-end").unwrap();
    assert_eq!(again.state, CaseState::Open);
    assert!(set_aside(again, "other-plug").is_err(), "it was never done");
}

#[test]
fn what_a_case_does_not_have_is_refused() {
    let mut port = demo::open("quay0", Default::default(), 1).unwrap();
    assert!(open_case(&mut *port, opening(&["riser", "riser"])).is_err());
    let case = open_case(&mut *port, opening(&[])).unwrap();
    for stage in ["", "nowhere", "far-end:crane-rail"] {
        assert!(begin(case.clone(), &perform(stage), None, ("desk", 5)).is_err(), "{stage}");
    }
    let on = StageOrder { on: Some("quay1".into()), ..perform("at-port") };
    let shows = StageOrder { shows: Some(Shown::Passes), ..perform("at-port") };
    for order in [on, shows] {
        assert!(matches!(begin(case.clone(), &order, None, ("desk", 5)), Err(AgentError::Value { .. })), "{order:?}");
    }
    let skipped = skip(case, "internal", "no time\u{7}").unwrap();
    assert_eq!(view(&skipped, None, true, Vec::new).stages[0].skipped.as_deref(), Some("no time"));
    // A run that is over although nobody waits for it changes nothing.
    let mut logbook = Memory::default();
    logbook.put(&skipped.clone().into()).unwrap();
    end(&mut logbook, &skipped.case, "another", Told::CutOff("gone".into())).unwrap();
    assert_eq!(stored(&logbook, &skipped.case).unwrap(), skipped);
}

/// The bench behind a port whose plug a hand moves: what the person at the page does between the stages.
fn by_hand(rig: &str, name: &str, stage: &str) -> Box<dyn Port> {
    let mut rig_port = SimulatedPort::of(&sim::builtin(rig).unwrap(), name.to_owned(), 7);
    let stage: StageName = stage.parse().unwrap();
    if let Some(spot) = stage.spot() {
        rig_port.arrange(&crate::work::isolate::stage::bench(&stage, &spot));
    }
    Box::new(ByHand(rig_port))
}

/// Leads a case to its end; stages on another port are done there.
fn lead(rig: &str, known_good: &dyn Fn() -> StageOrder) -> (Case, Vec<String>) {
    let case = open_case(&mut *by_hand(rig, "quay0", "at-port"), opening(&[])).unwrap();
    assert!(!case.capabilities.moves_plug);
    let (id, mut logbook) = (case.case.clone(), Memory::default());
    logbook.put(&case.into()).unwrap();
    let mut ran_on = Vec::new();
    for _ in 0..20 {
        let Some(next) = next_of(&mut logbook, &id) else { break };
        let order = match &next.known_good {
            Some(ports) => {
                assert_eq!(ports, &["quay1"]);
                // Neither a port nor a word, both, or the port under test itself.
                let both = StageOrder { on: Some("quay1".into()), shows: Some(Shown::Fails), ..perform(&next.stage) };
                let own = StageOrder { on: Some("quay0".into()), ..perform(&next.stage) };
                for wrong in [perform(&next.stage), both, own] {
                    let refused = begin(stored(&logbook, &id).unwrap(), &wrong, None, ("desk", 5));
                    assert!(matches!(refused, Err(AgentError::Value { name: "on", .. })), "{wrong:?}");
                }
                known_good()
            }
            None => perform(&next.stage),
        };
        carry_out(&mut logbook, &id, &order, &mut |port| {
            ran_on.push(port.to_owned());
            by_hand(rig, port, &next.stage)
        });
    }
    (stored(&logbook, &id).unwrap(), ran_on)
}

#[test]
fn a_bad_plug_is_found_on_a_known_good_port_of_this_machine() {
    let on = || StageOrder { on: Some("quay1".into()), ..perform("known-good-port") };
    let (case, ran_on) = lead("bad-plug", &on);
    assert_eq!(
        (case.state, case.verdict.location.as_slice()),
        (CaseState::Decided, &[Location::Plug][..]),
        "{case:#?}"
    );
    assert_eq!(ran_on.iter().filter(|port| *port == "quay1").count(), 3, "of five that fail: {ran_on:?}");
    let there = case.stages.iter().find(|s| s.name == StageName::KnownGoodPort).unwrap();
    assert_eq!(there.on_port.as_deref(), Some("quay1"));
}

#[test]
fn the_word_of_a_person_stands_for_a_port_elsewhere() {
    let passes = || StageOrder { shows: Some(Shown::Passes), ..perform("known-good-port") };
    let (case, _) = lead("bad-port", &passes);
    assert_eq!(case.verdict.location, [Location::Port], "{:#?}", case.verdict);
    let fails = || StageOrder { shows: Some(Shown::Fails), ..perform("known-good-port") };
    let (case, ran_on) = lead("bad-plug", &fails);
    assert_eq!(case.verdict.location, [Location::Plug], "{:#?}", case.verdict);
    assert!(ran_on.iter().all(|port| port == "quay0"), "{ran_on:?}");
}

#[test]
fn the_pairs_of_a_condemned_cable_are_measured_through_the_agent() {
    let (case, _) = lead("open-pair", &|| unreachable!("the port passes"));
    assert_eq!(case.verdict.location, [Location::Cable], "{:#?}", case.verdict);
    let measured = case.stages.iter().find(|s| s.name == StageName::CableTest).expect("the stage");
    assert_eq!((measured.ended, &measured.run), (Ended::Done, &None));
    let pairs = measured.pairs.as_ref().unwrap();
    assert!(matches!(turnback_core::kind::ethernet::cable_test::read(pairs), Reading::Broken(_)), "{pairs}");
    assert!(
        view(&case, None, true, Vec::new).stages.iter().any(|s| s.stage == "cable-test" && s.result.contains("open"))
    );
}

#[test]
fn a_cable_test_that_is_not_offered_or_fails_leaves_the_case_as_it_was() {
    let case = open_case(&mut *by_hand("bad-cable", "quay0", "at-port"), opening(&[])).unwrap();
    let (id, mut logbook) = (case.case.clone(), Memory::default());
    logbook.put(&case.clone().into()).unwrap();
    carry_out(&mut logbook, &id, &perform("cable-test"), &mut |port| by_hand("bad-cable", port, "at-port"));
    let after = stored(&logbook, &id).unwrap();
    let stage = |case: &Case| case.next.as_ref().map(|next| next.stage.clone());
    assert_eq!((after.stages.len(), after.offers_cable_test, stage(&after)), (0, false, stage(&case)));
    let Begun::Asked(begun, asked) = begin(after, &perform("cable-test"), None, ("desk", 5)).unwrap() else {
        panic!("a test")
    };
    assert_eq!(asked.stage, Some(StageName::CableTest));
    logbook.put(&begun.clone().into()).unwrap();
    end(&mut logbook, &id, &asked.run, Told::CutOff("it is in service: it has an address".into())).unwrap();
    let cut = stored(&logbook, &id).unwrap();
    assert_eq!((cut.stages[0].ended, stage(&cut)), (Ended::CutOff, stage(&case)));
    assert!(view(&cut, None, true, Vec::new).stages[0].result.contains("in service"));
}

#[test]
fn a_stage_that_can_never_be_carried_out_does_not_come_up_again() {
    let case = open_case(&mut *by_hand("good", "quay0", "at-port"), opening(&[])).unwrap();
    let (id, mut logbook) = (case.case.clone(), Memory::default());
    let first = case.next.as_ref().unwrap().stage.to_string();
    let Begun::Asked(begun, asked) = begin(case, &perform(&first), None, ("desk", 5)).unwrap() else { panic!("a run") };
    logbook.put(&begun.into()).unwrap();
    let ended = end(&mut logbook, &id, &asked.run, Told::Impossible("nothing to arrange".into())).unwrap();
    assert_ne!(ended.next.as_ref().unwrap().stage.to_string(), first);
    let shown = view(&ended, None, true, Vec::new);
    assert_eq!(shown.stages.last().unwrap().skipped.as_deref(), Some("nothing to arrange"));
    // One that was merely cut off comes up again, and is told at the top.
    let next = shown.next.unwrap();
    assert_eq!((next.number, next.stage.as_str() == first), (2, false));
    let Begun::Asked(begun, asked) = begin(ended, &perform(&next.stage), None, ("desk", 6)).unwrap() else { panic!() };
    logbook.put(&begun.into()).unwrap();
    let cut = end(&mut logbook, &id, &asked.run, Told::CutOff("another run has the port".into())).unwrap();
    let shown = view(&cut, None, true, Vec::new);
    assert_eq!(shown.next.unwrap().stage, next.stage);
    assert!(shown.not_done.unwrap().contains("another run has the port"));
}

#[test]
fn the_stages_that_tell_plug_and_port_apart_take_no_plug_that_belies_them() {
    let mut case = open_case(&mut *by_hand("good", "quay0", "at-port"), opening(&[])).unwrap();
    case.plug = Some("P-3".into());
    let begun = |stage: &str, plug: &str| {
        let on = (stage == "known-good-port").then(|| "quay1".to_owned());
        let order = StageOrder { plug: Some(plug.into()), on, ..perform(stage) };
        begin(case.clone(), &order, None, ("desk", 5))
    };
    for (stage, wrong, right) in [("other-plug", "P-3", "P-4"), ("known-good-port", "P-4", "P-3")] {
        assert!(matches!(begun(stage, wrong), Err(AgentError::Value { name: "plug", .. })), "{stage}");
        let Begun::Asked(case, asked) = begun(stage, right).unwrap() else { panic!("{stage}") };
        assert_eq!((case.plug.as_deref(), asked.record.plug.as_deref()), (Some("P-3"), Some(right)), "{stage}");
    }
}

#[test]
fn plug_and_profile_change_in_mid_case() {
    let case = open_case(&mut *by_hand("good", "quay0", "at-port"), opening(&[])).unwrap();
    let stage = case.next.as_ref().unwrap().stage.to_string();
    let order =
        |profile: &str| StageOrder { plug: Some("P-7".into()), profile: Some(profile.into()), ..perform(&stage) };
    for wrong in ["none", "rate-search"] {
        assert!(
            matches!(begin(case.clone(), &order(wrong), None, ("desk", 5)), Err(AgentError::Value { .. })),
            "{wrong}"
        );
    }
    let Begun::Asked(case, asked) = begin(case, &order("standard"), None, ("desk", 5)).unwrap() else { panic!() };
    assert_eq!((asked.profile.name.as_str(), asked.record.plug.as_deref()), ("standard", Some("P-7")));
    let shown = view(&case, None, true, Vec::new);
    assert_eq!((shown.plug.as_deref(), shown.profile.as_deref()), (Some("P-7"), Some("standard")));
}
