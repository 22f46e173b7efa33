//! What was proved so far, for the progress shown and for a run that ends when the limit is proved or refuted.

use turnback_core::{
    judge::{Outcome, ratio::Limit},
    stats::bits::bit_ratio,
};

/// Whether a run that ends by what it has counted may end: the whole evidence passes, or something is at fault. Trials
/// alone do not pass a line that loses probes, and those of one burst do not fail it.
pub(super) fn is_decided(outcome: Outcome) -> bool {
    matches!(outcome, Outcome::Pass | Outcome::Fault)
}

/// The bit error ratio proved at this moment by `failed` of `tried` units of `bits` bits, however often one looks, and
/// the bits that must still pass without error to prove the limit.
pub(super) fn proved_so_far(limit: &Limit, failed: u64, tried: u64, bits: f64) -> (Option<f64>, Option<f64>) {
    let proved = limit.proved_at_all_times(failed, tried).and_then(|ratio| bit_ratio(ratio, bits).ok());
    let missing = limit.units_needed(failed, tried, bits).map(|units| units as f64 * bits);
    (proved, missing.filter(|bits| *bits > 0.0))
}

#[cfg(test)]
mod tests {
    use turnback_core::stats::looks::Looks;

    use super::*;

    #[test]
    fn only_a_pass_or_a_fault_ends_a_proof() {
        for (outcome, ends) in
            [(Outcome::Pass, true), (Outcome::Fault, true), (Outcome::Undecided, false), (Outcome::NotTested, false)]
        {
            assert_eq!(is_decided(outcome), ends, "{outcome:?}");
        }
    }

    /// Without errors the whole doubt but a quarter is spent: `-ln(0.05 * 3/4)` by the bits, and `-ln(0.05)` for a look
    /// at the end (closed form).
    #[test]
    fn what_is_shown_meanwhile_holds_at_every_moment() {
        let limit = Limit { bit_error_ratio: 1e-9, confidence: 0.95, looks: Looks::Once };
        let near = |value: Option<f64>, expected: f64| (value.unwrap() / expected - 1.0).abs() < 1e-6;
        let (proved, missing) = proved_so_far(&limit, 0, 1_000_000_000, 1.0);
        assert!(near(proved, 3.283_414_345e-9), "{proved:?}");
        assert!(near(missing, 2.995_732_274e9 - 1e9), "{missing:?}");
        // A million frames of 1000 bits are as many bits.
        let (proved, missing) = proved_so_far(&limit, 0, 1_000_000, 1000.0);
        assert!(
            near(proved, 3.283_414_345e-9) && (missing.unwrap() / 1.996e9 - 1.0).abs() < 1e-3,
            "{proved:?} {missing:?}"
        );
        assert_eq!(proved_so_far(&limit, 0, 0, 1.0).0, None);
        assert_eq!(proved_so_far(&limit, 0, 3_000_000_000, 1.0).1, None);
    }
}
