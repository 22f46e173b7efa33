//! What is decided without a card.

use turnback_core::bench::{
    attempt::Attempt,
    facts::{LoadSample, SelfTestItem},
    queues::{PortQueues, QueueFacts, Way},
};

use super::*;
use crate::{ports::PortError, work::bench::testing::card_test};

fn attempt(test: TestName, slot: &str, facts: Facts, corrected: u64) -> Attempt {
    let bus_errors = Some(BusErrors { corrected, ..BusErrors::default() });
    let (plugs, findings) = (Vec::new(), Vec::new());
    Attempt {
        test,
        slot: slot.into(),
        plugs,
        transceivers: Vec::new(),
        began_ms: 1,
        took_s: 10.0,
        facts: Some(facts),
        findings,
        bus_errors,
        cut_off: None,
    }
}

#[test]
fn the_bus_answers_for_every_test_in_its_slot_since_it_was_judged() {
    let mut test = card_test("quay-01");
    let links = || Facts::Links { ports: Vec::new() };
    test.attempts = vec![
        attempt(TestName::Links, "slot-1", links(), 1),
        attempt(TestName::Bus, "slot-1", Facts::Bus(BusFacts::default()), 1),
        attempt(TestName::Links, "slot-2", links(), 20),
        attempt(TestName::Links, "slot-1", links(), 300),
        // It failed beside other cards: that says nothing, but its errors on the bus were there.
        Attempt { facts: None, cut_off: Some("beside".into()), ..attempt(TestName::Links, "slot-1", links(), 50_000) },
        // A kill counted none.
        Attempt { facts: None, bus_errors: None, took_s: 0.0, ..attempt(TestName::Data, "slot-1", links(), 0) },
    ];
    let errors = |corrected| Some(BusErrors { corrected, ..BusErrors::default() });
    let mut bus = BusFacts::default();
    add_errors(&mut bus, &test, errors(4000), 5.0);
    assert_eq!((bus.correctable, bus.watched_s, bus.uncounted), (54_300, 25.0, false));
    let mut bus = BusFacts::default();
    add_errors(&mut bus, &test, None, 5.0);
    assert!(bus.uncounted, "{bus:?}");
    let counted = |corrected| BusCounts { counted: errors(corrected), noted: None };
    let nobody = BusCounts::default();
    assert_eq!(grown(counted(5), counted(7)), errors(2));
    assert_eq!((grown(counted(5), counted(3)), grown(nobody, counted(3))), (errors(3), None), "counted anew");
    // The devices' notes are not counts: one that the kernel took back and counted meanwhile is no second error.
    let noted = |corrected, noted| BusCounts { counted: errors(corrected), noted: errors(noted) };
    assert_eq!((grown(noted(5, 0), noted(5, 1)), grown(noted(5, 1), noted(6, 0))), (errors(1), errors(1)));
}

#[test]
fn only_what_stops_the_whole_bench_fails_it() {
    let refused =
        || PortError::NotPermitted { port: "quay1".into(), action: "send".into(), capability: "CAP_NET_RAW".into() };
    for (error, fails) in [
        (PortError::Gone("quay1".into()), false),
        (PortError::Device("the driver refuses".into()), false),
        (PortError::Down("quay1".into()), false),
        (refused(), true),
    ] {
        let said = error.to_string();
        assert_eq!(matches!(Halt::from(error), Halt::Failed(_)), fails, "{said}");
    }
    assert!(matches!(Halt::from(BenchError::Port(PortError::Gone("quay1".into()))), Halt::CutOff(_)));
}

#[test]
fn a_card_is_asked_for_no_more_than_the_reference_card_showed() {
    let load = |mbps, allowed_mbps| LoadFacts {
        samples: vec![LoadSample { at_s: 1.0, mbps, celsius: None }],
        allowed_mbps,
        ..LoadFacts::default()
    };
    let (card, mut reference) = (card_test("quay-01"), card_test("quay-01"));
    reference.attempts = vec![attempt(TestName::Load, "r", Facts::Load(load(300.0, 1000.0)), 0)];
    let order =
        |reference| Order { test: &card, name: TestName::Load, attempt: 1, reference, sticker: None, lights: &[] };
    // One port at 1000 Mb/s reached 300: two ports share what the computer moves, and are asked for 300 together.
    assert!((bench_limit(load(290.0, 2000.0), &order(Some(&reference))).bench_share - 0.15).abs() < 1e-9);
    assert!((bench_limit(load(90.0, 100.0), &order(Some(&reference))).bench_share - 0.3).abs() < 1e-9);
    assert!((bench_limit(load(90.0, 100.0), &order(None)).bench_share - 0.9).abs() < 1e-9, "its own measure");
}

#[test]
fn what_the_reference_card_fails_of_its_self_test_is_not_held_against_its_kind() {
    let facts = |failed: &[&str]| {
        let item = |name: &str| SelfTestItem { name: name.into(), passed: !failed.contains(&name), excused: false };
        Facts::SelfTest { items: ["port 1: register", "port 1: memory", "port 2: register"].map(item).to_vec() }
    };
    let held = |facts: Facts| match facts {
        Facts::SelfTest { items } => items.iter().filter(|item| !item.passed && !item.excused).count(),
        _ => panic!("a self-test"),
    };
    let (card, mut reference) = (card_test("quay-01"), card_test("reference"));
    reference.is_reference = true;
    fn order<'a>(test: &'a CardTest, reference: Option<&'a CardTest>) -> Order<'a> {
        Order { test, name: TestName::SelfTest, attempt: 1, reference, sticker: None, lights: &[] }
    }
    let measured = excused(facts(&["port 1: register"]), &order(&reference, None));
    assert_eq!(held(measured.clone()), 0);
    reference.attempts = vec![attempt(TestName::SelfTest, "r", measured, 0)];
    let both = || facts(&["port 2: register", "port 1: memory"]);
    assert_eq!(held(excused(both(), &order(&card, Some(&reference)))), 1, "the memory is the card's");
    assert_eq!(held(excused(both(), &order(&card, None))), 2);
    reference.card.device = "f1a7:0b03".into();
    assert_eq!(held(excused(both(), &order(&card, Some(&reference)))), 2, "another kind");
}

#[test]
fn a_queue_that_the_reference_card_fails_as_well_is_not_held_against_its_kind() {
    let facts = |dead: u32| {
        let receive = |number| {
            let frames = Some(if number == dead { 0 } else { 40 });
            QueueFacts { frames, ..QueueFacts::new(Way::Receive, number) }
        };
        let queues = (0..4).map(receive).collect();
        Facts::Queues { ports: vec![PortQueues { port: 1, flows: 64, flows_lost: 8, queues, ..PortQueues::default() }] }
    };
    let is_held = |facts: Facts| match facts {
        Facts::Queues { ports } => ports[0].lost().is_some(),
        _ => panic!("queues"),
    };
    let (card, mut reference) = (card_test("quay-01"), card_test("reference"));
    reference.is_reference = true;
    fn order<'a>(test: &'a CardTest, reference: Option<&'a CardTest>) -> Order<'a> {
        Order { test, name: TestName::Queues, attempt: 1, reference, sticker: None, lights: &[] }
    }
    let measured = excused(facts(2), &order(&reference, None));
    assert!(!is_held(measured.clone()));
    reference.attempts = vec![attempt(TestName::Queues, "r", measured, 0)];
    assert!(!is_held(excused(facts(2), &order(&card, Some(&reference)))));
    assert!(is_held(excused(facts(3), &order(&card, Some(&reference)))));
    assert!(is_held(excused(facts(2), &order(&card, None))));
}
