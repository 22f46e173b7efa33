//! An error ratio as reports show it, always with its bounds.

use serde::{Deserialize, Serialize};

use super::facts::{Basis, Limit};
use crate::stats::ratio::Bounds;

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
