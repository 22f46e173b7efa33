//! Two sequential tests. Each takes one record after another and signals when the records no longer fit those before.
//!
//! Both are cumulative sums (Page, "Continuous inspection schemes", Biometrika 41 (1954), pp. 100-115). Evidence for
//! the worse state is added, evidence against it is subtracted, and the sum never falls below zero.

use serde::{Deserialize, Serialize};

/// Counts per exposure, such as errors per bits: Poisson, good rate against bad rate.
///
/// Each record adds its log likelihood ratio `x ln(bad/good) - (bad - good) e` (Lucas, "Counted data CUSUM's",
/// Technometrics 27 (1985), pp. 129-144). While the true rate is `good` or lower, the mean number of records between
/// false alarms is at least `exp(threshold)` (Lorden, "Procedures for reacting to a change in distribution", Annals of
/// Mathematical Statistics 42 (1971), pp. 1897-1908). Limit: counts within a record must be independent events, so
/// count damaged frames and not the bits of a burst.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct CountChart {
    sum: f64,
}

impl CountChart {
    /// Takes a record. `exposure` in the unit in which the two rates, `0 < good < bad`, are given.
    pub fn take(&mut self, count: u64, exposure: f64, good: f64, bad: f64) {
        let gain = count as f64 * (bad / good).ln() - (bad - good) * exposure;
        // Held down, so that a bad hour is over a few good records later and not a hundred.
        self.sum = (self.sum + gain).clamp(0.0, 2.0 * COUNT_THRESHOLD);
    }

    /// Whether the bad rate explains what came better, beyond the threshold.
    pub fn alarms(&self) -> bool {
        self.sum >= COUNT_THRESHOLD
    }

    /// How far the way to an alarm is gone, `0.0..=1.0`.
    pub fn share(&self) -> f64 {
        (self.sum / COUNT_THRESHOLD).min(1.0)
    }
}

/// `ln 10000`: ten thousand records at least, on average, between two false alarms; a run a day is 27 years.
pub const COUNT_THRESHOLD: f64 = 9.210_340_371_976_184;

/// A level, such as a latency: rises of the mean against all records before.
///
/// The self-starting form needs no known mean: the n-th record is set against mean and deviation of those before it, `t
/// = sqrt((n-1)/n) (x - mean) / s`, which has Student's distribution with n-2 degrees of freedom whatever the true mean
/// and deviation are, and is turned into a standard normal value (Hawkins, "Self-starting CUSUM charts for location and
/// scale", The Statistician 36 (1987), pp. 299-315; the turning is Wallace's, Annals of Mathematical Statistics 30
/// (1959), pp. 1124-1125, both from memory). Reference value 1/2: shifts of one deviation are what it is tuned to.
///
/// Limits: assumes independent records with one deviation. A value beyond three deviations counts as three, so a single
/// outlier alarms nobody, and a shift needs four records at least.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct LevelChart {
    count: u64,
    mean: f64,
    squares: f64,
    sum: f64,
}

impl LevelChart {
    /// Takes a record; true when the level has risen. The chart then begins anew: the new level is the next baseline.
    ///
    /// `grain` is the smallest deviation that means anything: the resolution of the figure.
    pub fn take(&mut self, value: f64, grain: f64) -> bool {
        if !value.is_finite() {
            return false;
        }
        let mut taken = value;
        if self.count >= LEARNT {
            let n = self.count as f64 + 1.0;
            let deviation = (self.squares / (n - 2.0)).sqrt().max(grain);
            let t = ((n - 1.0) / n).sqrt() * (value - self.mean) / deviation;
            let u = to_normal(t, n - 2.0).clamp(-OUTLIER, OUTLIER);
            self.sum = (self.sum + u - REFERENCE).max(0.0);
            if self.sum >= LEVEL_THRESHOLD {
                *self = Self::default();
                return true;
            }
            taken = value.clamp(self.mean - OUTLIER * deviation, self.mean + OUTLIER * deviation);
        }
        // Welford, Technometrics 4 (1962), pp. 419-420.
        self.count += 1;
        let step = taken - self.mean;
        self.mean += step / self.count as f64;
        self.squares += step * (taken - self.mean);
        false
    }

    /// How far the way to an alarm is gone, `0.0..1.0`.
    pub fn share(&self) -> f64 {
        self.sum / LEVEL_THRESHOLD
    }

    /// Mean of the records so far; none before the first.
    pub fn mean(&self) -> Option<f64> {
        (self.count > 0).then_some(self.mean)
    }
}

/// Records from which a level is learnt before any is judged. Our own choice.
pub const LEARNT: u64 = 10;
/// Half the shift the chart is tuned to, in deviations.
const REFERENCE: f64 = 0.5;
/// A larger value counts as this.
const OUTLIER: f64 = 3.0;
/// Decision interval, in deviations. By Siegmund's formula (see the tests) a false alarm comes about every 140 000
/// records.
const LEVEL_THRESHOLD: f64 = 10.0;

/// Student's value with `freedom` degrees of freedom as a normal one (Wallace 1959).
fn to_normal(t: f64, freedom: f64) -> f64 {
    let size = (8.0 * freedom + 1.0) / (8.0 * freedom + 3.0) * (freedom * (t * t / freedom).ln_1p()).sqrt();
    size.copysign(t)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::base::rng::Rng;

    fn normal(rng: &mut Rng) -> f64 {
        // Box and Muller, Annals of Mathematical Statistics 29 (1958), pp. 610-611.
        let radius = (-2.0 * (1.0 - rng.fraction()).ln()).sqrt();
        radius * (std::f64::consts::TAU * rng.fraction()).cos()
    }

    fn poisson(rng: &mut Rng, mean: f64) -> u64 {
        // Knuth, The Art of Computer Programming 2, 3.4.1 F.
        let (limit, mut product, mut count) = ((-mean).exp(), rng.fraction(), 0);
        while product > limit {
            product *= rng.fraction();
            count += 1;
        }
        count
    }

    #[test]
    fn student_to_normal_agrees_with_tables() {
        // Upper 2.5 % and 0.5 % points of Student's t and of the normal distribution (1.960, 2.576): any statistics
        // handbook, e.g. NIST/SEMATECH e-Handbook 1.3.6.7.2.
        for (freedom, point, normal) in
            [(8.0, 2.306, 1.960), (20.0, 2.086, 1.960), (8.0, 3.355, 2.576), (60.0, 2.660, 2.576)]
        {
            assert!((to_normal(point, freedom) - normal).abs() < 0.01, "{freedom} {}", to_normal(point, freedom));
        }
        assert_eq!(to_normal(-1.0, 9.0), -to_normal(1.0, 9.0));
    }

    #[test]
    fn false_alarms_of_a_level_are_as_rare_as_the_formula_says() {
        // Siegmund, "Sequential Analysis" (1985), 2.6: with b = h + 1.166 and D = -k, mean run length
        // (exp(-2 D b) + 2 D b - 1) / (2 D D); for k 1/2, h 10 about 143 000 records.
        let b = LEVEL_THRESHOLD + 1.166;
        let expected = (b.exp() - b - 1.0) / 0.5;
        assert!((140_000.0..145_000.0).contains(&expected), "{expected}");
        let mut alarms = 0;
        // 400 ports with a record a day for five years each: 730 000 records, so about 5 alarms; values cut at 3 make
        // fewer.
        for seed in 0..400 {
            let (mut rng, mut chart) = (Rng::new(seed), LevelChart::default());
            alarms += (0..1825).filter(|_| chart.take(700.0 + 12.0 * normal(&mut rng), 0.001)).count();
        }
        assert!(alarms <= 14, "{alarms}: beyond the 99.9 % point of a Poisson count of mean 5");
    }

    #[test]
    fn a_shift_of_two_deviations_is_seen_within_a_fortnight_of_records() {
        let mut slowest = 0;
        for seed in 0..200 {
            let (mut rng, mut chart) = (Rng::new(seed), LevelChart::default());
            (0..60).for_each(|_| {
                chart.take(normal(&mut rng), 1e-9);
            });
            let until = (1..200).find(|_| chart.take(2.0 + normal(&mut rng), 1e-9)).expect("seen at last");
            slowest = slowest.max(until);
        }
        // h / (shift - k) = 6.7 on average without learning; learnt from 60 records, some shifts take longer.
        assert!((7..=45).contains(&slowest), "{slowest}");
    }

    #[test]
    fn an_outlier_or_a_steady_figure_alarms_nobody() {
        let mut chart = LevelChart::default();
        assert!((0..500).all(|n| !chart.take(if n % 40 == 39 { 1e9 } else { 700.0 + f64::from(n % 5) }, 1.0)));
        let mut chart = LevelChart::default();
        assert!((0..500).all(|_| !chart.take(700.0, 1.0)), "no deviation at all");
        assert!(!chart.take(f64::NAN, 1.0));
        // A change below the grain is none.
        assert!((0..500).all(|_| !chart.take(700.4, 1.0)));
    }

    /// Ten records are learnt from, whatever they are; the eleventh is the first that is judged. Each far outlier adds
    /// its cap of 3 less the reference value of 1/2, so the fourth reaches the decision interval of 10.
    #[test]
    fn a_level_is_learnt_from_ten_records() {
        let mut chart = LevelChart::default();
        assert!((0..10).all(|n| !chart.take(if n < 3 { 1.0 } else { 1000.0 + f64::from(n) }, 1e-9)));
        let mut chart = LevelChart::default();
        (0..10).for_each(|_| assert!(!chart.take(1.0, 1e-3)));
        let alarms: Vec<bool> = (0..4).map(|_| chart.take(1e6, 1e-3)).collect();
        assert_eq!(alarms, [false, false, false, true]);
        // After nine, the first of these is still learnt from.
        let mut chart = LevelChart::default();
        (0..9).for_each(|_| assert!(!chart.take(1.0, 1e-3)));
        assert!((0..4).all(|_| !chart.take(1e6, 1e-3)));
    }

    /// The formulas above, by hand: five records at 1 and five at 3 have the mean 2 and squares that sum to 10.
    #[test]
    fn a_record_is_set_against_mean_and_deviation_of_those_before() {
        let learnt = || {
            let mut chart = LevelChart::default();
            assert_eq!(chart.mean(), None);
            (0..10).for_each(|n| assert!(!chart.take(if n % 2 == 0 { 1.0 } else { 3.0 }, 1e-9)));
            assert_eq!(chart.share(), 0.0);
            chart
        };
        let deviation = (10.0_f64 / 9.0).sqrt();
        // The eleventh, at 3: t = sqrt(10/11) / deviation = 0.904534, as a normal value 0.861333, less 1/2, of 10.
        // At 1 it speaks for the level. Far off, either way, it counts as three deviations.
        for (value, share, mean) in [
            (3.0, 0.036_133, 2.0 + 1.0 / 11.0),
            (1.0, 0.0, 2.0 - 1.0 / 11.0),
            (1e9, 0.25, 2.0 + 3.0 * deviation / 11.0),
            (-1e9, 0.0, 2.0 - 3.0 * deviation / 11.0),
        ] {
            let mut chart = learnt();
            assert!(!chart.take(value, 1e-9));
            assert!((chart.share() - share).abs() < 1e-5, "{value}: {}", chart.share());
            assert!((chart.mean().unwrap() - mean).abs() < 1e-9, "{value}: {:?}", chart.mean());
        }
        let mut first = LevelChart::default();
        first.take(7.0, 1.0);
        assert_eq!(first.mean(), Some(7.0));
    }

    /// `ln 10000` (closed form). Whatever came, the sum is held at twice that, so that it is over again after six
    /// records that take off 1.8 each.
    #[test]
    fn a_count_alarms_from_its_threshold_to_twice_that() {
        assert!((COUNT_THRESHOLD - 10_000_f64.ln()).abs() < 1e-12);
        let mut chart = CountChart::default();
        chart.take(1000, 1.0, 0.2, 2.0);
        let alarms: Vec<bool> = (0..6)
            .map(|_| {
                chart.take(0, 1.0, 0.2, 2.0);
                chart.alarms()
            })
            .collect();
        assert_eq!(alarms, [true, true, true, true, true, false]);
        chart.take(1000, 1.0, 0.2, 2.0);
        assert_eq!(chart.share(), 1.0, "the whole way and no farther");
    }

    #[test]
    fn false_alarms_of_counts_are_as_rare_as_lorden_says() {
        // 2 000 000 records at the good rate: at least 10 000 on average between alarms, so 200 at most, and in fact
        // fewer.
        let (mut rng, mut chart, mut alarms) = (Rng::new(11), CountChart::default(), 0);
        for _ in 0..2_000_000 {
            chart.take(poisson(&mut rng, 0.2), 1.0, 0.2, 2.0);
            if chart.alarms() {
                alarms += 1;
                chart = CountChart::default();
            }
        }
        // 243 is the 99.9 % point of a Poisson count of mean 200.
        assert!(alarms <= 243, "{alarms}");
    }

    #[test]
    fn a_bad_rate_alarms_within_a_few_records_and_ends_again() {
        let (mut rng, mut chart) = (Rng::new(5), CountChart::default());
        let records = (1..100).find(|_| {
            chart.take(poisson(&mut rng, 2.0), 1.0, 0.2, 2.0);
            chart.alarms()
        });
        // Threshold over the mean gain at the bad rate, 2 ln 10 - 1.8 = 2.8: 3.3 records.
        assert!(records.is_some_and(|n| n <= 12), "{records:?}");
        (0..12).for_each(|_| chart.take(0, 1.0, 0.2, 2.0));
        assert!(!chart.alarms());
    }
}
