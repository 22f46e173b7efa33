//! How steady the delay is: PDV and IPDV (RFC 5481) as probes come back, without keeping them.
//!
//! PDV, the packet delay variation, is `D(i) - Dmin`, never negative (RFC 5481 4.2): the delays shifted by one
//! constant, so the histogram of delays is all it needs. IPDV, the inter-packet delay variation, is `D(i) - D(i-1)`,
//! with a sign (RFC 5481 4.1). It exists only for two probes sent one after the other that both came back: a lost probe
//! takes two pairs with it.

use serde::{Deserialize, Serialize};

use super::latency::{LatencyHistogram, rank};

/// Delays of a stream of probes of one size, and their variation.
///
/// Percentiles are kept to three digits of the *delay* for PDV and of the difference for IPDV; ends and means are
/// exact.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct DelayVariation {
    latency: LatencyHistogram,
    /// Pairs whose second delay is at least the first, and by how much.
    longer: LatencyHistogram,
    /// Pairs whose second delay is the shorter, and by how much.
    shorter: LatencyHistogram,
    last: Option<Echo>,
}

#[derive(Debug, Clone, Copy, PartialEq)]
struct Echo {
    sequence: u64,
    delay_ns: u64,
}

/// Packet delay variation `D(i) - Dmin`, in nanoseconds (RFC 5481 4.2).
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct PdvSummary {
    /// Delays counted.
    pub count: u64,
    /// Mean.
    pub mean: f64,
    /// Half of the probes vary by no more than this.
    pub p50: u64,
    /// 99 % of the probes vary by no more than this.
    pub p99: u64,
    /// The most that a probe varied, exact.
    pub max: u64,
}

/// Inter-packet delay variation `D(i) - D(i-1)`, in nanoseconds with a sign (RFC 5481 4.1).
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct IpdvSummary {
    /// Pairs of probes sent one after the other that both came back.
    pub pairs: u64,
    /// The largest fall of the delay (or smallest rise), exact.
    pub min: i64,
    /// Mean, near zero unless the delay drifts.
    pub mean: f64,
    /// Mean size of the change, sign left out.
    pub mean_size: f64,
    /// 1 % of the changes are at or below this.
    pub p1: i64,
    /// Half of the changes are at or below this.
    pub p50: i64,
    /// 99 % of the changes are at or below this.
    pub p99: i64,
    /// The largest rise of the delay (or smallest fall), exact.
    pub max: i64,
}

impl DelayVariation {
    /// Nothing counted yet.
    #[must_use]
    pub fn new() -> Self {
        Self::default()
    }

    /// Counts the probe with this sequence number, which came back after `delay_ns`. Give each probe once (RFC 3393:
    /// the first copy of a duplicate counts).
    ///
    /// A gap in the sequence is a lost probe and breaks the chain. A probe that comes behind a later one counts as a
    /// delay and forms no pair, since its neighbours are gone by then.
    pub fn record(&mut self, sequence: u64, delay_ns: u64) {
        self.latency.record(delay_ns);
        if let Some(last) = self.last {
            if sequence <= last.sequence {
                return;
            }
            if sequence - last.sequence == 1 {
                if delay_ns >= last.delay_ns {
                    self.longer.record(delay_ns - last.delay_ns);
                } else {
                    self.shorter.record(last.delay_ns - delay_ns);
                }
            }
        }
        self.last = Some(Echo { sequence, delay_ns });
    }

    /// Packet delay variation; `None` before the first probe.
    #[must_use]
    pub fn pdv(&self) -> Option<PdvSummary> {
        let delay = self.latency.summary()?;
        Some(PdvSummary {
            count: delay.count,
            // From whole numbers, so that a mean close to the minimum keeps its digits.
            mean: (self.latency.sum_ns() - u128::from(delay.min) * u128::from(delay.count)) as f64 / delay.count as f64,
            p50: delay.p50 - delay.min,
            p99: delay.p99 - delay.min,
            max: delay.max - delay.min,
        })
    }

    /// Inter-packet delay variation; `None` before the first pair.
    #[must_use]
    pub fn ipdv(&self) -> Option<IpdvSummary> {
        let pairs = self.longer.count() + self.shorter.count();
        let (rise, fall) = (self.longer.sum_ns() as f64, self.shorter.sum_ns() as f64);
        Some(IpdvSummary {
            pairs,
            min: self.ipdv_percentile_ns(0.0)?,
            mean: (rise - fall) / pairs as f64,
            mean_size: (rise + fall) / pairs as f64,
            p1: self.ipdv_percentile_ns(0.01)?,
            p50: self.ipdv_percentile_ns(0.5)?,
            p99: self.ipdv_percentile_ns(0.99)?,
            max: self.ipdv_percentile_ns(1.0)?,
        })
    }

    /// The percentile `p` in `0..=1` of the inter-packet delay variation, in nanoseconds.
    #[must_use]
    pub fn ipdv_percentile_ns(&self, p: f64) -> Option<i64> {
        let falls = self.shorter.count();
        let rank = rank(p, falls + self.longer.count())?;
        if rank <= falls {
            // The largest fall comes first.
            self.shorter.value_at_rank(falls - rank + 1).map(|ns| -signed(ns))
        } else {
            self.longer.value_at_rank(rank - falls).map(signed)
        }
    }
}

fn signed(ns: u64) -> i64 {
    i64::try_from(ns).unwrap_or(i64::MAX)
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;
    use crate::stats::reference::percentile;

    fn recorded(probes: &[(u64, u64)]) -> DelayVariation {
        let mut variation = DelayVariation::new();
        probes.iter().for_each(|&(sequence, delay)| variation.record(sequence, delay));
        variation
    }

    /// RFC 5481 4.4 Figure 1: delays 20 10 20 25 20 give IPDV - -10 10 5 -5 and PDV 10 0 10 15 10 (here in ns, which
    /// are exact).
    #[test]
    fn the_published_example_comes_out() {
        let variation = recorded(&[(1, 20), (2, 10), (3, 20), (4, 25), (5, 20)]);
        let pdv = variation.pdv().unwrap();
        assert_eq!((pdv.count, pdv.mean, pdv.p50, pdv.max), (5, 45.0 / 5.0, 10, 15));
        let ipdv = variation.ipdv().unwrap();
        assert_eq!((ipdv.pairs, ipdv.min, ipdv.max, ipdv.mean, ipdv.mean_size), (4, -10, 10, 0.0, 7.5));
        let quartiles = [0.25, 0.5, 0.75, 1.0].map(|p| variation.ipdv_percentile_ns(p).unwrap());
        assert_eq!(quartiles, [-10, -5, 5, 10]);
    }

    #[test]
    fn a_lost_probe_takes_two_pairs_with_it() {
        // Probe 3 is lost: 2-3 and 3-4 do not exist, and 2 and 4 are no neighbours.
        let variation = recorded(&[(1, 100), (2, 110), (4, 500), (5, 505)]);
        assert_eq!(variation.pdv().unwrap().count, 4);
        let ipdv = variation.ipdv().unwrap();
        assert_eq!((ipdv.pairs, ipdv.min, ipdv.max), (2, 5, 10));
    }

    #[test]
    fn a_probe_behind_a_later_one_forms_no_pair() {
        let variation = recorded(&[(1, 100), (3, 100), (2, 900), (4, 101), (4, 777)]);
        assert_eq!(variation.pdv().unwrap().max, 800);
        let ipdv = variation.ipdv().unwrap();
        assert_eq!((ipdv.pairs, ipdv.min, ipdv.max), (1, 1, 1));
    }

    #[test]
    fn too_few_probes_have_no_figures() {
        let empty = DelayVariation::new();
        assert_eq!((empty.pdv(), empty.ipdv(), empty.ipdv_percentile_ns(0.5)), (None, None, None));
        let one = recorded(&[(7, 40)]);
        assert_eq!((one.pdv().unwrap().max, one.ipdv()), (0, None));
        assert_eq!(recorded(&[(u64::MAX - 1, 3), (u64::MAX, 4)]).ipdv().unwrap().max, 1);
    }

    proptest! {
        #[test]
        fn streaming_agrees_with_keeping_everything(
            delays in prop::collection::vec(prop::option::weighted(0.8, 1_000_000_u64..1_200_000), 1..100),
            p in 0.0..=1.0_f64,
        ) {
            let mut variation = DelayVariation::new();
            delays.iter().enumerate().for_each(|(i, d)| d.iter().for_each(|&ns| variation.record(i as u64, ns)));
            let pairs: Vec<f64> = delays.windows(2).filter_map(|w| Some(w[1]? as f64 - w[0]? as f64)).collect();
            let got = variation.ipdv_percentile_ns(p);
            prop_assert_eq!(got.is_some(), !pairs.is_empty());
            if let (Some(got), Some(want)) = (got, percentile(&pairs, p)) {
                prop_assert!((got as f64 - want).abs() <= 0.001 * want.abs(), "got {got}, want {want}");
                prop_assert_eq!(variation.ipdv().unwrap().pairs, pairs.len() as u64);
                let mean = pairs.iter().sum::<f64>() / pairs.len() as f64;
                prop_assert!((variation.ipdv().unwrap().mean - mean).abs() < 1e-6);
            }
            if let Some(pdv) = variation.pdv() {
                let known: Vec<u64> = delays.iter().flatten().copied().collect();
                let (min, max) = (known.iter().min().unwrap(), known.iter().max().unwrap());
                prop_assert_eq!(pdv.max, max - min);
                let mean = known.iter().map(|d| (d - min) as f64).sum::<f64>() / known.len() as f64;
                prop_assert!((pdv.mean - mean).abs() < 1e-6);
            }
        }
    }
}
