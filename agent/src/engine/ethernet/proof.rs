//! Sending until the target bit error ratio is proved or refuted.

use std::time::Duration;

use turnback_core::{
    base::time::SECOND_NS,
    judge::{
        Outcome,
        facts::{Basis, Facts},
        judge,
    },
    plan::PlanError,
    stats::proof::{Decision, Looks, Proof},
};

use super::{CheckError, Run};

impl Run<'_> {
    /// Runs until the target is proved or refuted; how looking often is paid for is told in [`proof`](turnback_core::stats::proof).
    pub(super) fn proof(&mut self) -> Result<(), CheckError> {
        let steps = self.options.profile.steps();
        let end = self.port.now() + self.options.profile.time.as_nanos() as u64;
        let mut slice = PROOF_FIRST_SLICE;
        for (number, step) in steps.iter().cycle().enumerate() {
            let now = self.port.now();
            if now >= end || self.must_stop() {
                break;
            }
            if number < steps.len() {
                self.step_started(step, None);
                self.latency(step)?;
            }
            let counts_before = self.gathered.tally.counts;
            self.flow_slowing(step, slice.min(Duration::from_nanos(end - now)), None)?;
            let Decision::Continue { bits_needed } = self.proof_so_far()? else { break };
            // The next look is when the proof could first succeed, if nothing more fails; never over a minute away.
            let elapsed = (self.port.now() - now).max(1) as f64 / SECOND_NS as f64;
            let bits = self.gathered.tally.counts.bits_compared - counts_before.bits_compared;
            let wanted = bits_needed.map_or(f64::MAX, |needed| needed as f64 * elapsed / bits.max(1) as f64);
            slice = Duration::from_secs_f64((wanted * 1.02).clamp(0.2, PROOF_SLICE_MAX.as_secs_f64()));
        }
        self.step_done();
        Ok(())
    }

    /// Whether the counts so far prove or refute the target; bits needed are bits whatever is counted.
    pub(super) fn proof_so_far(&self) -> Result<Decision, CheckError> {
        let evidence = self.evidence();
        let allowed = evidence.common.limit.units_allowed(evidence.frame_bits);
        let (Some(ratio), Some(frames_allowed)) = (evidence.error_ratio(), allowed) else {
            return Ok(Decision::Continue { bits_needed: None });
        };
        let (limit, bits_per_trial) = match ratio.basis {
            Basis::Bits => (ratio.limit, 1.0),
            Basis::Frames => (frames_allowed, evidence.frame_bits),
        };
        let decided = Proof::new(limit, ratio.confidence, Looks::Repeated)
            .and_then(|proof| proof.decide(ratio.errors, ratio.trials))
            .map_err(|e| PlanError::Range {
                name: "confidence",
                given: ratio.confidence.to_string(),
                allowed: e.to_string(),
            })?;
        Ok(match decided {
            // Bits alone do not pass a line that loses frames, and the bits of one burst do not fail it.
            Decision::Proved if judge(&evidence).outcome != Outcome::Pass => Decision::Continue { bits_needed: None },
            Decision::Refuted if judge(&evidence).outcome == Outcome::Undecided => {
                Decision::Continue { bits_needed: None }
            }
            Decision::Continue { bits_needed: Some(trials) } => {
                Decision::Continue { bits_needed: Some((trials as f64 * bits_per_trial) as u64) }
            }
            other => other,
        })
    }
}

const PROOF_FIRST_SLICE: Duration = Duration::from_secs(1);
const PROOF_SLICE_MAX: Duration = Duration::from_secs(60);
