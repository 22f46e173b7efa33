//! Delays at fixed memory: minimum, mean, percentiles and maximum of any number of probes.
//!
//! A percentile is the smallest delay `x` for which the share of samples at or below `x` is at least `p` (RFC 2330
//! 11.3). A summary always carries its count, since nothing finer than one part in the count means anything (same
//! clause). This module does not know which clock the delays come from, nor how fine it is: say it beside every figure.

use hdrhistogram::Histogram;
use serde::{Deserialize, Serialize};

/// Delays in nanoseconds, counted to three digits between 1 ns and 60 s in some 200 KiB, however many there are.
///
/// Minimum, maximum and sum are exact. Delays beyond 60 s are counted as such and take part in percentiles as the
/// longest delay. Histograms of parts of a run merge to that of the whole, in any order.
#[derive(Debug, Clone, PartialEq)]
pub struct LatencyHistogram {
    counts: Histogram<u64>,
    min_ns: u64,
    max_ns: u64,
    sum_ns: u128,
}

/// The usual figures of a set of delays, in nanoseconds.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct LatencySummary {
    /// Delays counted.
    pub count: u64,
    /// Shortest delay, exact.
    pub min: u64,
    /// Mean delay.
    pub mean: f64,
    /// Half of the delays are at or below this, to three digits like the other percentiles.
    pub p50: u64,
    /// 99 % of the delays are at or below this.
    pub p99: u64,
    /// Longest delay, exact.
    pub max: u64,
}

/// One bar of a plot of delays.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
pub struct LatencyBucket {
    /// Longest delay counted here, in nanoseconds; the bucket before this one ends where this one begins.
    pub upper_ns: u64,
    /// Delays counted here.
    pub count: u64,
}

impl Default for LatencyHistogram {
    fn default() -> Self {
        Self::new()
    }
}

impl LatencyHistogram {
    /// An empty histogram.
    #[must_use]
    pub fn new() -> Self {
        // Bounds and digits are constants within what the constructor allows: 1 <= low, 2 low <= high, digits <= 5.
        let counts = Histogram::new_with_bounds(1, LONGEST_NS, DIGITS).expect("constant bounds are valid");
        Self { counts, min_ns: u64::MAX, max_ns: 0, sum_ns: 0 }
    }

    /// Counts one delay.
    pub fn record(&mut self, delay_ns: u64) {
        self.record_n(delay_ns, 1);
    }

    /// Counts `n` equal delays.
    pub fn record_n(&mut self, delay_ns: u64, n: u64) {
        if n == 0 {
            return;
        }
        self.counts.saturating_record_n(delay_ns.min(LONGEST_NS), n);
        self.min_ns = self.min_ns.min(delay_ns);
        self.max_ns = self.max_ns.max(delay_ns);
        self.sum_ns += u128::from(delay_ns) * u128::from(n);
    }

    /// Adds everything another histogram has counted.
    pub fn merge(&mut self, other: &Self) {
        // Both have the same bounds, so adding cannot run out of range.
        self.counts.add(&other.counts).expect("histograms of equal bounds add up");
        self.min_ns = self.min_ns.min(other.min_ns);
        self.max_ns = self.max_ns.max(other.max_ns);
        self.sum_ns += other.sum_ns;
    }

    /// Delays counted.
    #[must_use]
    pub fn count(&self) -> u64 {
        self.counts.len()
    }

    /// Sum of all delays in nanoseconds, exact.
    #[must_use]
    pub fn sum_ns(&self) -> u128 {
        self.sum_ns
    }

    /// Shortest delay in nanoseconds, exact; `None` when nothing was counted, here and below.
    #[must_use]
    pub fn min_ns(&self) -> Option<u64> {
        (self.count() > 0).then_some(self.min_ns)
    }

    /// Longest delay in nanoseconds, exact.
    #[must_use]
    pub fn max_ns(&self) -> Option<u64> {
        (self.count() > 0).then_some(self.max_ns)
    }

    /// Mean delay in nanoseconds.
    #[must_use]
    pub fn mean_ns(&self) -> Option<f64> {
        (self.count() > 0).then(|| self.sum_ns as f64 / self.count() as f64)
    }

    /// The percentile `p` in `0..=1`, in nanoseconds to three digits; `None` also for a `p` outside of that.
    #[must_use]
    pub fn percentile_ns(&self, p: f64) -> Option<u64> {
        self.value_at_rank(rank(p, self.count())?)
    }

    /// Median delay in nanoseconds.
    #[must_use]
    pub fn p50_ns(&self) -> Option<u64> {
        self.percentile_ns(0.5)
    }

    /// 99th percentile in nanoseconds.
    #[must_use]
    pub fn p99_ns(&self) -> Option<u64> {
        self.percentile_ns(0.99)
    }

    /// The usual figures.
    #[must_use]
    pub fn summary(&self) -> Option<LatencySummary> {
        Some(LatencySummary {
            count: self.count(),
            min: self.min_ns()?,
            mean: self.mean_ns()?,
            p50: self.p50_ns()?,
            p99: self.p99_ns()?,
            max: self.max_ns()?,
        })
    }

    /// About `wanted` bars for a plot, evenly spaced in the logarithm between the shortest and the longest delay; fewer
    /// where that would be finer than the 400 in a factor of ten at which a percentile's three digits still tell bars
    /// apart.
    #[must_use]
    pub fn bars(&self, wanted: u32) -> Vec<LatencyBucket> {
        let (Some(min), Some(max)) = (self.min_ns(), self.max_ns()) else { return Vec::new() };
        let decades = (max.max(1) as f64 / min.max(1) as f64).log10();
        // The cast saturates: a spread of nothing asks for the finest there is.
        self.buckets((f64::from(wanted) / decades) as u32)
    }

    /// Bars for a plot, `per_decade` (1 to 400) of them for every factor of ten in delay, from the first to the last
    /// that holds anything; empty ones between are kept, so that the axis has no holes.
    #[must_use]
    pub fn buckets(&self, per_decade: u32) -> Vec<LatencyBucket> {
        let per_decade = per_decade.clamp(1, PER_DECADE_MAX);
        let mut edges: Vec<u64> = (0..=DECADES * per_decade)
            .map(|i| 10_f64.powf(f64::from(i) / f64::from(per_decade)).round() as u64)
            .collect();
        edges.dedup();
        let mut buckets: Vec<_> = edges.into_iter().map(|upper_ns| LatencyBucket { upper_ns, count: 0 }).collect();
        for step in self.counts.iter_recorded() {
            let value = step.value_iterated_to().clamp(self.min_ns.min(LONGEST_NS), self.max_ns.min(LONGEST_NS));
            let index = buckets.partition_point(|bucket| bucket.upper_ns < value);
            buckets[index].count += step.count_since_last_iteration();
        }
        let first = buckets.iter().position(|b| b.count > 0).unwrap_or(buckets.len());
        let end = buckets.iter().rposition(|b| b.count > 0).map_or(first, |last| last + 1);
        buckets[first..end].to_vec()
    }

    /// The delay with this rank from 1, in order of length: exact at both ends, to three digits between; `None`
    /// outside.
    pub(super) fn value_at_rank(&self, rank: u64) -> Option<u64> {
        match rank {
            0 => None,
            1 => self.min_ns(),
            _ if rank == self.count() => self.max_ns(),
            _ => {
                let mut seen = 0;
                self.counts
                    .iter_recorded()
                    .find(|step| {
                        seen += step.count_since_last_iteration();
                        seen >= rank
                    })
                    .map(|step| step.value_iterated_to().clamp(self.min_ns, self.max_ns))
            }
        }
    }
}

/// The smallest rank from 1 whose share of `count` is at least `p`.
pub(super) fn rank(p: f64, count: u64) -> Option<u64> {
    if count == 0 || !(0.0..=1.0).contains(&p) {
        return None;
    }
    let share = |rank: u64| rank as f64 / count as f64;
    let rank = ((p * count as f64).ceil() as u64).clamp(1, count);
    // 0.07 * 100 is a little more than 7 in binary, while 7/100 is 0.07: the quotient is what the definition compares.
    Some(if rank > 1 && share(rank - 1) >= p { rank - 1 } else { rank })
}

/// The longest delay that is told apart from longer ones: 60 s, far beyond any loopback.
const LONGEST_NS: u64 = 60_000_000_000;

/// Digits kept of a delay.
const DIGITS: u8 = 3;

/// Factors of ten from 1 ns to beyond 60 s.
const DECADES: u32 = 11;

/// Bars in a factor of ten, at most: each is then 0.6 % wide, six times what three digits tell apart.
const PER_DECADE_MAX: u32 = 400;

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;
    use crate::stats::reference::percentile;

    const LOST: f64 = f64::INFINITY;

    fn filled(delays: &[u64]) -> LatencyHistogram {
        let mut histogram = LatencyHistogram::new();
        delays.iter().for_each(|&ns| histogram.record(ns));
        histogram
    }

    /// RFC 2330 11.3, its sample and percentiles; its "15th percentile is -infinity" contradicts its own rule, by which
    /// it is -5.
    #[test]
    fn percentiles_follow_the_published_sample() {
        let sample = [-2.0, 7.0, 7.0, 4.0, 18.0, -5.0];
        for (p, want) in [(0.5, 4.0), (0.25, -2.0), (1.0, 18.0), (0.15, -5.0), (5.0 / 6.0, 7.0)] {
            assert_eq!(percentile(&sample, p), Some(want), "{p}");
        }
    }

    /// RFC 7679 5.1.
    #[test]
    fn lost_probes_have_infinite_delay() {
        assert_eq!(percentile(&[100.0, 110.0, LOST, 90.0, 500.0], 0.5), Some(110.0));
        assert_eq!(percentile(&[100.0, 110.0, LOST, 90.0, 500.0], 0.0), Some(90.0));
    }

    #[test]
    fn nothing_counted_has_no_figures() {
        let empty = LatencyHistogram::new();
        assert_eq!((empty.count(), empty.min_ns(), empty.max_ns(), empty.sum_ns()), (0, None, None, 0));
        assert_eq!((empty.mean_ns(), empty.p50_ns(), empty.summary()), (None, None, None));
        assert_eq!((empty.percentile_ns(0.5), empty.buckets(10)), (None, vec![]));
        assert_eq!(percentile(&[], 0.5), None);
        for p in [-0.1, 1.1, f64::NAN] {
            assert_eq!((percentile(&[1.0], p), filled(&[1]).percentile_ns(p)), (None, None));
        }
        let mut none_of_it = LatencyHistogram::new();
        none_of_it.record_n(5, 0);
        assert_eq!(none_of_it, empty);
    }

    #[test]
    fn a_share_that_binary_cannot_hold_finds_its_rank() {
        for percent in 1..=100_u64 {
            assert_eq!(rank(percent as f64 / 100.0, 100), Some(percent));
            assert_eq!(rank(percent as f64 / 100.0, 1_000_000), Some(percent * 10_000));
        }
    }

    #[test]
    fn figures_of_a_known_set() {
        let mut histogram = LatencyHistogram::new();
        (1..=1000).for_each(|us| histogram.record(us * 1000));
        let summary = histogram.summary().unwrap();
        assert_eq!((summary.count, summary.min, summary.max, summary.mean), (1000, 1000, 1_000_000, 500_500.0));
        let percentile = |p| histogram.percentile_ns(p).unwrap();
        for (got, want) in
            [(summary.p50, 500_000), (percentile(0.9), 900_000), (summary.p99, 990_000), (percentile(0.999), 999_000)]
        {
            assert!((want..=want + want / 1000).contains(&got), "got {got}, want {want}");
        }
    }

    #[test]
    fn the_ends_of_the_range_are_kept_exactly() {
        let histogram = filled(&[0, 1, 61_000_000_000, u64::MAX]);
        assert_eq!((histogram.min_ns(), histogram.max_ns(), histogram.count()), (Some(0), Some(u64::MAX), 4));
        assert_eq!(histogram.sum_ns(), 1 + 61_000_000_000 + u128::from(u64::MAX));
        assert_eq!(histogram.percentile_ns(0.5), Some(1));
        assert!(histogram.percentile_ns(0.75).unwrap() >= LONGEST_NS);
        assert_eq!(histogram.buckets(1).iter().map(|b| b.count).sum::<u64>(), 4);
        let longer = filled(&[70_000_000_000]);
        assert_eq!(longer.summary().unwrap().p50, 70_000_000_000);
        assert_eq!(longer.buckets(1), [LatencyBucket { upper_ns: 100_000_000_000, count: 1 }]);
    }

    #[test]
    fn buckets_are_evenly_spaced_in_the_logarithm() {
        let mut histogram = filled(&[10, 11, 99, 100, 5_000]);
        histogram.record_n(50_000, 7);
        let bars: Vec<_> = histogram.buckets(1).iter().map(|b| (b.upper_ns, b.count)).collect();
        assert_eq!(bars, [(10, 1), (100, 3), (1000, 0), (10_000, 1), (100_000, 7)]);
    }

    #[test]
    fn bars_are_as_many_as_asked_whatever_the_spread() {
        for longest in [1_200, 2_000, 100_000, 50_000_000] {
            let mut histogram = LatencyHistogram::new();
            (0..=1000).for_each(|i| histogram.record(1_000 + (longest - 1_000) * i / 1000));
            let bars = histogram.bars(30);
            assert!((25..=33).contains(&bars.len()), "{longest}: {} bars", bars.len());
            assert_eq!(bars.iter().map(|b| b.count).sum::<u64>(), 1001);
        }
        assert_eq!(filled(&[2_102; 5]).bars(30).len(), 1);
        assert_eq!(filled(&[0, 0]).bars(30).iter().map(|b| b.count).sum::<u64>(), 2);
        assert_eq!(LatencyHistogram::new().bars(30), []);
    }

    #[test]
    fn a_summary_survives_writing_and_reading() {
        let summary = filled(&[10, 20, 30]).summary().unwrap();
        let text = serde_json::to_string(&summary).unwrap();
        assert_eq!(serde_json::from_str::<LatencySummary>(&text).unwrap(), summary);
    }

    proptest! {
        #[test]
        fn merging_in_any_order_is_recording_at_once(
            parts in prop::collection::vec(prop::collection::vec(0_u64..100_000_000_000, 0..20), 1..5),
        ) {
            let all = filled(&parts.concat());
            let merged = |order: &mut dyn Iterator<Item = &Vec<u64>>| {
                let mut sum = LatencyHistogram::new();
                order.for_each(|part| sum.merge(&filled(part)));
                sum
            };
            let (forward, backward) = (merged(&mut parts.iter()), merged(&mut parts.iter().rev()));
            prop_assert_eq!(forward.summary(), all.summary());
            prop_assert_eq!(&forward, &backward);
            prop_assert_eq!(&forward, &all);
        }

        #[test]
        fn percentiles_agree_with_sorting(
            delays in prop::collection::vec(1_u64..60_000_000_000, 1..200),
            p in 0.0..=1.0_f64,
        ) {
            let exact = percentile(&delays.iter().map(|&ns| ns as f64).collect::<Vec<_>>(), p).unwrap();
            let got = filled(&delays).percentile_ns(p).unwrap() as f64;
            prop_assert!(got >= exact && got <= exact * 1.001, "got {got}, exact {exact}");
        }

        #[test]
        fn every_delay_is_in_one_bucket(
            delays in prop::collection::vec(0_u64..100_000_000_000, 0..200),
            per_decade in 0_u32..30,
        ) {
            let buckets = filled(&delays).buckets(per_decade);
            prop_assert_eq!(buckets.iter().map(|b| b.count).sum::<u64>(), delays.len() as u64);
            prop_assert!(buckets.windows(2).all(|pair| pair[0].upper_ns < pair[1].upper_ns));
        }
    }
}
