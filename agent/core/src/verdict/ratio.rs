//! The error ratio a verdict rests on, always with its bounds.

use serde::{Deserialize, Serialize};

use crate::evidence::{Basis, Evidence, Limit};
use crate::stats::{
    bits::{bounds_from_frames, frame_ratio},
    ratio::Bounds,
};

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
    pub(super) fn new(basis: Basis, errors: u64, trials: u64, bounds: &Bounds, limit: &Limit) -> Self {
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

/// Bit error ratio of the run, `None` when nothing that speaks about the wire was tried.
///
/// On the basis of frames the bounds are those of the frame error ratio, each turned into bits by
/// [`bounds_from_frames`]; that assumes independent errors, and bursts make it too low.
pub fn bit_error_ratio(evidence: &Evidence) -> Option<ErrorRatio> {
    let basis = evidence.basis();
    let (errors, trials) = match basis {
        Basis::Bits => (evidence.counts.bit_errors, evidence.counts.bits_compared),
        // What was delivered passed the check: its damage is not the wire's.
        Basis::Frames => (evidence.losses.wire().min(evidence.frames_tried()), evidence.frames_tried()),
    };
    let confidence = evidence.limit.confidence;
    let bounds = match basis {
        Basis::Bits => Bounds::new(errors, trials, confidence),
        Basis::Frames => bounds_from_frames(errors, trials, evidence.frame_bits, confidence),
    }
    .ok()?;
    Some(ErrorRatio::new(basis, errors, trials, &bounds, &evidence.limit))
}

/// Share of frames that did not come back as sent, with bounds; host losses left out.
pub fn frame_loss_ratio(evidence: &Evidence) -> Option<Bounds> {
    Bounds::new(evidence.losses.wire().min(evidence.frames_tried()), evidence.frames_tried(), evidence.limit.confidence)
        .ok()
}

/// Share of frames that a line exactly at the limit fails.
pub fn frames_allowed(evidence: &Evidence) -> Option<f64> {
    frame_ratio(evidence.limit.bit_error_ratio, evidence.frame_bits).ok()
}
