//! Reads the result of a cable test as a technician does.
//!
//! A pulse is reflected where a pair ends. Without a plug every whole pair therefore reads open at the same distance:
//! the far end, or a clean cut through all pairs, which looks the same. A pair that ends nearer than the others, or
//! whose wires touch, has a fault there. Noise, bit errors and loose contacts reflect nothing, so the test cannot show
//! that a cable is good. Common practice, no source.

use super::{CableTest, PairResult, PairStatus};

/// What a cable test says.
#[derive(Clone, Debug, PartialEq)]
pub enum Reading {
    /// These pairs end or touch where the others do not.
    Broken(Vec<PairResult>),
    /// All pairs alike: they end at this distance, where it was told.
    Alike(Option<f64>),
    /// Nothing can be read from it: noise, or a plug left on.
    Unclear,
}

/// Reads a cable test made with the plug off.
pub fn read(test: &CableTest) -> Reading {
    use PairStatus::{ImpedanceMismatch, Ok, Open, ShortToOtherPair, ShortWithinPair};
    let with = |wanted: &[PairStatus]| -> Vec<PairResult> {
        test.pairs.iter().filter(|p| wanted.contains(&p.status)).copied().collect()
    };
    let (ok, open, crossed) = (with(&[Ok]), with(&[Open]), with(&[ShortToOtherPair]));
    let mut broken = with(&[ShortWithinPair, ImpedanceMismatch]);
    let end = open.iter().chain(&crossed).filter_map(|p| p.fault_distance_m).max_by(f64::total_cmp);
    let at_end = |p: &PairResult| match (p.fault_distance_m, end) {
        (Some(here), Some(end)) => here + STEP_M >= end,
        _ => true,
    };
    // A plug joins pairs at the far end.
    if broken.is_empty() && crossed.len() >= 2 && crossed.iter().all(at_end) {
        return Reading::Unclear;
    }
    broken.extend(&crossed);
    broken.extend(open.iter().filter(|p| !ok.is_empty() || !at_end(p)));
    broken.sort_by_key(|p| p.pair);
    match (broken.is_empty(), ok.len() + open.len() == test.pairs.len()) {
        (false, _) => Reading::Broken(broken),
        (true, true) if !test.pairs.is_empty() => Reading::Alike(end),
        (true, _) => Reading::Unclear,
    }
}

/// Distances closer than this are one: transceivers measure in steps of about a metre (from memory). Our own choice.
const STEP_M: f64 = 3.0;

#[cfg(test)]
mod tests {
    use super::super::Pair;
    use super::*;
    use PairStatus::*;

    fn test(pairs: [(PairStatus, Option<f64>); 4]) -> CableTest {
        let letters = [Pair::A, Pair::B, Pair::C, Pair::D];
        let made = letters.into_iter().zip(pairs);
        CableTest {
            pairs: made
                .map(|(pair, (status, fault_distance_m))| PairResult { pair, status, fault_distance_m })
                .collect(),
        }
    }

    /// Common practice, no source.
    #[test]
    fn an_open_end_is_no_fault_and_a_nearer_one_is() {
        let end = (Open, Some(65.0));
        assert_eq!(read(&test([end, (Open, Some(64.2)), end, end])), Reading::Alike(Some(65.0)));
        let Reading::Broken(pairs) = read(&test([end, end, end, (Open, Some(36.0))])) else { panic!() };
        assert_eq!(pairs.iter().map(|p| p.pair).collect::<Vec<_>>(), [Pair::D]);
        let Reading::Broken(pairs) = read(&test([(ShortWithinPair, Some(12.0)), end, end, end])) else { panic!() };
        assert_eq!((pairs.len(), pairs[0].pair), (1, Pair::A));
        assert!(matches!(read(&test([(Ok, None), (Ok, None), (Ok, None), (Open, Some(9.0))])), Reading::Broken(_)));
    }

    #[test]
    fn a_plug_left_on_and_noise_say_nothing() {
        let (joined, end) = ((ShortToOtherPair, Some(65.0)), (Open, Some(65.0)));
        assert_eq!(read(&test([joined, joined, end, end])), Reading::Unclear);
        assert_eq!(read(&test([joined; 4])), Reading::Unclear);
        assert_eq!(read(&test([end, end, end, (Noisy, None)])), Reading::Unclear);
        assert_eq!(read(&CableTest::default()), Reading::Unclear);
    }
}
