//! Sends until the target bit error ratio is proved or refuted.

use std::time::Duration;

use turnback_core::{
    base::time::SECOND_NS,
    judge::{facts::Facts, judge, ratio::Basis},
    stats::proof::Decision,
};

use super::{CheckError, EthernetRun, measured::EthernetMeasured};
use crate::engine::proof::decide;

impl EthernetRun<'_, '_> {
    /// Runs until the target is proved or refuted; how looking often is paid for is told in
    /// [`proof`](turnback_core::stats::proof).
    pub(super) fn proof(&mut self, measured: &mut EthernetMeasured) -> Result<(), CheckError> {
        let steps = self.options.profile.steps();
        let end = self.kind.port.now() + self.options.profile.time.as_nanos() as u64;
        let mut slice = PROOF_FIRST_SLICE;
        for (number, step) in steps.iter().cycle().enumerate() {
            let now = self.kind.port.now();
            if now >= end || self.must_stop(measured) {
                break;
            }
            if number < steps.len() {
                self.step_started(step, None);
                self.latency(measured, step)?;
            }
            let counts_before = measured.tally.counts;
            self.flow_slowing(measured, step, slice.min(Duration::from_nanos(end - now)), None)?;
            let Decision::Continue { bits_needed } = self.proof_so_far(measured)? else { break };
            // Looks again when the proof could first succeed if nothing more fails, and after a minute at the latest.
            let elapsed = (self.kind.port.now() - now).max(1) as f64 / SECOND_NS as f64;
            let bits = measured.tally.counts.bits_compared - counts_before.bits_compared;
            let wanted = bits_needed.map_or(f64::MAX, |needed| needed as f64 * elapsed / bits.max(1) as f64);
            slice = Duration::from_secs_f64((wanted * 1.02).clamp(0.2, PROOF_SLICE_MAX.as_secs_f64()));
        }
        self.step_done(measured);
        Ok(())
    }

    /// Whether the counts so far prove or refute the target. The bits needed are bits, even where frames are counted.
    pub(super) fn proof_so_far(&self, measured: &EthernetMeasured) -> Result<Decision, CheckError> {
        let evidence = self.facts(measured);
        let allowed = evidence.common.limit.units_allowed(evidence.frame_bits);
        let (Some(ratio), Some(frames_allowed)) = (evidence.error_ratio(), allowed) else {
            return Ok(Decision::Continue { bits_needed: None });
        };
        let (limit, bits_per_trial) = match ratio.basis {
            Basis::Bits => (ratio.limit, 1.0),
            Basis::Frames => (frames_allowed, evidence.frame_bits),
        };
        let outcome = || judge(&evidence).outcome;
        Ok(match decide(limit, ratio.confidence, (ratio.errors, ratio.trials), outcome)? {
            Decision::Continue { bits_needed: Some(trials) } => {
                Decision::Continue { bits_needed: Some((trials as f64 * bits_per_trial) as u64) }
            }
            other => other,
        })
    }
}

const PROOF_FIRST_SLICE: Duration = Duration::from_secs(1);
const PROOF_SLICE_MAX: Duration = Duration::from_secs(60);
