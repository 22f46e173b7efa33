//! Do two groups differ in the share of odd members beyond chance? The exact test on a two by two table.
//!
//! Given both row sums and both column sums, the number of odd members in the first group is hypergeometric when the
//! groups do not differ. Source: R. A. Fisher, The Design of Experiments (1935), chapter II.

use super::{StatsError, check_counts};

/// Probability that chance alone puts `odd_a` or more of all the odd members into group `a`: small means that group `a`
/// has the higher share. Each group is `(odd, members)`.
///
/// # Errors
/// [`StatsError::NoTrials`] or [`StatsError::ErrorsExceedTrials`] for either group.
pub fn p_a_higher((odd_a, a): (u64, u64), (odd_b, b): (u64, u64)) -> Result<f64, StatsError> {
    check_counts(odd_a, a)?;
    check_counts(odd_b, b)?;
    let odd = odd_a + odd_b;
    let all = ln_choose(a + b, odd);
    let terms = (odd_a..=odd.min(a)).filter(|k| odd - k <= b);
    Ok(terms.map(|k| (ln_choose(a, k) + ln_choose(b, odd - k) - all).exp()).sum::<f64>().min(1.0))
}

/// Logarithm of the number of ways to choose `k` of `n`. Groups are seconds of runs: a few thousand at most.
pub(super) fn ln_choose(n: u64, k: u64) -> f64 {
    let k = k.min(n - k);
    (0..k).map(|i| ((n - i) as f64).ln() - ((k - i) as f64).ln()).sum()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn close(got: f64, want: f64) {
        assert!((got - want).abs() <= 1e-12 * want, "got {got:e}, want {want:e}");
    }

    /// The lady who tastes which of eight cups had its milk first: all four right is 1 in 70, three or more 17 in 70
    /// (Fisher, The Design of Experiments, chapter II).
    #[test]
    fn the_lady_tasting_tea() {
        close(p_a_higher((4, 4), (0, 4)).unwrap(), 1.0 / 70.0);
        close(p_a_higher((3, 4), (1, 4)).unwrap(), 17.0 / 70.0);
        close(p_a_higher((0, 4), (4, 4)).unwrap(), 1.0);
    }

    /// One in C(20, 10) = 184756 (combinatorics, by hand).
    #[test]
    fn ten_of_ten_against_none_of_ten() {
        close(p_a_higher((10, 10), (0, 10)).unwrap(), 1.0 / 184_756.0);
        assert_eq!(p_a_higher((0, 10), (0, 5)), Ok(1.0));
        assert_eq!(p_a_higher((1, 0), (0, 5)), Err(StatsError::ErrorsExceedTrials { errors: 1, trials: 0 }));
        assert_eq!(p_a_higher((0, 0), (0, 5)), Err(StatsError::NoTrials));
    }
}
