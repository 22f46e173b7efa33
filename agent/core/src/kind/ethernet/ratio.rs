//! The error ratio a verdict rests on, always with its bounds.

use crate::judge::ratio::ErrorRatio;

use crate::stats::{
    bits::{bounds_from_frames, frame_ratio},
    ratio::Bounds,
};
use crate::{judge::facts::Basis, kind::ethernet::facts::Evidence};

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
