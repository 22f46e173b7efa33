//! An error ratio as reports show it, always with its bounds.

use serde::{Deserialize, Serialize};

use crate::stats::bits::frame_ratio;
use crate::stats::ratio::{Bounds, lower_bound};

/// Fewer failures than this blame nobody, whatever the ratio: one hit can be a door slammed, a spark, a cosmic ray.
/// Our own choice; the rate then decides in a longer run.
pub const ERRORS_MIN: u64 = 3;

/// What a pass has to prove.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Limit {
    /// Bit error ratio a good line stays below.
    pub bit_error_ratio: f64,
    /// How sure a pass must be.
    pub confidence: f64,
}

impl Limit {
    /// Share of units of `bits` bits that a line exactly at the limit fails; none where the limit is no ratio.
    pub fn units_allowed(&self, bits: f64) -> Option<f64> {
        frame_ratio(self.bit_error_ratio, bits).ok()
    }

    /// Whether `failed` of `tried` units of `bits` bits are enough to blame anybody, and proved to be more than the
    /// limit allows.
    pub fn is_refuted_by(&self, failed: u64, tried: u64, bits: f64) -> bool {
        let proved_above = lower_bound(failed.min(tried), tried, self.confidence);
        failed >= ERRORS_MIN
            && self.units_allowed(bits).zip(proved_above.ok()).is_some_and(|(allowed, proved)| proved > allowed)
    }
}

/// What an error ratio counts.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Basis {
    /// Wrong bits among bits compared.
    Bits,
    /// Failed frames among frames, turned into bits: the adapter drops what fails its check, so single bits are not
    /// seen.
    Frames,
}

/// An error ratio as reports show it.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct ErrorRatio {
    /// What was counted.
    pub basis: Basis,
    /// Units tried: bits or frames.
    pub trials: u64,
    /// Units failed.
    pub errors: u64,
    /// Bit error ratio, the likeliest one.
    pub estimate: f64,
    /// Lower end of the two-sided interval.
    pub lower: f64,
    /// Upper end of the two-sided interval.
    pub upper: f64,
    /// The ratio is proved to be at or below this, one-sided: a pass needs it at or below the limit.
    pub proved_below: f64,
    /// The ratio is proved to be at or above this, one-sided: a fault needs it above the limit.
    pub proved_above: f64,
    /// Confidence of each of these statements.
    pub confidence: f64,
    /// The limit it is held against.
    pub limit: f64,
}

impl ErrorRatio {
    /// So many errors in so many units, their bounds as a bit error ratio, held against this limit.
    pub fn new(basis: Basis, errors: u64, trials: u64, bounds: &Bounds, limit: &Limit) -> Self {
        Self {
            basis,
            trials,
            errors,
            estimate: bounds.estimate,
            lower: bounds.lower,
            upper: bounds.upper,
            proved_below: bounds.better_than,
            proved_above: bounds.worse_than,
            confidence: limit.confidence,
            limit: limit.bit_error_ratio,
        }
    }
}
