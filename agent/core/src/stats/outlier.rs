//! Which of several equals behaves unlike the others: one card of a lot, one port of a switch, one run of many.
//!
//! The measure is the modified z-score `0.6745 (x - median) / MAD`, MAD being the median of the distances from the median; beyond 3.5 a
//! sample is an outlier. Up to half of the samples may be bad without hiding one another. Source: Iglewicz and Hoaglin, "How to
//! Detect and Handle Outliers" (1993), section 3.4 (from memory).
//!
//! When more than half of the samples are equal the MAD is zero; then the mean distance takes its place, scaled by
//! `sqrt(pi / 2)`, the ratio of standard deviation to mean distance of a normal distribution. Differences finer than the
//! instrument can resolve are no differences: both measures have the resolution as their floor.

use super::StatsError;
use super::latency::median;

/// A sample unlike the others.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Outlier {
    /// Position in the samples given.
    pub index: usize,
    /// Modified z-score: negative below the median, positive above, beyond [`OUTLIER_SCORE`] either way.
    pub score: f64,
}

/// The outliers among `samples`, in their order; `resolution` (0 or more, in the unit of the samples) is the smallest
/// difference that means anything.
///
/// None, one or two samples have no outlier: nobody is the odd one out of two.
///
/// # Errors
/// [`StatsError::Sample`] for the first sample that is not finite.
pub fn outliers(samples: &[f64], resolution: f64) -> Result<Vec<Outlier>, StatsError> {
    if let Some((index, &value)) = samples.iter().enumerate().find(|(_, value)| !value.is_finite()) {
        return Err(StatsError::Sample { index, value });
    }
    let Some(centre) = median(samples).filter(|_| samples.len() > 2) else {
        return Ok(Vec::new());
    };
    let distances: Vec<f64> = samples.iter().map(|x| (x - centre).abs()).collect();
    let typical = median(&distances).unwrap_or(0.0);
    let spread = if typical > 0.0 {
        typical / NORMAL_QUARTILE
    } else {
        // Summed in parts of the count, so that huge samples cannot overflow.
        let mean: f64 = distances.iter().map(|d| d / samples.len() as f64).sum();
        mean * std::f64::consts::FRAC_PI_2.sqrt()
    };
    let spread = spread.max(resolution);
    if spread.is_nan() || spread <= 0.0 {
        return Ok(Vec::new());
    }
    let scored = samples.iter().enumerate().map(|(index, x)| Outlier { index, score: (x - centre) / spread });
    Ok(scored.filter(|o| o.score.abs() > OUTLIER_SCORE).collect())
}

/// Beyond this modified z-score a sample is an outlier (Iglewicz and Hoaglin, from memory).
pub const OUTLIER_SCORE: f64 = 3.5;

/// The upper quartile of the standard normal distribution, which the MAD of normal samples estimates.
const NORMAL_QUARTILE: f64 = 0.674_489_750_196_081_7;

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    fn indices(samples: &[f64], resolution: f64) -> Vec<usize> {
        outliers(samples, resolution).unwrap().iter().map(|o| o.index).collect()
    }

    #[test]
    fn degenerate_samples_have_no_outlier() {
        for samples in [&[][..], &[5.0], &[5.0, 500.0], &[5.0; 3], &[0.0; 10], &[f64::MAX, f64::MAX, f64::MAX]] {
            assert_eq!(indices(samples, 0.0), Vec::<usize>::new(), "{samples:?}");
        }
    }

    /// MAD zero: distances sum to 9 over ten samples, so the spread is 0.9 sqrt(pi/2) = 1.128 and the score 9 / 1.128 = 7.98.
    #[test]
    fn one_odd_sample_among_equals_is_found_on_either_side() {
        for (odd, sign) in [(10.0, 1.0), (-8.0, -1.0)] {
            let mut samples = [1.0; 10];
            samples[7] = odd;
            let found = outliers(&samples, 0.0).unwrap();
            assert_eq!(found.len(), 1);
            assert_eq!(found[0].index, 7);
            assert!((found[0].score - sign * 7.9788).abs() < 1e-3, "{found:?}");
        }
    }

    /// Median 10; the distances 0 1 1 2 2 0 90 have the median 1: the score of 100 is 0.67449 * 90.
    #[test]
    fn the_score_is_the_one_defined() {
        let found = outliers(&[10.0, 9.0, 11.0, 8.0, 12.0, 10.0, 100.0], 0.0).unwrap();
        assert_eq!(found.len(), 1);
        assert!((found[0].score - 0.674_489_75 * 90.0).abs() < 1e-5, "{found:?}");
    }

    #[test]
    fn differences_below_the_resolution_are_none() {
        let mut samples = [100.0; 10];
        samples[3] = 101.0;
        assert_eq!(indices(&samples, 0.0), [3]);
        assert_eq!(indices(&samples, 1.0), Vec::<usize>::new());
    }

    #[test]
    fn samples_that_are_no_numbers_are_refused() {
        assert_eq!(outliers(&[1.0, f64::INFINITY], 0.0), Err(StatsError::Sample { index: 1, value: f64::INFINITY }));
        assert!(matches!(outliers(&[f64::NAN], 0.0), Err(StatsError::Sample { index: 0, .. })));
    }

    proptest! {
        #[test]
        fn a_far_sample_is_found_and_a_healthy_one_is_not(mut samples in prop::collection::vec(90.0..110.0_f64, 8..40)) {
            // Values within their own spread of 20 around a median: the bulk is never flagged as a whole.
            let found = indices(&samples, 20.0);
            prop_assert!(found.is_empty());
            samples.push(10_000.0);
            prop_assert_eq!(indices(&samples, 20.0), vec![samples.len() - 1]);
        }

        #[test]
        fn shift_and_scale_change_nothing(samples in prop::collection::vec(-1000_i32..1000, 0..30), shift in -500_i32..500) {
            let plain: Vec<f64> = samples.iter().map(|&x| f64::from(x)).collect();
            let moved: Vec<f64> = plain.iter().map(|x| 4.0 * (x + f64::from(shift))).collect();
            prop_assert_eq!(indices(&plain, 0.0), indices(&moved, 0.0));
        }
    }
}
