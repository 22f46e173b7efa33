//! Round trips in a few figures, as documents keep them.

use serde::{Deserialize, Serialize};

use super::latency::{LatencyBucket, LatencyHistogram};
use crate::base::figure;

/// Round trip times in nanoseconds.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct Latency {
    /// Which clock stamped sending and arrival.
    pub clock: String,
    /// Trips measured.
    pub count: u64,
    /// Shortest.
    pub min: Option<u64>,
    /// Mean.
    pub mean: Option<u64>,
    /// Half are at or below this.
    pub p50: Option<u64>,
    /// 99 % are at or below this.
    pub p99: Option<u64>,
    /// Longest.
    pub max: Option<u64>,
    /// How many trips took how long, shortest first; empty in reports of programs that did not keep it.
    #[serde(default)]
    pub histogram: Vec<LatencyBucket>,
}

/// Bars of [`Latency::histogram`], about: enough to see a second hump, few enough for a page and a list.
const LATENCY_BARS: u32 = 40;

impl Latency {
    /// From a histogram filled by the named clock.
    pub fn new(clock: String, histogram: &LatencyHistogram) -> Self {
        Self {
            clock,
            count: histogram.count(),
            min: histogram.min_ns(),
            mean: histogram.mean_ns().map(|m| m.round() as u64),
            p50: histogram.p50_ns(),
            p99: histogram.p99_ns(),
            max: histogram.max_ns(),
            histogram: histogram.bars(LATENCY_BARS),
        }
    }

    /// Shortest, median, 99 % and longest, with the clock; `not measured` without trips.
    pub fn words(&self) -> String {
        match (self.min, self.p50, self.p99, self.max) {
            (Some(min), Some(p50), Some(p99), Some(max)) => format!(
                "{} min, {} median, {} p99, {} max ({} clock, {} trips)",
                figure::time_ns(min),
                figure::time_ns(p50),
                figure::time_ns(p99),
                figure::time_ns(max),
                self.clock,
                figure::count(self.count)
            ),
            _ => "not measured".into(),
        }
    }

    /// Half of the trips took at most this, seconds.
    pub fn median_s(&self) -> Option<f64> {
        self.p50.map(|ns| ns as f64 / 1e9)
    }
}
