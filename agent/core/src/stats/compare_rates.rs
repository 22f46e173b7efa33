//! Do two runs differ in their error rates beyond chance? An exact test on counts.
//!
//! Given the sum of two Poisson counts, the first is binomial: with equal rates every error falls to run `a` with
//! probability `bits_a / (bits_a + bits_b)`. The tails of that binomial are the p-values, exact for counts of any size
//! and zeros included. Source: Przyborowski and Wilenski, Biometrika 31 (1940), pp. 313-323.
//!
//! Errors are taken as rare (Poisson). Where the ratios are so large that this fails, the true counts scatter less than
//! assumed and the p-values err on the careful side. Bursts make counts scatter more: compare damaged frames, not bits.

use serde::{Deserialize, Serialize};

use super::beta::{ln_at_least, ln_at_most};
use super::{StatsError, check_counts, doubt};

/// What one run counted.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
pub struct ErrorCount {
    /// Errors seen.
    pub errors: u64,
    /// Bits (or frames) they were seen in; the same unit on both sides of a comparison.
    pub bits: u64,
}

/// Probabilities of a difference at least as large as the one seen, if both runs had the same error rate.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct RateComparison {
    /// That chance alone gives run `a` so many of the errors or more: small means the rate of `a` is the higher one.
    pub p_a_higher: f64,
    /// That chance alone gives run `a` so few of the errors or fewer: small means the rate of `b` is the higher one.
    pub p_b_higher: f64,
    /// Twice the smaller of the two, at most 1: small means the rates differ.
    pub p_two_sided: f64,
}

impl RateComparison {
    /// Compares two counts. Without a single error on either side nothing can differ, and every probability is 1.
    ///
    /// # Errors
    /// [`StatsError::NoTrials`] or [`StatsError::ErrorsExceedTrials`] for either count.
    pub fn new(a: ErrorCount, b: ErrorCount) -> Result<Self, StatsError> {
        check_counts(a.errors, a.bits)?;
        check_counts(b.errors, b.bits)?;
        let p_a_higher = p_at_least(a, b);
        let p_b_higher = p_at_least(b, a);
        Ok(Self { p_a_higher, p_b_higher, p_two_sided: (2.0 * p_a_higher.min(p_b_higher)).min(1.0) })
    }

    /// Whether the rates differ at this confidence, in either direction.
    ///
    /// # Errors
    /// [`StatsError::Confidence`].
    pub fn differs(&self, confidence: f64) -> Result<bool, StatsError> {
        Ok(self.p_two_sided <= doubt(confidence)?)
    }
}

/// Probability that chance gives `own` its errors or more of all errors of both.
fn p_at_least(own: ErrorCount, other: ErrorCount) -> f64 {
    let bits = own.bits as f64 + other.bits as f64;
    // A sum beyond u64, which no run reaches, is cut and not wrapped.
    let errors = own.errors.saturating_add(other.errors);
    // Seen from the side with fewer bits, so that the probability is never so near 1 that its complement is lost.
    let ln_p = if own.bits <= other.bits {
        ln_at_least(own.errors, errors, own.bits as f64 / bits)
    } else {
        ln_at_most(other.errors, errors, other.bits as f64 / bits)
    };
    ln_p.exp()
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    fn compare(a: (u64, u64), b: (u64, u64)) -> RateComparison {
        let count = |(errors, bits)| ErrorCount { errors, bits };
        RateComparison::new(count(a), count(b)).unwrap()
    }

    fn close(got: f64, want: f64, relative: f64) {
        assert!((got - want).abs() <= relative * want.abs(), "got {got:e}, want {want:e}");
    }

    /// Binomial probabilities counted by hand: coin tosses for equal bits, and a die where one side has five sixths.
    #[test]
    fn small_counts_equal_sums_of_binomial_terms() {
        let three_none = compare((3, 1000), (0, 1000));
        close(three_none.p_a_higher, 1.0 / 8.0, 1e-13);
        close(three_none.p_b_higher, 1.0, 1e-13);
        close(three_none.p_two_sided, 1.0 / 4.0, 1e-13);
        // C(12,10) + C(12,11) + C(12,12) = 66 + 12 + 1 of 4096.
        let ten_two = compare((10, 1_000_000_000_000), (2, 1_000_000_000_000));
        close(ten_two.p_a_higher, 79.0 / 4096.0, 1e-12);
        close(ten_two.p_b_higher, 1.0 - (12.0 + 1.0) / 4096.0, 1e-12);
        // Two of three errors in a sixth of the bits: 3 (1/36)(5/6) + 1/216 = 16/216.
        close(compare((2, 100), (1, 500)).p_a_higher, 16.0 / 216.0, 1e-12);
        close(compare((1, 500), (2, 100)).p_b_higher, 16.0 / 216.0, 1e-12);
    }

    #[test]
    fn no_errors_show_no_difference() {
        let none = compare((0, 10), (0, u64::MAX));
        assert_eq!((none.p_a_higher, none.p_b_higher, none.p_two_sided), (1.0, 1.0, 1.0));
        assert_eq!(none.differs(0.95), Ok(false));
    }

    /// Large counts become normal: a difference of z standard deviations has the normal tail, 0.025 at z = 1.959964.
    #[test]
    fn large_counts_follow_the_normal_distribution() {
        let (half, bits) = (500_000_000_000_000_u64, 1_000_000_000_000_000_000);
        let shift = (1.959_964 * (2.0 * half as f64).sqrt() / 2.0) as u64;
        let got = compare((half + shift, bits), (half - shift, bits));
        close(got.p_a_higher, 0.025, 1e-5);
        close(got.p_two_sided, 0.05, 1e-5);
        assert_eq!(got.differs(0.94), Ok(true));
        assert_eq!(got.differs(0.96), Ok(false));
    }

    /// All errors in the tiny share of the bits: the probability is that share to the power of the count.
    #[test]
    fn unequal_lengths_keep_their_digits() {
        let got = compare((2, 1000), (0, 1_000_000_000_000_000_000 - 1000));
        close(got.p_a_higher, 1e-30, 1e-12);
        // And none in the tiny share says nothing.
        close(compare((0, 1000), (2, 1_000_000_000_000_000_000 - 1000)).p_b_higher, 1.0, 1e-14);
        // Far beyond chance is zero to any reader, not an error.
        assert!(compare((1_000_000, 10_000_000), (10, 10_000_000)).p_two_sided < 1e-300);
    }

    #[test]
    fn what_cannot_be_compared_is_refused() {
        let good = ErrorCount { errors: 1, bits: 10 };
        assert_eq!(RateComparison::new(good, ErrorCount { errors: 0, bits: 0 }), Err(StatsError::NoTrials));
        let excess = RateComparison::new(ErrorCount { errors: 3, bits: 2 }, good);
        assert_eq!(excess, Err(StatsError::ErrorsExceedTrials { errors: 3, trials: 2 }));
        assert!(RateComparison::new(good, good).unwrap().differs(f64::NAN).is_err());
    }

    proptest! {
        #[test]
        fn exchanging_the_runs_exchanges_the_answer(
            a in 0_u64..5000, b in 0_u64..5000, bits_a in 5000_u64..1_000_000_000, bits_b in 5000_u64..1_000_000_000,
        ) {
            let (there, back) = (compare((a, bits_a), (b, bits_b)), compare((b, bits_b), (a, bits_a)));
            prop_assert_eq!(there.p_a_higher, back.p_b_higher);
            prop_assert_eq!(there.p_two_sided, back.p_two_sided);
            // Both tails hold the observed count, so together they exceed 1.
            prop_assert!(there.p_a_higher + there.p_b_higher >= 1.0 - 1e-12);
            for p in [there.p_a_higher, there.p_b_higher, there.p_two_sided] {
                prop_assert!((0.0..=1.0).contains(&p));
            }
        }

        #[test]
        fn more_errors_never_make_a_run_look_better(
            a in 0_u64..5000, b in 0_u64..5000, bits_a in 6000_u64..1_000_000_000, bits_b in 6000_u64..1_000_000_000,
        ) {
            let (few, more) = (compare((a, bits_a), (b, bits_b)), compare((a + 1, bits_a), (b, bits_b)));
            prop_assert!(more.p_a_higher <= few.p_a_higher * (1.0 + 1e-11));
        }
    }
}
