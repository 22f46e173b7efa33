//! The bench at work by itself, on simulated benches, with somebody who answers in any order.

mod hours;

use std::sync::Arc;

use turnback_core::{base::rng::Rng, document::card_test::Grade};

use super::*;
use crate::{
    archive::{Archive, memory::Memory},
    config::Config,
    daemon::agent::{BenchAnswer, BenchOrder},
};

fn shared() -> Arc<Shared> {
    Shared::new(Config::parse("none", "").unwrap(), Box::new(Memory::default()), jiff::Timestamp::now)
}

/// A bench of which nothing is kept in memory: as after a restart.
fn at_work(rig: &str) -> AtWork {
    AtWork::new(None, BenchConfig::of_rig(rig)).unwrap()
}

/// Works until nothing more can be done without hands.
fn go(bench: &mut AtWork, shared: &Arc<Shared>) {
    for _ in 0..1000 {
        if !bench.go(shared).unwrap() {
            return;
        }
    }
    panic!("it never rests");
}

/// The requests that stand: card, what to do, and id.
fn asked(shared: &Shared) -> Vec<(String, String, String)> {
    let inner = shared.bench.inner();
    let one = |asked: &state::Asked| (asked.card.clone(), asked.hands.act.clone(), asked.hands.request.clone());
    inner.asked.values().map(one).collect()
}

fn answer(shared: &Shared, request: &str, answer: BenchAnswer) {
    let order = BenchOrder { request: request.to_owned(), answer, sticker: None, light: None };
    let mut inner = shared.bench.inner();
    let (kept, _) = inner.answered(&order).unwrap();
    inner.take(kept, request);
}

fn graded(shared: &Shared, lot: &str) -> Vec<(String, Grade)> {
    let tests = lot::card_tests(&Records(Arc::clone(&shared.logbook)), lot).unwrap();
    tests.into_iter().map(|test| (test.card.serial.unwrap_or_default(), test.grade)).collect()
}

#[test]
fn a_lot_gets_the_same_grades_in_whatever_order_hands_answer() {
    // Who is what, as the description of the rig says: a worn plug, a dirty slot, and one card of each fault.
    let truth = |number: usize| match number {
        9 | 11 | 14 => Grade::Limited,
        6..=13 => Grade::Rejected,
        _ => Grade::Accepted,
    };
    let shared = shared();
    let mut rng = Rng::new(7);
    let mut bench = at_work("sim:bench");
    let mut exchanged = 0;
    for turn in 0..400 {
        go(&mut bench, &shared);
        let asked = asked(&shared);
        let Some((_, act, request)) = asked.get(rng.below(asked.len().max(1) as u64) as usize) else { break };
        // Plugs and slots of cards that wait are nobody else's: each stands in one request at most.
        for plug in ["P-1", "P-2", "P-3", "P-4"] {
            let fits = asked.iter().filter(|(_, act, _)| act.contains("into slot-") && act.contains(plug));
            assert!(fits.count() <= 1, "{plug} in {asked:?}");
        }
        exchanged += usize::from(!act.contains("into slot"));
        answer(&shared, request, BenchAnswer::Done);
        if turn % 7 == 3 {
            bench = at_work("sim:bench");
        }
    }
    let graded = graded(&shared, "stores-bench");
    assert_eq!(graded.len(), 16);
    for (number, (serial, grade)) in (1..).zip(&graded) {
        assert_eq!(*grade, truth(number), "{serial} of {graded:?}");
    }
    assert!(exchanged > 3, "the worn plug and the dirty slot take exchanges: {exchanged}");
}

/// One card sends weakly by itself, another has a weak transceiver, and a fibre loop is dirty.
#[test]
fn transceivers_are_exchanged_by_answers_in_whatever_order_and_with_a_word_about_the_light() {
    for seed in 0..4 {
        let shared = shared();
        let mut rng = Rng::new(seed);
        let mut bench = at_work("sim:bench-fibre");
        let mut exchanged = 0;
        for turn in 0..200 {
            go(&mut bench, &shared);
            for asked in shared.bench.inner().asked.values() {
                let is_warned = asked.hands.cautions.iter().any(|caution| caution.starts_with("Laser light"));
                assert!(is_warned, "{:?}", asked.hands);
            }
            let asked = asked(&shared);
            let Some((_, act, request)) = asked.get(rng.below(asked.len().max(1) as u64) as usize) else { break };
            exchanged += usize::from(act.contains("the transceivers of port"));
            answer(&shared, request, BenchAnswer::Done);
            if turn % 5 == 3 {
                bench = at_work("sim:bench-fibre");
            }
        }
        let grades: Vec<Grade> = graded(&shared, "stores-bench-fibre").into_iter().map(|(_, grade)| grade).collect();
        let accepted = Grade::Accepted;
        assert_eq!(grades, [accepted, accepted, accepted, Grade::Limited], "seed {seed}");
        assert!(exchanged >= 2, "{exchanged} with seed {seed}");
    }
}

#[test]
fn cards_that_all_wait_for_each_other_do_not_wait_for_ever() {
    // Two slots, four plugs, and both cards need another plug: the dead ports are theirs.
    let folder = tempfile::tempdir().unwrap();
    let mut rig = turnback_core::bench::sim::builtin("bench-good").unwrap();
    rig.cards.truncate(2);
    for card in &mut rig.cards {
        card.faults = vec![
            turnback_core::bench::sim::rig::CardFault::DeadPort { port: 1 },
            turnback_core::bench::sim::rig::CardFault::DeadPort { port: 2 },
        ];
    }
    let file = folder.path().join("dead.toml");
    std::fs::write(&file, rig.to_toml()).unwrap();
    let shared = shared();
    let mut bench = at_work(&format!("sim:{}", file.display()));
    for _ in 0..100 {
        go(&mut bench, &shared);
        // All that stands is done before the next look.
        let asked = asked(&shared);
        if asked.is_empty() {
            break;
        }
        asked.iter().for_each(|(_, _, request)| answer(&shared, request, BenchAnswer::Done));
    }
    let graded = graded(&shared, "stores-bench-good");
    assert_eq!(graded.iter().map(|(_, grade)| *grade).collect::<Vec<_>>(), [Grade::Rejected; 2], "{graded:?}");
}

#[test]
fn an_older_test_of_a_card_that_was_left_open_keeps_no_plugs() {
    let shared = shared();
    let mut bench = at_work("sim:bench-good");
    go(&mut bench, &shared);
    let mut records = Records(Arc::clone(&shared.logbook));
    let rig = turnback_core::bench::sim::builtin("bench-good").unwrap();
    let lot = lot::find(&records, "stores-bench-good").unwrap().unwrap();
    let of = |id: &str| CardTest {
        test: id.into(),
        lot: Some(lot.label.clone()),
        bench: "sim:bench-good".into(),
        slot: "slot-1".into(),
        started_at: lot.opened_at.clone(),
        changed_at: lot.opened_at.clone(),
        plugs: vec![Some("P-1".into()), Some("P-2".into())],
        ..CardTest::of("stores-bench-good-04".into(), rig.card("HB-0004"), lot.claim.clone(), lot.procedure.clone())
    };
    let mut open = of("0");
    open.settle(&Default::default());
    assert!(open.next.is_some());
    for test in [open, CardTest { grade: Grade::Accepted, ..of("1") }] {
        records.put(&test.into()).unwrap();
    }
    let (_, _, request) = asked(&shared).remove(0);
    answer(&shared, &request, BenchAnswer::Done);
    go(&mut bench, &shared);
    let cards: Vec<String> = asked(&shared).into_iter().map(|(card, ..)| card).collect();
    assert_eq!(cards, ["stores-bench-good-01", "stores-bench-good-02"], "both slots and all four plugs are free");
}

#[test]
fn nobody_is_asked_for_a_proof_that_no_card_needs_and_a_left_card_makes_room() {
    let shared = shared();
    let mut bench = at_work("sim:bench-good");
    go(&mut bench, &shared);
    let first = asked(&shared);
    assert_eq!((first.len(), first[0].0.as_str()), (1, "reference"));
    answer(&shared, &first[0].2, BenchAnswer::Done);
    go(&mut bench, &shared);
    let cards: Vec<String> = asked(&shared).into_iter().map(|(card, ..)| card).collect();
    assert_eq!(cards, ["stores-bench-good-01", "stores-bench-good-02"]);
    // Every card is left: nothing is asked, and nothing is proved again.
    for _ in 0..2 {
        for (_, _, request) in asked(&shared) {
            answer(&shared, &request, BenchAnswer::Nobody);
        }
        go(&mut bench, &shared);
    }
    let next: Vec<String> = asked(&shared).into_iter().map(|(card, ..)| card).collect();
    assert!(next.iter().all(|card| !cards.contains(card)), "{next:?}");
    for (_, _, request) in asked(&shared) {
        answer(&shared, &request, BenchAnswer::Nobody);
    }
    go(&mut bench, &shared);
    assert_eq!(asked(&shared), []);
    assert!(graded(&shared, "stores-bench-good").iter().all(|(_, grade)| *grade == Grade::Unfinished));
}
