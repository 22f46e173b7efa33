//! Whether what was counted so far proves or refutes the limit.

use turnback_core::{
    judge::{Outcome, ratio::Limit},
    plan::PlanError,
    stats::{
        proof::{Decision, Looks, Proof},
        ratio::upper_bound,
    },
};

use super::options::CheckError;

/// Decides by `errors` among `trials` whether a run may end. `outcome` is what the whole evidence says so far: trials
/// alone do not pass a line that loses probes, and those of one burst do not fail it.
pub(super) fn decide(
    limit: f64,
    confidence: f64,
    (errors, trials): (u64, u64),
    outcome: impl FnOnce() -> Outcome,
) -> Result<Decision, CheckError> {
    let decided =
        Proof::new(limit, confidence, Looks::Repeated).and_then(|proof| proof.decide(errors, trials)).map_err(
            |error| PlanError::Range { name: "confidence", given: confidence.to_string(), allowed: error.to_string() },
        )?;
    let borne_out = match decided {
        Decision::Proved => outcome() == Outcome::Pass,
        Decision::Refuted => outcome() == Outcome::Fault,
        Decision::Continue { .. } => true,
    };
    Ok(if borne_out { decided } else { Decision::Continue { bits_needed: None } })
}

/// The bit error ratio proved by `errors` in `bits`, and the bits that must still pass without error to prove the
/// limit.
pub(super) fn proved_so_far(limit: &Limit, errors: u64, bits: u64) -> (Option<f64>, Option<f64>) {
    let needed = -(1.0 - limit.confidence).ln() / limit.bit_error_ratio;
    let missing = (needed - bits as f64).max(0.0);
    (upper_bound(errors.min(bits), bits, limit.confidence).ok(), Some(missing).filter(|bits| *bits > 0.0))
}
