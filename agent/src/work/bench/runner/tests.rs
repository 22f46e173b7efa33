//! What is tried with the reference card.

use turnback_core::bench::sim::{SimulatedBench, builtin};

use super::*;
use crate::archive::memory::Memory;

/// Whoever is asked to fit one plug has fitted one: what an empty port beside it fails is put on no other plug.
#[test]
fn a_plug_is_tried_alone_in_the_reference_card() {
    let rig = builtin("bench").unwrap();
    let mut archive = Memory::default();
    let lot = lot::of_bench(&mut archive, Some(&rig), None).unwrap();
    let seed = rig.seed.into();
    let mut bench = SimulatedBench::new(rig, seed);
    let mut runner = BenchRunner::new(lot, &mut archive, &mut bench, "sim:bench".into(), Cancel::default()).unwrap();
    // P-1 would be the first choice for the other port, and is good.
    let step = Step::ProvePlug { test: TestName::Links, plug: "P-3".into() };
    assert!(runner.prove_thing(&step, &mut |_| {}).unwrap());
    let tests = runner.all_tests().unwrap();
    let [test] = &tests[..] else { panic!("{tests:?}") };
    assert_eq!(test.attempts[0].plugs, [Some("P-3".to_owned()), None]);
    let uses: Vec<(String, bool)> = test.uses().into_iter().map(|use_| (use_.thing, use_.passed)).collect();
    assert_eq!(uses, [("P-3".to_owned(), true)]);
}
