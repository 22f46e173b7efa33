//! An error ratio with exact bounds: what `errors` in `trials` proves about the true ratio.
//!
//! The bounds are those of Clopper and Pearson (Biometrika 26 (1934), pp. 404-413): the ratios at which the binomial
//! tail beyond the observed count has just the doubt left over. They never claim more than their confidence, at any
//! count. They assume independent errors: damage in bursts makes them too narrow, so count bursts or damaged frames,
//! not bits, when errors cluster (see [`super::bits`] for the way back to bits). Where the counts are looked at more
//! than once, each bound spends a part of the doubt only, so that all of them hold together: see [`super::looks`].

use serde::{Deserialize, Serialize};

use super::beta::{Beta, Side};
use super::looks::Looks;
use super::{StatsError, check_counts, doubt};

/// An error ratio and what is known about it. All ratios are fractions in `0..=1`.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Bounds {
    /// Confidence of each statement below, `0 < c < 1`.
    pub confidence: f64,
    /// Errors divided by trials.
    pub estimate: f64,
    /// Lower end of the two-sided interval.
    pub lower: f64,
    /// Upper end of the two-sided interval.
    pub upper: f64,
    /// One-sided upper bound: the ratio is proved to be at or below this.
    pub better_than: f64,
    /// One-sided lower bound: the ratio is proved to be at or above this.
    pub worse_than: f64,
}

impl Bounds {
    /// Bounds from counts: the two-sided interval spends half of the doubt on either side, a one-sided bound all of it.
    ///
    /// # Errors
    /// [`StatsError::NoTrials`], [`StatsError::ErrorsExceedTrials`], [`StatsError::Confidence`].
    pub fn new(errors: u64, trials: u64, confidence: f64, looks: Looks) -> Result<Self, StatsError> {
        doubt(confidence)?;
        check_counts(errors, trials)?;
        let upper = |part: f64| upper_at(errors, trials, Tail::new(confidence, part * looks.upper_part(errors)));
        let lower = |part: f64| lower_at(errors, trials, Tail::new(confidence, part * looks.lower_part(errors)));
        Ok(Self {
            confidence,
            estimate: errors as f64 / trials as f64,
            lower: lower(0.5),
            upper: upper(0.5),
            better_than: upper(1.0),
            worse_than: lower(1.0),
        })
    }

    /// The same bounds for a quantity that rises with this ratio, for example bits from frames.
    #[must_use]
    pub fn map(self, rising: impl Fn(f64) -> f64) -> Self {
        Self {
            confidence: self.confidence,
            estimate: rising(self.estimate),
            lower: rising(self.lower),
            upper: rising(self.upper),
            better_than: rising(self.better_than),
            worse_than: rising(self.worse_than),
        }
    }
}

/// One-sided Clopper-Pearson upper bound on an error ratio: the "proved better than" figure, a fraction in `0..=1`.
///
/// Without errors it is `1 - (1 - c)^(1/n)`, computed as `-exp_m1(ln_1p(-c) / n)` because the plain form keeps only
/// four digits at 1e12 trials. With every trial an error it is 1.
///
/// # Errors
/// As [`Bounds::new`].
pub fn upper_bound(errors: u64, trials: u64, confidence: f64, looks: Looks) -> Result<f64, StatsError> {
    doubt(confidence)?;
    check_counts(errors, trials)?;
    Ok(upper_at(errors, trials, Tail::new(confidence, looks.upper_part(errors))))
}

/// One-sided Clopper-Pearson lower bound on an error ratio: the "proved worse than" figure, a fraction in `0..=1`.
///
/// Without errors it is 0; with every trial an error it is `(1 - c)^(1/n)`.
///
/// # Errors
/// As [`Bounds::new`].
pub fn lower_bound(errors: u64, trials: u64, confidence: f64, looks: Looks) -> Result<f64, StatsError> {
    doubt(confidence)?;
    check_counts(errors, trials)?;
    Ok(lower_at(errors, trials, Tail::new(confidence, looks.lower_part(errors))))
}

/// A probability to cut off and what remains; both are kept because either may be too near 1 to hold the other.
#[derive(Clone, Copy)]
struct Tail {
    cut: f64,
    rest: f64,
}

impl Tail {
    /// A part, `0..=1`, of the doubt that a confidence between 0 and 1 leaves.
    fn new(confidence: f64, part: f64) -> Self {
        Self { cut: part * (1.0 - confidence), rest: (1.0 - part) + part * confidence }
    }

    fn ln_cut(self) -> f64 {
        if self.cut < 0.5 { self.cut.ln() } else { (-self.rest).ln_1p() }
    }

    /// The ratio beyond which `beta` leaves the cut on the given side.
    fn ratio(self, beta: Beta, trials: u64, side: Side) -> f64 {
        let expected = match side {
            _ if self.cut <= 0.5 => beta.quantile(self.cut, side),
            Side::Lower => beta.quantile(self.rest, Side::Upper),
            Side::Upper => beta.quantile(self.rest, Side::Lower),
        };
        expected / (trials as f64 + 1.0)
    }
}

/// The ratio `x` at which `P(X <= errors | trials, x)` is the tail, that is the upper tail of Beta(errors + 1, trials -
/// errors).
fn upper_at(errors: u64, trials: u64, tail: Tail) -> f64 {
    match trials - errors {
        0 => 1.0,
        _ if errors == 0 => -(tail.ln_cut() / trials as f64).exp_m1(),
        misses if misses < errors => 1.0 - lower_at(misses, trials, tail),
        misses => tail.ratio(Beta::new(errors as f64 + 1.0, misses as f64), trials, Side::Upper),
    }
}

/// The ratio `x` at which `P(X >= errors | trials, x)` is the tail, that is the lower tail of Beta(errors, trials -
/// errors + 1).
fn lower_at(errors: u64, trials: u64, tail: Tail) -> f64 {
    match trials - errors {
        _ if errors == 0 || tail.cut == 0.0 => 0.0,
        0 => (tail.ln_cut() / trials as f64).exp(),
        misses if misses < errors => 1.0 - upper_at(misses, trials, tail),
        misses => tail.ratio(Beta::new(errors as f64, misses as f64 + 1.0), trials, Side::Lower),
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;
    use crate::base::rng::Rng;
    use crate::stats::reference;

    fn close(got: f64, want: f64, relative: f64, what: &str) {
        assert!((got - want).abs() <= relative * want.abs(), "{what}: got {got:e}, want {want:e}");
    }

    /// Every row of the reference file (source in the file), which gives 15 digits.
    #[test]
    fn bounds_equal_the_solved_reference_rows() {
        let rows = reference::rows("bounds");
        assert!(rows.len() >= 50);
        for row in rows {
            let number = |name: &str| row[name].as_f64().unwrap();
            let (errors, bits) = (row["errors"].as_u64().unwrap(), row["bits"].as_u64().unwrap());
            let bounds = Bounds::new(errors, bits, number("confidence"), Looks::Once).unwrap();
            let what = row.to_string();
            // The nearest double to a confidence near 1 shifts the doubt by up to half of its last bit.
            let relative = 1e-12 + f64::EPSILON / (1.0 - number("confidence"));
            close(bounds.lower, number("cp_two_sided_lower"), relative, &what);
            close(bounds.upper, number("cp_two_sided_upper"), relative, &what);
            close(bounds.worse_than, number("cp_one_sided_lower"), relative, &what);
            close(bounds.better_than, number("cp_one_sided_upper"), relative, &what);
        }
    }

    /// At 1e18 trials the binomial is a Poisson to 1e-17, whose factors the reference file gives to 15 digits.
    #[test]
    fn few_errors_in_a_great_many_trials_follow_the_poisson_factors() {
        for row in reference::rows("poisson_upper_mean_by_errors") {
            for (name, confidence) in [("cl_0.9", 0.9), ("cl_0.95", 0.95), ("cl_0.99", 0.99)] {
                let got =
                    upper_bound(row["errors"].as_u64().unwrap(), 1_000_000_000_000_000_000, confidence, Looks::Once)
                        .unwrap();
                close(got * 1e18, row[name].as_f64().unwrap(), 1e-12, name);
            }
        }
    }

    /// One error in two trials: `P(X <= 1) = 1 - x^2` and `P(X >= 1) = 1 - (1 - x)^2` solve in closed form.
    #[test]
    fn one_error_in_two_trials_has_a_closed_form() {
        for confidence in [1e-12_f64, 0.01, 0.3, 0.5, 0.6, 0.95, 0.999_999_999] {
            let upper = f64::sqrt(confidence);
            let lower = 1.0 - upper;
            close(upper_bound(1, 2, confidence, Looks::Once).unwrap(), upper, 1e-12, "upper");
            assert!((lower_bound(1, 2, confidence, Looks::Once).unwrap() - lower).abs() < 1e-15, "lower {confidence}");
        }
    }

    /// At 5e17 of 1e18 the interval is normal: half width `z / (2 sqrt(n))`, z = 1.959964 (tables of the normal
    /// distribution).
    #[test]
    fn half_of_a_great_many_trials_is_a_normal_interval() {
        let bounds = Bounds::new(500_000_000_000_000_000, 1_000_000_000_000_000_000, 0.95, Looks::Once).unwrap();
        close((bounds.upper - 0.5) * 2e9, 1.959_964, 1e-5, "upper");
        close((0.5 - bounds.lower) * 2e9, 1.959_964, 1e-5, "lower");
    }

    #[test]
    fn no_error_and_nothing_but_errors_mirror_each_other() {
        for trials in [1, 2, 10, 1_000_000, 1_000_000_000_000_000_000, u64::MAX] {
            let (none, all) = (
                Bounds::new(0, trials, 0.95, Looks::Once).unwrap(),
                Bounds::new(trials, trials, 0.95, Looks::Once).unwrap(),
            );
            assert_eq!((none.estimate, none.lower, none.worse_than), (0.0, 0.0, 0.0));
            assert_eq!((all.estimate, all.upper, all.better_than), (1.0, 1.0, 1.0));
            assert!((1.0 - all.lower - none.upper).abs() < 1e-15);
            // 1 - (1-c)^(1/n), by the power series of the logarithm where the plain form has no digits left.
            let plain = 1.0 - 0.05_f64.powf(1.0 / trials as f64);
            let series = 20.0_f64.ln() / trials as f64;
            close(none.better_than, if trials < 100 { plain } else { series }, 2e-6, "zero errors");
        }
    }

    #[test]
    fn what_is_no_measurement_is_refused() {
        assert_eq!(Bounds::new(0, 0, 0.95, Looks::Once), Err(StatsError::NoTrials));
        assert_eq!(Bounds::new(1, 0, 0.95, Looks::Once), Err(StatsError::ErrorsExceedTrials { errors: 1, trials: 0 }));
        assert_eq!(upper_bound(6, 5, 0.95, Looks::Once), Err(StatsError::ErrorsExceedTrials { errors: 6, trials: 5 }));
        for confidence in [0.0, 1.0, -0.1, 1.5, f64::INFINITY] {
            assert_eq!(lower_bound(1, 5, confidence, Looks::Once), Err(StatsError::Confidence(confidence)));
        }
        assert!(matches!(Bounds::new(1, 5, f64::NAN, Looks::Once), Err(StatsError::Confidence(_))));
    }

    /// The interval must hold the truth at least as often as it says: that is what "exact" means.
    #[test]
    fn the_interval_covers_the_truth_as_often_as_it_says() {
        let mut rng = Rng::new(20);
        let mut uniform = move || rng.fraction();
        for (ratio, trials) in [(0.5, 40_u64), (0.1, 100), (0.01, 500), (0.002, 1000), (0.9, 60), (0.0005, 2000)] {
            let (draws, mut inside, mut below, mut above) = (2000, 0, 0, 0);
            for _ in 0..draws {
                let errors = (0..trials).filter(|_| uniform() < ratio).count() as u64;
                let bounds = Bounds::new(errors, trials, 0.95, Looks::Once).unwrap();
                inside += u32::from(bounds.lower <= ratio && ratio <= bounds.upper);
                below += u32::from(ratio <= bounds.better_than);
                above += u32::from(ratio >= bounds.worse_than);
            }
            // 95 % of 2,000 is 1,900; three standard deviations of that count are 29.
            for covered in [inside, below, above] {
                assert!(covered >= 1871, "{covered} of {draws} at ratio {ratio} in {trials}");
            }
        }
    }

    fn counts() -> impl Strategy<Value = (u64, u64)> {
        (0.0..18.0_f64).prop_flat_map(|magnitude| {
            let trials = 10_f64.powf(magnitude) as u64;
            (prop_oneof![0..=trials, 0..=trials.min(3000)], Just(trials))
        })
    }

    proptest! {
        #[test]
        fn bounds_bracket_the_estimate((errors, trials) in counts(), confidence in 0.5..0.999_999_f64) {
            let b = Bounds::new(errors, trials, confidence, Looks::Once).unwrap();
            prop_assert!(0.0 <= b.lower && b.lower <= b.worse_than && b.worse_than <= b.estimate, "{b:?}");
            prop_assert!(b.estimate <= b.better_than && b.better_than <= b.upper && b.upper <= 1.0, "{b:?}");
        }

        #[test]
        fn bounds_rise_with_errors_and_tighten_with_trials(
            (errors, trials) in counts(),
            confidence in 0.001..0.999_f64,
        ) {
            let here = Bounds::new(errors, trials, confidence, Looks::Once).unwrap();
            if errors < trials {
                let more = Bounds::new(errors + 1, trials, confidence, Looks::Once).unwrap();
                // Beyond 2^53 one more error is less than the last bit of a double, which may fall either way.
                let up_to_rounding = |x: f64, y: f64| x <= y * (1.0 + 4.0 * f64::EPSILON);
                prop_assert!(up_to_rounding(here.upper, more.upper), "{here:?} {more:?}");
                prop_assert!(up_to_rounding(here.lower, more.lower), "{here:?} {more:?}");
            }
            let longer = Bounds::new(errors, trials * 2, confidence, Looks::Once).unwrap();
            prop_assert!(longer.better_than < here.better_than || errors == trials, "{here:?} {longer:?}");
        }
    }
}
