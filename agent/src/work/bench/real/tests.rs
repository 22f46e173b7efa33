//! What is decided without a card.

use turnback_core::bench::{attempt::Attempt, facts::LoadSample};

use super::*;
use crate::work::bench::testing::card_test;

fn attempt(test: TestName, slot: &str, facts: Facts, corrected: u64) -> Attempt {
    let bus_errors = Some(BusErrors { corrected, ..BusErrors::default() });
    let (plugs, findings) = (Vec::new(), Vec::new());
    Attempt {
        test,
        slot: slot.into(),
        plugs,
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
    ];
    let errors = |corrected| Some(BusErrors { corrected, ..BusErrors::default() });
    let mut bus = BusFacts::default();
    add_errors(&mut bus, &test, errors(4000), 5.0);
    assert_eq!((bus.correctable, bus.watched_s, bus.uncounted), (4300, 15.0, false));
    let mut bus = BusFacts::default();
    add_errors(&mut bus, &test, None, 5.0);
    assert!(bus.uncounted, "{bus:?}");
    assert_eq!(grown(errors(5), errors(7)), errors(2));
    assert_eq!((grown(errors(5), errors(3)), grown(None, errors(3))), (errors(3), None), "counted anew");
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
    let order = |reference| Order { test: &card, name: TestName::Load, attempt: 1, reference, sticker: None };
    // One port at 1000 Mb/s reached 300: two ports share what the computer moves, and are asked for 300 together.
    assert!((bench_limit(load(290.0, 2000.0), &order(Some(&reference))).bench_share - 0.15).abs() < 1e-9);
    assert!((bench_limit(load(90.0, 100.0), &order(Some(&reference))).bench_share - 0.3).abs() < 1e-9);
    assert!((bench_limit(load(90.0, 100.0), &order(None)).bench_share - 0.9).abs() < 1e-9, "its own measure");
}
