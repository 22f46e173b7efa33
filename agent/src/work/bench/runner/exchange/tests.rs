//! Cards on benches of which something is bad: card, transceiver, plug, or two of them at once.

use turnback_core::{
    base::caution::Caution,
    bench::{
        procedure::Procedure,
        sim::{
            BenchRig, SimulatedBench, builtin,
            rig::{CardFault, OwnTransceiver, PlugFault, TransceiverFault, TransceiverSpec},
        },
    },
    document::card_test::Grade,
    sim::value::Ratio,
};

use super::*;
use crate::{
    archive::memory::Memory,
    engine::cancel::Cancel,
    work::bench::{
        asking::BenchEvent,
        lot::{self, Opening, card_tests},
    },
};

/// Fibre cards and a procedure without runs.
fn rig(ports: u32, spares: usize) -> BenchRig {
    let mut rig = BenchRig { name: "exchanges".into(), ..builtin("bench-fibre").unwrap() };
    rig.cards.truncate(1);
    rig.model.ports = ports;
    rig.plugs.iter_mut().for_each(|plug| plug.faults.clear());
    rig.transceivers = (1..=spares).map(|n| TransceiverSpec { label: format!("T-{n}"), faults: vec![] }).collect();
    rig
}

/// What came of a card.
struct Came {
    test: CardTest,
    /// What was asked, with its cautions.
    asked: Vec<(String, Vec<Caution>)>,
    /// What was set aside.
    aside: Vec<String>,
    /// Labels of the tests of the reference card.
    references: Vec<String>,
}

fn tested(rig: &BenchRig) -> Came {
    tested_with(rig, "[links]\nrounds = 3\n[transceiver]\n[load]\n")
}

fn tested_with(rig: &BenchRig, tests: &str) -> Came {
    let mut archive = Memory::default();
    let text = format!("name = 'short'\nmay_lack = ['ports']\n{tests}");
    let opening = Opening {
        label: "quay".into(),
        source: String::new(),
        claim: rig.claim.clone(),
        quantity: 1,
        procedure: Procedure::parse(&text).unwrap(),
        sampling: None,
    };
    let lot = lot::open(&mut archive, opening).unwrap();
    let mut bench = SimulatedBench::new(rig.clone(), 1);
    let mut runner = BenchRunner::new(lot, &mut archive, &mut bench, "sim".into(), Cancel::default()).unwrap();
    let (mut asked, mut aside) = (Vec::new(), Vec::new());
    let mut ask = |request: Request<'_>| {
        asked.push((request.hands.hands.clone(), request.hands.cautions.clone()));
        assert!(asked.len() < 40, "it never ends: {asked:#?}");
        Ok(Wish::Go)
    };
    runner
        .test(&[], &mut ask, &mut |event| {
            if let BenchEvent::SetAside { aside: set, .. } = event {
                aside.push(set.thing);
            }
        })
        .unwrap();
    let all = runner.all_tests().unwrap();
    let mut references: Vec<_> = all.iter().filter(|test| test.is_reference).map(|test| test.label.clone()).collect();
    references.sort();
    Came { test: card_tests(&archive, "quay").unwrap().remove(0), asked, aside, references }
}

/// One thing that is bad.
#[derive(Clone, Debug)]
enum Bad {
    Card(CardFault),
    Own(u32, TransceiverFault),
    Spare(TransceiverFault),
    Plug(usize, PlugFault),
}

fn with(mut rig: BenchRig, all: &[Bad]) -> BenchRig {
    for bad in all.iter().cloned() {
        match bad {
            Bad::Card(fault) => rig.cards[0].faults.push(fault),
            Bad::Own(port, fault) => rig.cards[0].transceivers.push(OwnTransceiver { port, faults: vec![fault] }),
            Bad::Spare(fault) => rig.transceivers[0].faults.push(fault),
            Bad::Plug(at, fault) => rig.plugs[at].faults.push(fault),
        }
    }
    rig
}

/// Truth against grade for every fault and every pair of faults.
#[test]
fn no_card_is_blamed_for_a_transceiver_or_a_loop_and_no_bad_one_passes() {
    let errors = Ratio(1e-5);
    let weak = TransceiverFault::WeakTransceiver { sent_dbm: -12.5 };
    for ports in [1, 2] {
        let mut faults = vec![
            Bad::Card(CardFault::WeakTransmitter { port: 1, sent_dbm: -13.0 }),
            Bad::Card(CardFault::DeadPort { port: 1 }),
            Bad::Card(CardFault::BitErrors { port: ports, ratio: errors }),
            Bad::Own(1, weak.clone()),
            Bad::Own(1, TransceiverFault::DeadTransceiver),
            Bad::Own(1, TransceiverFault::DimReceiver { db: 7.0 }),
            Bad::Own(1, TransceiverFault::TransceiverErrors { ratio: errors }),
            Bad::Spare(TransceiverFault::DeadTransceiver),
            Bad::Spare(weak.clone()),
            Bad::Plug(0, PlugFault::Open),
            Bad::Plug(0, PlugFault::Lossy { db: 7.0 }),
            Bad::Plug(1, PlugFault::BitErrors { ratio: errors }),
            Bad::Plug(2, PlugFault::Open),
        ];
        if ports == 2 {
            faults.push(Bad::Own(2, weak.clone()));
            faults.push(Bad::Card(CardFault::WeakTransmitter { port: 2, sent_dbm: -13.0 }));
        }
        for (at, first) in faults.iter().enumerate() {
            for second in &faults[at..] {
                let all =
                    if std::ptr::eq(first, second) { vec![first.clone()] } else { vec![first.clone(), second.clone()] };
                let came = tested(&with(rig(ports, 2), &all));
                let is_bad = all.iter().any(|bad| matches!(bad, Bad::Card(_)));
                let grade = came.test.grade;
                let said = || format!("{ports} ports, {all:?}: {grade:?}: {}, {:#?}", came.test.why(), came.asked);
                match is_bad {
                    true => assert!(matches!(grade, Grade::Limited | Grade::Rejected), "{}", said()),
                    false => assert_eq!(grade, Grade::Accepted, "{}", said()),
                }
                // No healthy thing is set aside.
                let named = came.aside.iter().all(|thing| match thing.as_str() {
                    "transceiver HB-0001-T1" => all.iter().any(|bad| matches!(bad, Bad::Own(1, _))),
                    "transceiver HB-0001-T2" => all.iter().any(|bad| matches!(bad, Bad::Own(2, _))),
                    "transceiver T-1" => all.iter().any(|bad| matches!(bad, Bad::Spare(_))),
                    "plug P-1" => all.iter().any(|bad| matches!(bad, Bad::Plug(0, _))),
                    "plug P-2" => all.iter().any(|bad| matches!(bad, Bad::Plug(1, _))),
                    "plug P-3" => all.iter().any(|bad| matches!(bad, Bad::Plug(2, _))),
                    _ => false,
                });
                assert!(named, "{:?} for {}", came.aside, said());
            }
        }
    }
}

#[test]
fn a_weak_transceiver_is_set_aside_and_its_card_judged_with_another() {
    let weak = Bad::Own(1, TransceiverFault::WeakTransceiver { sent_dbm: -12.5 });
    // It moves between two ports: the reference card need not be asked.
    let came = tested(&with(rig(2, 1), std::slice::from_ref(&weak)));
    assert_eq!((came.test.grade, came.aside.as_slice()), (Grade::Accepted, &["transceiver HB-0001-T1".to_owned()][..]));
    assert_eq!(came.references, [REFERENCE_LABEL]);
    let label = |label: &str| Some(label.to_owned());
    assert_eq!(came.test.transceivers, [label("HB-0001-T2"), label("T-1")]);
    let said = serde_json::to_string(&came.test.verdict).unwrap();
    assert!(said.contains("transceiver HB-0001-T1 at fault"), "{said}");
    // With one port, and no spare one: those of the reference card serve to tell.
    let came = tested(&with(rig(1, 0), std::slice::from_ref(&weak)));
    assert_eq!((came.test.grade, came.aside.as_slice()), (Grade::Accepted, &["transceiver HB-0001-T1".to_owned()][..]));
    assert_eq!(came.references, [REFERENCE_LABEL, "reference with HB-0001-T1"]);
    // Where none can be taken out, it is the card's, and nobody is asked to.
    let came = tested_with(&with(rig(2, 1), &[weak]), "[transceiver]\nremovable = false\n");
    assert_eq!((came.test.grade, came.aside.len()), (Grade::Limited, 0));
    assert!(came.asked.iter().all(|(act, _)| !act.contains("transceiver")), "{:#?}", came.asked);
}

#[test]
fn whoever_pulls_a_transceiver_or_a_loop_is_warned_of_the_light() {
    let all = [
        Bad::Own(1, TransceiverFault::DeadTransceiver),
        Bad::Spare(TransceiverFault::DeadTransceiver),
        Bad::Plug(0, PlugFault::Lossy { db: 7.0 }),
        Bad::Plug(2, PlugFault::Open),
    ];
    for ports in [1, 2] {
        let came = tested(&with(rig(ports, 2), &all));
        assert!(came.asked.iter().any(|(act, _)| act.contains("transceiver")), "{:#?}", came.asked);
        for (act, cautions) in &came.asked {
            assert!(cautions.contains(&Caution::LaserLight), "{act}");
            let is_bare = act.contains("transceiver");
            assert!(!is_bare || cautions.contains(&Caution::StaticDischarge), "{act}");
        }
    }
}
